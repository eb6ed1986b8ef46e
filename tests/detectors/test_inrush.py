"""Inrush and start-up: hand-computed cases with a rated current and with the current that is usual around."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.inrush import InrushSettings, VoltageBeside, find_inrush
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.half_cycle_arrays import measure_half_cycles
from halfcycle.pipeline.measures.quality import CLIPPED, MISSING

SOURCE = "common practice, no source: threshold and hysteresis on half-cycle current, as for swells"
SOURCE_START = "common practice, no source: a motor draws 5 to 7 times its rated current while it starts"
F64 = npt.NDArray[np.float64]
DEFAULT = InrushSettings()
HALF_CYCLE = 64.0


def levels(*pieces: tuple[float, int]) -> F64:
    return np.concatenate([np.full(n, value) for value, n in pieces])


def inrush(amperes: Any, *, rules: InrushSettings = DEFAULT, **others: Any) -> list[Finding]:
    values = np.atleast_2d(amperes)
    return find_inrush(
        values,
        HALF_CYCLE * np.arange(values.shape[1]),
        rate_hz=100 * HALF_CYCLE,
        nominal_frequency_hz=50.0,
        settings=rules,
        **others,
    )


MOTOR = levels((20, 1000), (600, 50), (400, 50), (210, 10), (90, 1000))


def test_a_motor_start_against_its_rated_current() -> None:
    (found,) = inrush(MOTOR, rated_a=100.0)
    assert found.kind == "inrush"
    assert (found.magnitude, found.magnitude_unit, found.reference_v) == (600, "A", 100)
    assert found.start == 1000 * HALF_CYCLE
    assert found.stop == 1110 * HALF_CYCLE
    assert not found.open_start
    assert not found.open_stop
    assert found.notes == ""


def test_threshold_hysteresis_and_least_duration_decide_both_ways() -> None:
    swinging = levels((20, 300), (210, 10), (195, 10), (210, 10), (20, 300))
    assert len(inrush(swinging, rated_a=100.0)) == 1
    assert len(inrush(swinging, rated_a=100.0, rules=InrushSettings(hysteresis_pu=0.0))) == 2
    assert inrush(swinging, rated_a=100.0, rules=InrushSettings(threshold_pu=2.2)) == []
    assert len(inrush(swinging, rated_a=100.0, rules=InrushSettings(minimum_duration_s=0.3))) == 1
    assert inrush(swinging, rated_a=100.0, rules=InrushSettings(minimum_duration_s=0.31)) == []


def test_exactly_at_the_threshold_is_no_inrush() -> None:
    assert inrush(levels((20, 300), (200, 10), (20, 300)), rated_a=100.0) == []


def test_without_rated_current_what_is_drawn_before_and_after_is_the_measure() -> None:
    # From 20 A before to 90 A after: usual is the larger. 210 A is 2.33 times that, and ends it as 90 A begins.
    motor = levels((20, 7000), (600, 50), (400, 50), (210, 10), (90, 7000))
    (found,) = inrush(motor)
    assert found.reference_v == 90
    assert (found.start, found.stop) == (7000 * HALF_CYCLE, 7110 * HALF_CYCLE)
    assert inrush(levels((20, 7000), (90, 7000))) == []  # a load that comes on without a rush
    assert inrush(levels((90, 7000), (20, 7000))) == []


def test_the_window_of_the_usual_current_decides_what_is_passing() -> None:
    # Half a minute of 300 A between 100 A: passing by the minute, usual by ten seconds.
    long_one = levels((100, 9000), (300, 2500), (100, 9000))
    assert len(inrush(long_one)) == 1
    assert inrush(long_one, rules=InrushSettings(usual_window_s=10)) == []


def test_a_short_record_is_measured_by_its_own_median() -> None:
    (found,) = inrush(levels((10, 30), (60, 20), (12, 50)))
    assert found.reference_v == 12
    assert (found.start, found.stop) == (30 * HALF_CYCLE, 50 * HALF_CYCLE)


def test_where_no_current_usually_flows_nothing_is_judged() -> None:
    spot = levels((0, 3000), (50, 20), (0, 3000))
    assert inrush(spot) == []
    assert len(inrush(spot, rated_a=10.0)) == 1


def test_notes_tell_the_instantaneous_peak_and_the_lowest_voltage() -> None:
    peaks = np.sqrt(2) * MOTOR
    peaks[1000] = 1234.4
    peaks[500] = 5000
    volts = 230 * np.stack([np.ones(MOTOR.size), np.where(MOTOR > 300, 0.912, 1.0)])
    volts[0, 500] = 0
    (found,) = inrush(MOTOR, rated_a=100.0, peak_a=peaks, voltage=VoltageBeside(volts, 230.0))
    assert found.notes == "peak 1.2344 kA; lowest voltage 0.912 pu"
    (found,) = inrush(MOTOR, rated_a=100.0, peak_a=peaks)
    assert found.notes == "peak 1.2344 kA"
    flags = np.zeros(volts.shape, np.uint8)
    flags[1, 1000:1100] = MISSING
    (found,) = inrush(MOTOR, rated_a=100.0, voltage=VoltageBeside(volts, [230.0, 230.0], flags))
    assert found.notes == "lowest voltage 1.000 pu"
    flags[:] = MISSING
    (found,) = inrush(MOTOR, rated_a=100.0, voltage=VoltageBeside(volts, 230.0, flags))
    assert found.notes == "voltage not measured"


def test_a_clipped_half_cycle_may_start_an_inrush_but_not_end_one() -> None:
    flags = np.zeros((1, MOTOR.size), np.uint8)
    flags[0, 1000:1100] = CLIPPED
    (found,) = inrush(MOTOR, rated_a=100.0, flags=flags)
    assert (found.start, found.stop, found.flags) == (1000 * HALF_CYCLE, 1110 * HALF_CYCLE, CLIPPED)
    flags[0, 1110:1150] = CLIPPED
    (found,) = inrush(MOTOR, rated_a=100.0, flags=flags)
    assert found.stop == 1150 * HALF_CYCLE
    assert found.open_stop


def test_half_cycles_that_were_not_measured_neither_start_nor_end_nor_top_an_inrush() -> None:
    flags = np.zeros((1, MOTOR.size), np.uint8)
    broken = MOTOR.copy()
    broken[1040:1060], flags[0, 1040:1060] = 5000, MISSING
    broken[200:220], flags[0, 200:220] = 5000, MISSING
    (found,) = inrush(broken, rated_a=100.0, flags=flags)
    assert (found.start, found.stop) == (1000 * HALF_CYCLE, 1110 * HALF_CYCLE)
    assert found.magnitude == 600
    flags[0, 990:1005] = MISSING
    (found,) = inrush(broken, rated_a=100.0, flags=flags)
    assert found.open_start
    assert found.start == 1005 * HALF_CYCLE


def test_usual_current_leaves_unmeasured_half_cycles_out() -> None:
    motor = levels((20, 7000), (600, 50), (90, 7000))
    flags = np.zeros((1, motor.size), np.uint8)
    flags[0, 7200::2] = MISSING
    motor[7200::2] = 1e4
    flags[0, :3000] = MISSING
    (found,) = inrush(motor, flags=flags)
    assert found.reference_v == 90
    assert (found.start, found.stop) == (7000 * HALF_CYCLE, 7050 * HALF_CYCLE)
    assert inrush(motor, flags=np.full(flags.shape, MISSING)) == []


def test_phases_that_start_together_are_one_event() -> None:
    a = levels((20, 500), (600, 60), (90, 500))
    b = levels((20, 510), (700, 60), (90, 490))
    (found,) = inrush([a, b, np.full(1060, 20.0)], rated_a=[100.0, 100.0, 100.0])
    assert [(part.channel, part.extreme) for part in found.parts] == [(0, 600), (1, 700)]
    assert (found.start, found.stop) == (500 * HALF_CYCLE, 570 * HALF_CYCLE)
    assert found.magnitude == 700


def test_an_inrush_under_way_at_the_ends_is_open() -> None:
    (found,) = inrush(np.full(300, 400.0), rated_a=100.0)
    assert found.open_start
    assert found.open_stop
    assert found.stop == 301 * HALF_CYCLE


def test_a_decaying_waveform_is_found_with_its_first_cycle_as_the_highest() -> None:
    # derived: RMS over one cycle from the zero crossing, of exp(-t/tau) sin: close to the mean of the envelope's square
    rate_hz, tau = 6400.0, 0.4
    t = np.arange(round(6 * rate_hz)) / rate_hz
    envelope = 10 + 90 * np.where(t < 2, 0, np.exp(-(t - 2) / tau))
    current = np.sqrt(2) * envelope * np.sin(2 * np.pi * 50 * t)
    series = measure_half_cycles(current, rate_hz=rate_hz, nominal_frequency_hz=50)
    (found,) = find_inrush(
        series.u_half,
        series.starts,
        rate_hz=rate_hz,
        nominal_frequency_hz=50,
        settings=DEFAULT,
        rated_a=10.0,
    )
    first_cycle = np.sqrt(np.mean(envelope[round(2 * rate_hz) : round(2.02 * rate_hz)] ** 2))
    assert found.magnitude == pytest.approx(first_cycle, rel=0.002)
    # 19 A, the end, is reached tau ln(90 / 9) after the start; windows are a cycle long.
    assert (found.stop - found.start) / rate_hz == pytest.approx(tau * np.log(10), abs=0.025)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(1e-3, 1e4), st.permutations([0, 1, 2]), st.booleans())
def test_neither_scale_nor_order_of_channels_matters_to_inrush(
    seed: int, scale: float, order: list[int], rated: bool
) -> None:
    rng = np.random.default_rng(seed)
    amperes = rng.choice([10.0, 12.0], (3, 40)).repeat(25, axis=1)
    for _ in range(4):
        a = int(rng.integers(0, 950))
        amperes[int(rng.integers(0, 3)), a : a + int(rng.integers(1, 80))] *= rng.uniform(1.5, 8)
    flags = (rng.random((3, 1000)) < 0.02).astype(np.uint8) * MISSING
    starts = HALF_CYCLE * np.arange(1000) + np.array([[0.0], [-21], [21]])
    kwargs: dict[str, Any] = {"rate_hz": 6400.0, "nominal_frequency_hz": 50.0, "settings": DEFAULT}
    before = find_inrush(amperes, starts, flags=flags, rated_a=11.0 if rated else None, **kwargs)
    after = find_inrush(
        scale * amperes[order], starts[order], flags=flags[order], rated_a=scale * 11.0 if rated else None, **kwargs
    )
    assert before or not rated or amperes.max() <= 22
    assert [(one.start, one.stop, one.open_start, one.open_stop) for one in after] == [
        (one.start, one.stop, one.open_start, one.open_stop) for one in before
    ]
    assert [one.magnitude for one in after] == pytest.approx([scale * one.magnitude for one in before])
    moved = [sorted((order[part.channel], part.start, part.stop) for part in one.parts) for one in after]
    assert moved == [[(part.channel, part.start, part.stop) for part in one.parts] for one in before]


def test_empty_series_have_no_inrush_and_misfits_are_refused() -> None:
    assert inrush(np.zeros((3, 0))) == []
    assert inrush(np.zeros((0, 0)), rated_a=10.0) == []
    with pytest.raises(SignalError, match="peak_a"):
        inrush(MOTOR, peak_a=MOTOR[:-1])
    with pytest.raises(SignalError, match="of voltage"):
        inrush(MOTOR, voltage=VoltageBeside(MOTOR[:-1], 230.0))
    with pytest.raises(SignalError, match="above zero"):
        inrush(MOTOR, rated_a=0.0)


@pytest.mark.parametrize("wrong", [{"threshold_pu": 1.0}, {"hysteresis_pu": 2.0}, {"rated_a": 5}])
def test_settings_of_an_inrush_out_of_order_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValidationError):
        InrushSettings(**wrong)


def test_the_load_before_a_trip_is_no_inrush_and_neither_is_it_when_it_comes_back() -> None:
    # Derived: 0.4 s of load, a fault, then a line dead for most of the record: the median of the whole is nothing.
    tripped = levels((100, 40), (900, 10), (0.1, 280))
    assert inrush(tripped) == []
    back = levels((100, 40), (0.1, 250), (105, 40))
    assert inrush(back) == []
    # What is more than twice what flowed before is one, dead line or not.
    (found,) = inrush(levels((100, 60), (0.1, 200), (600, 20), (0.1, 100)))
    assert found.magnitude == 600
