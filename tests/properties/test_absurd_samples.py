"""A short run of captures with absurd samples beside their events; the long one is a command, see `absurd_samples`."""

from __future__ import annotations

import absurd_samples
import pytest

SOURCE = "the project's own design: an impossible sample is a mark and moves nothing but itself"


@pytest.mark.slow
@pytest.mark.parametrize("first", [0, 20])
def test_absurd_samples_beside_an_event_do_not_change_it(first: int) -> None:
    # SOURCE. Kind, phases, start and residual voltage as without them.
    found = {n: absurd_samples.difference(absurd_samples.draw(7, n)) for n in range(first, first + 20)}
    assert not {n: words for n, words in found.items() if words}


def test_what_changes_is_told() -> None:
    # Derived: the clean copy of another case has other events.
    one, other = absurd_samples.draw(7, 0), absurd_samples.draw(7, 1)
    assert absurd_samples.difference(absurd_samples.Case(one.clean, other.clean, "")) is not None
