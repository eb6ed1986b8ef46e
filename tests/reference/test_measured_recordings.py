"""Measured recordings from open repositories, screened as a user would.

SOURCE of every expected value: INDEX.md of the shared data, a plain one-cycle RMS estimate, "good to about half a
cycle: a cross-check, not ground truth". So times are held to one cycle and magnitudes to 0.01 pu of the voltage that
the estimate took for 1 pu.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.settings import Thresholds

DATA = Path(__file__).parents[2].parent / "shared" / "data"
CYCLE_S = 0.02

pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason="the measured recordings are not here")

DESCRIPTION = """station = "line-fault"
rate_hz = 6400.0
nominal_frequency_hz = 50.0
start = 2020-01-01T00:00:00Z
""" + "".join(
    f'[channels.v{i}]\nquantity = "voltage"\nphase = "{phase}"\nunit = "V"\nscale = 18.310\n'
    for i, phase in enumerate("ABC", 1)
)


def events_of(path: Path, nominal_v: float | None = None) -> list[Event]:
    result = screen([path], terms=Terms(Thresholds(), nominal_v), workers=1)
    assert not result.set_aside
    return list(result.events)


def line_fault(number: int, folder: Path) -> list[Event]:
    """As recorded on a 90 kV line that ran at 1.1 to 1.2 of nominal: judged against what it was before."""
    path = folder / f"line-fault-{number}.npz"
    shutil.copyfile(DATA / path.name, path)
    path.with_name(path.name + ".toml").write_text(DESCRIPTION, encoding="utf-8")
    return events_of(path, nominal_v=90_000 / 3**0.5)


def test_a_pole_that_recloses_is_one_long_sag_of_its_phase_and_no_interruption() -> None:
    events = events_of(DATA / "single-pole-reclose.cfg")
    (sag,) = [event for event in events if event.kind == "sag"]
    assert sag.phases == "C"
    assert sag.observed_s == pytest.approx(5.10, abs=CYCLE_S)
    assert sag.magnitude == pytest.approx(0.021, abs=0.01)
    assert sag.worst_phase_kind == "interruption"
    assert all(event.kind != "interruption" for event in events)


def test_a_reclosing_onto_a_fault_is_two_dips_of_one_phase_on_both_buses() -> None:
    events = events_of(DATA / "fault-failed-reclose.cfg")
    assert len(events) == 4
    for bus in {event.point for event in events}:
        first, second = [event for event in events if event.point == bus]
        assert (first.kind, first.phases, second.kind, second.phases) == ("sag", "A", "sag", "A")
        assert first.magnitude == pytest.approx(0.695, abs=0.01)
        assert second.magnitude == pytest.approx(0.699, abs=0.01)
        assert (first.observed_s, second.observed_s) == pytest.approx((0.040, 0.040), abs=CYCLE_S)
        assert (second.start - first.start) / 1e9 == pytest.approx(1.13, abs=CYCLE_S)


def test_an_earth_fault_in_an_isolated_network_is_a_row_of_bursts() -> None:
    """The estimate is relative to the voltage before, 1.02 times the usual voltage that ours is relative to."""
    events = events_of(DATA / "intermittent-earth-fault.cfg")
    deep = [event for event in events if event.kind == "sag" and event.magnitude < 0.7]
    assert [event.phases for event in deep] == ["B"] * 5
    assert all(0.59 <= event.magnitude <= 0.68 and 0.01 <= event.observed_s <= 0.11 for event in deep)
    assert max(event.magnitude for event in events) == pytest.approx(1.41 * 1.0193, abs=0.015)


def test_a_line_fault_is_found_against_the_voltage_before_it(tmp_path: Path) -> None:
    sag, swell = line_fault(3, tmp_path)
    assert (sag.kind, swell.kind) == ("sag", "swell")
    assert sag.reference_kind == "sliding"
    assert (sag.magnitude_b, sag.magnitude_c) == pytest.approx((0.519, 0.570), abs=0.01)
    assert sag.start % 10**9 / 1e9 == pytest.approx(0.300, abs=1.1 * CYCLE_S)  # a window's start, not the fault's
    assert sag.observed_s == pytest.approx(0.130, abs=CYCLE_S)
    assert swell.magnitude_a == pytest.approx(1.31, abs=0.01)
    assert swell.observed_s == pytest.approx(0.100, abs=CYCLE_S)


def test_a_three_phase_line_fault_has_the_residual_voltages_of_the_estimate(tmp_path: Path) -> None:
    (sag,) = line_fault(8, tmp_path)
    residuals = (sag.magnitude_a, sag.magnitude_b, sag.magnitude_c)
    assert residuals == pytest.approx((0.442, 0.454, 0.404), abs=0.01)
    assert sag.start % 10**9 / 1e9 == pytest.approx(0.330, abs=1.5 * CYCLE_S)
    assert sag.observed_s == pytest.approx(0.080, abs=2 * CYCLE_S)  # the tail lies within the hysteresis


def test_a_load_that_trips_leaves_the_voltage_as_it_was() -> None:
    assert events_of(DATA / "load-trip-float32.cfg") == []
