"""From a record to its events: what each event says, and what is said where nothing can be judged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from twins.twin_waveforms import Stage, three_phase

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Findings, Terms, judge
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.settings import Thresholds

SOURCE_RULES = "IEC 61000-4-30 Ed. 3, 5.4 and 5.5 (partly from memory); categories of IEEE Std 1159-2019, Table 2"
RATE_HZ = 6400.0
T0 = 1_772_323_200_000_000_000
SCALE_V = 0.02
CYCLE_S = 0.02
KINDS = ("sag", "swell", "interruption", "undervoltage", "overvoltage")
TERMS = Terms(Thresholds())
GIVEN = Terms(Thresholds(), nominal_voltage_v=230.0, nominal_frequency_hz=50.0, hookup="four-wire")


def channels(*phases: str, quantity: str = "voltage", scale: float = SCALE_V) -> tuple[Channel, ...]:
    return tuple(Channel(f"U{phase}", quantity, phase, "V", scale=scale) for phase in phases)  # type: ignore[arg-type]


def capture_of(volts: npt.ArrayLike, *phases: str, rate_hz: float = RATE_HZ, scale: float = SCALE_V) -> Capture:
    counts = np.rint(np.asarray(volts) / scale).astype(np.int16)
    header = Header("", T0, rate_hz, counts.shape[1], channels(*phases, scale=scale), "int16", source="one")
    return Capture(header, counts)


def judged(capture: Capture, terms: Terms = TERMS) -> Findings:
    (record,) = records_of([Piece(capture.header, lambda: capture, capture.digest)])
    return judge(record, site="Mill Lane", terms=terms)


def variations(findings: Findings) -> list[Event]:
    return [event for event in findings.events if event.kind in KINDS]


def volts(
    stages: Sequence[Stage], *, length_s: float = 2.0, nominal_v: float = 230.0, f_hz: float = 50.0
) -> npt.ArrayLike:
    u, _ = three_phase(rate_hz=RATE_HZ, length_s=length_s, f_hz=f_hz, stages=stages, phase_deg=33.0)
    return u * nominal_v


def the_event(stages: Sequence[Stage], terms: Terms = TERMS, **more: float) -> Event:
    (event,) = variations(judged(capture_of(volts(stages, **more), "A", "B", "C"), terms))
    return event


def test_a_sag_carries_its_site_time_magnitude_phases_and_source() -> None:
    # SOURCE_RULES; truth of the synthesis.
    one = capture_of(volts([Stage(0.8, 0.2, (0.6, 1.0, 0.7))]), "A", "B", "C")
    findings = judged(one)
    (event,) = variations(findings)
    assert (event.site, event.point, event.kind, event.category) == ("Mill Lane", None, "sag", "instantaneous sag")
    assert abs(event.start - T0 - 800_000_000) < CYCLE_S * 1e9
    assert event.duration_s == event.observed_s
    assert event.duration_s == pytest.approx(0.2, abs=1.1 * CYCLE_S)
    assert (event.magnitude, event.magnitude_unit) == (pytest.approx(0.6, abs=0.002), "pu")
    assert (event.phases, event.line_to_line) == ("AC", False)
    assert event.magnitude_a == pytest.approx(0.6, abs=0.002)
    assert event.magnitude_b is None
    assert event.magnitude_c == pytest.approx(0.7, abs=0.002)
    assert event.duration_a_s == pytest.approx(0.2, abs=1.1 * CYCLE_S)
    assert event.duration_b_s is None
    assert (event.reference_v, event.reference_kind) == (230.0, "nominal")
    assert event.refined_start == pytest.approx(T0 + 800_000_000, abs=2_000_000)
    assert event.capture == one.digest()
    assert event.frequency_hz == pytest.approx(50.0, abs=0.01)
    assert (event.open_start, event.open_end, event.quality) == (False, False, "")
    assert (event.dip_type, event.cause, event.learned_class) == (None, None, None)
    (coverage,) = findings.coverage
    assert (coverage.judged_s, coverage.not_judged_s) == (pytest.approx(2.0), 0.0)


@pytest.mark.parametrize(
    ("n_s", "kind", "category"),
    [
        (0.3, "sag", "instantaneous sag"),
        (1.0, "sag", "momentary sag"),
        (5.0, "sag", "temporary sag"),
        (61.0, "undervoltage", "undervoltage"),
    ],
)
def test_kind_and_category_follow_the_duration(n_s: float, kind: str, category: str) -> None:
    event = the_event([Stage(0.7, n_s, (0.85, 0.85, 0.85))], GIVEN, length_s=n_s + 1.4)
    assert (event.kind, event.category, event.phases) == (kind, category, "ABC")


def test_thirty_cycles_are_counted_at_the_nominal_frequency_of_the_record() -> None:
    # 550 ms: under 30 cycles at 50 Hz, over at 60 Hz.
    assert the_event([Stage(0.7, 0.55, (0.5, 1.0, 1.0))]).category == "instantaneous sag"
    assert the_event([Stage(0.7, 0.55, (0.5, 1.0, 1.0))], f_hz=60.0).category == "momentary sag"


def test_an_interruption_is_named_as_part_of_the_sag_around_it() -> None:
    findings = judged(capture_of(volts([Stage(0.7, 0.4, (0.0, 0.02, 0.03))]), "A", "B", "C"))
    sag, interruption = sorted(variations(findings), key=lambda event: event.start)
    assert (sag.kind, interruption.kind) == ("sag", "interruption")
    assert interruption.part_of == sag.event_id
    assert sag.part_of is None
    assert interruption.category == "momentary interruption"
    assert interruption.duration_a_s == interruption.duration_c_s == pytest.approx(interruption.duration_s, abs=1e-8)


def test_a_sag_with_a_lost_phase_says_what_that_phase_had_by_itself() -> None:
    event = the_event([Stage(0.7, 0.4, (0.02, 1.0, 1.0))])
    assert (event.kind, event.worst_phase_kind) == ("sag", "interruption")
    assert the_event([Stage(0.7, 0.4, (0.3, 1.0, 1.0))]).worst_phase_kind is None
    # EN 50160 has 5 %: by a profile that says so, a phase that keeps 7 % is not lost.
    kept = [Stage(0.7, 0.4, (0.07, 1.0, 1.0))]
    assert the_event(kept).worst_phase_kind == "interruption"
    assert the_event(kept, Terms(Thresholds(interruption_pu=0.05))).worst_phase_kind is None


def test_events_at_the_ends_of_the_data_are_open_and_have_no_duration() -> None:
    begun = the_event([Stage(0.0, 0.5, (0.5, 0.5, 0.5))])
    assert (begun.open_start, begun.open_end, begun.duration_s, begun.refined_start) == (True, False, None, None)
    assert begun.observed_s == pytest.approx(0.5, abs=2 * CYCLE_S)
    unfinished = the_event([Stage(1.5, 0.5, (0.5, 0.5, 0.5))])
    assert (unfinished.open_start, unfinished.open_end, unfinished.duration_s) == (False, True, None)
    assert unfinished.end == pytest.approx(T0 + 2_000_000_000, abs=1.1e9 * CYCLE_S)


def test_a_swell_carries_its_maximum() -> None:
    event = the_event([Stage(0.7, 0.3, (1.3, 1.2, 1.0))])
    assert (event.kind, event.category, event.phases) == ("swell", "instantaneous swell", "AB")
    assert event.magnitude == pytest.approx(1.3, abs=0.002)
    assert event.magnitude_b == pytest.approx(1.2, abs=0.002)
    assert event.notes == ""
    assert "outside the typical range" in the_event([Stage(0.7, 0.1, (1.9, 1.0, 1.0))]).notes


def test_stages_of_a_sag_are_told() -> None:
    event = the_event([Stage(0.7, 0.3, (0.4, 1.0, 1.0)), Stage(1.0, 0.4, (0.7, 1.0, 1.0))])
    assert event.stages == 2
    assert [float(word) for word in event.stage_magnitudes.split()] == pytest.approx([0.4, 0.7], abs=0.002)
    assert [float(word) for word in event.stage_durations_s.split()] == pytest.approx([0.3, 0.4], abs=1.5 * CYCLE_S)


def test_line_to_line_points_say_so() -> None:
    line = np.asarray(volts([Stage(0.7, 0.3, (0.5, 1.0, 1.0))])) * math.sqrt(3)
    (event,) = variations(judged(capture_of(line, "AB", "BC", "CA", scale=0.04)))
    assert (event.phases, event.line_to_line, event.reference_v) == ("AB", True, 400.0)
    assert event.magnitude_a == pytest.approx(0.5 * 230 * math.sqrt(3) / 400, abs=0.002)


def test_points_of_one_capture_are_judged_apart() -> None:
    u = np.asarray(volts([Stage(0.7, 0.3, (0.5, 1.0, 1.0))]))
    both = np.concatenate([u, np.asarray(volts([]))])
    named = [replace(c, point=bus, name=c.name + bus) for bus in ("North", "South") for c in channels("A", "B", "C")]
    one = capture_of(both, "A", "B", "C", "A", "B", "C")
    findings = judged(Capture(replace(one.header, channels=tuple(named)), one.samples))
    assert [event.point for event in variations(findings)] == ["North"]
    assert sorted(str(item.point) for item in findings.coverage) == ["North", "South"]


def test_a_steady_record_is_judged_and_has_no_event() -> None:
    findings = judged(capture_of(volts([]), "A", "B", "C"))
    assert variations(findings) == []
    assert findings.coverage[0].judged_s == pytest.approx(2.0)
    assert findings.coverage[0].reason == ""


# --- references


def test_the_nominal_voltage_is_told_from_the_data_or_given() -> None:
    sag = [Stage(0.7, 0.3, (0.5, 1.0, 1.0))]
    told = judged(capture_of(volts(sag), "A", "B", "C"))
    assert any("230 V" in note for note in told.notes)
    (event,) = variations(judged(capture_of(volts(sag), "A", "B", "C"), replace(TERMS, nominal_voltage_v=240.0)))
    assert event.reference_v == 240.0
    assert event.magnitude == pytest.approx(0.5 * 230 / 240, abs=0.002)


def test_the_thresholds_of_the_profile_decide() -> None:
    sag = [Stage(0.7, 0.3, (0.85, 1.0, 1.0))]
    assert variations(judged(capture_of(volts(sag), "A", "B", "C"), Terms(Thresholds(sag_pu=0.8)))) == []
    lost = [Stage(0.7, 0.3, (0.07, 0.07, 0.07))]
    kinds = {
        e.kind
        for e in variations(judged(capture_of(volts(lost), "A", "B", "C"), Terms(Thresholds(interruption_pu=0.05))))
    }
    assert kinds == {"sag"}


def test_a_sliding_reference_takes_a_low_voltage_for_what_is_usual() -> None:
    # Derived: 12 % under nominal throughout is a sag against the nominal voltage, and none against what it was before.
    low = np.asarray(volts([], length_s=3.0)) * 0.88
    against_nominal = variations(judged(capture_of(low, "A", "B", "C"), GIVEN))
    assert [event.kind for event in against_nominal] == ["sag"]
    sliding = Thresholds(reference="sliding", sliding_start="pre-event")
    assert variations(judged(capture_of(low, "A", "B", "C"), replace(GIVEN, thresholds=sliding))) == []
    low[:, 9600:12800] *= 0.7
    (event,) = variations(judged(capture_of(low, "A", "B", "C"), replace(GIVEN, thresholds=sliding)))
    assert event.reference_kind == "sliding"
    assert event.reference_v == pytest.approx(0.88 * 230, rel=0.002)
    assert event.magnitude == pytest.approx(0.7, abs=0.003)


# --- what cannot be judged


@pytest.mark.parametrize(
    "terms", [TERMS, replace(TERMS, nominal_voltage_v=230.0, nominal_frequency_hz=50.0)], ids=["told", "given"]
)
def test_a_phase_without_voltage_throughout_is_no_sag_unless_the_hookup_says_it_is_in_use(terms: Terms) -> None:
    u = np.asarray(volts([Stage(0.7, 0.3, (0.5, 1.0, 1.0))]))
    u[2] *= 0.005  # what couples into an input that is not connected
    findings = judged(capture_of(u, "A", "B", "C"), terms)
    assert [(event.kind, event.phases) for event in variations(findings)] == [("sag", "A")]
    assert any("no voltage throughout" in note and "C" in note for note in findings.notes)
    in_use = variations(judged(capture_of(u, "A", "B", "C"), GIVEN))
    assert [(event.kind, event.phases, event.open_start, event.open_end) for event in in_use] == [
        ("sag", "AC", True, True)
    ]


def test_a_record_that_can_not_be_judged_says_why_and_for_how_long() -> None:
    silent = capture_of(np.zeros((3, 6400)), "A", "B", "C")
    short = capture_of(np.asarray(volts([], length_s=0.01)), "A", "B", "C")
    coarse = Capture(replace(silent.header, rate_hz=300.0), silent.samples)
    current = Capture(replace(silent.header, channels=channels("A", "B", "C", quantity="current")), silent.samples)
    odd = capture_of(np.asarray(volts([])) * np.array([[0.9], [0.3], [0.6]]), "A", "B", "C")
    two = capture_of(np.asarray(volts([]))[:2], "A", "B")
    for capture, terms, words in (
        (silent, TERMS, "frequency"),
        (short, TERMS, "cycle"),
        (coarse, replace(TERMS, nominal_frequency_hz=50.0), "6 per cycle"),
        (current, TERMS, "no voltage"),
        (odd, TERMS, "nominal voltage"),
        (two, GIVEN, "four-wire"),
    ):
        findings = judged(capture, terms)
        assert findings.events == ()
        (coverage,) = findings.coverage
        assert words in coverage.reason
        assert coverage.judged_s == 0.0
        assert coverage.not_judged_s == pytest.approx(capture.header.duration_s)


def test_missing_samples_are_not_judged_and_are_no_event() -> None:
    capture = capture_of(volts([]), "A", "B", "C")
    samples = capture.samples.copy()
    samples[1, 5000:6000] = -32768
    header = replace(capture.header, channels=tuple(replace(c, missing_code=-32768) for c in capture.header.channels))
    findings = judged(Capture(header, samples))
    assert variations(findings) == []
    (coverage,) = findings.coverage
    assert "missing" in coverage.reason
    assert coverage.not_judged_s == pytest.approx(1000 / RATE_HZ, abs=1.5 * CYCLE_S)
    assert coverage.judged_s + coverage.not_judged_s == pytest.approx(2.0)


def test_a_sag_beside_missing_samples_is_marked_by_their_word() -> None:
    capture = capture_of(volts([Stage(0.7, 0.4, (0.5, 0.5, 0.5))]), "A", "B", "C")
    samples = capture.samples.copy()
    samples[:, 5400:5600] = -32768
    header = replace(capture.header, channels=tuple(replace(c, missing_code=-32768) for c in capture.header.channels))
    (event,) = variations(judged(Capture(header, samples)))
    assert event.quality == "missing"
    assert event.magnitude == pytest.approx(0.5, abs=0.002)


# --- the first look misses nothing


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(10))
def test_every_variation_of_the_full_measure_is_in_the_catalogue(seed: int) -> None:
    # The judgement may pass over calm parts of a record; the full measure of all of it knows no calm. Levels and
    # lengths at the edge of what a threshold sees: half a cycle and more, to within a percent of the threshold.
    from halfcycle.pipeline.detectors.rms_variations import find_rms_variations
    from halfcycle.pipeline.measures.half_cycle_arrays import measure_half_cycles

    rng = np.random.default_rng(seed)
    stages, t_s = [], 1.5
    while t_s < 56:
        level = float(rng.choice([0.88, 0.893, 0.85, 0.6, 1.108, 1.115, 1.3]))
        which = rng.integers(1, 8)
        levels = tuple(level if which >> k & 1 else float(rng.choice([1.0, 1.01])) for k in range(3))
        n_s = float(rng.choice([0.01, 0.015, 0.02, 0.03, 0.05, 0.3]))
        stages.append(Stage(t_s, n_s, levels))  # type: ignore[arg-type]
        t_s += n_s + rng.uniform(0.05, 6.0)
    f_hz = 50 * (1 + rng.uniform(-0.01, 0.01))
    u, _ = three_phase(rate_hz=3200.0, length_s=60.0, f_hz=f_hz, stages=stages, noise_pu=0.002, seed=seed)
    one = capture_of(230 * u, "A", "B", "C", rate_hz=3200.0)
    catalogued = variations(judged(one, GIVEN))
    series = measure_half_cycles(one.samples, rate_hz=3200.0, nominal_frequency_hz=50.0)
    full = find_rms_variations(series.u_half * np.float32(SCALE_V), series.starts, reference=230.0)
    borderline = [e for e in full if abs(e.magnitude_pu - 0.9) < 5e-4 or abs(e.magnitude_pu - 1.1) < 5e-4]
    assert len(full) >= 8
    expected = [(event.kind, event.start / 3200.0) for event in full if event not in borderline]
    got = [(event.kind, (event.start - T0) / 1e9) for event in catalogued]
    for kind, start_s in expected:
        assert any(kind == other and abs(start_s - other_s) < 0.003 for other, other_s in got), (kind, start_s)
    assert abs(len(got) - len(full)) <= len(borderline)
