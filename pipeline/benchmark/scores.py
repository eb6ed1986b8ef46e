"""How well detections fit the truth: one-to-one matches, and what follows from them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfcycle.pipeline.benchmark.contenders import RMS_VARIATIONS, TRANSIENTS, Detection

LEAST_OVERLAP = 0.5  # intersection over union of two intervals that match: common practice, no source
_NORMAL_95 = 1.959964  # standard deviations either side of a normal distribution's middle 95 %
TRANSIENT_TOLERANCE_S = 0.005  # between the starts of two transients that match: common practice, no source


@dataclass(frozen=True, slots=True)
class Scored:
    """One case of one contender.

    Attributes
    ----------
    kind, level_pu, snr_db : of the case.
    seconds : length of the case. [s]
    cycle_s : nominal cycle. [s]
    matches : pairs of truth and detection.
    missed : truths without a detection.
    false : detections without a truth.
    """

    kind: str
    level_pu: float
    snr_db: float
    seconds: float
    cycle_s: float
    matches: tuple[tuple[Detection, Detection], ...]
    missed: tuple[Detection, ...]
    false: tuple[Detection, ...]


@dataclass(frozen=True, slots=True)
class Score:
    """What a group of cases adds up to; NaN where nothing can be said.

    Attributes
    ----------
    n_true, n_matched, n_false : events that there were, that were found, and detections without an event.
    precision, recall, f1 : shares of these.
    precision_range, recall_range : (low, high) of their 95 % intervals, by Wilson's score.
    false_per_hour : detections without an event, of an hour of record.
    start_ms, duration_cycles, magnitude_pu : (median, 95 % quantile) of the absolute errors of the matches.
    """

    n_true: int
    n_matched: int
    n_false: int
    precision: float
    recall: float
    f1: float
    precision_range: tuple[float, float]
    recall_range: tuple[float, float]
    false_per_hour: float
    start_ms: tuple[float, float]
    duration_cycles: tuple[float, float]
    magnitude_pu: tuple[float, float]


def matched(
    truth: Sequence[Detection], found: Sequence[Detection]
) -> tuple[list[tuple[Detection, Detection]], list[Detection], list[Detection]]:
    """Truths and detections paired one to one, the best pairs first.

    Parameters
    ----------
    truth, found : of one case.

    Returns
    -------
    (pairs, truths left, detections left). RMS variations pair by the same kind and intervals that overlap by at least
    half of their union; transients, of either kind, by starts within 5 ms.
    """
    fits = [
        (fit, i, j)
        for i, one in enumerate(truth)
        for j, other in enumerate(found)
        if (fit := _fit(one, other)) is not None
    ]
    pairs: dict[int, int] = {}
    for _, i, j in sorted(fits, reverse=True):
        if i not in pairs and j not in pairs.values():
            pairs[i] = j
    taken = set(pairs.values())
    return (
        [(truth[i], found[j]) for i, j in sorted(pairs.items())],
        [one for i, one in enumerate(truth) if i not in pairs],
        [other for j, other in enumerate(found) if j not in taken],
    )


def _fit(truth: Detection, found: Detection) -> float | None:
    if truth.kind in TRANSIENTS and found.kind in TRANSIENTS:
        apart = abs(truth.start_s - found.start_s)
        return -apart if apart <= TRANSIENT_TOLERANCE_S else None
    if truth.kind not in RMS_VARIATIONS or found.kind not in (truth.kind, "change"):
        return None
    overlap = min(truth.stop_s, found.stop_s) - max(truth.start_s, found.start_s)
    union = max(truth.stop_s, found.stop_s) - min(truth.start_s, found.start_s)
    share = overlap / union if union > 0 else 0.0
    return share if share >= LEAST_OVERLAP else None


def score(cases: Sequence[Scored], *, kind: str = "") -> Score:
    """The score of some cases.

    Parameters
    ----------
    cases : of one contender.
    kind : counts truths and detections of this kind only; "": of all.
    """
    pairs = [(pair, case) for case in cases for pair in case.matches if kind in ("", pair[0].kind)]
    n_missed = sum(kind in ("", one.kind) for case in cases for one in case.missed)
    n_false = sum(kind in ("", one.kind) for case in cases for one in case.false)
    n = len(pairs)
    precision, recall = _share(n, n + n_false), _share(n, n + n_missed)
    hours = sum(case.seconds for case in cases) / 3600
    starts = [1000 * abs(found.start_s - true.start_s) for (true, found), _ in pairs]
    lasting = [(true, found, case) for (true, found), case in pairs if true.kind in RMS_VARIATIONS]
    durations = [
        abs((found.stop_s - found.start_s) - (true.stop_s - true.start_s)) / case.cycle_s
        for true, found, case in lasting
    ]
    magnitudes = [abs(found.magnitude_pu - true.magnitude_pu) for (true, found), _ in pairs]
    return Score(
        n + n_missed, n, n_false, precision, recall,
        2 * precision * recall / (precision + recall) if precision + recall > 0 else math.nan,
        wilson(n, n + n_false), wilson(n, n + n_missed),
        _share(n_false, hours), _quantiles(starts), _quantiles(durations), _quantiles(magnitudes),
    )  # fmt: skip


def _share(part: float, whole: float) -> float:
    return part / whole if whole else math.nan


def _quantiles(values: Sequence[float]) -> tuple[float, float]:
    told = [value for value in values if not math.isnan(value)]
    if not told:
        return math.nan, math.nan
    return float(np.median(told)), float(np.quantile(told, 0.95))


def wilson(part: int, whole: int) -> tuple[float, float]:
    """(low, high) of the 95 % interval of a share of independent ones; NaN of none.

    Source: E. B. Wilson, "Probable inference, the law of succession, and statistical inference", JASA 22 (1927),
    209-212 (from memory). A bootstrap has no width where all are right; this has.
    """
    if not whole:
        return math.nan, math.nan
    share, z2 = part / whole, _NORMAL_95**2
    middle = (share + z2 / (2 * whole)) / (1 + z2 / whole)
    half = _NORMAL_95 / (1 + z2 / whole) * math.sqrt(share * (1 - share) / whole + z2 / (4 * whole**2))
    return max(middle - half, 0.0), min(middle + half, 1.0)


@dataclass(frozen=True, slots=True)
class Paired:
    """Two contenders on the same cases.

    Attributes
    ----------
    n : cases that both were asked.
    first_alone, second_alone : cases that only one of them has without an error: nothing missed, nothing false.
    p : probability of so uneven a split, or a more uneven one, were both as good; 1 where they never differ.
    """

    n: int
    first_alone: int
    second_alone: int
    p: float


def paired(first: Sequence[Scored], second: Sequence[Scored]) -> Paired:
    """Two contenders compared case by case.

    Parameters
    ----------
    first, second : of the same cases, in the same order.

    Source: the exact sign test, which is McNemar's for paired answers that are right or wrong (from memory).
    """
    from scipy.stats import binomtest

    sound = [[not (case.missed or case.false) for case in cases] for cases in (first, second)]
    a = sum(one and not other for one, other in zip(*sound, strict=True))
    b = sum(other and not one for one, other in zip(*sound, strict=True))
    return Paired(len(first), a, b, float(binomtest(a, a + b).pvalue) if a + b else 1.0)
