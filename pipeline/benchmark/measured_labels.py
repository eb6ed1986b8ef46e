"""What is said of labelled events of a measured set: which are found, and which are called as their label does."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from halfcycle.pipeline.benchmark.measured_set import SETS, MeasuredSet, Placed
from halfcycle.pipeline.benchmark.results import markdown_table, number, write_csv
from halfcycle.pipeline.benchmark.scores import wilson
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.learning.labels import Label, plain_name, read_labels
from halfcycle.pipeline.learning.scores import macro_f1
from halfcycle.pipeline.plain_text import counted
from halfcycle.pipeline.terms import EVENT_KINDS

_BESIDE_NS: Final = 100_000_000  # from an event to its label, which is set by hand: common practice, no source
_MOST_SAID: Final = 3  # answers of a label that the report lists
_COLUMNS: Final = (
    "line", "capture", "start", "label", "site", "set", "found", "start_off_s", "kind", "cause", "cause_confidence",
    "direction", "alike",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Answered:
    """A labelled event, and what was found there.

    Attributes
    ----------
    label : the row of the table.
    site, set : of its capture: a name; ``train``, ``test``, or "" of neither.
    event : found there; None: nothing was.
    off_s : its start after that of the label; NaN.
    alike : it is called as the label says, by kind, category or cause; None: the label is none of these words.
    """

    label: Label
    site: str
    set: str
    event: Event | None
    off_s: float
    alike: bool | None


def labels_of(table: Path) -> list[Label]:
    """The labelled events of a table with the columns capture, start, label; see `learning.labels.read_labels`.

    Raises
    ------
    ConfigError : it cannot be read, or rows of it cannot be used: each is named with the reason.
    """
    _, labels, problems = read_labels(table)
    if problems:
        lines = [f"line {line}: {reason}" for line, reason in sorted(problems)]
        raise ConfigError("\n".join([f"{table}: {counted(len(lines), 'row')} cannot be used", *lines]))
    return labels


def answered(
    labels: Sequence[Label], result: MeasuredSet, *, causes: Collection[str]
) -> tuple[list[Answered], list[str]]:
    """What was found where labels lie.

    Parameters
    ----------
    labels : of events in the captures of `result`.
    result : of the captures, examined.
    causes : names that a cause may have.

    Returns
    -------
    A row for each label, in the table's order; and of labels that lie in no capture that was judged, line and reason.
    An event is the label's where the label lies in it or within 0.1 s of it; of several it is the one that starts
    nearest.
    """
    of_file: dict[Path, list[Placed]] = {}
    for row in result.captures:
        of_file.setdefault(row.capture.path.resolve(), []).append(row)
    words = {plain_name(word) for word in (*EVENT_KINDS, *causes)}
    found: list[Answered] = []
    unscored: list[str] = []
    for label in labels:
        try:
            found.append(_answered(label, of_file.get(label.capture.resolve(), []), words))
        except ConfigError as error:
            unscored.append(f"line {label.line}: {error}")
    return found, unscored


def _answered(label: Label, rows: Sequence[Placed], words: Collection[str]) -> Answered:
    """Raises ConfigError where the label lies in none of the captures."""
    judged = [row for row in rows if not row.capture.failed]
    if not judged:
        why = rows[0].capture.failed if rows else "is none of the recordings that were examined"
        raise ConfigError(f"{label.capture.name}: {why}")
    first_ns = min(row.capture.start_ns for row in judged)
    at_ns = label.start_ns if label.start_ns is not None else first_ns + round(label.offset_s * 1e9)
    covering = [row for row in judged if row.capture.start_ns <= at_ns < row.capture.stop_ns]
    if not covering:
        raise ConfigError(f"start {label.start} lies outside {label.capture.name}")
    there = [(event, row) for row in covering for event in row.capture.events if _holds(event, at_ns)]
    if not there:
        row = covering[0]
        known = plain_name(label.label) in words
        return Answered(label, label.site or row.capture.site, row.set, None, math.nan, False if known else None)
    event, row = min(there, key=lambda one: abs(one[0].onset - at_ns))
    is_called = plain_name(label.label) in {plain_name(one) for one in (event.kind, event.category, event.cause) if one}
    alike = is_called if is_called or plain_name(label.label) in words else None
    off_s = (event.onset - at_ns) / 1e9
    return Answered(label, label.site or row.capture.site, row.set, event, off_s, alike)


def _holds(event: Event, at_ns: int) -> bool:
    return min(event.start, event.onset) - _BESIDE_NS <= at_ns <= event.end + _BESIDE_NS


def label_sections(rows: Sequence[Answered], *, causes: Collection[str]) -> Iterator[str]:
    """The answers as Markdown: by set, and by label."""
    yield "## Labelled events\n\nFound, and called as the label says by kind, category or cause, with 95 % intervals.\n"
    header = ("set", "labels", "sites", "found", "asked by a name that can be given", "called so", "macro F1 of causes")
    yield markdown_table(header, [
        (name, *_scores(mine, causes)) for name, part in (("all", None), *((name, part) for part, name in SETS.items()))
        if (mine := [row for row in rows if part is None or row.set == part])
    ])  # fmt: skip
    yield "## Answers to each label\n"
    by_label: dict[str, list[Answered]] = {}
    for row in rows:
        by_label.setdefault(row.label.label, []).append(row)
    yield markdown_table(("label", "events", "found", "called so", "said most"), [
        (label, str(len(mine)), str(sum(row.event is not None for row in mine)),
         "–" if all(row.alike is None for row in mine) else str(sum(row.alike is True for row in mine)),
         "; ".join(f"{said} {n}" for said, n in Counter(_said(row) for row in mine).most_common(_MOST_SAID)))
        for label, mine in sorted(by_label.items())
    ])  # fmt: skip


def label_summary(rows: Sequence[Answered]) -> str:
    """The answers in a line."""
    asked = [row.alike for row in rows if row.alike is not None]
    found = sum(row.event is not None for row in rows)
    return (
        f"labelled events: {found} of {len(rows)} found; {sum(asked)} of {len(asked)} called as their label says "
        "(of those whose label is a kind or a cause)"
    )


def _scores(rows: Sequence[Answered], causes: Collection[str]) -> tuple[str, ...]:
    asked = [row for row in rows if row.alike is not None]
    plain = {plain_name(cause): cause for cause in causes}
    of_cause = [row for row in rows if plain_name(row.label.label) in plain]
    truth = [plain[plain_name(row.label.label)] for row in of_cause]
    named = [(row.event.cause if row.event is not None else None) or "" for row in of_cause]
    n_found = sum(row.event is not None for row in rows)
    return (
        str(len(rows)), str(len({row.site for row in rows})), _share(n_found, len(rows)),
        str(len(asked)), _share(sum(row.alike is True for row in asked), len(asked)),
        number(macro_f1(truth, named)) if truth else "–",
    )  # fmt: skip


def _share(part: int, whole: int) -> str:
    low, high = wilson(part, whole)
    return f"{number(part / whole)} ({number(low)} to {number(high)})" if whole else "–"


def _said(row: Answered) -> str:
    if row.event is None:
        return "nothing"
    return ", ".join(part for part in (row.event.kind.replace("_", " "), row.event.cause) if part)


def write_answers(rows: Sequence[Answered], path: Path) -> None:
    """Write the answers as CSV, a row for each label."""
    write_csv(path, _COLUMNS, map(_cells, rows))


def _cells(row: Answered) -> tuple[object, ...]:
    label, event = row.label, row.event
    alike = "" if row.alike is None else int(row.alike)
    head = (label.line, label.capture.name, label.start, label.label, row.site, row.set, int(event is not None))
    if event is None:
        return (*head, "", "", "", "", "", alike)
    sure = "" if event.cause_confidence is None else round(event.cause_confidence, 4)
    return (*head, round(row.off_s, 6), event.kind, event.cause or "", sure, event.direction or "", alike)
