"""Frequency deviation: limits, hysteresis, least duration, and that a held frequency says nothing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.frequency_deviation import FrequencyDeviationSettings, find_frequency_deviations
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.half_cycle_arrays import measure_half_cycles

SOURCE = "EN 50160:2010 (from memory): 50 Hz ± 1 %, 49.5 to 50.5 Hz, for 99.5 % of a year"
DEFAULT = FrequencyDeviationSettings()
HALF_CYCLE = 64.0


def deviations(
    hertz: Any, *, tracked: Any = None, rules: FrequencyDeviationSettings = DEFAULT, nominal_hz: float = 50.0
) -> list[Finding]:
    n = np.size(hertz)
    known = np.ones(n, np.bool_) if tracked is None else tracked
    return find_frequency_deviations(
        hertz,
        known,
        HALF_CYCLE * np.arange(n) + np.array([[0.0], [-21], [21]]),
        rate_hz=100 * HALF_CYCLE,
        nominal_frequency_hz=nominal_hz,
        settings=rules,
    )


def test_beyond_half_a_hertz_to_either_side_is_an_event_with_the_extreme_frequency() -> None:
    hertz = np.repeat([50.0, 50.6, 50.7, 50.0, 49.3, 50.0], [500, 200, 100, 500, 300, 500])
    high, low = deviations(hertz)
    assert (high.magnitude, low.magnitude) == pytest.approx((50.7, 49.3))
    assert high.magnitude_unit == "Hz"
    assert high.kind == "frequency_deviation"
    assert (high.start, high.stop) == (500 * HALF_CYCLE - 21, 800 * HALF_CYCLE + 21)  # first and last of the channels
    assert (low.start, low.stop) == (1300 * HALF_CYCLE - 21, 1600 * HALF_CYCLE + 21)
    assert [part.channel for part in high.parts] == [0, 1, 2]
    assert deviations(np.repeat([50.0, 50.49, 49.51, 50.0], 300)) == []


def test_the_limit_is_per_cent_of_nominal() -> None:
    assert deviations(np.full(300, 60.55), nominal_hz=60.0) == []
    assert len(deviations(np.full(300, 60.65), nominal_hz=60.0)) == 1
    assert len(deviations(np.full(300, 50.3), rules=FrequencyDeviationSettings(limit_pct=0.5))) == 1


def test_hysteresis_and_least_duration_of_frequency_decide_both_ways() -> None:
    hertz = np.repeat([50.0, 50.52, 50.47, 50.52, 50.0], 150)
    assert len(deviations(hertz)) == 1
    assert len(deviations(hertz, rules=FrequencyDeviationSettings(hysteresis_pct=0.0))) == 2
    short = np.repeat([50.0, 50.8, 50.0], [300, 80, 300])
    assert deviations(short) == []
    assert len(deviations(short, rules=FrequencyDeviationSettings(minimum_duration_s=0.5))) == 1


def test_held_frequency_neither_makes_nor_ends_nor_lengthens_an_event() -> None:
    hertz = np.repeat([50.0, 51.0, 50.0], [300, 400, 300])
    tracked = np.ones(1000, np.bool_)
    tracked[300:700] = False
    assert deviations(hertz, tracked=tracked) == []
    tracked[300:350] = True  # half a second measured, four held: too short
    assert deviations(hertz, tracked=tracked) == []
    tracked[300:420] = True
    (found,) = deviations(hertz, tracked=tracked)
    assert found.stop == 700 * HALF_CYCLE + 21
    assert found.open_stop
    assert not found.open_start
    held_back = np.repeat([50.0, 51.0, 50.0, 51.0, 50.0], 200)
    held = np.ones(1000, np.bool_)
    held[400:600] = False
    assert len(deviations(held_back, tracked=held)) == 1
    assert len(deviations(held_back)) == 2


def test_a_held_frequency_is_no_extreme() -> None:
    hertz = np.repeat([50.0, 50.8, 53.0, 50.8, 50.0], 200)
    tracked = np.ones(1000, np.bool_)
    tracked[400:600] = False
    (found,) = deviations(hertz, tracked=tracked)
    assert found.magnitude == pytest.approx(50.8)


def test_a_record_that_is_off_throughout_is_open_at_both_ends() -> None:
    (found,) = deviations(np.full(300, 49.0))
    assert found.open_start
    assert found.open_stop
    assert found.stop == 301 * HALF_CYCLE + 21


def test_a_waveform_whose_frequency_steps_is_found_where_it_does() -> None:
    rate_hz, t = 3200.0, np.arange(20 * 3200) / 3200.0
    hz = np.where((t > 6) & (t < 13), 49.2, 50.0)
    u = np.sqrt(2) * 230 * np.sin(2 * np.pi * np.cumsum(hz) / rate_hz)
    series = measure_half_cycles(u, rate_hz=rate_hz, nominal_frequency_hz=50)
    (found,) = find_frequency_deviations(
        series.frequency_hz, series.tracked, series.starts, rate_hz=rate_hz, nominal_frequency_hz=50, settings=DEFAULT
    )
    assert found.magnitude == pytest.approx(49.2, abs=0.01)  # IEC 61000-4-30 class A: 10 mHz
    # The frequency is a mean over some 0.2 s, of phasors over 0.08 s: it passes the limit within half of their sum.
    assert found.start / rate_hz == pytest.approx(6, abs=0.15)
    assert found.stop / rate_hz == pytest.approx(13, abs=0.15)


@given(st.lists(st.sampled_from([49.0, 49.52, 50.0, 50.48, 50.9]), min_size=1, max_size=40), st.booleans())
def test_deviations_mirror_at_nominal_and_scale_with_it(hertz: list[float], gaps: bool) -> None:
    values = np.repeat(hertz, 30)
    tracked = np.arange(values.size) % 70 > (20 if gaps else -1)
    found = deviations(values, tracked=tracked)
    mirrored = deviations(100 - values, tracked=tracked)
    assert [(one.start, one.stop, one.open_start) for one in found] == [
        (one.start, one.stop, one.open_start) for one in mirrored
    ]
    assert [one.magnitude for one in found] == pytest.approx([100 - one.magnitude for one in mirrored])
    sixty = deviations(1.2 * values, tracked=tracked, nominal_hz=60.0)
    assert [(one.start, one.stop) for one in sixty] == [(one.start, one.stop) for one in found]


def test_empty_series_have_no_frequency_and_misfits_are_refused() -> None:
    assert deviations(np.zeros(0)) == []
    with pytest.raises(SignalError, match="tracked"):
        deviations(np.full(300, 50.0), tracked=np.ones(299, np.bool_))


@pytest.mark.parametrize("wrong", [{"hysteresis_pct": 1.0}, {"limit_pct": 0}, {"limit_hz": 0.5}])
def test_settings_of_frequency_out_of_order_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValidationError):
        FrequencyDeviationSettings(**wrong)
