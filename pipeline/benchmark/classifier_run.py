"""A benchmark of classifiers: every contender on the same fresh windows, seed by seed, and what came out."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.benchmark.classifier_contenders import Answers, ClassifierContender, Waves, WindowClassifier
from halfcycle.pipeline.benchmark.classifier_suite import ClassifierSuite, Test
from halfcycle.pipeline.benchmark.pair_bounds import PairBound, pair_bound
from halfcycle.pipeline.learning.background import laid_over, residues
from halfcycle.pipeline.learning.family import SEEDS_APART, training_windows
from halfcycle.pipeline.learning.scores import Scores, reliability_bins, score
from halfcycle.pipeline.synthesis.parametric import (
    FORMS,
    IMPULSE_PEAK,
    JOINED,
    PRIMITIVES,
    DrawnWindows,
    parametric_windows,
)

F64 = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Key = tuple[str, str, float]  # contender, test, SNR

_TESTS_FROM: Final = 5_000  # of the seeds of one run; training parts have those below
_IMPULSE: Final = 5
_PAIRS: Final = 6  # most confused ones whose bound is worked out
_BOUND_WINDOWS: Final = 1000


@dataclass(frozen=True, slots=True)
class ClassifierRow:
    """One row of the results.

    Attributes
    ----------
    contender, seed, test, snr_db : whose, in which run, on what. SNR infinite: no noise.
    n_windows : judged.
    scores : see `scores.Scores`.
    """

    contender: str
    seed: int
    test: str
    snr_db: float
    n_windows: int
    scores: Scores


@dataclass(slots=True)
class ClassifierResult:
    """What came out.

    Attributes
    ----------
    rows : by seed, test, SNR and contender.
    confusion : counts, shape (30, 30), truth by said, all seeds together.
    bins : count, sum of confidence, count right, shape (10, 3), by ten equal bins of the confidence.
    impulses : pairs of peak [pu] and whether it was told, of the first test.
    left_out : for each contender with a reject option, the share of each class left out that it calls unknown.
    bounds : of pairs of classes that are confused, how often any classifier must confuse them, in the first test.
    training_s : of each contender, one value a seed. [s]
    windows_per_s : likewise, over all tests.
    """

    rows: list[ClassifierRow] = field(default_factory=list)
    confusion: dict[Key, Ints] = field(default_factory=dict)
    bins: dict[Key, F64] = field(default_factory=dict)
    impulses: dict[Key, list[tuple[float, bool]]] = field(default_factory=dict)
    left_out: dict[str, dict[int, float]] = field(default_factory=dict)
    bounds: list[PairBound] = field(default_factory=list)
    training_s: dict[str, list[float]] = field(default_factory=dict)
    windows_per_s: dict[str, list[float]] = field(default_factory=dict)


def run_classifiers(
    suite: ClassifierSuite,
    contenders: Sequence[ClassifierContender],
    *,
    seeds: Sequence[int] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> ClassifierResult:
    """Run contenders on a suite, on one core.

    Parameters
    ----------
    suite : windows to train and to test with.
    contenders : in the order in which they are to be listed.
    seeds : instead of the suite's.
    progress : called with (done, all) steps.

    Returns
    -------
    ClassifierResult; all but its times depends on suite, seeds, versions and code alone.
    """
    from threadpoolctl import threadpool_limits

    wanted = suite.seeds if seeds is None else tuple(seeds)
    backgrounds = {test.name: residues(test.background) for test in suite.tests if test.background is not None}
    result = ClassifierResult()
    step = _Steps(len(wanted) * (len(contenders) + sum(len(test.snr_db) for test in suite.tests)), progress)
    with threadpool_limits(1):
        for seed in wanted:
            parts = list(training_parts(suite, seed))
            trained = {}
            for one in contenders:
                start = time.perf_counter()
                trained[one.name] = one.make(seed).fit(parts)
                result.training_s.setdefault(one.name, []).append(time.perf_counter() - start)
                step.done()
            _test(suite, trained, seed, backgrounds, result, step)
            if seed == wanted[0] and suite.left_out_per_class:
                for one in contenders:
                    shares = _left_out(suite, one, parts, seed)
                    if shares:
                        result.left_out[one.name] = shares
        result.bounds = _bounds(suite, result, contenders[0].name, wanted[0])
    return result


@dataclass(slots=True)
class _Steps:
    n_all: int
    progress: Callable[[int, int], None] | None
    n_done: int = 0

    def done(self) -> None:
        self.n_done += 1
        if self.progress is not None:
            self.progress(self.n_done, self.n_all)


def training_parts(suite: ClassifierSuite, seed: int) -> Iterator[tuple[Waves, Ints]]:
    """Windows to train with, part by part, with their classes."""
    drawn = training_windows(suite.train_per_class, parts=suite.training_parts, seed=seed, classes=suite.classes)
    for windows in drawn:
        yield _waves(windows), windows.classes


def _waves(windows: DrawnWindows) -> Waves:
    return Waves(windows.values, windows.conditions.rate_hz, windows.conditions.nominal_hz)


def _test(
    suite: ClassifierSuite,
    trained: Mapping[str, WindowClassifier],
    seed: int,
    backgrounds: Mapping[str, list[F64]],
    result: ClassifierResult,
    step: _Steps,
) -> None:
    seconds = dict.fromkeys(trained, 0.0)
    n_judged = 0
    for i, (test, snr_db) in enumerate((one, level) for one in suite.tests for level in one.snr_db):
        drawn = _drawn(suite, test, snr_db, SEEDS_APART * seed + _TESTS_FROM + i, backgrounds.get(test.name))
        waves = _waves(drawn)
        n_judged += len(drawn.classes)
        for name, classifier in trained.items():
            start = time.perf_counter()
            verdict = classifier.judge(waves)
            seconds[name] += time.perf_counter() - start
            key = (name, test.name, snr_db)
            result.rows.append(_row(key, seed, verdict, drawn.classes))
            _collect(result, key, verdict, drawn, impulses=test is suite.tests[0])
        step.done()
    for name, taken_s in seconds.items():
        result.windows_per_s.setdefault(name, []).append(n_judged / taken_s)


def _drawn(suite: ClassifierSuite, test: Test, snr_db: float, seed: int, pieces: list[F64] | None) -> DrawnWindows:
    noise = None if math.isinf(snr_db) else (snr_db, snr_db)
    drawn = parametric_windows(
        suite.test_per_class, conditions=test.conditions(noise), seed=seed, classes=suite.classes
    )
    if pieces is None:
        return drawn
    return replace(drawn, values=laid_over(drawn.values, pieces, rng=np.random.default_rng(seed)))


def _row(key: Key, seed: int, verdict: Answers, truth: Ints) -> ClassifierRow:
    scores = score(
        verdict.classes, truth,
        confidence=verdict.confidence, known=verdict.known, primitives=verdict.primitives,
    )  # fmt: skip
    return ClassifierRow(key[0], seed, key[1], key[2], len(truth), scores)


def _collect(result: ClassifierResult, key: Key, verdict: Answers, drawn: DrawnWindows, *, impulses: bool) -> None:
    size = max(FORMS) + 1
    counts = result.confusion.setdefault(key, np.zeros((size, size), dtype=np.int64))
    np.add.at(counts, (drawn.classes, verdict.classes), 1)
    if verdict.confidence is not None:
        bins = result.bins.setdefault(key, np.zeros((10, 3)))
        bins += reliability_bins(verdict.confidence, verdict.classes == drawn.classes)
    here = np.flatnonzero(drawn.classes == _IMPULSE)
    if impulses and verdict.primitives is not None and len(here):
        psi = drawn.parameters[list(dict.fromkeys(drawn.classes.tolist())).index(_IMPULSE)].psi
        told = verdict.primitives[here, PRIMITIVES.index("impulse")] > 0.5
        result.impulses.setdefault(key, []).extend(zip((IMPULSE_PEAK * psi).tolist(), told.tolist(), strict=True))


def _left_out(
    suite: ClassifierSuite, contender: ClassifierContender, parts: Iterable[tuple[Waves, Ints]], seed: int
) -> dict[int, float]:
    """Share of the windows of each class that is called unknown where that class was left out of the training."""
    few = [_few(waves, classes, suite) for waves, classes in parts]
    shares: dict[int, float] = {}
    for number in suite.classes:
        rest = [(_some(waves, classes != number), classes[classes != number]) for waves, classes in few]
        classifier = contender.make(seed).fit(rest)
        verdicts = [classifier.judge(_some(waves, classes == number)) for waves, classes in few]
        known = [verdict.known for verdict in verdicts if verdict.known is not None]
        if not known:
            return {}
        shares[number] = 1 - float(np.concatenate(known).mean())
    return shares


def _few(waves: Waves, classes: Ints, suite: ClassifierSuite) -> tuple[Waves, Ints]:
    """The first windows of each class in a part, `left_out_per_class` in all parts together."""
    kept = np.zeros(len(classes), dtype=bool)
    for number in suite.classes:
        here = np.flatnonzero(classes == number)
        kept[here[: math.ceil(len(here) * suite.left_out_per_class / suite.train_per_class)]] = True
    return _some(waves, kept), classes[kept]


def _some(waves: Waves, kept: npt.NDArray[np.bool_]) -> Waves:
    return Waves(waves.values[kept], waves.rate_hz, waves.nominal_hz)


def most_confused(counts: Ints, n: int) -> list[tuple[int, int, float]]:
    """Truth, what was said instead, and the share of the windows of that class, the largest shares first."""
    share = counts / np.maximum(counts.sum(axis=1, keepdims=True), 1)
    np.fill_diagonal(share, 0.0)
    order = np.argsort(-share, axis=None, kind="stable")[:n]
    pairs = [divmod(int(i), share.shape[1]) for i in order]
    return [(truth, said, float(share[truth, said])) for truth, said in pairs if share[truth, said] > 0]


def _bounds(suite: ClassifierSuite, result: ClassifierResult, contender: str, seed: int) -> list[PairBound]:
    """Bounds of the near-degenerate pairs, and of those that a contender confuses most in the most noise."""
    first = suite.tests[0]
    levels = [level for level in first.snr_db if not math.isinf(level)]
    if not levels:
        return []
    confused = most_confused(result.confusion[contender, first.name, min(levels)], _PAIRS)
    wanted = dict.fromkeys([*JOINED, *(tuple(sorted(pair[:2])) for pair in confused)])
    pairs = [(a, b) for a, b in wanted if {a, b} <= set(suite.classes)]
    n = min(_BOUND_WINDOWS, 10 * suite.test_per_class)
    return [
        pair_bound(a, b, conditions=first.conditions((level, level)), n=n, seed=seed)
        for a, b in pairs
        for level in levels
    ]


def columns_of(result: ClassifierResult) -> dict[str, list[object]]:
    """The rows as columns, by name."""
    rows = result.rows
    columns: dict[str, list[object]] = {
        name: [getattr(row, name) for row in rows] for name in ("contender", "seed", "test", "snr_db", "n_windows")
    }
    for name in ("accuracy", "macro_f1", "joined_f1", "calibration_error", "rejected"):
        columns[name] = [getattr(row.scores, name) for row in rows]
    for k, primitive in enumerate(PRIMITIVES):
        columns[f"f1_{primitive.replace(' ', '_')}"] = [float(row.scores.primitive_f1[k]) for row in rows]
    return columns


def confusion_columns(result: ClassifierResult) -> dict[str, list[object]]:
    """The confusion matrices as columns: how often a class was called another, all seeds together."""
    columns: dict[str, list[object]] = {name: [] for name in ("contender", "test", "snr_db", "truth", "said", "count")}
    for (contender, test, snr_db), counts in result.confusion.items():
        for truth, said in zip(*np.nonzero(counts), strict=True):
            values = (contender, test, snr_db, FORMS[truth].name, FORMS[said].name, int(counts[truth, said]))
            for column, value in zip(columns.values(), values, strict=True):
                column.append(value)
    return columns
