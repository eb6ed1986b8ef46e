"""The data folders `datasets/` and `configs/`, in a checkout and in an installed wheel alike, and the version."""

from __future__ import annotations

import csv
from functools import cache
from importlib.metadata import entry_points, version
from pathlib import Path
from typing import Final, Literal

from halfcycle.pipeline.errors import ConfigError

_PACKAGE = Path(__file__).resolve().parent
_GUESTS: Final = ("halfcycle.readers", "halfcycle.detectors", "halfcycle.causes")


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
    """The version of the code that makes a catalogue or a trend; the installation is asked once.

    Other distributions whose readers, detectors or causes take part are named with their versions, as what they find
    changes with them: ``0.1.0``, or ``0.1.0 with quarry-reader 1.0``.
    """
    points = [point for group in _GUESTS for point in entry_points(group=group)]
    guests = {f"{point.dist.name} {point.dist.version}" for point in points if point.dist is not None}
    own = version("halfcycle")
    return f"{own} with {', '.join(sorted(guests))}" if guests else own
