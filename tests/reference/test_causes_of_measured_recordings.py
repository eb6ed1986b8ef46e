"""Causes of measured faults: recordings from open repositories, screened as a user would.

SOURCE of what happened: INDEX.md of the shared data (faults on transmission and distribution lines, one of them an
intermittent earth fault, one with single-pole reclosing, one that was reclosed in vain, seen from three substations).
"""

from __future__ import annotations

import shutil
from functools import cache
from pathlib import Path

import pytest

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.detectors.registry import choose
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.settings import Thresholds

DATA = Path(__file__).parents[2].parent / "shared" / "data"

pytestmark = [pytest.mark.slow, pytest.mark.skipif(not DATA.is_dir(), reason="the measured recordings are not here")]

DESCRIPTION = """station = "line-fault"
rate_hz = 6400.0
nominal_frequency_hz = 50.0
start = 2020-01-01T00:00:00Z
""" + "".join(
    f'[channels.{letter}{i}]\nquantity = "{quantity}"\nphase = "{phase}"\nunit = "{unit}"\nscale = {scale}\n'
    for letter, quantity, unit, scale in (("v", "voltage", "V", 18.310), ("i", "current", "A", 4.314))
    for i, phase in enumerate("ABC", 1)
)
FAULTS = (
    "line-fault-0.npz", "line-fault-3.npz", "line-fault-4.npz", "line-fault-8.npz", "line-fault-9.npz",
    "single-pole-reclose.cfg", "fault-failed-reclose.cfg", "fault-failed-reclose-d.cfg", "fault-failed-reclose-e.cfg",
    "intermittent-earth-fault.cfg", "emt-sag-to-the-end.cfg",
)  # fmt: skip
OF_FAULTS = {"fault", "fault, then trip", "fault with reclosing", "evolving fault"}
NEVER = {"capacitor energising", "back-to-back capacitor energising", "transformer energising"}


@cache
def events_of(name: str, folder: Path) -> tuple[Event, ...]:
    for part in (DATA / name).parent.glob(f"{(DATA / name).stem}.*"):
        shutil.copy(part, folder)
    source = folder / name
    if name.endswith(".npz"):
        source.with_suffix(".toml").write_text(DESCRIPTION)
    found = screen([source], terms=Terms(Thresholds(), None, detectors=choose({"transient": {}, "inrush": {}}),
                                         explain=True), workers=1)  # fmt: skip
    assert not found.set_aside
    return tuple(found.events)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("measured")


def test_the_first_sag_of_nearly_every_line_fault_is_named_a_fault(folder: Path) -> None:
    named = {}
    for name in FAULTS:
        sags = [e for e in events_of(name, folder) if e.kind in ("sag", "interruption", "undervoltage") and e.cause]
        if sags:
            named[name] = min(sags, key=lambda event: event.start).cause
    assert len(named) >= 8
    right = [name for name, cause in named.items() if cause in OF_FAULTS]
    assert len(right) >= 0.9 * len(named), named


@pytest.mark.parametrize("name", FAULTS)
def test_no_bank_and_no_energising_is_named_where_a_line_was_at_fault(name: str, folder: Path) -> None:
    said = [(e.kind, e.cause, e.cause_confidence) for e in events_of(name, folder) if e.cause in NEVER]
    assert said == []
