"""A benchmark of classifiers in Markdown and as plots."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.benchmark.classifier_run import ClassifierResult, ClassifierRow, most_confused
from halfcycle.pipeline.benchmark.plots import finish, line, pyplot, saved
from halfcycle.pipeline.benchmark.results import markdown_table, number
from halfcycle.pipeline.learning.scores import calibration_error, coverage
from halfcycle.pipeline.synthesis.parametric import FORMS, IMPULSE, IMPULSE_PEAK, PRIMITIVES

_IMPULSE_BINS: Final = 4
_PAIRS_SHOWN: Final = 8
_FORM: Final = ".4f"
_EDGES: Final = (0, 5, 7, 8, 9)  # bins of the confidence from which on answers are kept


def sections_of(result: ClassifierResult) -> Iterator[str]:
    """The result as Markdown: scores, what other recordings cost, primitives, impulses, left out, confused, times."""
    yield "## Classes\n\nAccuracy and macro F1: mean and standard deviation over the seeds.\n"
    yield _scores(result)
    if len(tests_of(result)) > 1:
        yield f"## Loss of macro F1, in points, against the test {tests_of(result)[0]}, at the same noise level\n"
        yield _losses(result)
    if any(not np.isnan(row.scores.primitive_f1).all() for row in result.rows):
        yield "## F1 of each primitive\n"
        yield _primitives(result)
    if result.impulses:
        yield "## Impulses found, by peak magnitude\n"
        yield _impulses(result)
    for contender, shares in result.left_out.items():
        yield f"## Classes left out of the training: share that {contender} calls unknown\n"
        rows = [(FORMS[k].name, number(share, ".3f")) for k, share in shares.items()]
        yield markdown_table(("class", "unknown"), [("mean", number(_mean(list(shares.values())), ".3f")), *rows])
    if result.bins:
        yield "## Answered and right, where less sure answers are withheld\n\nIn the first test, all levels of noise.\n"
        yield _coverage(result)
    yield "## Most confused\n\nShare of the windows of one class that are given another, in the first test.\n"
    yield _confused(result)
    if result.bounds:
        yield (
            "## Confused pairs, and the lower bound that noise sets\n\nError rate within each pair, and the lower "
            "bound on the error of any classifier at that noise level\n(likelihood-ratio test, parameters as "
            "drawn).\n"
        )
        yield _against_bounds(result)
    yield "## Time\n\nOn one core, from samples to classes, feature extraction included.\n"
    times = [
        (name, spread(result.training_s[name], ".1f"), spread(result.windows_per_s[name], ".0f"))
        for name in result.training_s
    ]
    yield markdown_table(("contender", "training [s]", "windows/s"), times)


def summary(result: ClassifierResult) -> Iterator[str]:
    """A line for each contender: macro F1 by noise in the first test, and speed."""
    test = tests_of(result)[0]
    for contender in _contenders(result):
        scores = ", ".join(
            f"{_mean([row.scores.macro_f1 for row in _rows(result, contender, test, snr_db)]):.3f} at {level(snr_db)}"
            for snr_db in _levels(result, test)
        )
        yield f"{contender}: macro F1 {scores}; {_mean(result.windows_per_s[contender]):.0f} windows/s"


def spread(values: Sequence[float], form: str = _FORM) -> str:
    """Mean and standard deviation; a dash where there is none."""
    kept = [value for value in values if not math.isnan(value)]
    if not kept:
        return "–"
    mean = format(float(np.mean(kept)), form)
    return f"{mean} ± {format(float(np.std(kept, ddof=1)), form)}" if len(kept) > 1 else mean


def level(snr_db: float) -> str:
    """A level of noise in words."""
    return "no noise" if math.isinf(snr_db) else f"{snr_db:g} dB"


def tests_of(result: ClassifierResult) -> list[str]:
    """Names of the tests in their order."""
    return list(dict.fromkeys(row.test for row in result.rows))


def _contenders(result: ClassifierResult) -> list[str]:
    return list(result.training_s)


def _rows(result: ClassifierResult, contender: str, test: str, snr_db: float | None = None) -> list[ClassifierRow]:
    return [
        row for row in result.rows if (row.contender, row.test) == (contender, test) and snr_db in (None, row.snr_db)
    ]


def _levels(result: ClassifierResult, test: str) -> list[float]:
    return list(dict.fromkeys(row.snr_db for row in result.rows if row.test == test))


def _mean(values: Sequence[float]) -> float:
    return float(np.mean(values)) if values else math.nan


def _scores(result: ClassifierResult) -> str:
    rows = []
    for test in tests_of(result):
        for snr_db in _levels(result, test):
            for contender in _contenders(result):
                found = [row.scores for row in _rows(result, contender, test, snr_db)]
                rows.append((
                    test, level(snr_db), contender, spread([s.accuracy for s in found]),
                    spread([s.macro_f1 for s in found]), spread([s.joined_f1 for s in found]),
                    spread([s.calibration_error for s in found]), spread([s.rejected for s in found], ".3f"),
                ))  # fmt: skip
    header = ("test", "noise", "contender", "accuracy", "macro F1", "macro F1, pairs joined", "calibration error",
              "called unknown")  # fmt: skip
    return markdown_table(header, rows)


def _losses(result: ClassifierResult) -> str:
    first, *others = tests_of(result)
    levels = _levels(result, first)
    rows = []
    for test in others:
        for contender in _contenders(result):
            cells = []
            for snr_db in levels:
                base = [row.scores.macro_f1 for row in _rows(result, contender, first, snr_db)]
                here = [row.scores.macro_f1 for row in _rows(result, contender, test, snr_db)]
                cells.append(spread([100 * (a - b) for a, b in zip(base, here, strict=False)], ".2f"))
            rows.append((test, contender, *cells))
    return markdown_table(("test", "contender", *map(level, levels)), rows)


def _primitives(result: ClassifierResult) -> str:
    test = tests_of(result)[0]
    rows = []
    for contender in _contenders(result):
        for snr_db in _levels(result, test):
            found = [row.scores.primitive_f1 for row in _rows(result, contender, test, snr_db)]
            if not np.isnan(found).all():
                rows.append((contender, level(snr_db), *(spread(values.tolist()) for values in np.stack(found).T)))
    return markdown_table(("contender", "noise", *PRIMITIVES), rows)


def _impulses(result: ClassifierResult) -> str:
    edges = IMPULSE_PEAK * np.linspace(*IMPULSE, _IMPULSE_BINS + 1)
    rows = []
    for (contender, _, snr_db), pairs in result.impulses.items():
        place = np.digitize([peak for peak, _ in pairs], edges[1:-1])
        told = np.array([there for _, there in pairs])
        shares = [_mean(told[place == i].tolist()) for i in range(_IMPULSE_BINS)]
        rows.append((contender, level(snr_db), *(number(share, ".3f") for share in shares)))
    names = [f"{low:.3f} to {high:.3f} pu" for low, high in itertools.pairwise(edges)]
    return markdown_table(("contender", "noise", *names), rows)


def _against_bounds(result: ClassifierResult) -> str:
    test = tests_of(result)[0]
    rows = []
    for bound in result.bounds:
        a, b = bound.first, bound.second
        cells = []
        for contender in _contenders(result):
            counts = result.confusion[contender, test, bound.snr_db]
            cells.append(number(1 - (counts[a, a] + counts[b, b]) / max(counts[[a, b]].sum(), 1), ".2%"))
        untold = "–" if bound.least_error is None else f"{bound.least_error:.2%} ± {bound.standard_error:.2%}"
        known = number(bound.least_error_known, ".2%")
        rows.append((f"{FORMS[a].name} / {FORMS[b].name}", level(bound.snr_db), known, untold, *cells))
    header = (
        "pair",
        "noise",
        "lower bound, all parameters known",
        "lower bound, flicker unknown",
        *_contenders(result),
    )
    return markdown_table(header, rows)


def _coverage(result: ClassifierResult) -> str:
    heads = ("contender", *(f"at {edge / 10:.1f} and more" for edge in _EDGES))
    rows = []
    for contender, total in _bins_of_first_test(result):
        kept = coverage(total)
        cells = (f"{number(kept[k, 0], '.3f')}, {number(kept[k, 1], '.3f')} right" for k in _EDGES)
        rows.append((contender, *cells))
    return markdown_table(heads, rows)


def _bins_of_first_test(result: ClassifierResult) -> Iterator[tuple[str, npt.NDArray[np.float64]]]:
    """Each contender that tells a confidence, and its reliability bins over all levels of noise."""
    test = tests_of(result)[0]
    for contender in _contenders(result):
        bins = [bins for (name, of_test, _), bins in result.bins.items() if (name, of_test) == (contender, test)]
        if bins:
            yield contender, np.sum(bins, axis=0)


def _confused(result: ClassifierResult) -> str:
    test = tests_of(result)[0]
    rows = []
    for contender in _contenders(result):
        for snr_db in _levels(result, test):
            pairs = most_confused(result.confusion[contender, test, snr_db], _PAIRS_SHOWN)
            words = "; ".join(f"{FORMS[a].name} → {FORMS[b].name} {share:.1%}" for a, b, share in pairs)
            rows.append((contender, level(snr_db), words or "none"))
    return markdown_table(("contender", "noise", "true class → assigned class"), rows)


def plot(result: ClassifierResult, folder: Path, name: str) -> list[Path]:
    """Accuracy and macro F1 against the noise, reliability, coverage, and each contender's confusion in most noise.

    Raises
    ------
    ConfigError : matplotlib is not installed.
    """
    figures = {"accuracy": _against_noise(result, "accuracy", "accuracy"),
               "macro-f1": _against_noise(result, "macro_f1", "macro F1"),
               "reliability": _reliability(result), "coverage": _coverage_curve(result)}  # fmt: skip
    test = tests_of(result)[0]
    noisiest = min(_levels(result, test))
    for contender in _contenders(result):
        plain = "-".join("".join(c if c.isalnum() else " " for c in contender.lower()).split())
        title = f"{contender}, {test}, {level(noisiest)}"
        figures[f"confusion-{plain}"] = _matrix(result.confusion[contender, test, noisiest], title)
    return saved(figures, folder, name)


def _against_noise(result: ClassifierResult, what: str, words: str) -> Any:
    figure, axes = pyplot().subplots(figsize=(7.0, 4.2), layout="constrained")
    test = tests_of(result)[0]
    levels = sorted(_levels(result, test), reverse=True)
    for i, contender in enumerate(_contenders(result)):
        values = [[getattr(row.scores, what) for row in _rows(result, contender, test, snr_db)] for snr_db in levels]
        means, deviations = [_mean(v) for v in values], [float(np.std(v)) for v in values]
        axes.errorbar([level(snr_db) for snr_db in levels], means, deviations, linestyle=line(i),
                      marker="o", capsize=3, label=contender)  # fmt: skip
    axes.set_xlabel("noise (signal-to-noise ratio)")
    axes.set_ylabel(f"{words}, mean and spread over the seeds")
    axes.set_title(test)
    axes.set_ylim(0.0, 1.02)
    finish(axes)
    return figure


def _reliability(result: ClassifierResult) -> Any:
    figure, axes = pyplot().subplots(figsize=(5.2, 4.8), layout="constrained")
    axes.plot([0, 1], [0, 1], color="0.6", linewidth=1)
    test = tests_of(result)[0]
    for i, (contender, total) in enumerate(_bins_of_first_test(result)):
        kept = total[total[:, 0] > 0]
        label = f"{contender}, error {calibration_error(total):.3f}"
        axes.plot(kept[:, 1] / kept[:, 0], kept[:, 2] / kept[:, 0], line(i), marker="o", label=label)
    axes.set_xlabel("mean confidence")
    axes.set_ylabel("accuracy")
    axes.set_title(f"{test}, all noise levels")
    finish(axes)
    return figure


def _coverage_curve(result: ClassifierResult) -> Any:
    figure, axes = pyplot().subplots(figsize=(5.2, 4.8), layout="constrained")
    for i, (contender, total) in enumerate(_bins_of_first_test(result)):
        kept = coverage(total)
        axes.plot(kept[:, 0], kept[:, 1], line(i), marker="o", label=contender)
    axes.set_xlabel("share answered, less sure answers withheld")
    axes.set_ylabel("share right of those answered")
    axes.set_title(f"{tests_of(result)[0]}, all noise levels")
    finish(axes)
    return figure


def _matrix(counts: npt.NDArray[np.int64], title: str) -> Any:
    shown = [k for k in FORMS if counts[k].any() or counts[:, k].any()]
    share = counts[np.ix_(shown, shown)] / np.maximum(counts[shown].sum(axis=1, keepdims=True), 1)
    figure, axes = pyplot().subplots(figsize=(9.5, 6.8), layout="constrained")
    image = axes.imshow(share, cmap="Greys", vmin=0, vmax=1)
    names = [f"{FORMS[k].name}  {k}" for k in shown]
    axes.set_xticks(range(len(shown)), [str(k) for k in shown], fontsize=7)
    axes.set_yticks(range(len(shown)), names, fontsize=7)
    axes.set_xlabel("called")
    axes.set_ylabel("class")
    axes.set_title(title)
    figure.colorbar(image, ax=axes, label="share of the class's windows", shrink=0.8)
    return figure
