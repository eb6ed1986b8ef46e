"""Sags, swells and interruptions in a recorder's own log of RMS values, with the resolution that it has."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.detectors.rms_variations import RmsVariation, find_rms_variations
from halfcycle.pipeline.measures.quality import MISSING

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

_GAP: Final = 1.5  # steps between two rows from which on rows are missing between them
_HALF_CYCLES: Final = 0.75  # of a cycle: a value this often is Urms(1/2), whose windows overlap by half
_WHOLE_CYCLES: Final = 1.5  # of a cycle: a mean over longer hides how deep a short sag was


@dataclass(frozen=True, slots=True)
class RmsLog:
    """The voltages of a log.

    Attributes
    ----------
    starts_ns : int64, shape (n,), rising. Of each row. [ns UTC]
    step_ns : between rows. [ns]
    least, largest : shape (n_channels, n). Lowest and highest RMS within each row, NaN where there is none; the row's
        own value where the recorder kept no extremes. [V]
    has_extremes : whether it kept them.
    """

    starts_ns: I64
    step_ns: int
    least: F64
    largest: F64
    has_extremes: bool

    @property
    def step_s(self) -> float:
        """Between rows. [s]"""
        return self.step_ns / 1e9

    @property
    def covered_s(self) -> float:
        """Time of the rows that hold a value. [s]"""
        return float(np.isfinite(self.least).any(axis=0).sum()) * self.step_s

    def resolution(self, frequency_hz: float) -> str:
        """In words, how finely its events are known."""
        step = f"{self.step_s:g} s" if self.step_s >= 1 else f"{self.step_ns / 1e6:.3g} ms"
        words = f"from the recorder's RMS log, one row every {step}: start and end known within {step}"
        if self.step_s * frequency_hz <= _WHOLE_CYCLES:
            return words
        if self.has_extremes:
            return f"{words}, magnitude from the logged extremes"
        return f"{words}, and the severity of shorter events is underestimated"


def find_in_log(
    log: RmsLog, *, reference_v: npt.ArrayLike, thresholds: Mapping[str, float], frequency_hz: float
) -> list[RmsVariation]:
    """The variations in a log, by the rules for waveforms; times in ns since its first row.

    Parameters
    ----------
    log : of the judged voltages.
    reference_v : scalar, or shape (n_channels, 1). What 1 pu stands for. [V]
    thresholds : sag_pu, swell_pu, interruption_pu and hysteresis_pu of `find_rms_variations`.
    frequency_hz : nominal; tells whether a row is a half cycle. [Hz]

    Returns
    -------
    List in order of start. What goes on where rows are missing is open there.

    Source: IEC 61000-4-30 Ed. 3, 5.4 and 5.5. Departs: the windows are the recorder's rows, whatever their length.
    """
    per_window = 2 if log.step_s * frequency_hz < _HALF_CYCLES else 1
    gaps = np.flatnonzero(np.diff(log.starts_ns) > _GAP * log.step_ns) + 1
    found: list[RmsVariation] = []
    for first, stop in pairwise([0, *gaps.tolist(), log.starts_ns.size]):
        times = (log.starts_ns[first:stop] - log.starts_ns[0]).astype(np.float64)
        for values, kinds in ((log.least, ("sag", "interruption")), (log.largest, ("swell",))):
            part = values[:, first:stop]
            unknown = ~np.isfinite(part)
            filled = np.where(unknown, np.broadcast_to(np.asarray(reference_v, np.float64), part.shape), part)
            variations = find_rms_variations(
                filled, times, reference=reference_v, flags=np.where(unknown, MISSING, 0).astype(np.uint8),
                per_window=per_window, **thresholds,
            )  # fmt: skip
            found += [_from(one, first) for one in variations if one.kind in kinds]
    return sorted(found, key=lambda one: (one.start, one.kind))


def _from(variation: RmsVariation, first: int) -> RmsVariation:
    """A variation of a stretch by the rows of the log."""
    channels = (replace(one, i_start=one.i_start + first, i_stop=one.i_stop + first) for one in variation.channels)
    return replace(variation, channels=tuple(channels))
