"""Samples as stored, in one of the types of a capture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import MalformedRecord, Unsupported
from halfcycle.pipeline.readers.pqdif.physical import StoredVector

_BLOCK: Final = 1 << 16
_HALF: Final = 1 << 31
_INT16: Final = ("int8", "uint8", "int16")
_REALS: Final = ("float32", "float64")


def check_numbers(stored: StoredVector, path: Path) -> None:
    """Refuse samples that are no real numbers.

    Raises
    ------
    Unsupported : they are complex.
    MalformedRecord : they are characters, times or GUIDs.
    """
    if stored.dtype.kind == "c":
        raise Unsupported(path, stored.place, "the samples are complex numbers")
    if stored.dtype.kind not in "iuf":
        raise MalformedRecord(path, stored.place, f"the samples are stored as {stored.dtype}, which is not a number")


def sample_type_of(stored: Sequence[StoredVector]) -> tuple[str, tuple[str, ...]]:
    """The type that holds the samples of all channels of a capture, and notes where it rounds them.

    Unsigned 32-bit samples are held as signed ones, moved by half their range; see `is_moved`.
    """
    kinds = {vector.dtype.name for vector in stored}
    if not kinds & set(_REALS):
        return ("int16" if kinds <= set(_INT16) else "int32"), ()
    notes = ["64-bit samples are read as 32-bit"] if "float64" in kinds else []
    if kinds & {"int32", "uint32"}:
        notes.append(
            "32-bit integer channels occur beside floating-point channels; all are read as floating point, exact to "
            "24 bits"
        )
    return "float32", tuple(notes)


def is_moved(stored: StoredVector, sample_type: str) -> bool:
    """Whether samples are held moved by 2**31, which their offset has to make good."""
    return stored.dtype.name == "uint32" and sample_type == "int32"


def moved_offset(scale: float, offset: float) -> float:
    """The offset of moved samples."""
    return offset + _HALF * scale


def fill(row: npt.NDArray[Any], stored: StoredVector, first: int) -> int:
    """Fill a row of samples with those from `first` on.

    Parameters
    ----------
    row : shape (n_samples,), contiguous, of a capture's type.
    stored : the samples.
    first : of them.

    Returns
    -------
    int. How many were infinite or beyond the range of the type: they are NaN now, which stands for missing ones.
    """
    if stored.dtype == row.dtype:
        stored.into(row, first)
    else:
        for at in range(0, len(row), _BLOCK):
            block = stored.array(first + at, min(_BLOCK, len(row) - at))
            if is_moved(stored, row.dtype.name):
                block = block ^ np.uint32(_HALF)
                row[at : at + len(block)] = block.view("<i4")
            else:
                with np.errstate(over="ignore", invalid="ignore"):
                    row[at : at + len(block)] = block
    if row.dtype.kind != "f":
        return 0
    n_endless = 0
    for at in range(0, len(row), _BLOCK):
        part = row[at : at + _BLOCK]
        endless = np.isinf(part)
        if endless.any():
            n_endless += int(np.count_nonzero(endless))
            part[endless] = np.nan
    return n_endless
