"""Nights of two machines at one address that are killed: nothing lost, nothing twice, the bytes of one on folders."""

from __future__ import annotations

import pytest
from killed_at_an_address import many_runs

SOURCE = "the project's own design: a kill leaves the state before a step or after it, and both are gone on from"


@pytest.mark.slow
def test_a_killed_night_is_gone_on_with() -> None:
    wrong, n_killed = many_runs(2, seed=1, kinds=("file",))
    assert wrong == []
    assert n_killed > 0


@pytest.mark.long
def test_many_killed_nights_are_gone_on_with() -> None:
    pytest.importorskip("s3fs")
    wrong, n_killed = many_runs(20, seed=2)
    assert wrong == []
    assert n_killed > 10
