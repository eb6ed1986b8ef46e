"""A benchmark of detectors in Markdown and as plots."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from halfcycle.pipeline.benchmark.detector_run import DetectorResult, DetectorRow
from halfcycle.pipeline.benchmark.plots import finish, line, pyplot, saved
from halfcycle.pipeline.benchmark.results import markdown_table, number

_HEADER: Final = (
    "contender", "kind", "events", "found", "precision", "recall", "F1", "false alarms/h", "start error [ms]",
    "duration error [cycles]", "magnitude error [pu]",
)  # fmt: skip


def sections_of(result: DetectorResult) -> Iterator[str]:
    """The result as Markdown: by kind, by SNR, by level, and times."""
    yield (
        "## By kind\n\nEvents are physical: from the sample at which the waveform departs from its pre-event state to "
        "that at which it has recovered. RMS variations match by half of their union, transients by starts within "
        "5 ms. Variations that noise leaves undecided at a threshold are not scored. Errors are medians with 95 % "
        "quantiles in brackets; precision and recall have 95 % intervals.\n"
    )
    whole = [row for row in result.rows if row.group == "all"]
    yield markdown_table(_HEADER, [(row.contender, row.kind, *_cells(row)) for row in whole])
    for group, title, unit in (("snr_db", "By SNR", "dB"), ("level_pu", "By level", "pu")):
        rows = [row for row in result.rows if row.group == group and row.kind not in ("all", "nothing")]
        yield f"## {title}\n"
        header = (_HEADER[0], _HEADER[1], f"{group.split('_')[0]} [{unit}]", *_HEADER[2:])
        yield markdown_table(header, [(row.contender, row.kind, row.value, *_cells(row)) for row in rows])
    if result.comparisons:
        yield "## Case by case\n\nCases without any error, by the exact sign test.\n"
        names = ("contender", "against", "kind", "cases", "only the first", "only the second", "p")
        yield markdown_table(names, [
            (c.first, c.second, c.kind, str(c.paired.n), str(c.paired.first_alone), str(c.paired.second_alone),
             number(c.paired.p)) for c in result.comparisons
        ])  # fmt: skip
    yield "## Time\n"
    times = [
        (name, f"{seconds:.2f} s", f"{result.record_s / seconds:.0f}" if seconds else "–")
        for name, seconds in result.seconds.items()
    ]
    yield markdown_table(("contender", "time", "times faster than real time"), times)


def _cells(row: DetectorRow) -> tuple[str, ...]:
    one = row.score
    pairs = [one.start_ms, one.duration_cycles, one.magnitude_pu]
    return (
        str(one.n_true), str(one.n_matched), _with_range(one.precision, one.precision_range),
        _with_range(one.recall, one.recall_range), number(one.f1),
        number(one.false_per_hour), *(f"{number(a)} ({number(b)})" for a, b in pairs),
    )  # fmt: skip


def _with_range(share: float, bounds: tuple[float, float]) -> str:
    return number(share) if math.isnan(share) else f"{number(share)} ({bounds[0]:.3f} to {bounds[1]:.3f})"


def plot(result: DetectorResult, folder: Path, name: str) -> list[Path]:
    """F1 and false alarms against the noise, a picture each.

    Raises
    ------
    ConfigError : matplotlib is not installed.
    """
    figures = {}
    for what, words in (("f1", "F1"), ("false_per_hour", "false alarms per hour")):
        figure, axes = pyplot().subplots(figsize=(7.0, 4.2), layout="constrained")
        for i, contender in enumerate(dict.fromkeys(row.contender for row in result.rows)):
            rows = [r for r in result.rows if (r.contender, r.kind, r.group) == (contender, "all", "snr_db")]
            values = [getattr(row.score, what) for row in rows]
            axes.plot([row.value for row in rows], values, line(i), marker="o", label=contender)
        _finish(axes, words)
        figures[what.replace("_", "-")] = figure
    return saved(figures, folder, name)


def _finish(axes: Any, words: str) -> None:
    axes.set_xlabel("signal-to-noise ratio [dB]")
    axes.set_ylabel(words)
    highest = max(
        (float(value) for line in axes.lines for value in line.get_ydata() if not math.isnan(value)), default=1
    )
    axes.set_ylim(0, max(1.05, 1.05 * highest))
    finish(axes)
