"""Unbalance: negative-sequence voltage above a limit for longer than a passing fault makes it so."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Self

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, model_validator

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.spans import (
    F64,
    UNSURE,
    ChannelSeries,
    ChannelSpan,
    Excursion,
    decimal,
    find_excursions,
    parts_of,
    stop_of,
)
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.sequence import unbalance_of_line_voltages, unbalance_of_phasors

CATEGORY: Final = "voltage imbalance"

_CHANNELS = (0, 1, 2)


class UnbalanceSettings(BaseModel):
    """Limits of unbalance.

    limit_pct : of the positive sequence. EN 50160:2010, 4.2.4 (from memory): 2 % for 95 % of a week's 10-minute values;
        IEEE Std 1159-2019 Table 2, row 4.1, ends its typical range there too.
    hysteresis_pct : common practice, no source.
    n_aggregated : windows whose root mean square makes one value. IEC 61000-4-30 Ed. 3, 4.4: 15 for three seconds;
        3000 give ten minutes, the interval of EN 50160.
    minimum_duration_s : common practice, no source: a steady state, as IEEE Std 1159-2019 Table 2 has it, outlasts a
        minute, its bound between short and long.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    limit_pct: float = Field(2.0, gt=0, lt=100)
    hysteresis_pct: float = Field(0.2, ge=0, lt=100)
    n_aggregated: int = Field(15, ge=1)
    minimum_duration_s: float = Field(60.0, ge=0)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.hysteresis_pct < self.limit_pct:
            raise ValueError(f"hysteresis_pct {self.hysteresis_pct} must be below limit_pct {self.limit_pct}")
        return self


def find_unbalance(
    voltages: npt.ArrayLike,
    starts: npt.ArrayLike,
    *,
    rate_hz: float,
    settings: UnbalanceSettings,
    flags: npt.ArrayLike | None = None,
) -> list[Finding]:
    """Unbalance of one three-phase measuring point.

    Parameters
    ----------
    voltages : shape (3, n), of windows of 10 or 12 cycles without overlap: complex, the fundamental of phases A, B, C;
        or real, the magnitudes of the line-to-line voltages AB, BC, CA. NaN where not measured. [V]
    starts : shape (n,). Start of each window. [samples]
    rate_hz : of the samples. [Hz]
    settings : limits.
    flags : uint8, shape (3, n). Marks of `measures.quality`; a window with one on any channel is not judged.

    Returns
    -------
    List in order of start. Magnitude is the largest aggregated value; all three channels take part. [%]

    Raises
    ------
    SignalError : shapes that do not fit.

    Source: IEC 61000-4-30 Ed. 3, 5.7 (unbalance) and 4.4 (root of the mean of squares).  Departs: intervals are
    counted from the record's first window, not from the clock; one of which less than half was judged is not judged.
    """
    rows = np.asarray(voltages)
    times = np.asarray(starts, np.float64)
    if rows.ndim != 2 or rows.shape[0] != 3 or times.shape != rows.shape[1:]:
        raise SignalError(f"voltages have shape {rows.shape}, starts {times.shape}; expected (3, n) and (n,)")
    if not times.size:
        return []
    u2 = unbalance_of_phasors(rows)[0] if np.iscomplexobj(rows) else unbalance_of_line_voltages(rows)
    windows = ChannelSeries.of(np.zeros(rows.shape, np.float32), times, flags, steps=1)
    measured = windows.without(UNSURE)
    judged = np.isfinite(u2) if measured is None else np.isfinite(u2) & measured.all(axis=0)
    pct = 100 * _aggregated(np.where(judged, u2, np.nan), settings.n_aggregated)
    off_pct = decimal(settings.limit_pct - settings.hysteresis_pct)
    beyond, near, back = (mask[None] for mask in (pct > settings.limit_pct, pct > off_pct, pct <= off_pct))
    found = []
    for values in find_excursions(beyond, near, back):
        excursion = _in_windows(values, settings.n_aggregated, windows.n)
        magnitude = float(np.nanmax(pct[values.i_start : values.i_stop]))
        parts = parts_of(excursion, windows, [magnitude] * 3)
        start, stop = parts[0].start, stop_of(excursion, windows)
        if values.judged_share * (stop - start) / rate_hz < settings.minimum_duration_s:
            continue
        found.append(
            Finding(
                kind="unbalance",
                category=CATEGORY,
                start=start,
                stop=stop,
                magnitude=magnitude,
                magnitude_unit="%",
                parts=parts,
                open_start=excursion.open_start,
                open_stop=excursion.open_stop,
                flags=windows.flags_of(_CHANNELS, excursion.i_start, excursion.i_stop),
            )
        )
    return found


def _aggregated(values: F64, size: int) -> F64:
    """Root mean square of each `size` values, NaN left out; NaN where that is more than half of them."""
    n = -(-values.size // size)
    padded = np.full(n * size, np.nan)
    padded[: values.size] = values
    blocks = padded.reshape(n, size)
    count = np.isfinite(blocks).sum(axis=1)
    total = np.nansum(blocks**2, axis=1)
    out: F64 = np.full(n, np.nan)
    np.divide(total, count, out=out, where=2 * count >= size)
    root: F64 = np.sqrt(out)
    return root


def _in_windows(values: Excursion, size: int, n: int) -> Excursion:
    """An excursion of aggregated values as one of windows, of all three channels."""
    start, stop = values.i_start * size, min(values.i_stop * size, n)
    spans = tuple(ChannelSpan(channel, start, stop) for channel in _CHANNELS)
    return replace(values, i_start=start, i_stop=stop, spans=spans, enders=_CHANNELS)
