"""A benchmark of detectors: every contender on every case of a suite, and one table of what came out."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import partial
from itertools import groupby

from halfcycle.pipeline.benchmark.cases import Case, cases_of, n_cases
from halfcycle.pipeline.benchmark.contenders import RMS_VARIATIONS, TRANSIENTS, Contender, Detection
from halfcycle.pipeline.benchmark.scores import Paired, Score, Scored, matched, paired, score
from halfcycle.pipeline.benchmark.suite import DetectorSuite
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.spread import Progress, Spread, each_outcome, in_this_process

_BATCH = 8  # cases
_USUAL = Thresholds()
_THRESHOLDS = {"sag": _USUAL.sag_pu, "swell": _USUAL.swell_pu, "interruption": _USUAL.interruption_pu}
LEVEL_BANDS = {
    "sag": (0.1, 0.4, 0.7, 0.9),
    "swell": (1.1, 1.3, 1.8),
    "interruption": (0.0, 0.1),
    "oscillatory_transient": (0.2, 0.4, 0.7, 1.0),
    "impulsive_transient": (0.3, 0.6, 1.0, 1.5),
}


@dataclass(frozen=True, slots=True)
class DetectorRow:
    """One row of the results: a contender's score in a group of cases.

    Attributes
    ----------
    contender : its name.
    kind : of the cases' events; "all" for all of them.
    group : what the cases are grouped by: ``all``, ``snr_db`` or ``level_pu``.
    value : of the group: ``40``, ``none``, ``0.4 to 0.7`` …; "" for all.
    score : see `scores.Score`. Cases without an event that the contender can find count for its false alarms.
    """

    contender: str
    kind: str
    group: str
    value: str
    score: Score


@dataclass(frozen=True, slots=True)
class Comparison:
    """The first contender against another one, on the cases of a kind that both can find."""

    first: str
    second: str
    kind: str
    paired: Paired


@dataclass(frozen=True, slots=True)
class DetectorResult:
    """Rows in order, the first contender against each other one, and how long each took. [s]"""

    rows: tuple[DetectorRow, ...]
    comparisons: tuple[Comparison, ...]
    seconds: dict[str, float]
    record_s: float


def run_detectors(
    suite: DetectorSuite,
    contenders: Sequence[Contender],
    *,
    seed: int | None = None,
    progress: Progress | None = None,
    spread: Spread = in_this_process,
) -> DetectorResult:
    """Run contenders on a suite.

    Parameters
    ----------
    suite : the cases.
    contenders : in the order in which they are to be listed.
    seed : instead of the suite's.
    progress : called with (done, all) cases.
    spread : how batches of cases are worked on.

    Returns
    -------
    DetectorResult; its rows depend on suite, seed and code alone.

    Raises
    ------
    SignalError : a contender failed on a case, or ended the process that worked on it.
    """
    scored: dict[str, list[Scored]] = {one.name: [] for one in contenders}
    seconds = dict.fromkeys(scored, 0.0)
    record_s = 0.0
    n = n_cases(suite)
    batches = [range(i, min(i + _BATCH, n)) for i in range(0, n, _BATCH)]
    work = partial(_run_cases, suite=suite, contenders=contenders, seed=seed)
    for case in each_outcome(spread, work, batches, lost=_lost, tell=progress):
        if case.failed:
            raise SignalError(case.failed)
        record_s += case.seconds
        for one, mine, took_s in zip(contenders, case.scored, case.took_s, strict=True):
            scored[one.name].append(mine)
            seconds[one.name] += took_s
    rows = tuple(row for one in contenders for row in _rows(one, scored[one.name]))
    comparisons = tuple(one for other in contenders[1:] for one in _compared(contenders[0], other, scored))
    return DetectorResult(rows, comparisons, seconds, record_s)


@dataclass(frozen=True, slots=True)
class _CaseRun:
    """What the contenders made of a case, in their order, and how long each took; or why it failed. [s]"""

    seconds: float = 0.0
    scored: tuple[Scored, ...] = ()
    took_s: tuple[float, ...] = ()
    failed: str = ""


def _run_cases(
    numbers: Sequence[int], *, suite: DetectorSuite, contenders: Sequence[Contender], seed: int | None
) -> list[_CaseRun]:
    """Run contenders on some cases."""
    runs = []
    for case in cases_of(suite, seed=seed, numbers=numbers):
        scored, took_s = [], []
        for one in contenders:
            start = time.perf_counter()
            found = one.detect(case.problem)
            took_s.append(time.perf_counter() - start)
            scored.append(_scored(case, found, one))
        runs.append(_CaseRun(case.seconds, tuple(scored), tuple(took_s)))
    return runs


def _lost(number: int, reason: str) -> _CaseRun:
    return _CaseRun(failed=f"case {number}: {reason}")


def _compared(first: Contender, second: Contender, scored: Mapping[str, Sequence[Scored]]) -> Iterator[Comparison]:
    common = first.finds & second.finds
    both = [pair for pair in zip(scored[first.name], scored[second.name], strict=True) if pair[0].kind in common]
    for kind in sorted({mine.kind for mine, _ in both}):
        mine, others = zip(*(pair for pair in both if pair[0].kind == kind), strict=True)
        yield Comparison(first.name, second.name, kind, paired(mine, others))


def _scored(case: Case, found: Sequence[Detection], contender: Contender) -> Scored:
    open_ones = [one for one in case.truth if is_open(one, snr_db=case.snr_db, case=case)]
    asked = [one for one in case.truth if one.kind in contender.finds and one not in open_ones]
    if case.kind in TRANSIENTS:  # a large one lifts the RMS over a cycle, so a swell there is no false alarm
        found = [one for one in found if one.kind in TRANSIENTS]
    if open_ones:  # whatever is said of these is neither right nor wrong
        found = [
            one for one in found
            if not any(one.kind == other.kind and _touch(one, other) for other in open_ones)
        ]  # fmt: skip
    pairs, missed, false = matched(asked, found)
    cycle_s = 1 / case.problem.nominal_frequency_hz
    return Scored(
        case.kind, case.level_pu, case.snr_db, case.seconds, cycle_s, tuple(pairs), tuple(missed), tuple(false)
    )


def is_open(truth: Detection, *, snr_db: float, case: Case) -> bool:
    """Whether noise leaves it open on which side of its threshold an RMS variation lies.

    The standards' RMS is that of all that is there, noise with it: of an interruption to 0.03 pu in noise of 0.1 pu it
    is 0.104 pu, which is none. Open is what lies, with noise, within three standard deviations of a one-cycle RMS of
    the threshold, or beyond it.

    Source: derived; a one-cycle RMS of n samples scatters by about the noise over the root of 2 n.
    """
    if truth.kind not in RMS_VARIATIONS or math.isinf(snr_db):
        return False
    noise = 10 ** (-snr_db / 20)
    scatter = noise / math.sqrt(2 * case.problem.rate_hz / case.problem.nominal_frequency_hz)
    rms = math.hypot(truth.magnitude_pu, noise)
    if truth.kind == "swell":
        return rms < _THRESHOLDS["swell"] + 3 * scatter
    return rms > _THRESHOLDS[truth.kind] - 3 * scatter


def _touch(one: Detection, other: Detection) -> bool:
    return min(one.stop_s, other.stop_s) > max(one.start_s, other.start_s)


def _rows(contender: Contender, cases: Sequence[Scored]) -> Iterator[DetectorRow]:
    yield DetectorRow(contender.name, "all", "all", "", score(cases))
    for snr_db, group in _grouped(cases, lambda case: -case.snr_db):
        yield DetectorRow(contender.name, "all", "snr_db", _snr(-snr_db), score(group))
    for kind in sorted({case.kind for case in cases}):
        of_kind = [case for case in cases if case.kind == kind]
        yield DetectorRow(contender.name, kind, "all", "", score(of_kind))
        for snr_db, group in _grouped(of_kind, lambda case: -case.snr_db):
            yield DetectorRow(contender.name, kind, "snr_db", _snr(-snr_db), score(group))
        for low, high in zip(LEVEL_BANDS.get(kind, ()), LEVEL_BANDS.get(kind, ())[1:], strict=False):
            group = [case for case in of_kind if low <= case.level_pu < high]
            if group:
                yield DetectorRow(contender.name, kind, "level_pu", f"{low:g} to {high:g}", score(group))


def _grouped(cases: Sequence[Scored], key: Callable[[Scored], float]) -> Iterator[tuple[float, list[Scored]]]:
    for value, group in groupby(sorted(cases, key=key), key=key):
        yield value, list(group)


def _snr(snr_db: float) -> str:
    return "none" if math.isinf(snr_db) else f"{snr_db:g}"


def columns_of(result: DetectorResult) -> dict[str, list[object]]:
    """The rows as columns, by name."""
    columns: dict[str, list[object]] = {
        name: [getattr(row, name) for row in result.rows] for name in ("contender", "kind", "group", "value")
    }
    for field in fields(Score):
        values = [getattr(row.score, field.name) for row in result.rows]
        if field.name.endswith("_range"):
            share = field.name.removesuffix("_range")
            columns[f"{share}_low"] = [value[0] for value in values]
            columns[f"{share}_high"] = [value[1] for value in values]
        elif isinstance(values[0], tuple):
            columns[f"{field.name}_median"] = [value[0] for value in values]
            columns[f"{field.name}_95"] = [value[1] for value in values]
        else:
            columns[field.name] = values
    return columns
