"""Moments at which several clocks agree that something began, and how well an event fits one of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.incidents.sightings import BALANCED, UNTOLD, BoolArray, FloatArray, IntArray

_RATE_WINDOW_S: Final = 1200.0
_LEAST_RATE: Final = 1 / 86_400.0  # 1/s: where nothing else is near, one a day
_DURATION_U_S: Final = 0.008  # between two sites: half a cycle of grid and up to a cycle of depth, as a deviation
_OTHER_LENGTH: Final = 0.15  # of the sites of an incident see another length: they are switched off, or a stage more
_LENGTH_SPAN: Final = np.log(1000.0)  # lengths of unrelated events: log-uniform from 10 ms to 10 s
_LEVELS: Final = ((1, 8), (3, 4), (12, 4), (50, 2))  # moments of at least so many sites: so many candidates of these
# Labels of two sites of an incident against those of strangers, as logs (common practice, no source): transformers turn
# labels, whose turn is not known, but make no balanced sag of an unbalanced one.
_SAME: Final = float(np.log(0.6 / 0.25))
_TURNED: Final = float(np.log(0.37 / 0.55))
_UNLIKE: Final = float(np.log(0.03 / 0.20))
_SAME_KNOWN: Final = float(np.log(0.85 / 0.20))  # where the turns of both are known
_OTHER_KNOWN: Final = float(np.log(0.12 / 0.60))


@dataclass(frozen=True, slots=True)
class Cores:
    """Moments in order of time. All arrays have shape (n_cores,).

    Attributes
    ----------
    time_ns : weighted mean of their members' times. [ns since 1970-01-01]
    weight : sum of the weights. [1/s^2]
    n_sites : that agree.
    duration_s : median of the members'; NaN where none is known.
    label : the most frequent one, of members whose turn is known where there are some.
    known : whether there are.
    rate_hz : moments a second around it.
    """

    time_ns: IntArray
    weight: FloatArray
    n_sites: IntArray
    duration_s: FloatArray
    label: IntArray
    known: BoolArray
    rate_hz: FloatArray

    @property
    def n(self) -> int:
        """How many there are."""
        return len(self.time_ns)


def chained(time_ns: IntArray, gap_s: float) -> tuple[IntArray, IntArray]:
    """Order of some times, and the number of the chain that each is in: chains are apart by more than a gap.

    Returns
    -------
    (order of time, shape (n,); chain by place in that order, shape (n,)).
    """
    order = np.argsort(time_ns, kind="stable")
    new = np.ones(len(order), dtype=bool)
    new[1:] = np.diff(time_ns[order]) > gap_s * 1e9
    return order, np.cumsum(new) - 1


def cores_of(
    time_ns: IntArray, u_s: FloatArray, site: IntArray, duration_s: FloatArray, label: IntArray, group: IntArray,
    known: BoolArray | None = None,
) -> tuple[Cores, IntArray]:  # fmt: skip
    """The moments that grouped sightings make.

    Parameters
    ----------
    time_ns, u_s, site, duration_s, label : of the sightings; `u_s` is the uncertainty of the times. Shape (n,).
    group : of each, from 0 on without gaps; -1: in none.
    known : whether the turn of its label is; None: of none.

    Returns
    -------
    (the moments in order of time, for each sighting the one it is in or -1).
    """
    held = np.flatnonzero(group >= 0)
    n = int(group.max(initial=-1)) + 1
    first_ns = np.full(n, np.iinfo(np.int64).max)
    np.minimum.at(first_ns, group[held], time_ns[held])
    weight = 1 / np.square(u_s[held])
    of = group[held]
    after_s = (time_ns[held] - first_ns[of]) * 1e-9
    total: FloatArray = np.bincount(of, weight, n).astype(np.float64)
    time = first_ns + np.round(np.bincount(of, weight * after_s, n) / np.maximum(total, 1e-300) * 1e9).astype(np.int64)
    width = int(site.max(initial=0)) + 1
    n_sites = np.bincount(np.unique(of * width + site[held]) // width, minlength=n)
    length = medians(duration_s[held], of, n)
    half_ns = round(_RATE_WINDOW_S / 2 * 1e9)
    order = np.argsort(time, kind="stable")
    ordered = time[order]
    near = np.searchsorted(ordered, ordered + half_ns, side="right") - np.searchsorted(ordered, ordered - half_ns)
    rate = np.maximum((near - 1) / _RATE_WINDOW_S, _LEAST_RATE)  # itself left out
    place = np.empty(n, dtype=np.int64)
    place[order] = np.arange(n)
    sure = np.full(n, UNTOLD) if known is None else _modes(np.where(known, label, UNTOLD)[held], of, n)
    mode = np.where(sure != UNTOLD, sure, _modes(label[held], of, n))
    cores = Cores(
        ordered, total[order], n_sites[order], length[order], mode[order], (sure != UNTOLD)[order], rate
    )  # fmt: skip
    return cores, np.where(group >= 0, place[np.maximum(group, 0)] if n else -1, -1)


def medians(values: FloatArray, group: IntArray, n: int) -> FloatArray:
    """Lower medians by group, of those that are finite; NaN of none."""
    finite = np.isfinite(values)
    order = np.lexsort((values[finite], group[finite]))
    count = np.bincount(group[finite], minlength=n)
    begin = np.cumsum(count) - count
    found = np.full(n, np.nan)
    some = np.flatnonzero(count)
    found[some] = values[finite][order][begin[some] + (count[some] - 1) // 2]
    return found


def _modes(label: IntArray, group: IntArray, n: int) -> IntArray:
    """The most frequent label by group, the smallest where several are; untold ones do not count."""
    told = label > UNTOLD
    counts = np.zeros((n, 7), dtype=np.int64)
    np.add.at(counts, (group[told], label[told] - BALANCED), 1)
    return np.where(counts.sum(axis=1) > 0, counts.argmax(axis=1) + BALANCED, UNTOLD)


def likeness(
    duration_s: FloatArray, label: IntArray, known: BoolArray, core_duration_s: FloatArray, core_label: IntArray,
    core_known: BoolArray,
) -> FloatArray:  # fmt: skip
    """How much likelier length and labels are if an event belongs to a moment than if it does not: log of the ratio.

    Parameters
    ----------
    duration_s, label, known : of events, any shape; `known`: whether the turn of the label is.
    core_duration_s, core_label, core_known : of moments, same shape.

    Source: derived; the spread of lengths is that of the standard's start and end on the grid of half cycles.
    """
    lengths = np.isfinite(duration_s) & np.isfinite(core_duration_s)
    length = np.where(lengths, np.maximum(duration_s, 1e-3), 1.0)
    apart = np.where(lengths, duration_s - core_duration_s, 0.0) / _DURATION_U_S
    by_chance = 1 / (length * _LENGTH_SPAN)
    alike = np.exp(-0.5 * np.square(apart)) / (_DURATION_U_S * np.sqrt(2 * np.pi))
    told = np.where(lengths, np.log(_OTHER_LENGTH + (1 - _OTHER_LENGTH) * alike / by_chance), 0.0)
    both = (label != UNTOLD) & (core_label != UNTOLD)
    turned = (label != BALANCED) & (core_label != BALANCED)
    sure = known & core_known
    same = np.where(
        label == core_label,
        np.where(sure & turned, _SAME_KNOWN, _SAME),
        np.where(turned, np.where(sure, _OTHER_KNOWN, _TURNED), _UNLIKE),
    )
    return np.asarray(told + np.where(both, same, 0.0), dtype=np.float64)


def candidates(time_ns: IntArray, cores: Cores, *, reach_s: npt.ArrayLike) -> tuple[IntArray, BoolArray]:
    """The moments nearest to some times: of all, and of those that few or many sites agree on.

    Parameters
    ----------
    time_ns : shape (n,).
    cores : in order of time.
    reach_s : how far off they may be, a number or shape (n,). [s]

    Returns
    -------
    (index of each, shape (n, m); whether it is one: none twice).
    """
    reach = np.broadcast_to(np.asarray(reach_s, dtype=np.float64), time_ns.shape)[:, None]
    indices: list[IntArray] = []
    there: list[BoolArray] = []
    for least, most in _LEVELS:
        some = np.flatnonzero(cores.n_sites >= least)
        index = np.searchsorted(cores.time_ns[some], time_ns)[:, None] + np.arange(-most // 2, most // 2)[None, :]
        within = (index >= 0) & (index < len(some))
        index = some[np.clip(index, 0, max(len(some) - 1, 0))].astype(np.int64) if len(some) else np.zeros_like(index)
        if len(some):
            within &= np.abs(time_ns[:, None] - cores.time_ns[index]) * 1e-9 <= reach
        for before, are in zip(indices, there, strict=True):
            within &= ~np.any((index[:, :, None] == before[:, None, :]) & are[:, None, :], axis=2)
        indices.append(index)
        there.append(within)
    return np.concatenate(indices, axis=1), np.concatenate(there, axis=1)
