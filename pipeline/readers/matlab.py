"""MATLAB files (.mat) of versions 4 to 7: named arrays, alone or in structures within one another (``record.bus.v1``).

Version 7.3 files are HDF5 files of another kind and are not read. SciPy unpacks the others; as it trusts what a file
says of its own sizes and types, and a wrong one can end the whole process, both are checked here before.

Source of the layout: MathWorks, "MAT-File Format" (level 4 and level 5 MAT-files), from memory.
"""

from __future__ import annotations

import io
import math
import re
import struct
import warnings
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import MalformedRecord, ReadError, Unsupported
from halfcycle.pipeline.readers.budget import Budget, check_time
from halfcycle.pipeline.readers.columns import Block, ColumnCaptures, ColumnFile, columns_of_array, own_description
from halfcycle.pipeline.readers.contract import Reader, reading
from halfcycle.pipeline.readers.description import Column, companions
from halfcycle.pipeline.terms import Quantity

_HDF5: Final = b"\x89HDF\r\n\x1a\n"
_HEAD_BYTES: Final = 128  # of level 5: text, then the version at 124 and the mark of the byte order at 126
_LEVEL_4_HEAD: Final = 20  # bytes: type code, rows, columns, "has an imaginary part", length of the name
_LEVEL_4_BYTES: Final = (8, 4, 4, 2, 2, 1)  # of an element, by the tens digit of the type code

# Level 5: bytes of an element by the number of its data type, and the numbers of types and classes used below.
_ELEMENT_BYTES: Final = {1: 1, 2: 1, 3: 2, 4: 2, 5: 4, 6: 4, 7: 4, 9: 8, 12: 8, 13: 8, 16: 1, 17: 2, 18: 4}
_INT8, _INT32, _UINT32, _MATRIX, _COMPRESSED = 1, 5, 6, 14, 15
_CELL, _STRUCTURE, _CHARACTERS = 1, 2, 4
_NUMBERS: Final = range(6, 16)
_CHARACTER_TYPES: Final = (1, 2, 4, 16, 17, 18)
_DEEPEST: Final = 8  # cells and structures within one another
_LARGEST_DIMENSIONS: Final = 32

# What scipy.io raises on broken files, besides its own MatReadError.
_BROKEN: Final = (
    ValueError, TypeError, KeyError, IndexError, AttributeError, OverflowError, EOFError, OSError, MemoryError,
    NotImplementedError, zlib.error, struct.error, Warning, UnboundLocalError,
)  # fmt: skip


class _Workspace(ColumnFile):
    """The arrays of a MATLAB file, all in memory: its format has no way to read part of one."""

    def __init__(self, path: Path, arrays: Mapping[str, object], left_out: Sequence[str]) -> None:
        columns: list[Column] = []
        scalars: dict[str, object] = {}
        left_out = list(left_out)
        self._series: list[npt.NDArray[Any]] = []
        for name, value in arrays.items():
            array = np.asarray(value)
            if isinstance(value, str) or (array.size == 1 and array.dtype.kind in "iuf"):
                scalars[name] = value if isinstance(value, str) else array.ravel()[0].item()
                continue
            found = columns_of_array(name, array.shape, array.dtype)
            if not found:
                left_out.append(name)
                continue
            rows = np.squeeze(array)
            rows = rows if rows.ndim == 2 and rows.shape[0] < rows.shape[1] else rows.T
            self._series += list(np.atleast_2d(rows))
            columns += found
        notes = [f"variables ignored, as they hold no series of numbers: {', '.join(left_out)}"] if left_out else []
        super().__init__(path, columns=columns, own=own_description(scalars, path=path), notes=notes)

    def blocks(self, positions: Sequence[int]) -> Iterator[Block]:
        n_rows = (self.columns[0].n_rows or 0) if self.columns else 0
        arrays = [self._series[i] for i in positions]
        yield (len(arrays[0]) if arrays else n_rows), arrays


def _load(path: Path) -> tuple[dict[str, object], list[str]]:
    """All variables by name, those in structures as ``structure.field``; and the names of those that are not read."""
    import scipy.io
    from scipy.io.matlab import MatReadError

    try:
        data = path.read_bytes()
    except OSError as error:
        raise ReadError(path, "", f"cannot be opened ({error.strerror or error})") from error
    if _HDF5 in (data[:8], data[512:520]) or data[124:126] in (b"\x00\x02", b"\x02\x00"):
        raise Unsupported(path, "", "MATLAB version 7.3 files (HDF5) are not read; save it with -v7 instead")
    left_out: list[str] = []
    budget = Budget(path)
    try:
        if 0 in data[:4]:
            _check_level_4(data)
        else:
            data, left_out = _checked_level_5(data, budget)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            variables = scipy.io.loadmat(io.BytesIO(data), simplify_cells=True)  # type: ignore[arg-type]  # takes streams
    except (MatReadError, *_BROKEN) as error:
        raise MalformedRecord(path, "", f"the MATLAB file is broken ({error or type(error).__name__})") from error
    return dict(_flat(item for item in variables.items() if not item[0].startswith("__"))), left_out


def _flat(variables: Iterable[tuple[str, object]]) -> Iterator[tuple[str, object]]:
    """Variables by name, those in structures by the names of the structures before theirs."""
    for name, value in variables:
        if isinstance(value, dict):
            yield from _flat((f"{name}.{inner}", array) for inner, array in value.items())
        else:
            yield name, value


def _check_level_4(data: bytes) -> None:
    """Raise ValueError where a variable does not fit into the file."""
    order = "<" if int.from_bytes(data[:4], "little") < 5000 else ">"
    at = 0
    while at < len(data):
        if len(data) - at < _LEVEL_4_HEAD:
            raise ValueError(f"byte {at}: the header of a variable is truncated")
        code, n_rows, n_columns, is_complex, n_name = struct.unpack_from(f"{order}5i", data, at)
        kind = code % 100 // 10
        if kind >= len(_LEVEL_4_BYTES) or min(n_rows, n_columns, n_name - 1) < 0 or is_complex not in (0, 1):
            raise ValueError(f"byte {at}: not the header of a variable")
        at += _LEVEL_4_HEAD + n_name + n_rows * n_columns * _LEVEL_4_BYTES[kind] * (1 + is_complex)
        if at > len(data):
            raise ValueError(f"the last variable ends {at - len(data)} bytes past the end of the file")


def _checked_level_5(data: bytes, budget: Budget) -> tuple[bytes, list[str]]:
    """The file without compression and without what is neither number, text, cell nor structure; the names of that.

    Raises
    ------
    ValueError, struct.error, zlib.error : the file is broken.
    """
    mark = data[126:_HEAD_BYTES]
    if mark not in (b"IM", b"MI"):
        raise ValueError("the byte-order mark is missing")
    order = "<" if mark == b"IM" else ">"
    view = memoryview(data)
    kept: list[bytes | memoryview] = [view[:_HEAD_BYTES]]
    left_out: list[str] = []
    at = _HEAD_BYTES
    while at < len(view):
        check_time(f"byte {at}")
        kind, body, after = _element(view, at, order)
        whole = view[at:after]
        if kind == _COMPRESSED:
            after = at + 8 + len(body)  # not padded
            whole = memoryview(_inflated(body, budget, f"byte {at}"))
            kind, body, _ = _element(whole, 0, order)
        if kind != _MATRIX:
            raise ValueError(f"byte {at}: data type {kind}, where a variable should begin")
        name, is_read = _check_matrix(body, order, depth=0)
        if is_read:
            kept.append(whole)
        else:
            left_out.append(name)
        at = after
    return b"".join(kept), left_out


def _inflated(body: memoryview, budget: Budget, place: str) -> bytes:
    """A compressed element, as far as the file may grow.

    Raises
    ------
    Unsupported : it would grow further.
    ValueError, zlib.error : it is broken.
    """
    stream = zlib.decompressobj()
    found = stream.decompress(body, budget.left + 1)
    budget.use(len(found), place)
    if not stream.eof:
        raise ValueError(f"{place}: a compressed variable ends early")
    return found


def _element(view: memoryview, at: int, order: str) -> tuple[int, memoryview, int]:
    """Type and content of the element at a byte, and the byte behind its padding."""
    (word,) = struct.unpack_from(f"{order}I", view, at)
    if word >> 16:  # a small element: length and type in one word, content in the next
        kind, n_bytes, start, after = word & 0xFFFF, word >> 16, at + 4, at + 8
        if n_bytes > 4:
            raise ValueError(f"a small element of {n_bytes} bytes")
    else:
        (n_bytes,) = struct.unpack_from(f"{order}I", view, at + 4)
        kind, start = word, at + 8
        after = min(start + n_bytes + (-n_bytes) % 8, len(view)) if start + n_bytes <= len(view) else 0
    if not after or after > len(view):
        raise ValueError(f"an element of {n_bytes} bytes ends past the end of the file")
    return kind, view[start : start + n_bytes], after


def _check_matrix(body: memoryview, order: str, *, depth: int) -> tuple[str, bool]:
    """Name of a variable, and whether it is of a kind that is read; ValueError where its parts do not fit together."""
    kind, flags, at = _element(body, 0, order)
    if kind != _UINT32 or len(flags) != 8:
        raise ValueError("a variable without array flags")
    (word,) = struct.unpack_from(f"{order}I", flags)
    array_class, n_parts = word & 0xFF, 1 + bool(word & 0x800)
    if array_class not in (_CELL, _STRUCTURE, _CHARACTERS, *_NUMBERS) or depth > _DEEPEST:
        return _name_of(body, at, order) or f"a variable of class {array_class}", False
    kind, sides, at = _element(body, at, order)
    shape = struct.unpack(f"{order}{len(sides) // 4}i", sides)
    if kind != _INT32 or not 2 <= len(shape) <= _LARGEST_DIMENSIONS or min(shape) < 0:
        raise ValueError(f"a variable of shape {shape}")
    kind, name, at = _element(body, at, order)
    if kind != _INT8:
        raise ValueError("a variable without a name")
    n_elements = math.prod(shape)
    is_read = True
    if array_class in (_CELL, _STRUCTURE):
        if array_class == _STRUCTURE:
            n_fields, at = _check_fields(body, at, order)
            n_elements *= n_fields
        for _ in range(n_elements):
            kind, inner, at = _element(body, at, order)
            if kind != _MATRIX:
                raise ValueError(f"data type {kind} within a cell or structure")
            is_read &= not len(inner) or _check_matrix(inner, order, depth=depth + 1)[1]
        return bytes(name).decode("latin-1"), is_read
    for _ in range(n_parts):
        kind, values, at = _element(body, at, order)
        if array_class == _CHARACTERS:
            fits = kind in _CHARACTER_TYPES and len(values) >= n_elements
        else:
            fits = len(values) == n_elements * _ELEMENT_BYTES.get(kind, -1)
        if not fits:
            raise ValueError(f"{len(values)} bytes of data type {kind} for {n_elements} elements")
    return bytes(name).decode("latin-1"), True


def _name_of(body: memoryview, at: int, order: str) -> str:
    """The name of a variable that is not read: behind its flags, or behind its dimensions where it has such."""
    for _ in range(2):
        kind, content, at = _element(body, at, order)
        if kind == _INT8:
            return bytes(content).decode("latin-1")
    return ""


def _check_fields(body: memoryview, at: int, order: str) -> tuple[int, int]:
    """Number of a structure's fields, and the byte behind their names."""
    kind, length, at = _element(body, at, order)
    if kind != _INT32 or len(length) != 4:
        raise ValueError("a structure without a field-name length")
    (n_name,) = struct.unpack(f"{order}i", length)
    kind, names, at = _element(body, at, order)
    if kind != _INT8 or n_name < 1 or len(names) % n_name:
        raise ValueError(f"{len(names)} bytes of field names of {n_name} bytes each")
    return len(names) // n_name, at


def _recognises(path: Path, head: bytes) -> bool:
    if head.startswith(b"MATLAB ") and re.match(rb"MATLAB \d\.\d MAT-file", head):
        return True
    if path.suffix.lower() != ".mat":
        return False
    if head.startswith(_HDF5) or head[126:_HEAD_BYTES] in (b"IM", b"MI"):
        return True
    # Level 4 has no mark of its own: its first integer is a type code, thousands for the byte order.
    codes = (int.from_bytes(head[:4], "little"), int.from_bytes(head[:4], "big"))
    return len(head) >= _LEVEL_4_HEAD and any(code < 5000 and code % 1000 // 100 == 0 for code in codes)


class _Recording(ColumnCaptures):
    """A file's arrays, opened for their captures."""

    def __init__(self, path: Path, quantities: frozenset[Quantity] | None) -> None:
        super().__init__(_Workspace(path, *_load(path)), quantities)

    def close(self) -> None:
        """Nothing is open."""


READER: Final = Reader(
    "MATLAB file", recognises=_recognises, read=reading(_Recording), companions=companions, opens=_Recording
)
