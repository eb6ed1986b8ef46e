"""Flicker severities as columns of a trend."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.measures.flicker_severity import Severity
from halfcycle.pipeline.measures.flickermeter import SHORT_TERM_S, SHORT_TERMS_IN_LONG, long_term_severity

F64 = npt.NDArray[np.float64]

LONG_TERM_S: Final = SHORT_TERM_S * SHORT_TERMS_IN_LONG
_LEAST_COVERED: Final = 0.9  # of ten minutes that a Pst needs: common practice, no source


def flicker_columns(
    severities: Sequence[Severity],
    starts_ns: npt.NDArray[np.int64],
    *,
    phases: Sequence[str],
    interval_s: float,
    symbols: Collection[str],
) -> dict[str, npt.NDArray[np.float32]]:
    """Pst of intervals of ten minutes, Plt of those of two hours, extremes of Pinst of both, by phase.

    Parameters
    ----------
    severities : of the ten minutes that were measured.
    starts_ns : of the intervals, shape (n,). [ns since 1970-01-01]
    phases : of the voltages.
    interval_s : length of the intervals. [s]
    symbols : quantities that are wanted.

    Returns
    -------
    float32, shape (n,), by name; NaN where too little was measured.
    """
    whole = {one.start_ns: one.pst for one in severities if one.covered_s >= _LEAST_COVERED * SHORT_TERM_S}
    nothing = np.full(len(phases), np.nan)
    columns: dict[str, npt.NDArray[np.float32]] = {}
    if interval_s == SHORT_TERM_S and "pst" in symbols:
        columns |= _by_phase("pst", phases, np.array([whole.get(int(start), nothing) for start in starts_ns]))
    if interval_s == LONG_TERM_S and "plt" in symbols:
        short_ns = round(SHORT_TERM_S * 1e9)
        terms = np.array(
            [[whole.get(int(start) + k * short_ns, nothing) for k in range(SHORT_TERMS_IN_LONG)] for start in starts_ns]
        )
        columns |= _by_phase("plt", phases, long_term_severity(np.moveaxis(terms, 1, -1)))
    if interval_s in (SHORT_TERM_S, LONG_TERM_S):
        for symbol, extreme in (("pinst_min", np.fmin), ("pinst_max", np.fmax)):
            if symbol in symbols:
                rows = [_extreme(severities, int(start), interval_s, symbol, extreme, nothing) for start in starts_ns]
                columns |= _by_phase(symbol, phases, np.array(rows))
    return columns


def _extreme(
    severities: Sequence[Severity], start_ns: int, interval_s: float, symbol: str, extreme: np.ufunc, nothing: F64
) -> F64:
    """Of all settled Pinst of an interval, whatever part of it they cover."""
    stop_ns = start_ns + round(interval_s * 1e9)
    inside = [one for one in severities if start_ns <= one.start_ns < stop_ns]
    of_each = [one.pinst_low if symbol == "pinst_min" else one.pinst_high for one in inside]
    return np.asarray(extreme.reduce([nothing, *of_each]), np.float64)


def _by_phase(symbol: str, phases: Sequence[str], rows: npt.NDArray[np.float64]) -> dict[str, npt.NDArray[np.float32]]:
    return {f"{symbol}_{phase.lower()}": rows[:, c].astype(np.float32) for c, phase in enumerate(phases)}
