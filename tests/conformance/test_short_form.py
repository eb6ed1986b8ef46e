"""The short form of the conformance suite; all of it is `python tests/conformance/run.py`."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

RUN = Path(__file__).with_name("run.py")


@pytest.mark.long
def test_every_quantity_is_within_a_quarter_of_its_limit_and_is_in_the_table() -> None:
    """Limits of IEC 61000-4-30 Ed. 3 and IEC 61000-4-7, class A and I (memory), each named in the table."""
    done = subprocess.run([sys.executable, RUN, "--short"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    rows = [line.split(" | ") for line in done.stdout.splitlines()[2:]]
    quantities = {row[0].removeprefix("| ") for row in rows}
    assert {
        "frequency",
        "voltage, RMS",
        "unbalance",
        "flicker, Pst",
        "mains signalling",
        "interharmonics",
    } <= quantities
    assert all(int(row[5]) > 0 for row in rows)
    assert "too far" not in done.stdout


def test_an_unknown_part_is_refused() -> None:
    done = subprocess.run([sys.executable, RUN, "sags"], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "there are steady, signalling" in done.stderr
