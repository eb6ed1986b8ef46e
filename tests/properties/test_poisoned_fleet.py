"""A small run of the property that `poisoned_fleet.py` checks at length."""

from __future__ import annotations

import poisoned_fleet
import pytest


@pytest.mark.exam
def test_good_events_are_byte_for_byte_those_without_the_poison() -> None:
    assert poisoned_fleet.main(["--mixes", "1", "--captures", "12", "--sites", "3"]) == 0
