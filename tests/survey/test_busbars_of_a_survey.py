"""A busbar in a survey: its voltages are measured and judged once, each feeder has currents and powers of its own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_fleet import halfcycle

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.event_tables import counted_events
from halfcycle.pipeline.quantities import chosen_quantities
from halfcycle.pipeline.sites.account import Declared
from halfcycle.pipeline.survey.compliance import Assessment, load_limit_profile
from halfcycle.pipeline.survey.files import Measured, measure_files
from halfcycle.pipeline.survey.measure import Survey
from halfcycle.pipeline.survey.stored import judge_trends, read_trends
from halfcycle.pipeline.survey.written import write_trends
from halfcycle.pipeline.synthesis import Load, Waveform, synthesise
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

SOURCE = "derived: the feeders of a busbar have one voltage, and each a current and a power of its own"
SYMBOLS = ("u_rms", "f", "u2", "i_rms", "p", "p_total")
START_NS = 1_772_409_600_000_000_000  # 2026-03-02T00:00:00Z, a ten-minute tick
CURRENTS = {"Mill Lane": (10.0, 10.0, 10.0), "Weir": (20.0, 20.0, 20.0)}


def busbar(*, apart: float = 1.0) -> Capture:
    """Two feeders of one bus; apart: by how much the voltages under the second name are others."""
    wave = Waveform(hookup="four-wire", nominal_voltage_v=230.0, rate_hz=3200.0, duration_s=25.0, frequency_hz=50.0)
    loads = [Load(current_a=amps, displacement_deg=(0.0, 0.0, 0.0)) for amps in CURRENTS.values()]
    made = [synthesise(replace(wave, load=load), start_ns=START_NS).capture for load in loads]
    channels = tuple(
        replace(channel, name=f"{name} {channel.name}", point=name)
        for name, one in zip(CURRENTS, made, strict=True)
        for channel in one.header.channels
    )
    samples = np.concatenate([one.samples for one in made]).astype(np.float32)
    samples[6:9] *= np.float32(apart)
    header = replace(made[0].header, station="bus", channels=channels, sample_type="float32")
    return Capture(header, samples)


def surveyed(folder: Path, capture: Capture, *symbols: str, limits: str = "en-50160-lv") -> Measured:
    write_waveform_parquet(capture, folder / "bus.parquet")
    survey = Survey(chosen_quantities(symbols or SYMBOLS), 10.0, nominal_voltage_v=230.0)
    return measure_files([folder / "bus.parquet"], survey, profile=load_limit_profile(limits))


def test_voltages_of_a_busbar_stand_once_and_each_feeder_has_its_currents_and_powers(tmp_path: Path) -> None:
    found = surveyed(tmp_path, busbar())
    first, second = found.trends["bus", "Mill Lane"], found.trends["bus", "Weir"]
    assert {"u_rms_a", "f", "u2", "i_rms_a", "p_a", "p_total"} <= {*first.table.column_names}
    names = {*second.table.column_names}
    assert {"i_rms_a", "p_a", "p_total"} <= names
    assert names.isdisjoint({"u_rms_a", "f", "u2"})
    assert (first.voltages_of, second.voltages_of) == ("", "Mill Lane")
    for trend, amps in ((first, 10.0), (second, 20.0)):  # U I of each phase, times three
        assert trend.table.column("p_total")[1].as_py() == pytest.approx(3 * 230.0 * amps, rel=1e-4)


def test_limits_of_voltages_are_judged_at_the_busbar_alone_from_waveforms_as_from_stored_trends(tmp_path: Path) -> None:
    found = surveyed(tmp_path, busbar())
    profile = load_limit_profile("en-50160-lv")
    assert list(found.assessments) == [("bus", "Mill Lane")]
    assert list(counted_events(found.certified, profile)) == [("bus", "Mill Lane")]
    stored = [
        one
        for path in write_trends(found.certified, tmp_path / "t.parquet", interval_s=10.0, accounts=found.accounts)
        for one in read_trends(path)
    ]
    again = judge_trends(stored, profile, declared=Declared())
    assert {key: brief(of_point) for key, of_point in again.items()} == {
        ("bus", "Mill Lane"): brief(found.assessments["bus", "Mill Lane"])
    }


def brief(judged: list[Assessment]) -> list[tuple[str, str, str, int]]:
    return [(one.name, one.series, one.verdict, one.n) for one in judged]


@pytest.mark.slow
def test_a_feeder_of_which_voltages_alone_are_asked_says_where_they_are(tmp_path: Path) -> None:
    found = surveyed(tmp_path, busbar(), "u_rms")
    assert list(found.trends) == [("bus", "Mill Lane")]
    assert ("bus", "Weir", "the voltages of Mill Lane, measured once; each with its own currents") in found.not_measured
    done = halfcycle("measure", tmp_path / "bus.parquet", "--out", tmp_path / "t.csv", "--interval", "10")
    assert done.returncode == 0, done.stderr
    shown = halfcycle("inspect", tmp_path / "t.csv").stdout
    assert "those of Mill Lane, in whose trend they are" in shown


def test_points_whose_voltages_differ_a_little_are_two(tmp_path: Path) -> None:
    found = surveyed(tmp_path, busbar(apart=1.0005))
    for point in CURRENTS:
        assert "u_rms_a" in found.trends["bus", point].table.column_names
        assert found.assessments["bus", point]
