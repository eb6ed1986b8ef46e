"""The measured variables that limit rules watch, by name: unit, what they need, and their series."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.detectors.contract import Need
from halfcycle.pipeline.detectors.measured import PointMeasures
from halfcycle.pipeline.measures.reference import window_cycles
from halfcycle.pipeline.measures.sequence import unbalance_of_line_voltages, unbalance_of_phasors
from halfcycle.pipeline.measures.spectra import total_harmonic_distortion
from halfcycle.pipeline.quantities import HIGHEST_ORDER

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class VariableSeries:
    """A variable over a record.

    Attributes
    ----------
    channel, phase, name : number, phase and name of the channel that it is of; 0 and "" where it is of all.
    times : shape (n,), rising. Start of each value's interval. [samples]
    values : shape (n,). NaN where not measured. [unit]
    nominal : the nominal value, where there is one. [unit]
    unit : of the values.
    """

    channel: int
    phase: str
    name: str
    times: F64
    values: npt.NDArray[np.floating]
    nominal: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class Variable:
    """A variable that a rule may name: its meaning with unit, what it needs, and how it is found."""

    meaning: str
    needs: frozenset[Need]
    series: Callable[[PointMeasures], list[VariableSeries]]


@dataclass(frozen=True, slots=True)
class CycleWindows:
    """Values of the three phases over windows of 10/12 cycles that follow one another.

    Attributes
    ----------
    values : shape (3, n). Phasors of the fundamental, or magnitudes of line-to-line voltages. [V]
    starts : shape (n,). [samples]
    flags : uint8, shape (3, n).
    """

    values: npt.NDArray[np.complexfloating] | npt.NDArray[np.floating]
    starts: F64
    flags: npt.NDArray[np.uint8]


def windows_of_cycles(measured: PointMeasures) -> CycleWindows | None:
    """Phasors of the three phases, or the magnitudes of line-to-line voltages; None where there are no three.

    Source: windows of 10/12 cycles, IEC 61000-4-30 Ed. 3, 5.7 (from memory).
    """
    series = measured.half_cycles
    size = 2 * window_cycles(measured.nominal_hz)
    n = series.n // size
    if series.fundamental is None or len(measured.phases) != 3 or not n:
        return None
    windows = series.fundamental[:, : n * size].reshape(3, n, size)
    values = np.abs(windows).mean(axis=2) if measured.line_to_line else windows.mean(axis=2)
    flags = np.bitwise_or.reduce(series.flags[:, : n * size].reshape(3, n, size), axis=2)
    return CycleWindows(values, series.starts[0, : n * size : size], flags)


def series_of(measured: PointMeasures, name: str) -> list[VariableSeries]:
    """Series of a variable, of each channel that has one.

    Parameters
    ----------
    measured : of one point.
    name : a key of `LIMIT_VARIABLES`.
    """
    return LIMIT_VARIABLES[name].series(measured)


def _voltages(measured: PointMeasures) -> list[VariableSeries]:
    series = measured.half_cycles
    return [
        VariableSeries(
            c, phase, name, series.starts[c], np.where(series.flags[c] == 0, series.u_half[c], np.nan),
            measured.nominal_v, "V",
        )
        for c, (phase, name) in enumerate(zip(measured.phases, measured.names, strict=True))
    ]  # fmt: skip


def _currents(measured: PointMeasures) -> list[VariableSeries]:
    series = measured.currents
    if series is None:
        return []
    return [
        VariableSeries(
            c, phase, name, series.starts[c], np.where(series.flags[c] == 0, series.u_half[c], np.nan), None, "A"
        )
        for c, (phase, name) in enumerate(zip(measured.current_phases, measured.current_names, strict=True))
    ]


def _frequency(measured: PointMeasures) -> list[VariableSeries]:
    series = measured.half_cycles
    if not series.n:
        return []
    values = np.where(series.tracked, series.frequency_hz, np.nan)
    return [VariableSeries(0, "", "", series.starts[0], values, measured.nominal_hz, "Hz")]


def _unbalance(measured: PointMeasures, *, zero: bool) -> list[VariableSeries]:
    windows = windows_of_cycles(measured)
    if windows is None or (zero and measured.line_to_line):
        return []
    if measured.line_to_line:
        ratio = unbalance_of_line_voltages(np.abs(windows.values))
    else:
        ratio = unbalance_of_phasors(windows.values)[1 if zero else 0]
    values = np.where((windows.flags == 0).all(axis=0), 100.0 * ratio, np.nan)
    return [VariableSeries(0, "", "", windows.starts, values, None, "%")]


def _of_fundamental(measured: PointMeasures, *, order: int | None) -> list[VariableSeries]:
    """A harmonic in % of the fundamental, or the total harmonic distortion where no order is named."""
    shape = measured.waveshape
    if shape is None or (order is not None and order > shape.spectra.harmonics.shape[2]):
        return []
    harmonics = shape.spectra.harmonics.astype(np.float64)
    if order is None:
        values = 100.0 * total_harmonic_distortion(harmonics)
    else:
        first = harmonics[..., 0]
        values = np.divide(100.0 * harmonics[..., order - 1], first, out=np.full(first.shape, np.nan), where=first > 0)
    clear = (shape.flags == 0) & np.isfinite(values)
    return [
        VariableSeries(c, phase, name, shape.spectra.starts, np.where(clear[c], values[c], np.nan), None, "%")
        for c, (phase, name) in enumerate(zip(measured.phases, measured.names, strict=True))
    ]


_SERIES: frozenset[Need] = frozenset({"series"})
_SHAPE: frozenset[Need] = frozenset({"series", "waveshape"})

_HARMONICS = {
    f"uh{order:02d}": Variable(
        f"harmonic {order}, every five seconds [% of the fundamental]",
        _SHAPE,
        partial(_of_fundamental, order=order),
    )
    for order in range(2, HIGHEST_ORDER + 1)
}

LIMIT_VARIABLES = {
    "u_half": Variable("RMS voltage over one cycle, refreshed each half cycle [V]", _SERIES, _voltages),
    "i_half": Variable("RMS current over one cycle, refreshed each half cycle [A]", _SERIES | {"currents"}, _currents),
    "f": Variable("frequency of the fundamental [Hz]", _SERIES, _frequency),
    "u2": Variable("negative-sequence unbalance [%]", _SERIES, partial(_unbalance, zero=False)),
    "u0": Variable("zero-sequence unbalance [%]", _SERIES, partial(_unbalance, zero=True)),
    "thd_u": Variable(
        "total harmonic distortion, every five seconds [%]", _SHAPE, partial(_of_fundamental, order=None)
    ),
    **_HARMONICS,
}


def known_variables() -> str:
    """The names of `LIMIT_VARIABLES` in words, the harmonics as a span."""
    lowest, *_, highest = _HARMONICS
    return ", ".join([*(name for name in LIMIT_VARIABLES if name not in _HARMONICS), f"{lowest} to {highest}"])
