"""What came of a measured set: its split into captures to train and to test on, and what the invariants changed."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import Any, Final, Literal

from halfcycle.pipeline.benchmark.measured import INVARIANTS, MeasuredCapture, lost, tried
from halfcycle.pipeline.benchmark.near_duplicates import near_duplicates
from halfcycle.pipeline.benchmark.results import markdown_table, number, write_csv
from halfcycle.pipeline.benchmark.scores import wilson
from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.plain_text import counted
from halfcycle.pipeline.records.archive import batches_of, files_below
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.spread import Progress, Spread, each_outcome, in_this_process
from halfcycle.pipeline.store.atomic import write_text_atomically

Group = Literal["site", "folder", "file"]
GROUPS: Final[tuple[Group, ...]] = ("site", "folder", "file")
SETS: Final = {"train": "train", "test": "test", "": "neither"}
_COLUMNS: Final = ("file", "capture", "sha256", "site", "set", "near_duplicate_of", "correlation", "events", "failed")


@dataclass(frozen=True, slots=True)
class Placed:
    """A capture with its place in the split.

    Attributes
    ----------
    capture : it.
    set : ``train`` or ``test``; "" of one that cannot be judged, and of one in the other set's near-duplicates.
    twin : number of an earlier capture that it nearly is; None: there is none.
    correlation : with that one; NaN.
    """

    capture: MeasuredCapture
    set: Literal["train", "test", ""]
    twin: int | None = None
    correlation: float = math.nan


@dataclass(frozen=True, slots=True)
class MeasuredSet:
    """A measured set, examined.

    Attributes
    ----------
    captures : in order of file.
    digest : SHA-256 over the split: the digests of the captures with the set of each. Who has the same digest has the
        same split of the same captures.
    """

    captures: tuple[Placed, ...]
    digest: str


def examine(
    folder: Path, *, terms: Terms, sites: SiteTable, by: Group = "site", test_share: float = 0.3, seed: int = 0,
    spread: Spread = in_this_process, progress: Progress | None = None,
    no_recording: Path | None = None,
) -> MeasuredSet:  # fmt: skip
    """Try the invariants on all captures below a folder, and split them by groups.

    Parameters
    ----------
    folder : of the files, in any format that is read; what is no recording is passed over.
    terms, sites : as for `measured.tried`.
    by : what is not parted: the captures of a ``site``, a ``folder`` or a ``file``.
    test_share : of the captures, about. Groups go to the test set in the order of a digest of seed and name, until it
        has that many.
    seed : draws another split.
    spread : how batches of files are worked on.
    progress : called with (done, all) files.
    no_recording : a file that may lie there, such as a table of labels.

    Returns
    -------
    MeasuredSet. A capture that nearly is one of the other set is in neither.

    Raises
    ------
    ReadError : the folder does not exist.
    """
    aside = None if no_recording is None else no_recording.resolve()
    paths = [path for path in files_below([folder]) if path.resolve() != aside]
    work = partial(_tried_apart, terms=terms, sites=sites)
    of_files = each_outcome(spread, work, batches_of(paths), lost=_lost, tell=progress)
    found = [capture for of_file in of_files for capture in of_file]
    return placed(found, folder, by=by, test_share=test_share, seed=seed)


def placed(found: Sequence[MeasuredCapture], folder: Path, *, by: Group, test_share: float, seed: int) -> MeasuredSet:
    """Captures split by groups, without near-duplicates over both sets; parameters as for `examine`."""
    sound = [i for i, one in enumerate(found) if not one.failed]
    groups: dict[str, list[int]] = {}
    for i in sound:
        groups.setdefault(_group(found[i], folder, by), []).append(i)
    in_test: set[int] = set()
    for name in sorted(groups, key=lambda name: sha256(f"{seed}\x1f{name}".encode()).hexdigest()):
        if len(in_test) + len(groups[name]) / 2 <= test_share * len(sound):
            in_test |= set(groups[name])
    twins: dict[int, tuple[int, float]] = {}
    with_change = [i for i in sound if found[i].signature is not None]
    for a, b, correlation in near_duplicates([found[i].signature for i in with_change]):  # type: ignore[misc]
        first, second = with_change[a], with_change[b]
        crosses = (first in in_test) != (second in in_test)
        if second not in twins or crosses:
            twins[second] = first, correlation
    rows = []
    for i, one in enumerate(found):
        twin, correlation = twins.get(i, (None, math.nan))
        leaks = twin is not None and (twin in in_test) != (i in in_test)
        part: Literal["train", "test", ""] = "" if one.failed or leaks else "test" if i in in_test else "train"
        rows.append(Placed(one, part, twin, correlation))
    text = "\n".join(f"{row.capture.digest} {row.set}" for row in rows)
    return MeasuredSet(tuple(rows), sha256(text.encode()).hexdigest())


def _tried_apart(paths: Sequence[Path], *, terms: Terms, sites: SiteTable) -> list[list[MeasuredCapture]]:
    return [tried([path], terms=terms, sites=sites) for path in paths]


def _lost(path: Path, reason: str) -> list[MeasuredCapture]:
    return [lost(path, reason)]


def _group(one: MeasuredCapture, folder: Path, by: Group) -> str:
    if by == "site":
        return one.site
    path = one.path.parent if by == "folder" else one.path
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.as_posix()


def columns_of(result: MeasuredSet) -> dict[str, list[object]]:
    """A row for each capture and invariant, as columns."""
    rows = [(row, change) for row in result.captures for change in row.capture.changes]
    return {
        "file": [row.capture.path.name for row, _ in rows],
        "capture": [row.capture.index for row, _ in rows],
        "site": [row.capture.site for row, _ in rows],
        "invariant": [change.invariant for _, change in rows],
        "same": [change.same for _, change in rows],
        "was": [change.was for _, change in rows],
        "now": [change.now for _, change in rows],
        "magnitude_pu": [change.magnitude_pu for _, change in rows],
        "duration_s": [change.duration_s for _, change in rows],
    }


def sections_of(result: MeasuredSet) -> Iterator[str]:
    """The result as Markdown: what the invariants changed, the split, and what leaks."""
    changes = [change for row in result.captures for change in row.capture.changes]
    yield "## Invariants\n\nCaptures in which kind, cause and side of every event stay, with 95 % intervals.\n"
    rows = []
    for name in INVARIANTS:
        mine = [change for change in changes if change.invariant == name]
        same = [change for change in mine if change.same]
        low, high = wilson(len(same), len(mine))
        share = len(same) / len(mine) if mine else math.nan
        rows.append((
            name, str(len(mine)), f"{number(share)} ({number(low)} to {number(high)})",
            *(_most(values) for values in ([c.magnitude_pu for c in same], [1e3 * c.duration_s for c in same])),
        ))  # fmt: skip
    header = ("invariant", "captures", "same", "largest change of magnitude [pu]", "of duration [ms]")
    yield markdown_table(header, rows)
    yield from _found_sections(result)
    yield "## Split\n"
    of_sets = {name: [row for row in result.captures if row.set == part] for part, name in SETS.items()}
    yield markdown_table(("set", "captures", "sites", "events"), [
        (name, str(len(mine)), str(len({row.capture.site for row in mine})),
         str(sum(row.capture.n_events for row in mine))) for name, mine in of_sets.items()
    ])  # fmt: skip
    n_twins = sum(row.twin is not None for row in result.captures)
    n_leaks = sum(row.set == "" and not row.capture.failed for row in result.captures)
    yield f"{n_twins} captures nearly are an earlier one; {n_leaks} of them, one of the other set, are in neither.\n"
    yield f"SHA-256 of the split: {result.digest}\n"


def summary_of(result: MeasuredSet) -> Iterator[str]:
    """The result in a few lines."""
    changes = [change for row in result.captures for change in row.capture.changes]
    yield f"{counted(len(kinds_of(result)), 'event')} in {number(_recorded_s(result) / 3600)} h of recording"
    for name in INVARIANTS:
        mine = [change.same for change in changes if change.invariant == name]
        yield f"{name}: {sum(mine)} of {counted(len(mine), 'capture')} keep kinds, causes and sides"
    sizes = [f"{sum(row.set == part for row in result.captures)} {name}" for part, name in SETS.items()]
    yield f"split: {', '.join(sizes)}"


def kinds_of(result: MeasuredSet) -> list[str]:
    """The kind of every event that was found, in order."""
    return [event.kind for row in result.captures for event in row.capture.events]


def _recorded_s(result: MeasuredSet) -> float:
    return sum((row.capture.stop_ns - row.capture.start_ns) / 1e9 for row in result.captures if not row.capture.failed)


def _found_sections(result: MeasuredSet) -> Iterator[str]:
    """What was found in the time recorded: of sets in which nothing happened, these are false alarms."""
    days = _recorded_s(result) / 86_400
    yield f"## Events\n\nIn {number(24 * days)} h of recording that was judged.\n"
    kinds = Counter(kinds_of(result))
    rows = [(kind, str(n), number(n / days), number(30 * n / days)) for kind, n in sorted(kinds.items())]
    if rows:
        yield markdown_table(("kind", "events", "a day", "in 30 days"), rows)


def _most(values: Sequence[float]) -> str:
    known = [value for value in values if not math.isnan(value)]
    return number(max(known)) if known else "–"


def write_split(result: MeasuredSet, folder: Path, path: Path, origin: Mapping[str, Any]) -> None:
    """Write the split as CSV, a row for each capture, and beside it, as JSON, what it depends on and its digest."""

    def cells(row: Placed) -> tuple[object, ...]:
        one = row.capture
        name = one.path.relative_to(folder) if one.path.is_relative_to(folder) else one.path
        twin = "" if row.twin is None else result.captures[row.twin].capture.digest
        correlation = "" if math.isnan(row.correlation) else f"{row.correlation:.4f}"
        of_split = (row.set, twin, correlation)
        return name.as_posix(), one.index, one.digest, one.site, *of_split, one.n_events, one.failed

    write_csv(path, _COLUMNS, map(cells, result.captures))
    said = json.dumps({**origin, "sha256": result.digest, "captures": len(result.captures)}, indent=1) + "\n"
    write_text_atomically(path.with_suffix(".json"), said)
