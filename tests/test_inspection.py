"""`inspect` as plain calls: captures whose content is known, wired rightly and wrongly.

SOURCE of every expected value: the capture was made so, by a few lines of NumPy here.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.errors import ReadError, SignalError
from halfcycle.pipeline.inspection import Inspection, inspect
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

RATE_HZ = 3200.0
WYE = {"UA": (230, 0), "UB": (230, -120), "UC": (230, 120)}
LOAD = {"IA": (10, -30), "IB": (10, -150), "IC": (10, 90)}
HIGH_LEG = {"UA": (120, 0), "UB": (207.85, -90), "UC": (120, 180)}


def made(
    phasors: dict[str, tuple[float, float]], *, seconds: float = 2.0, hertz: float = 50.0, start_ns: int = 0
) -> Capture:
    """Sines of the sizes and angles given; a channel's name is U or I and its phase."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    rows = [a * np.sqrt(2) * np.cos(2 * np.pi * hertz * t + np.radians(b)) for a, b in phasors.values()]
    channels = tuple(
        Channel(name, "voltage" if name[0] == "U" else "current", name[1:], "V" if name[0] == "U" else "A")
        for name in phasors
    )
    header = Header("Mill Lane", start_ns, RATE_HZ, t.size, channels, "float32")
    return Capture(header, np.stack(rows).astype(np.float32))


def inspected(capture: Capture, folder: Path, **options: object) -> Inspection:
    path = folder / "c.parquet"
    write_waveform_parquet(capture, path)
    return inspect(path, **options)  # type: ignore[arg-type]


def test_what_a_file_holds_is_told_with_its_statistics(tmp_path: Path) -> None:
    capture = made(WYE | LOAD)
    capture.samples.flags.writeable = True
    capture.samples[0, 5] = np.nan
    found = inspected(capture, tmp_path)
    assert (found.format, len(found.headers), found.headers[0].station) == ("Parquet", 1, "Mill Lane")
    a, b = found.channels[0], found.channels[4]
    assert (a.channel.name, a.n_missing) == ("UA", 1)
    assert b.rms == pytest.approx(10.0, rel=1e-4)
    assert b.highest == pytest.approx(10 * 2**0.5, rel=1e-3)
    assert b.lowest == pytest.approx(-10 * 2**0.5, rel=1e-3)
    assert b.range is None


def test_a_point_has_frequency_nominal_voltage_phasors_and_power(tmp_path: Path) -> None:
    (point,) = inspected(made(WYE | LOAD, hertz=50.2), tmp_path).points
    assert (point.name, point.hookup.name) == (None, "four-wire")
    assert point.frequency_hz == pytest.approx(50.2, abs=0.01)  # IEC 61000-4-30 Class A: 10 mHz
    assert point.nominal_v == pytest.approx(230.0, rel=0.005)
    assert [phasor.name for phasor in point.phasors] == [*WYE, *LOAD]
    for phasor, (size, degrees) in zip(point.phasors, (WYE | LOAD).values(), strict=True):
        assert abs(phasor.value - size * np.exp(1j * np.radians(degrees))) < 0.003 * size
    assert point.power == pytest.approx(3 * 230 * 10 * (np.cos(np.pi / 6) + 0.5j), rel=0.005)
    assert point.findings == ()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"IB": (10, 30)}, "current clamp IB is backwards"),
        ({"IA": (10, 90), "IC": (10, -30)}, "current clamps of A and C are exchanged"),
        ({"UB": (230, 120), "UC": (230, -120)}, "voltage leads of B and C are exchanged"),
        ({"UB": (230, 60)}, "voltage UB is reversed"),
        ({"UC": (0.01, 120)}, "voltage UC (or its lead) is missing"),
        ({"IC": (0.0, 0)}, "current IC is missing"),
        ({"UA": (2300, 0)}, "voltage UA has the wrong ratio"),
    ],
)
def test_a_mistake_in_the_wiring_is_told_in_words(
    tmp_path: Path, change: dict[str, tuple[float, float]], words: str
) -> None:
    (point,) = inspected(made(WYE | LOAD | change), tmp_path).points
    assert [finding.what for finding in point.findings] == [words]
    assert point.findings[0].check.startswith("check ")


def test_a_nominal_voltage_that_does_not_fit_is_told_only_where_it_is_given(tmp_path: Path) -> None:
    (point,) = inspected(made(WYE | LOAD), tmp_path, nominal_voltage_v=400.0).points
    (finding,) = point.findings
    assert "nominal" in finding.what
    assert "1/√3" in finding.evidence


def test_a_high_leg_delta_is_wired_as_one_and_judged_as_two(tmp_path: Path) -> None:
    (point,) = inspected(made(HIGH_LEG, hertz=60.0), tmp_path, hookup="high-leg").points
    assert [phasor.phase for phasor in point.phasors] == ["A", "C", "B"]
    assert point.nominal_v == pytest.approx(120.0, rel=0.01)
    assert point.findings == ()
    assert any("legs A C, high leg B" in note for note in point.notes)
    (mistaken,) = inspected(made(HIGH_LEG), tmp_path).points
    assert any("high-leg delta" in finding.what for finding in mistaken.findings)


def test_a_sag_of_the_high_leg_is_judged_against_its_own_nominal_voltage() -> None:
    """208 V falling to 125 V is a sag to 0.6, though 125 V would be more than the other legs' nominal voltage."""
    capture = made(HIGH_LEG, seconds=3.0)
    capture.samples.flags.writeable = True
    capture.samples[1, 4800:6400] *= 0.6
    (record,) = records_of([Piece(capture.header, lambda: capture, lambda: "d")])
    for nominal_v in (120.0, None):
        terms = Terms(Thresholds(), nominal_voltage_v=nominal_v, nominal_frequency_hz=50.0, hookup="high-leg")
        found = judge(record, site="S", terms=terms)
        (event,) = found.events
        assert (event.kind, event.phases, event.point) == ("sag", "B", "high leg B")
        assert event.magnitude == pytest.approx(0.6, abs=0.002)
        assert event.reference_v == pytest.approx(207.85, rel=0.005)
        assert [item.not_judged_s for item in found.coverage] == [0.0, 0.0]


def test_five_wires_show_neutral_voltage_and_current(tmp_path: Path) -> None:
    channels = WYE | LOAD | {"UN": (40.0, 10), "IN": (0.5, 0)}
    (point,) = inspected(made(channels), tmp_path, hookup="five-wire").points
    assert {phasor.name for phasor in point.phasors} == set(channels)
    assert [finding.what for finding in point.findings] == ["the neutral has a voltage to earth"]


def test_a_neutrals_current_is_shown_where_the_hookup_does_not_need_it_and_makes_no_finding(tmp_path: Path) -> None:
    (point,) = inspected(made(WYE | LOAD | {"IN": (4.0, 0)}), tmp_path, hookup="four-wire").points
    assert [phasor.name for phasor in point.phasors] == [*WYE, *LOAD, "IN"]
    assert point.findings == ()


def test_two_line_to_line_voltages_and_two_currents_give_the_power_of_all_three(tmp_path: Path) -> None:
    # Derived: star voltages of 400/sqrt(3) V at 0, -120, 120 degrees, 10 A lagging by 30: P = 3 U I cos 30.
    lines = {"UAB": (400, 30), "UBC": (400, -90)}
    (point,) = inspected(made(lines | {"IA": (10, -30), "IC": (10, 90)}), tmp_path, hookup="two-element").points
    assert point.power is not None
    assert point.power.real == pytest.approx(3 * 400 / 3**0.5 * 10 * 0.75**0.5, rel=0.002)
    assert point.findings == ()


def test_several_captures_are_all_listed_and_the_longest_that_can_be_measured_is_shown(tmp_path: Path) -> None:
    capture = made(WYE, seconds=6.5)
    t = np.arange(capture.header.n_samples) / RATE_HZ
    kept = (t < 1) | (t >= 6)  # a gap of five seconds
    table = np.column_stack([t[kept], capture.samples.T[kept]])
    path = tmp_path / "two.csv"
    np.savetxt(path, table, delimiter=",", header="t (s),UA (V),UB (V),UC (V)", comments="", fmt="%.9g")
    found = inspect(path)
    assert [header.n_samples for header in found.headers] == [3200, 1600]
    assert found.shown == 0
    assert found.channels[0].rms == pytest.approx(230, rel=1e-3)


def test_a_file_without_voltage_has_no_point_and_one_too_short_says_so(tmp_path: Path) -> None:
    assert inspected(made(LOAD), tmp_path).points == ()
    (point,) = inspected(made(WYE, seconds=0.01), tmp_path).points
    assert point.frequency_hz is None
    assert "not measured" in point.notes[0]


def test_channels_without_voltage_are_not_measured(tmp_path: Path) -> None:
    (point,) = inspected(made({"UA": (0.02, 0)}), tmp_path).points
    assert point.phasors == ()
    assert "channels not in use" in point.notes[0]


def test_a_stated_frequency_that_is_not_the_measured_one_is_noted(tmp_path: Path) -> None:
    capture = made(WYE, hertz=60.0)
    capture = Capture(replace(capture.header, nominal_frequency_hz=50.0), capture.samples)
    (point,) = inspected(capture, tmp_path).points
    assert point.frequency_hz == pytest.approx(60.0, abs=0.01)
    assert any("states 50 Hz" in note for note in point.notes)


def test_what_cannot_be_done_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SignalError, match="four-wire"):
        inspected(made({"UA": (230, 0)}), tmp_path, hookup="four-wire")
    (tmp_path / "x.csv").write_bytes(b"\x00")
    with pytest.raises(ReadError):
        inspect(tmp_path / "x.csv")
