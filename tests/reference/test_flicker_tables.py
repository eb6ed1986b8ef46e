"""The flickermeter against the performance tables of IEC 61000-4-15, each row made as a waveform and metered.

Figures are changes of voltage from peak to peak, in per cent, that must read 1.00. "Found": seen in a published
verification script of a national metrology institute; "memory": not confirmed, so corrected here if it proves wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.pipeline.measures.flickermeter import Flickermeter, Lamp, short_term_severity

F64 = npt.NDArray[np.float64]

EDITION = "IEC 61000-4-15:2010 (Ed. 2)"
SOURCE_TABLE_1 = f"{EDITION}, Table 1, sinusoidal, Pinst,max 1.00 within 8 % [found]"
SOURCE_TABLE_2 = f"{EDITION}, Table 2, rectangular, Pinst,max 1.00 within 8 % [found]"
SOURCE_TABLE_5 = f"{EDITION}, Table 5, rectangular, Pst 1.00 within 5 % [found]"
SOURCE_OTHERS = f"{EDITION}, clause 6, tests of bandwidth, of several zero crossings and of phase jumps [memory]"

P_INST_LIMIT = 0.08
P_ST_LIMIT = 0.05
TABLE_1_MARGIN = 0.007  # a twelfth of the limit; figures are rounded to 1e-3 %, up to 1/250 of themselves
TABLE_2_MARGIN = 0.016  # a fifth of the limit; figures are rounded to up to 1/200 of themselves, Pinst goes with 1/100
TABLE_5_MARGIN = 0.006  # an eighth of the limit
SETTLED_S = 15.0

# Hz: 230 V, 120 V; figures of 50 and 60 Hz are the same below 20 Hz.
TABLE_1 = {
    0.5: (2.325, 2.453), 1.0: (1.397, 1.465), 1.5: (1.067, 1.126), 2.0: (0.879, 0.942), 2.5: (0.747, 0.815),
    3.0: (0.645, 0.717), 3.5: (0.564, 0.637), 4.0: (0.497, 0.570), 4.5: (0.442, 0.514), 5.0: (0.396, 0.466),
    5.5: (0.357, 0.426), 6.0: (0.325, 0.393), 6.5: (0.300, 0.366), 7.0: (0.280, 0.346), 7.5: (0.265, 0.332),
    8.0: (0.256, 0.323), 8.8: (0.250, 0.321), 9.5: (0.254, 0.329), 10.0: (0.261, 0.341), 10.5: (0.271, 0.355),
    11.0: (0.283, 0.373), 11.5: (0.298, 0.394), 12.0: (0.314, 0.417), 13.0: (0.351, 0.469), 14.0: (0.393, 0.528),
    15.0: (0.438, 0.592), 16.0: (0.486, 0.660), 17.0: (0.537, 0.734), 18.0: (0.590, 0.811),
}  # fmt: skip
# Hz: 230 V / 50 Hz, 230 / 60, 120 / 50, 120 / 60
TABLE_1_UPPER = {
    19.0: (0.646, 0.645, 0.892, 0.892), 20.0: (0.704, 0.703, 0.978, 0.977), 21.0: (0.764, 0.764, 1.068, 1.067),
    22.0: (0.828, 0.826, 1.162, 1.160), 23.0: (0.894, 0.892, 1.261, 1.257), 24.0: (0.964, 0.959, 1.365, 1.359),
    25.0: (1.037, 1.029, 1.476, 1.464), 100 / 3: (2.128, 1.758, 3.111, 2.570), 40.0: (None, 2.963, None, 4.393),
}  # fmt: skip
# Hz: 230 V / 50 Hz, 120 V / 60 Hz
TABLE_2 = {
    0.5: (0.509, 0.598), 1.0: (0.467, 0.548), 1.5: (0.429, 0.503), 2.0: (0.398, 0.469), 2.5: (0.370, 0.439),
    3.0: (0.352, 0.419), 3.5: (0.342, 0.408), 4.0: (0.332, 0.394), 4.5: (0.312, 0.373), 5.0: (0.291, 0.348),
    5.5: (0.268, 0.324), 6.0: (0.248, 0.302), 6.5: (0.231, 0.283), 7.0: (0.216, 0.269), 7.5: (0.207, 0.258),
    8.0: (0.199, 0.253), 8.8: (0.196, 0.252), 9.5: (0.199, 0.258), 10.0: (0.203, 0.266), 10.5: (0.212, 0.278),
    11.0: (0.222, 0.292), 11.5: (0.233, 0.308), 12.0: (0.245, 0.324), 13.0: (0.272, 0.367), 14.0: (0.308, 0.411),
    15.0: (0.341, 0.457), 16.0: (0.376, 0.509), 17.0: (0.411, 0.575), 18.0: (0.446, 0.626), 19.0: (0.497, 0.688),
    20.0: (0.553, 0.746), 21.0: (0.585, 0.815), 21.5: (0.592, 0.837), 22.0: (0.612, 0.851), 23.0: (0.680, 0.946),
    24.0: (0.743, 1.067), 25.0: (0.764, 1.088), 25.5: (0.806, 1.072), 28.0: (0.915, 1.383), 30.5: (0.847, 1.602),
    100 / 3: (1.671, 1.823),
}  # fmt: skip
# What else is known of the upper end is for 120 V / 60 Hz alone.
TABLE_2_END = {37.0: 1.304, 40.0: 3.451}
# changes a minute: 230 V / 50 Hz, 120 / 60, 120 / 50, 230 / 60
TABLE_5 = {
    1: (2.715, 3.181, 3.178, 2.719), 2: (2.191, 2.564, 2.561, 2.194), 7: (1.450, 1.694, 1.694, 1.450),
    39: (0.894, 1.040, 1.045, 0.895), 110: (0.722, 0.844, 0.844, 0.723), 1620: (0.407, 0.548, 0.545, 0.409),
    4000: (2.343, None, 3.426, None), 4800: (None, 4.837, None, 3.263),
}  # fmt: skip
SYSTEMS: tuple[tuple[Lamp, float], ...] = ((230, 50.0), (120, 60.0), (120, 50.0), (230, 60.0))


@dataclass(frozen=True, slots=True)
class Row:
    lamp_v: Lamp
    nominal_hz: float
    hertz: float
    change_pct: float


def rows_of_table_1() -> list[Row]:
    rows = [
        Row(lamp, system, hertz, both[0 if lamp == 230 else 1])
        for hertz, both in TABLE_1.items()
        for lamp, system in SYSTEMS
    ]
    order: tuple[tuple[Lamp, float], ...] = ((230, 50.0), (230, 60.0), (120, 50.0), (120, 60.0))
    for hertz, four in TABLE_1_UPPER.items():
        rows += [Row(*system, hertz, pct) for system, pct in zip(order, four, strict=True) if pct is not None]
    return rows


def rows_of_table_2() -> list[Row]:
    systems: tuple[tuple[Lamp, float], ...] = ((230, 50.0), (120, 60.0))
    rows = [Row(*system, hz, pct) for hz, both in TABLE_2.items() for system, pct in zip(systems, both, strict=True)]
    return [*rows, *(Row(120, 60.0, hz, pct) for hz, pct in TABLE_2_END.items())]


def rows_of_table_5() -> list[Row]:
    return [
        Row(*system, per_minute / 120, pct)
        for per_minute, four in TABLE_5.items()
        for system, pct in zip(SYSTEMS, four, strict=True)
        if pct is not None
    ]


def name_of(row: Row) -> str:
    return f"{row.lamp_v}V-{row.nominal_hz:g}Hz-{row.hertz:.5g}Hz"


def modulated(row: Row, *, rate_hz: float, length_s: float, rectangular: bool) -> npt.NDArray[np.float32]:
    """Carrier and modulation, both at phase zero at the start; one channel."""
    t = np.arange(round(rate_hz * length_s)) / rate_hz
    turns = row.hertz * t
    m = np.where(turns % 1.0 < 0.5, 1.0, -1.0) if rectangular else np.sin(2 * np.pi * turns)
    u = np.sqrt(2) * row.lamp_v * np.sin(2 * np.pi * row.nominal_hz * t) * (1 + row.change_pct / 200 * m)
    return u[None].astype(np.float32)


def highest_pinst(u: npt.NDArray[np.float32], *, rate_hz: float, lamp_v: Lamp, nominal_hz: float) -> float:
    meter = Flickermeter(n_channels=1, rate_hz=rate_hz, lamp_v=lamp_v, nominal_hz=nominal_hz)
    pinst = meter.push(u)[0]
    return float(pinst[round((SETTLED_S - meter.delay_s) * meter.output_rate_hz) :].max())


@pytest.mark.slow
@pytest.mark.parametrize("row", rows_of_table_1(), ids=name_of)
def test_a_sinusoidal_change_of_table_1_is_just_seen(row: Row) -> None:
    """SOURCE_TABLE_1."""
    u = modulated(row, rate_hz=3200.0, length_s=SETTLED_S + 10, rectangular=False)
    highest = highest_pinst(u, rate_hz=3200.0, lamp_v=row.lamp_v, nominal_hz=row.nominal_hz)
    assert abs(highest - 1) <= TABLE_1_MARGIN < P_INST_LIMIT


@pytest.mark.slow
@pytest.mark.parametrize("row", rows_of_table_2(), ids=name_of)
def test_a_rectangular_change_of_table_2_is_just_seen(row: Row) -> None:
    """SOURCE_TABLE_2."""
    u = modulated(row, rate_hz=12800.0, length_s=SETTLED_S + 10, rectangular=True)
    highest = highest_pinst(u, rate_hz=12800.0, lamp_v=row.lamp_v, nominal_hz=row.nominal_hz)
    assert abs(highest - 1) <= TABLE_2_MARGIN < P_INST_LIMIT


@pytest.mark.slow
@pytest.mark.parametrize("row", rows_of_table_5(), ids=name_of)
def test_rectangular_changes_of_table_5_have_a_severity_of_one(row: Row) -> None:
    """SOURCE_TABLE_5; the ten minutes begin when the meter has settled."""
    rate_hz = 3200.0
    meter = Flickermeter(n_channels=1, rate_hz=rate_hz, lamp_v=row.lamp_v, nominal_hz=row.nominal_hz)
    pinst = meter.push(modulated(row, rate_hz=rate_hz, length_s=720.0, rectangular=True))[0]
    severity = short_term_severity(pinst[-round(600 * meter.output_rate_hz) :])
    assert abs(float(severity) - 1) <= TABLE_5_MARGIN < P_ST_LIMIT


def severity_of(u: npt.NDArray[np.float32], *, rate_hz: float, lamp_v: Lamp, nominal_hz: float) -> float:
    """Pst of the last ten minutes."""
    meter = Flickermeter(n_channels=1, rate_hz=rate_hz, lamp_v=lamp_v, nominal_hz=nominal_hz)
    pinst = meter.push(u)[0]
    return float(short_term_severity(pinst[-round(600 * meter.output_rate_hz) :]))


@pytest.mark.slow
@pytest.mark.parametrize("times", [0.2, 0.5, 3.0, 10.0])
@pytest.mark.parametrize("row", [Row(230, 50.0, 7 / 120, 1.450), Row(120, 60.0, 1620 / 120, 0.548)], ids=name_of)
def test_severity_is_in_proportion_to_the_change_over_the_range_of_class_f1(row: Row, times: float) -> None:
    """EDITION, 6.5: a row of Table 5 times x reads x within 5 % [memory]; range 0.2 to 10 [memory]."""
    larger = Row(row.lamp_v, row.nominal_hz, row.hertz, row.change_pct * times)
    u = modulated(larger, rate_hz=1600.0, length_s=720.0, rectangular=True)
    severity = severity_of(u, rate_hz=1600.0, lamp_v=row.lamp_v, nominal_hz=row.nominal_hz)
    # The square of ten times the change is no longer in proportion: (1 + d/2)² - (1 - d/2)² is, its mean is not.
    assert abs(severity / times - 1) <= 0.01 < P_ST_LIMIT


@pytest.mark.parametrize("order", [3, 5, 7, 9])
@pytest.mark.parametrize("side", [-10.0, 10.0])
@pytest.mark.parametrize(("lamp_v", "nominal_hz"), SYSTEMS)
def test_a_harmonic_and_an_interharmonic_that_beat_at_ten_hertz_are_just_seen(
    lamp_v: Lamp, nominal_hz: float, order: int, side: float
) -> None:
    """SOURCE_OTHERS, bandwidth: both of 3.611 % (230 V lamp) or 4.126 % (120 V) give 1.00 [memory, recomputed]."""
    size = {230: 0.03611, 120: 0.04126}[lamp_v]
    rate_hz = 12800.0
    t = np.arange(round(rate_hz * (SETTLED_S + 8))) / rate_hz
    at_hz = order * nominal_hz
    u = np.sin(2 * np.pi * nominal_hz * t) + size * (
        np.sin(2 * np.pi * at_hz * t) + np.sin(2 * np.pi * (at_hz + side) * t)
    )
    highest = highest_pinst(u[None].astype(np.float32), rate_hz=rate_hz, lamp_v=lamp_v, nominal_hz=nominal_hz)
    assert abs(highest - 1) <= 0.01 < P_INST_LIMIT


# Per cent of the fundamental, all at 180 degrees [memory]; six zero crossings a cycle.
DISTORTED = {3: 5, 5: 6, 7: 5, 9: 1.5, 11: 3.5, 13: 3.0, 17: 2.0, 19: 1.76, 23: 1.41, 25: 1.27, 29: 1.06, 31: 0.97}


@pytest.mark.parametrize(("lamp_v", "nominal_hz"), SYSTEMS)
def test_a_distorted_voltage_with_several_zero_crossings_reads_like_a_sine(lamp_v: Lamp, nominal_hz: float) -> None:
    """SOURCE_OTHERS: the whole waveform modulated at 8.8 Hz by 0.250 % or 0.321 % gives 1.00 [memory, recomputed]."""
    rate_hz = 12800.0
    t = np.arange(round(rate_hz * (SETTLED_S + 8))) / rate_hz
    theta = 2 * np.pi * nominal_hz * t
    u = np.sin(theta) + sum(pct / 100 * np.sin(h * theta + np.pi) for h, pct in DISTORTED.items())
    u *= 1 + {230: 0.00250, 120: 0.00321}[lamp_v] / 2 * np.sin(2 * np.pi * 8.8 * t)
    highest = highest_pinst(u[None].astype(np.float32), rate_hz=rate_hz, lamp_v=lamp_v, nominal_hz=nominal_hz)
    assert abs(highest - 1) <= 0.01 < P_INST_LIMIT


# Degrees: 230 V / 50 Hz, 120 / 60, 120 / 50, 230 / 60 [memory]; recomputed elsewhere within 3 % of these.
PHASE_JUMPS = {30: (0.913, 0.587, 0.706, 0.760), 45: (1.060, 0.681, 0.819, 0.882)}


@pytest.mark.slow
@pytest.mark.parametrize("jump_deg", [30, -30, 45, -45])
@pytest.mark.parametrize(("system", "which"), [(system, i) for i, system in enumerate(SYSTEMS)])
def test_five_phase_jumps_in_ten_minutes_have_the_severity_of_the_standard(
    jump_deg: int, system: tuple[Lamp, float], which: int
) -> None:
    """SOURCE_OTHERS: jumps at rising zero crossings in minutes 1, 3, 5, 7 and 9; 5 % are allowed."""
    lamp_v, nominal_hz = system
    rate_hz, before_s = 6400.0, 60.0
    t = (np.arange(round(rate_hz * (before_s + 600))) + 0.5) / rate_hz
    phase = 2 * np.pi * nominal_hz * t
    for n_before, minute in enumerate((1, 3, 5, 7, 9)):
        crossing_s = before_s + 60 * minute - n_before * jump_deg / 360 / nominal_hz
        phase[t >= crossing_s - 1e-9] += np.radians(jump_deg)
    u = np.sin(phase)[None].astype(np.float32)
    severity = severity_of(u, rate_hz=rate_hz, lamp_v=lamp_v, nominal_hz=nominal_hz)
    assert severity == pytest.approx(PHASE_JUMPS[abs(jump_deg)][which], rel=0.02)  # 6400 Hz place a jump to 1/64 cycle
