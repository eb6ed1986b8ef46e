"""Nights of two machines at one address that are killed: nothing lost, nothing twice, the bytes of one on folders."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from killed_at_an_address import many_runs

SOURCE = "the project's own design: a kill leaves the state before a step or after it, and both are gone on from"


@pytest.mark.long
def test_a_killed_night_is_gone_on_with() -> None:
    wrong, n_killed = many_runs(2, seed=1, kinds=("file",))
    assert wrong == []
    assert n_killed > 0


@pytest.mark.long
def test_many_killed_nights_are_gone_on_with() -> None:
    # In a process of its own, as the nights are: what other tests leave in theirs is no part of the claim.
    pytest.importorskip("s3fs")
    script = Path(__file__).with_name("killed_at_an_address.py")
    words = [sys.executable, script, "--runs", "20", "--seed", "2"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    told = re.search(r"20 runs, (\d+) nights killed, 0 wrong", done.stdout)
    assert told is not None, done.stdout
    assert int(told[1]) > 10
