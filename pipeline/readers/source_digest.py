"""The digest by which a catalogue names the file that an event came from, and by which a moved file is found again."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from pipeline.errors import ReadError
from pipeline.readers import opened
from pipeline.waveform_table import DIGEST_KEY

_PARQUET: Final = b"PAR1"


def source_digest(path: Path) -> str:
    """The digest that a file of the store's layout carries of its content; of any other file, that of its bytes.

    Parameters
    ----------
    path : of the file, which may lie in a bundle.

    Returns
    -------
    32 hexadecimal digits.

    Raises
    ------
    ReadError : it cannot be read.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

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
