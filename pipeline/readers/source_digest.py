"""The digest by which a catalogue names the file that an event came from, and by which a moved file is found again."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path
from typing import Final

from halfcycle.pipeline.errors import ReadError

_PARQUET: Final = b"PAR1"
_REMEMBERED: Final = 64  # files: the events of one come one after another


def source_digest(path: Path) -> str:
    """The digest that a file of the store's layout carries of its content; of any other file, that of its bytes.

    Parameters
    ----------
    path : of the file, which may lie in a bundle. One that has not changed is read once.

    Raises
    ------
    ReadError : it cannot be read.
    """
    try:
        stat = path.stat()
    except OSError:  # a member of a bundle, or gone: reading it says so
        return _digest(path)
    return _remembered(path, stat.st_ino, stat.st_size, stat.st_mtime_ns)


@lru_cache(maxsize=_REMEMBERED)
def _remembered(path: Path, *_: int) -> str:
    return _digest(path)


def _digest(path: Path) -> str:
    import pyarrow as pa
    import pyarrow.parquet as pq

    from halfcycle.pipeline.readers import opened
    from halfcycle.pipeline.waveform_table import DIGEST_KEY

    try:
        with opened(path) as stream:
            if stream.read(len(_PARQUET)) == _PARQUET:
                carried = (pq.read_schema(stream).metadata or {}).get(DIGEST_KEY)
                if carried is not None:
                    return str(carried, "ascii")
            stream.seek(0)
            return hashlib.file_digest(stream, "sha256").hexdigest()[:32]
    except (OSError, pa.ArrowException) as error:
        raise ReadError(path, "", f"cannot be read ({error})") from error
