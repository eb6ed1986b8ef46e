"""Detectors beyond those of RMS variations, from samples to rows: each finds its own and leaves the others' alone."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.detectors.registry import choose, detectors
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.settings import Thresholds

SOURCE = "derived: the change is made in the samples; thresholds are the detectors' defaults, cited in their settings"
RATE_HZ = 3200.0
NOMINAL_V = 230.0
F_HZ = 50.0
LENGTH_S = 90.0
SCALE = NOMINAL_V * np.sqrt(2) / 12_000
START_NS = 1_772_409_600_000_000_000


def judged(
    wanted: dict[str, dict[str, object]],
    *,
    level: np.ndarray | float = 1.0,
    of_phase: tuple[float, float, float] = (1.0, 1.0, 1.0),
    f_hz: float = F_HZ,
    current: np.ndarray | float = 1.0,
    added: np.ndarray | float = 0.0,
    added_current: np.ndarray | float = 0.0,
    thresholds: Thresholds | None = None,
) -> list[Event]:
    """Events of ninety seconds of three voltages and currents with these changes, the currents first in the file."""
    t = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    rng = np.random.default_rng(5)
    rows = []
    for phase in range(3):
        wave = np.sin(2 * np.pi * f_hz * t - phase * 2 * np.pi / 3 - 0.5)
        wave = current * wave + (added_current if phase == 0 else 0.0)
        rows.append(2000 * wave + rng.normal(0, 4, t.size))
    for phase in range(3):
        wave = np.sin(2 * np.pi * f_hz * t - phase * 2 * np.pi / 3)
        wave = wave + added if phase == 0 else wave
        rows.append(12_000 * level * of_phase[phase] * wave + rng.normal(0, 12, t.size))
    channels = tuple(Channel(f"I{p}", "current", p, "A", 0.01) for p in "ABC")
    channels += tuple(Channel(f"U{p}", "voltage", p, "V", SCALE) for p in "ABC")
    header = Header("s", START_NS, RATE_HZ, t.size, channels, "int16")
    capture = Capture(header, np.round(np.stack(rows)).astype(np.int16))
    (record,) = records_of([Piece(header, lambda: capture, lambda: "d")])
    terms = Terms(thresholds or Thresholds(), NOMINAL_V, F_HZ, "four-wire", choose(wanted))
    return list(judge(record, site="s", terms=terms).events)


def test_a_fluctuation_is_judged_down_to_the_sites_own_threshold_of_sags() -> None:
    """Derived: 2 % up and down at 7 Hz about 0.87 pu, which is a sag below 0.9 pu and none below 0.8 pu."""
    t = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    level = 0.87 * (1 + 0.01 * np.sign(np.sin(2 * np.pi * 7.0 * t)))
    found = []
    for profile, settings in (
        (Thresholds(), {}),
        (Thresholds(sag_pu=0.8), {}),
        (Thresholds(sag_pu=0.8), {"sag_pu": 0.9}),
    ):
        events = judged({"flicker": settings}, level=level, thresholds=profile)
        found.append("flicker" in {one.kind for one in events})
    assert found == [False, True, False]


def between(first_s: float, stop_s: float, inside: float, outside: float | np.ndarray = 1.0) -> np.ndarray:
    t = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    return np.where((t >= first_s) & (t < stop_s), inside, outside)


def test_a_rapid_change_reaches_down_to_the_sites_own_threshold_of_sags() -> None:
    """IEC 61000-4-30 Ed. 3, 5.11 (in part from memory): what is a dip is no rapid voltage change. 0.3 s at
    0.87 pu on the way to 0.95 pu are a sag below 0.9 pu and none below 0.8 pu."""
    level, found = between(30.0, 30.3, 0.87, between(30.0, 90.0, 0.95)), []
    for profile, settings in (
        (Thresholds(), {}),
        (Thresholds(sag_pu=0.8), {}),
        (Thresholds(sag_pu=0.8), {"sag_pu": 0.9}),
    ):
        events = judged({"rapid_voltage_change": settings}, level=level, thresholds=profile)
        found.append(sum(one.kind == "rapid_voltage_change" for one in events))
    assert found == [0, 1, 0]


def tone(hertz: float, amplitude: float, first_s: float = 0.0, stop_s: float = 1e9) -> np.ndarray:
    t = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    return np.where((t >= first_s) & (t < stop_s), amplitude * np.sin(2 * np.pi * hertz * t + 0.7), 0.0)


EVERY = {name: {} for name in detectors()}


def test_a_steady_balanced_record_has_no_event_of_any_kind() -> None:
    assert judged(EVERY) == []


def test_a_step_of_four_per_cent_that_stays_is_one_rapid_voltage_change() -> None:
    (event,) = judged(EVERY, level=between(40.0, 1e9, 0.96))
    assert (event.kind, event.phases, event.magnitude_unit) == ("rapid_voltage_change", "ABC", "%")
    assert event.magnitude == pytest.approx(4.0, abs=0.1)
    assert (event.start - START_NS) / 1e9 == pytest.approx(40.0, abs=0.05)


def test_a_frequency_of_one_and_a_half_per_cent_above_is_a_deviation_that_is_open_at_both_ends() -> None:
    (event,) = judged(EVERY, f_hz=50.75)
    assert (event.kind, event.magnitude_unit, event.open_start, event.open_end) == (
        "frequency_deviation",
        "Hz",
        True,
        True,
    )
    assert event.magnitude == pytest.approx(50.75, abs=0.01)
    assert event.duration_s is None


def test_phases_of_different_size_are_unbalance() -> None:
    """90/100/100: u2 = 3.448 % by the symmetrical components (reference figures of IEC 61000-4-30, calculated)."""
    (event,) = judged(EVERY, of_phase=(0.91, 1.01, 1.01), level=0.99)
    expected = 100 * abs(0.91 - 1.01) / (0.91 + 2 * 1.01)
    assert (event.kind, event.phases) == ("unbalance", "ABC")
    assert event.magnitude == pytest.approx(expected, rel=0.01)


def test_a_start_current_is_an_inrush_of_the_currents_with_the_voltage_beside_it() -> None:
    level = between(40.0, 43.0, 0.98)
    (event,) = judged({"inrush": {}}, current=between(40.0, 43.0, 5.0), level=level)
    assert (event.kind, event.phases, event.line_to_line) == ("inrush", "ABC", False)
    assert event.observed_s == pytest.approx(3.0, abs=0.05)


def test_a_limit_rule_watches_a_variable_of_one_phase() -> None:
    rule = {
        "name": "contract", "variable": "u_half", "phase": "B", "below": 0.97, "measured_as": "pu",
        "hysteresis": 0.005, "minimum_duration_s": 1.0,
    }  # fmt: skip
    (event,) = judged({"limit": {"rules": [rule]}}, level=between(30.0, 35.0, 0.95))
    assert (event.kind, event.phases) == ("limit", "B")
    assert event.magnitude == pytest.approx(0.95, abs=0.005)
    assert event.observed_s == pytest.approx(5.0, abs=0.05)


def test_a_sag_stays_a_sag_and_no_rapid_voltage_change_beside_it() -> None:
    events = judged(EVERY, level=between(40.0, 40.3, 0.6))
    assert [event.kind for event in events] == ["sag"]


def test_names_and_settings_of_detectors_are_checked_with_the_nearest_known() -> None:
    with pytest.raises(ConfigError, match="'unbalance'"):
        choose({"unbalanced": {}})
    with pytest.raises(ConfigError, match=r"detectors.unbalance: limit_pct"):
        choose({"unbalance": {"limit_pct": "high"}})
    with pytest.raises(ConfigError, match=r"detectors.unbalance: unknown key limit; .*'limit_pct'"):
        choose({"unbalance": {"limit": 2.0}})
    with pytest.raises(ConfigError, match=r"known are u_half, i_half, f, u2, u0, thd_u, uh02 to uh50$"):
        choose({"limit": {"rules": [{"name": "x", "variable": "volts", "above": 1.0}]}})


@pytest.mark.parametrize(
    ("hertz", "kind", "note"),
    [
        (250.0, "harmonics", "h5 9"),
        (1_050.0, "harmonics", "h21 9"),
        (175.0, "interharmonics", "between orders 3 and 4"),
    ],
)
def test_a_tone_of_nine_per_cent_on_one_phase_is_a_harmonic_or_an_interharmonic_that_lasts(
    hertz: float, kind: str, note: str
) -> None:
    events = judged(EVERY, added=tone(hertz, 0.09, 20.0, 60.0))
    (event,) = [event for event in events if event.kind == kind]
    assert (event.phases, event.magnitude_unit) == ("A", "%")
    assert event.magnitude == pytest.approx(9.0, abs=0.2)
    assert note in event.notes
    assert (event.start - START_NS) / 1e9 == pytest.approx(20.0, abs=5.3)  # a window every five seconds
    assert event.observed_s == pytest.approx(40.0, abs=10.6)
    # What does not repeat each cycle is a transient until the floor, of 64 cycles, has followed.
    beside = [event for event in events if event.kind not in (kind, "flicker")]
    assert all(19.9 < (event.start - START_NS) / 1e9 < 20.0 + 64 / F_HZ for event in beside)
    assert {event.kind for event in beside} <= {"oscillatory_transient", "impulsive_transient"}


def test_a_constant_in_the_voltage_of_one_phase_is_a_dc_offset() -> None:
    (event,) = judged(EVERY, added=0.02 * np.sqrt(0.5))
    assert (event.kind, event.phases, event.open_start, event.open_end) == ("dc_offset", "A", True, True)
    assert event.magnitude == pytest.approx(2.0, abs=0.05)  # a constant of 0.0141 peaks is 2 % of Urms


def test_broadband_noise_of_three_per_cent_is_noise() -> None:
    rng = np.random.default_rng(3)
    events = judged({**EVERY}, added=0.03 * np.sqrt(0.5) * rng.standard_normal(round(LENGTH_S * RATE_HZ)))
    (event,) = [event for event in events if event.kind == "noise"]
    assert (event.phases, event.magnitude_unit) == ("A", "%")
    assert event.magnitude == pytest.approx(3.0, abs=0.6)  # the largest of 18 windows, each told to some 6 %
    assert {event.kind for event in events} == {"noise"}


def test_four_notches_a_cycle_are_notching_and_no_transients() -> None:
    """Depth is a share of the voltage at the notch, as IEEE 519-1992, 10.3 has it (from memory)."""
    angle = 2 * np.pi * F_HZ * np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    notch = np.zeros(angle.size)
    for centre in (np.pi / 3, 2 * np.pi / 3, 4 * np.pi / 3, 5 * np.pi / 3):
        inside = np.abs((angle - centre + np.pi) % (2 * np.pi) - np.pi) < 0.13
        notch[inside] = -0.3 * np.sin(angle[inside])
    events = judged(EVERY, added=notch)
    (event,) = [event for event in events if event.kind == "notching"]
    assert (event.phases, event.repeats) == ("A", 4)
    assert event.magnitude == pytest.approx(30.0, abs=3.0)
    assert {event.kind for event in events} <= {"notching", "harmonics"}


@pytest.mark.parametrize(
    ("variable", "further", "expected"),
    [
        ("thd_u", {"channel": "UA", "above": 5.0}, 9.0),
        ("uh05", {"channel": "UA", "above": 5.0}, 9.0),
        ("u2", {"above": 1.0}, None),
        ("f", {"above": 40.0}, 50.0),
    ],
)
def test_other_measured_variables_can_be_watched_by_channel_too(
    variable: str, further: dict[str, object], expected: float | None
) -> None:
    rule = {"name": "r", "variable": variable, **further}
    events = judged({"limit": {"rules": [rule]}}, added=tone(250.0, 0.09), of_phase=(0.95, 1.0, 1.0))
    (event,) = [event for event in events if event.kind == "limit"]
    if expected is not None:
        assert event.magnitude == pytest.approx(expected, rel=0.02)
    else:  # 95/100/100: |0.95 - 1| / (0.95 + 2), by the symmetrical components
        assert event.magnitude == pytest.approx(100 * 0.05 / 2.95, rel=0.02)
    assert judged({"limit": {"rules": [{**rule, "channel": "UB"}]}}) == []


def test_transients_of_currents_are_looked_for_where_asked_and_are_told_from_those_of_voltages() -> None:
    t = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    since = np.maximum(t - 45.0, 0.0)
    ringing = np.where(t >= 45.0, np.exp(-since / 0.003) * np.sin(2 * np.pi * 500 * since), 0.0)
    change = 1.0 + 0.0 * t
    wanted = {"current_transient": {}, "transient": {}}
    (event,) = judged(wanted, current=change, added_current=1.5 * ringing)
    assert (event.kind, event.phases, event.line_to_line) == ("oscillatory_transient", "A", False)
    assert event.notes.startswith("of the current")
    assert event.oscillation_hz == pytest.approx(500.0, rel=0.02)
    assert event.reference_v == pytest.approx(2000 * 0.01 / np.sqrt(2), rel=0.01)  # what usually flows [A]
    assert (event.start - START_NS) / 1e9 == pytest.approx(45.0, abs=0.001)
    assert judged({"transient": {}}, added_current=1.5 * ringing) == []


def test_what_differs_from_cycle_to_cycle_for_over_ten_seconds_on_end_is_no_transient() -> None:
    """Common practice, no source. Notches as narrow as a sample or two fall on other samples in each cycle; searched
    all the same, they gave a hundred events."""
    f_hz = 49.98
    angle = 2 * np.pi * f_hz * np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    notches = np.zeros(angle.size)
    for k in range(6):
        inside = np.abs((angle - np.pi / 6 - k * np.pi / 3 + np.pi) % (2 * np.pi) - np.pi) < 0.03
        notches[inside] = -0.6 * np.sin(angle[inside])
    assert judged({"transient": {}}, added=notches, f_hz=f_hz) == []


def test_crests_that_are_flat_to_the_count_are_named_as_not_judged() -> None:
    t = np.arange(round(20 * RATE_HZ)) / RATE_HZ
    rows = [np.clip(12_000 * np.sin(2 * np.pi * F_HZ * t - p * 2 * np.pi / 3), -9_000, 9_000) for p in range(3)]
    channels = tuple(Channel(f"U{p}", "voltage", p, "V", SCALE) for p in "ABC")
    header = Header("s", START_NS, RATE_HZ, t.size, channels, "int16")
    capture = Capture(header, np.round(np.stack(rows)).astype(np.int16))
    (record,) = records_of([Piece(header, lambda: capture, lambda: "d")])
    terms = Terms(Thresholds(), NOMINAL_V, F_HZ, "four-wire", choose({"flat_topping": {}}))
    found = judge(record, site="s", terms=terms)
    assert any("harmonics, notches and other waveform measures not judged: A, B, C" in note for note in found.notes)
