"""Packs: captures of one day in one file, found by the paths that they would have in files of their own.

waveforms/site=S/date=D/captures-<digest of the digests>.parquet   see `waveform_table`

A capture keeps its path ``<digest>.parquet`` in a pack: catalogues name it, and where it lies is asked for here alone.
A file of that path goes before the pack. A pack is never changed: another set of captures is another file.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

from halfcycle.pipeline.capture import Header
from halfcycle.pipeline.errors import DamagedCapture
from halfcycle.pipeline.waveform_table import packed_in

if TYPE_CHECKING:
    import pyarrow.parquet as pq

ENDING: Final = ".parquet"
_BEGINS: Final = "captures-"
_REMEMBERED: Final = 64  # packs: the captures of one are asked for one after another


@dataclass(frozen=True, slots=True)
class Pack:
    """A pack and what it says of its captures.

    Attributes
    ----------
    path : of the file.
    headers : by digest, in order of their rows.
    groups : the row groups of each capture, by digest.
    metadata : of the file, so that it is parsed once.
    """

    path: Path
    headers: Mapping[str, Header]
    groups: Mapping[str, range]
    metadata: pq.FileMetaData = field(repr=False)

    def index(self, digest: str) -> int:
        """The place of a capture among those of the pack."""
        return list(self.headers).index(digest)

    def size(self, digest: str) -> int:
        """How much of the file a capture takes. [bytes]"""
        groups = [self.metadata.row_group(i) for i in self.groups[digest]]
        return sum(one.column(k).total_compressed_size for one in groups for k in range(one.num_columns))


def pack_name(digests: Iterable[str]) -> str:
    """The name of the file that holds captures with these digests."""
    return f"{_BEGINS}{hashlib.sha256(' '.join(sorted(digests)).encode()).hexdigest()[:32]}{ENDING}"


def is_pack(name: str) -> bool:
    """Whether a name is that of a pack."""
    return name.startswith(_BEGINS) and name.endswith(ENDING)


def pack_at(path: Path | str) -> Pack:
    """What a pack says of its captures.

    Raises
    ------
    DamagedCapture : it is none, or cannot be read.
    """
    path = Path(path)
    try:
        status = path.stat()
    except OSError as error:
        raise DamagedCapture(path, f"cannot be read ({error.strerror or error})") from error
    return _remembered(path, status.st_ino, status.st_size, status.st_mtime_ns)


def packs_in(folder: Path) -> list[Pack]:
    """The packs of a folder that can be read, in order of name."""
    found = []
    for name in _names(folder):
        if is_pack(name):
            try:
                found.append(pack_at(folder / name))
            except DamagedCapture:
                continue
    return found


def pack_of(path: Path) -> Pack | None:
    """The pack that holds the capture of a path; None where none does, or a file of that path goes before it."""
    if path.exists():
        return None
    return next((pack for pack in packs_in(path.parent) if path.stem in pack.headers), None)


def is_held(path: Path) -> bool:
    """Whether there is a capture of a path, in a file of its own or in a pack."""
    return path.exists() or pack_of(path) is not None


def with_packed(folder: Path | str, names: Iterable[str]) -> set[str]:
    """The names of the captures in a folder: of those in packs, and of the other Parquet files.

    A pack that cannot be read is a capture itself, so that what reads it finds it damaged.

    names : of the files.
    """
    found: set[str] = set()
    for name in names:
        if not is_pack(name):
            found.add(name)
            continue
        try:
            found.update(f"{digest}{ENDING}" for digest in pack_at(Path(folder, name)).headers)
        except DamagedCapture:
            if Path(folder, name).exists():  # another one is not in its place now
                found.add(name)
    return found


def _names(folder: Path) -> list[str]:
    try:
        return sorted(os.listdir(folder))
    except OSError:  # what is asked for there cannot be read either, and says so
        return []


@lru_cache(maxsize=_REMEMBERED)
def _remembered(path: Path, *_: int) -> Pack:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        metadata = pq.read_metadata(path)
        headers = packed_in(metadata.metadata)
        if headers is None:
            raise DamagedCapture(path, "is no pack of captures")
        lengths = [metadata.row_group(i).num_rows for i in range(metadata.num_row_groups)]
        groups: dict[str, range] = {}
        stop = 0
        for digest, header in headers.items():
            first, n_left = stop, header.n_samples
            while n_left > 0:
                n_left -= lengths[stop]
                stop += 1
            groups[digest] = range(first, stop)
            if n_left:
                raise DamagedCapture(path, f"its rows do not end where capture {digest} does")
        if stop != len(lengths):
            raise DamagedCapture(path, "holds more rows than its headers state")
        return Pack(path, headers, groups, metadata)
    except (OSError, pa.ArrowException, LookupError, ValueError, TypeError, AttributeError) as error:
        raise DamagedCapture(path, f"cannot be read ({error})") from error
