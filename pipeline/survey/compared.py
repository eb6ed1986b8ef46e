"""What a recorder's own values say beside those measured from its waveforms: a ratio, its clock, its wiring."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.survey.coarser import coarser
from halfcycle.pipeline.survey.measure import Trend
from halfcycle.pipeline.survey.stored import Key, StoredTrend

if TYPE_CHECKING:
    import pyarrow as pa

F64 = npt.NDArray[np.float64]

_ALIKE: Final = 0.01  # of the value: Class S of both together stays within it. Common practice, no source
_STEADY: Final = 0.003  # spread of a ratio that is a ratio and no disagreement
_MOST_STEPS: Final = 26  # intervals by which stamps are tried to be off; of ten minutes over four hours
_FEWEST: Final = 6  # intervals that both must have
_COMPARED: Final = ("u_rms", "i_rms", "f", "p", "p_total", "thd_u")
_SQRT3: Final = 3**0.5


@dataclass(frozen=True, slots=True)
class Disagreement:
    """A finding about a recorder: site, point, and in words what its own values show beside the measured ones."""

    site: str
    point: str
    text: str


def compared(trends: Sequence[StoredTrend]) -> tuple[tuple[str, ...], tuple[Disagreement, ...]]:
    """Compare what recorders recorded with what was measured of the same points.

    Parameters
    ----------
    trends : of both origins.

    Returns
    -------
    (in words which points were compared, findings). A point with one origin, or too few intervals of both, is left out.
    """
    by_key: dict[Key, dict[str, list[StoredTrend]]] = {}
    for one in trends:
        by_key.setdefault(one.key, {}).setdefault(one.certificate.origin, []).append(one)
    told, findings = [], []
    for (site, point), by_origin in by_key.items():
        pairs = [
            pair
            for theirs in by_origin.get("recorded by the instrument", ())
            for ours in by_origin.get("measured from waveforms", ())
            if (pair := _of_one_interval(ours, theirs)) is not None
        ]
        if not pairs:
            continue
        ours, theirs, interval_s = pairs[0]
        n, found = _of_point(ours, theirs, interval_s)
        if n >= _FEWEST:
            name = f"{site} {point}".strip()
            told.append(f"{name}: {n} intervals of {interval_s:g} s that the recorder made compared with the waveforms")
            findings += [Disagreement(site, point, text) for text in found]
    return tuple(told), tuple(findings)


def _of_one_interval(ours: StoredTrend, theirs: StoredTrend) -> tuple[pa.Table, pa.Table, float] | None:
    """Both in the longer of their intervals, or None where one does not fit into the other."""
    mine_s, its_s = ours.certificate.interval_s, theirs.certificate.interval_s
    longer = max(mine_s, its_s)
    mine, its = _in_intervals(ours.trend, mine_s, longer), _in_intervals(theirs.trend, its_s, longer)
    return None if mine is None or its is None else (mine.table, its.table, longer)


def _in_intervals(trend: Trend, from_s: float, to_s: float) -> Trend | None:
    return trend if from_s == to_s else coarser(trend, from_s=from_s, to_s=to_s)


def _of_point(ours: pa.Table, theirs: pa.Table, interval_s: float) -> tuple[int, list[str]]:
    """Intervals that both have, and what is found; a clock that is off is named first and put right before the rest."""
    names = [
        name for name in theirs.column_names
        if name in ours.column_names and any(name == one or name.startswith(f"{one}_") for one in _COMPARED)
        and not name.endswith(("_min", "_max"))
    ]  # fmt: skip
    step_ns = round(interval_s * 1e9)
    mine, its = (_by_start(table, names, step_ns) for table in (ours, theirs))
    shift = _shift(mine, its, names)
    both = sorted(mine.keys() & {start - shift for start in its})
    late = f"the recorder's time stamps lie {shift * interval_s:g} s later than the waveforms'"
    findings = [f"{late}: its clock, its zone, or stamps of the ends of intervals"] if shift else []
    if not names or len(both) < _FEWEST:
        return len(both), []
    a = np.array([mine[start] for start in both])
    b = np.array([its[start + shift] for start in both])
    return len(both), [*findings, *_ratios(names, a, b)]


def _by_start(table: pa.Table, names: Sequence[str], step_ns: int) -> dict[int, F64]:
    starts = np.rint(table.column("start").to_numpy().astype("datetime64[ns]").astype(np.int64) / step_ns).astype(int)
    values = np.array([table.column(name).to_numpy(zero_copy_only=False) for name in names], np.float64)
    covered = np.asarray(table.column("measured").to_numpy(zero_copy_only=False)) >= 0.9
    return {int(start): values[:, i] for i, start in enumerate(starts) if covered[i]}


def _shift(mine: Mapping[int, F64], its: Mapping[int, F64], names: Sequence[str]) -> int:
    """Whole intervals by which the recorder's stamps are late: where its values go up and down as the measured ones.

    0 where no other shift fits clearly better.
    """
    rows = [k for k, name in enumerate(names) if name.startswith(("u_rms", "f"))]
    scores = {shift: _alikeness(mine, its, rows, shift) for shift in range(-_MOST_STEPS, _MOST_STEPS + 1)}
    best = max(scores, key=lambda shift: (scores[shift], -abs(shift)))
    return best if scores[best] > 0.9 and scores[best] > scores[0] + 0.3 else 0


def _alikeness(mine: Mapping[int, F64], its: Mapping[int, F64], rows: Sequence[int], shift: int) -> float:
    """Correlation of the changes, the mean over the series; -1 where too few intervals are there."""
    both = sorted(mine.keys() & {start - shift for start in its})
    if len(both) < 2 * _FEWEST or not rows:
        return -1.0
    a = np.array([mine[start][rows] for start in both])
    b = np.array([its[start + shift][rows] for start in both])
    a, b = a - np.nanmean(a, axis=0), b - np.nanmean(b, axis=0)
    size = np.sqrt(np.nansum(a * a, axis=0) * np.nansum(b * b, axis=0))
    if not (size > 0).any():
        return -1.0
    return float(np.nanmean(np.nansum(a * b, axis=0)[size > 0] / size[size > 0]))


def _ratios(names: Sequence[str], a: F64, b: F64) -> list[str]:
    """What is found in values of the same intervals: measured and recorded, shape (n, series)."""
    found = []
    for k, name in enumerate(names):
        known = np.isfinite(a[:, k]) & np.isfinite(b[:, k]) & (np.abs(a[:, k]) > 1e-9)
        if known.sum() < _FEWEST:
            continue
        ratio = b[known, k] / a[known, k]
        middle, spread = float(np.median(ratio)), float(np.median(np.abs(ratio - np.median(ratio))))
        if abs(middle - 1) <= _ALIKE and spread <= _ALIKE:
            continue
        other = next((names[j] for j in range(len(names)) if j != k and _is_sibling(names[j], name)
                      and _are_alike(b[:, k], a[:, j])), None)  # fmt: skip
        if other is not None:
            found.append(
                f"what the recorder calls {name} follows the {other} of the waveforms: wiring or names are swapped"
            )
        elif spread <= _STEADY * abs(middle) or spread <= _ALIKE:
            found.append(f"{name} is {middle:.4g} times the value from the waveforms: {_cause(name, middle)}")
        else:
            found.append(
                f"{name} differs by {100 * float(np.median(np.abs(ratio - 1))):.2g} % and not by a constant ratio"
            )
    return found


def _cause(name: str, ratio: float) -> str:
    if name.startswith("p") and abs(ratio + 1) <= _ALIKE:
        return "a current clamp or the sign of power is reversed"
    ways = {_SQRT3: "line to line, and the other to neutral", 1 / _SQRT3: "to neutral, and the other line to line"}
    for factor, words in ways.items():
        if name.startswith("u") and abs(ratio / factor - 1) <= _ALIKE:
            return f"one is {words}: wiring"
    return "a transformer ratio or a unit"


def _is_sibling(one: str, other: str) -> bool:
    return one.rpartition("_")[0] == other.rpartition("_")[0] != ""


def _are_alike(one: F64, other: F64) -> bool:
    known = np.isfinite(one) & np.isfinite(other) & (np.abs(other) > 1e-9)
    return bool(known.sum() >= _FEWEST and np.median(np.abs(one[known] / other[known] - 1)) <= _ALIKE / 4)
