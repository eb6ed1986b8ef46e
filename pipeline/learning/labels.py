"""The table of labelled events: which capture, when, and what it is called."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.catalogue.learned import UNKNOWN
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.readers.description import instant_ns
from halfcycle.pipeline.synthesis.parametric import NUMBER_OF_NAME, primitives_of
from halfcycle.pipeline.terms import LINE_PHASES

F64 = npt.NDArray[np.float64]

COLUMNS: Final = ("capture", "start", "label")
_OF_CATALOGUE: Final = ("event_id", "source")
Find = Callable[[str, str], Path | None]
"""The file with a digest, by the path that a catalogue's row names or wherever it was moved to; None: there is none."""
_SEPARATORS: Final = str.maketrans("", "", " ,;+/-")


@dataclass(frozen=True, slots=True)
class Label:
    """A row of the table.

    Attributes
    ----------
    line : of the file, from 1.
    capture : path of the capture file.
    start : as written.
    start_ns : of the event. [ns since 1970-01-01] None: see `offset_s`.
    offset_s : of the event's start from the capture's first sample. [s]
    label : name of the class; one of the family's names, where it is one in other spelling.
    site : or ``""``.
    phases : letters of `LINE_PHASES`; ``""``: to be told from the samples.
    """

    line: int
    capture: Path
    start: str
    start_ns: int | None
    offset_s: float
    label: str
    site: str
    phases: str


def read_labels(table: Path, find: Find | None = None) -> tuple[bytes, list[Label], list[tuple[int, str]]]:
    """The rows of a table, without their captures.

    Parameters
    ----------
    table : path of the CSV; of a catalogue with a column label, rows without a label are passed over.
    find : finds the captures of a catalogue by their digests; None: they lie where its rows say.

    Returns
    -------
    The file's bytes, its usable rows, and line and reason of those that are not.

    Raises
    ------
    ConfigError : it cannot be read, or lacks a column.
    """
    try:
        data = table.read_bytes()
        text = data.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{table}: cannot be read as UTF-8 text ({error})") from error
    reader = csv.DictReader(StringIO(text, newline=""), strict=True)
    rows: list[Label] = []
    problems: list[tuple[int, str]] = []
    seen: dict[tuple[Path, str, str], int] = {}
    try:
        heads = [head.strip() for head in reader.fieldnames or ()]
        if lacking := [name for name in COLUMNS if name not in heads]:
            raise ConfigError(f"{table}: no column {', '.join(lacking)}; it has {', '.join(heads) or 'none'}")
        reader.fieldnames = heads
        of_catalogue = all(name in heads for name in _OF_CATALOGUE)
        for cells in reader:
            try:
                if of_catalogue and not (cells["label"] or "").strip():
                    continue
                row = _label(_found(cells, find) if of_catalogue else cells, reader.line_num, table.parent)
            except ValueError as error:
                problems.append((reader.line_num, str(error)))
                continue
            line = seen.setdefault((row.capture, row.start, row.phases), row.line)
            if line != row.line:
                problems.append((row.line, f"repeats the event of line {line}"))
            rows.append(row)
    except csv.Error as error:
        raise ConfigError(f"{table}, line {reader.line_num}: {error}") from error
    return data, rows, problems


def labelled_ids(table: Path) -> frozenset[str]:
    """The ids of the events that have a label in a catalogue with a column label.

    Raises
    ------
    ConfigError : it cannot be read, or is no such catalogue.
    """
    try:
        with table.open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.DictReader(stream, strict=True))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ConfigError(f"{table}: cannot be read as UTF-8 text ({error})") from error
    if rows and not {"event_id", "label"} <= rows[0].keys():
        raise ConfigError(f"{table}: no columns event_id and label, by which labelled events are known")
    return frozenset(row["event_id"] for row in rows if (row["label"] or "").strip())


def _found(cells: dict[str | Any, str | Any], find: Find | None) -> dict[str | Any, str | Any]:
    """A catalogue's row with the path of its capture in place of the digest."""
    source, digest = cells["source"] or "", (cells["capture"] or "").split("+")[0]
    path = Path(source) if find is None else find(digest, source)
    if path is None:
        raise ConfigError(f"{source}: does not exist, and no file with its digest {digest} was found")
    return cells | {"capture": str(path.absolute())}


def _label(cells: dict[str | Any, str | Any], line: int, folder: Path) -> Label:
    if None in cells or None in cells.values():
        raise ConfigError("the number of cells differs from that of the columns")
    text = {name: cell.strip() for name, cell in cells.items()}
    if empty := [name for name in COLUMNS if not text[name]]:
        raise ConfigError(f"no {' and no '.join(empty)}")
    label = _name(text["label"])
    if label == UNKNOWN:
        raise ConfigError(f"label {UNKNOWN} is reserved for events that fit no class")
    phases = text.get("phases", "").upper().translate(_SEPARATORS)
    if wrong := sorted(set(phases) - set(LINE_PHASES)):
        raise ConfigError(f"phases {text['phases']}: {', '.join(wrong)} is not one of {', '.join(LINE_PHASES)}")
    start_ns, offset_s = _start(text["start"])
    capture = folder / text["capture"]
    return Label(line, capture, text["start"], start_ns, offset_s, label, text.get("site", ""), phases)


def plain_name(text: str) -> str:
    """A name without regard to case, underscores and spaces."""
    return " ".join(text.replace("_", " ").split()).casefold()


def _name(text: str) -> str:
    """A label; one that is a name of the family in other spelling as the family has it."""
    plain = plain_name(text)
    return plain if plain in NUMBER_OF_NAME or plain == UNKNOWN else text


def _start(text: str) -> tuple[int | None, float]:
    """A time, or seconds from the first sample."""
    try:
        seconds = float(text)
    except ValueError:
        return instant_ns(text)[0], 0.0
    if not math.isfinite(seconds):
        raise ConfigError(f"start {text} is not a time")
    return None, seconds


def primitives_of_names(names: npt.NDArray[np.str_]) -> F64:
    """Which primitives are present in windows of classes, shape (n, 8): 0 or 1, or NaN where the name does not tell."""
    numbers = np.array([NUMBER_OF_NAME.get(name, 0) for name in names.tolist()], dtype=np.int64)
    return np.where(numbers[:, None] > 0, primitives_of(numbers), math.nan)
