"""The data folders `datasets/` and `configs/`, in a checkout and in an installed wheel alike; which version this is,
and what its rules of judging are at."""

from __future__ import annotations

import csv
from functools import cache
from importlib.metadata import entry_points, version
from pathlib import Path
from typing import Final, Literal

from halfcycle.pipeline.errors import ConfigError

_PACKAGE = Path(__file__).resolve().parent
_GUESTS: Final = ("halfcycle.readers", "halfcycle.detectors", "halfcycle.causes")
JUDGING_REVISION: Final = 3
"""What the rules of judging are at. Raised with every change by which the same captures and settings give other rows,
and with no other: stored days of another revision are named by `halfcycle plan` and rebuilt where that is asked for."""


def resource(folder: Literal["datasets", "configs"], name: str) -> Path:
    """Path of a file that travels with the project.

    Parameters
    ----------
    folder : ``datasets`` or ``configs``.
    name : path below the folder, with forward slashes.

    Returns
    -------
    Path of an existing file.

    Raises
    ------
    ConfigError : there is no such file.
    """
    for root in (_PACKAGE / "_resources", _PACKAGE.parent):
        path = root / folder / name
        if path.is_file():
            return path
    raise ConfigError(f"no file {name!r} in {folder}/")


@cache
def resource_rows(folder: Literal["datasets", "configs"], name: str) -> tuple[dict[str, str], ...]:
    """The rows of a CSV table that travels with the project, by the names of its columns; read once.

    Raises
    ------
    ConfigError : there is no such file.
    """
    with resource(folder, name).open(encoding="utf-8", newline="") as stream:
        return tuple(csv.DictReader(stream))


def resource_names(folder: Literal["datasets", "configs"], below: str, ending: str) -> list[str]:
    """Names without their ending of the files with it in a folder below `datasets/` or `configs/`, in order."""
    for root in (_PACKAGE / "_resources", _PACKAGE.parent):
        if (root / folder / below).is_dir():
            return sorted(path.stem for path in (root / folder / below).glob(f"*{ending}"))
    return []


@cache
def code_version() -> str:
    """The version of the code that makes a catalogue or a trend, for people and provenance: ``0.1.0``, or
    ``0.1.0 with quarry-reader 1.0``; see `judging_version`."""
    return version("halfcycle") + _guests()


@cache
def judging_version() -> str:
    """By what rules rows are judged, to compare: ``revision 1``, or ``revision 1 with quarry-reader 1.0``.

    Other distributions whose readers, detectors or causes take part are named with their versions, as what they find
    changes with them; the version of halfcycle is not, as most of its changes leave all rows as they are.
    """
    return f"revision {JUDGING_REVISION}{_guests()}"


def _guests() -> str:
    points = [point for group in _GUESTS for point in entry_points(group=group)]
    guests = {f"{point.dist.name} {point.dist.version}" for point in points if point.dist is not None}
    return f" with {', '.join(sorted(guests))}" if guests else ""
