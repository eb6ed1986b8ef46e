"""Odd recordings screened as a user would: what is judged, against what, and what is said of the rest.

The recordings are COMTRADE files made here; the sag in them is known exactly: 0.5 of 230 V from 0.4 s to 0.6 s.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from comtrade_files import LINES, binary_rows, put

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.screening import Screening, screen
from halfcycle.pipeline.settings import Thresholds

SOURCE = "derived: the made waveform; a window's start may lie a cycle before the sag's"
RATE_HZ, N, VOLTS = 3200, 3200, 230.0
SAG = (0.4, 0.6, 0.5)
CYCLE_S = 0.02
Waves = npt.NDArray[np.float64]


def waves(
    *, volts: float = VOLTS, hertz: float = 50.0, rate_hz: float = RATE_HZ, begins_s: float = 0.0,
    sag: tuple[float, float, float] | None = SAG,
) -> Waves:  # fmt: skip
    t = begins_s + np.arange(round(rate_hz * N / RATE_HZ)) / rate_hz
    envelope = np.where((t >= sag[0]) & (t < sag[1]), sag[2], 1.0) if sag else np.ones(t.size)
    return np.stack([np.sqrt(2) * volts * envelope * np.sin(2 * np.pi * (hertz * t - k / 3)) for k in range(3)])


def analog(number: int, name: str, phase: str, *, point: str = "bus", scale: float = 0.02, side: str = "1,1,P") -> str:
    return f"{number},{name},{phase},{point},V,{scale},0,0,-32767,32767,{side}"


def recording(
    folder: Path, values: Waves, *, channels: Sequence[str] = (), rate_hz: float = RATE_HZ, hertz: str = "50",
    start: str = "05/03/2024,10:00:00.000000", scale: float = 0.02, name: str = "r.cfg",
) -> Path:  # fmt: skip
    n_channels, n_samples = values.shape
    channels = channels or [analog(i + 1, f"U{p}", p, scale=scale) for i, p in enumerate("ABC"[:n_channels])]
    lines = {1: LINES[1], 2: f"{n_channels},{n_channels}A,0D"} | {3 + i: line for i, line in enumerate(channels)}
    rest = [hertz, "1", f"{rate_hz},{n_samples}", start, start, "BINARY", "1"]
    lines |= {100 + i: line for i, line in enumerate(rest)}
    raw = np.rint(values.T / scale).clip(-32767, 32767).astype(np.int16)
    stamps = np.rint(np.arange(n_samples) * 1e6 / rate_hz)
    return put(folder, lines, binary_rows(raw, n_digital=0, stamps=stamps), name=name)


def screened(*paths: Path, nominal_v: float | None = None, hookup: str | None = None) -> Screening:
    return screen(paths, terms=Terms(Thresholds(), nominal_v, hookup=hookup), workers=1)


def is_the_sag(result: Screening, *, phases: str = "ABC", point: str | None = None) -> bool:
    (event,) = result.events
    seconds = event.start % (60 * 10**9) / 1e9
    return (
        (event.kind, event.phases, event.point) == ("sag", phases, point)
        and event.magnitude == pytest.approx(0.5, abs=0.005)
        and 0.4 - CYCLE_S <= seconds <= 0.4 + CYCLE_S / 2
        and event.duration_s == pytest.approx(0.2, abs=CYCLE_S)
        and not (event.open_start or event.open_end)
    )


def has_note(result: Screening, words: str) -> bool:
    return any(words in note for _, note in result.notes)


@pytest.mark.parametrize("samples_a_cycle", [1, 4])
def test_too_few_samples_a_cycle_are_not_judged_and_that_is_said(tmp_path: Path, samples_a_cycle: int) -> None:
    rate_hz = 50 * samples_a_cycle
    result = screened(recording(tmp_path, waves(rate_hz=rate_hz), rate_hz=rate_hz))
    assert not result.events
    (part,) = result.not_judged
    assert f"{samples_a_cycle} per cycle; an RMS needs at least 8" in part.reason
    assert (part.seconds, result.judged_s, result.set_aside) == (pytest.approx(1.0), 0.0, ())


def test_the_frequency_of_the_wave_counts_not_that_of_the_header(tmp_path: Path) -> None:
    assert is_the_sag(screened(recording(tmp_path, waves(hertz=60.0), hertz="50")))


def test_a_machine_that_runs_down_with_its_voltage_is_not_judged_and_that_is_said(tmp_path: Path) -> None:
    t = np.arange(2 * N) / RATE_HZ
    hertz = 85.0 - 30.0 * t
    angle = 2 * np.pi * np.cumsum(hertz) / RATE_HZ
    values = np.stack([325 * hertz / 85 * np.sin(angle - 2 * np.pi * k / 3) for k in range(3)])
    result = screened(recording(tmp_path, values))
    assert not result.events
    assert result.judged_s == 0.0
    assert [part.seconds for part in result.not_judged] == [pytest.approx(2.0)]


@pytest.mark.parametrize("kind", ["magnitudes", "angles", "a dc voltage"])
def test_what_is_no_waveform_is_not_judged_and_that_is_said(tmp_path: Path, kind: str) -> None:
    t = np.arange(N) / RATE_HZ
    values = {
        "magnitudes": np.tile(np.where((t > 0.4) & (t < 0.6), 115.0, 230.0), (3, 1)),
        "angles": np.stack([np.mod(36 * t - 120 * k, 360) for k in range(3)]),
        "a dc voltage": np.full((3, N), 110.0),
    }[kind]
    result = screened(recording(tmp_path, values))
    assert not result.events
    assert sum(part.seconds for part in result.not_judged) == pytest.approx(1.0, abs=0.01)
    assert all(part.reason for part in result.not_judged)


def test_unused_channels_that_hold_noise_do_not_touch_the_live_ones(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).normal(0, 0.5, (3, N))
    channels = [analog(i + 1, f"U{p}{b}", p, point=f"bus {b}") for b in (1, 2) for i, p in enumerate("ABC", 3 * b - 3)]
    result = screened(recording(tmp_path, np.vstack([waves(), noise]), channels=channels))
    assert is_the_sag(result, point="bus 1")
    assert [(part.point, part.seconds) for part in result.not_judged] == [("bus 2", pytest.approx(1.0))]


def test_one_unused_phase_is_left_out_and_named(tmp_path: Path) -> None:
    values = waves()
    values[2] = np.random.default_rng(1).normal(0, 0.5, N)
    result = screened(recording(tmp_path, values))
    assert is_the_sag(result, phases="AB")
    assert has_note(result, "no voltage throughout, not judged: C")


@pytest.mark.parametrize("named", ["by point", "by phase", "by number"])
def test_each_of_twenty_feeders_is_judged_on_its_own(tmp_path: Path, named: str) -> None:
    form = {
        "by point": lambda i: analog(i + 1, f"U{'ABC'[i % 3]}", "ABC"[i % 3], point=f"{i // 3 + 1}"),
        "by phase": lambda i: analog(i + 1, f"F{i // 3 + 1} U{'ABC'[i % 3]}", "", point=""),
        "by number": lambda i: analog(i + 1, f"V{i + 1}", "", point=""),
    }[named]
    # Levels of their own: equal voltages would be those of one busbar, which is judged once.
    values = np.vstack([waves(sag=SAG if i == 7 else None) * (1 + 0.003 * (i - 7)) for i in range(20)])
    result = screened(recording(tmp_path, values, channels=[form(i) for i in range(60)]))
    assert is_the_sag(result, point="8")
    assert result.judged_s == pytest.approx(20.0)


@pytest.mark.parametrize(("side", "reference_v"), [("110000,110,S", 110e3 / 3**0.5), ("1,1,S", 100 / 3**0.5)])
def test_secondary_volts_are_judged_with_and_without_a_ratio(tmp_path: Path, side: str, reference_v: float) -> None:
    volts = 63.5 if side.startswith("110000") else 57.7
    channels = [analog(i + 1, f"U{p}", p, side=side, scale=0.005) for i, p in enumerate("ABC")]
    result = screened(recording(tmp_path, waves(volts=volts), channels=channels, scale=0.005))
    assert is_the_sag(result)
    assert result.events[0].reference_v == pytest.approx(reference_v, rel=1e-6)


def test_a_voltage_well_above_its_stated_nominal_is_judged_against_itself_and_that_is_said(tmp_path: Path) -> None:
    result = screened(recording(tmp_path, waves(volts=1.2 * VOLTS)), nominal_v=VOLTS)
    assert is_the_sag(result)
    assert result.events[0].reference_kind == "sliding"
    assert result.events[0].reference_v == pytest.approx(1.2 * VOLTS, rel=1e-3)
    assert has_note(result, "the steady voltage differs from the nominal 230 V; judged against the sliding reference")


def test_a_neutral_that_shifts_is_no_event_line_to_line(tmp_path: Path) -> None:
    """SOURCE: derived: what is added to all three phases cancels in their differences."""
    t = np.arange(N) / RATE_HZ
    shift = np.where((t > 0.4) & (t < 0.6), np.sqrt(2) * 5773 * np.sin(2 * np.pi * 50 * t), 0.0)
    path = recording(tmp_path, waves(volts=5773, sag=None) - shift, scale=0.6)
    assert {event.kind for event in screened(path).events} == {"sag", "swell"}
    line_to_line = screened(path, hookup="three-wire")
    assert line_to_line.events == ()
    assert line_to_line.judged_s == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("sag", "opens", "ends"), [((-1, 0.3, 0.5), True, False), ((0.7, 2, 0.5), False, True)], ids=["starts", "ends"]
)
def test_a_capture_may_start_or_end_within_an_event(tmp_path: Path, sag: tuple, opens: bool, ends: bool) -> None:
    (event,) = screened(recording(tmp_path, waves(sag=sag))).events
    assert (event.open_start, event.open_end, event.duration_s) == (opens, ends, None)


def test_a_file_without_a_voltage_has_no_verdict_and_is_no_error(tmp_path: Path) -> None:
    channels = [analog(i + 1, f"I{p}", p).replace(",V,", ",A,") for i, p in enumerate("ABC")]
    result = screened(recording(tmp_path, waves(), channels=channels))
    assert (result.events, result.set_aside, result.judged_s) == ((), (), 0.0)
    assert [part.reason for part in result.not_judged] == ["no voltage channel"]


@pytest.mark.parametrize("off_s", [-0.002, 0.0001, 0.003])
def test_an_event_that_is_cut_over_files_whose_stamps_do_not_quite_meet_is_one(tmp_path: Path, off_s: float) -> None:
    sag = (0.8, 1.3, 0.5)
    first = recording(tmp_path, waves(sag=sag), name="a.cfg")
    start = f"05/03/2024,10:00:{1 + off_s:09.6f}"
    second = recording(tmp_path, waves(sag=sag, begins_s=1.0), start=start, name="b.cfg")
    (event,) = screened(first, second).events
    assert event.duration_s == pytest.approx(0.5, abs=CYCLE_S)
    assert (event.open_start, event.open_end) == (False, False)


def test_a_gap_in_the_stamps_of_a_file_is_not_bridged_by_an_event(tmp_path: Path) -> None:
    values = waves(sag=(0.4, 2, 0.5))
    path = recording(tmp_path, values)
    rows = np.frombuffer(
        path.with_suffix(".dat").read_bytes(), np.dtype([("n", "<u4"), ("t", "<u4"), ("v", "<i2", (3,))])
    )
    late = rows.copy()
    late["t"][2400:] += 2_000_000
    path.with_suffix(".dat").write_bytes(late.tobytes())
    result = screened(path)
    assert all(event.open_end or event.open_start for event in result.events)
    assert result.n_captures == 2
    assert has_note(result, "the recording is split there")


def test_a_clock_that_was_never_set_or_a_trigger_before_the_start_changes_no_event(tmp_path: Path) -> None:
    path = recording(tmp_path, waves(), start="01/01/1970,00:00:00.000000")
    result = screened(path)
    assert is_the_sag(result)
    assert has_note(result, "of 1970: the recorder's clock was not set")
