"""How much a file may become in memory: a multiple of its size, so that a small file cannot take all there is.

Waveforms shrink to between a half and a tenth, dead channels further; what would grow beyond is refused before it does.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from pipeline.errors import ConfigError, Unsupported

BYTES_PER_BYTE: Final = 100  # of the file
LEAST_BYTES: Final = 64 << 20  # that any file may become
MOST_BYTES: Final = 4 << 30
VARIABLE: Final = "HALFCYCLE_READ_BYTES"


def allowed_bytes(path: Path) -> int:
    """What a file may become when it is unpacked: `BYTES_PER_BYTE` times its size, within the limits above.

    The environment variable ``HALFCYCLE_READ_BYTES``, a number of bytes, stands in place of all three.

    Raises
    ------
    ConfigError : the variable is no number of bytes.
    OSError : there is no such file.
    """
    said = os.environ.get(VARIABLE)
    if said is None:
        return min(max(LEAST_BYTES, BYTES_PER_BYTE * path.stat().st_size), MOST_BYTES)
    if not (said.isascii() and said.isdigit() and int(said) > 0):
        raise ConfigError(f"{VARIABLE} is {said!r}; it must be a number of bytes, such as 1000000000")
    return int(said)


class Budget:
    """Counts the bytes that a file has become.

    Parameters
    ----------
    path : of the file.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._allowed = allowed_bytes(path)
        self._used = 0

    @property
    def left(self) -> int:
        """Bytes that are left."""
        return self._allowed - self._used

    def use(self, n_bytes: int, place: str) -> None:
        """Take bytes before they are made.

        Raises
        ------
        Unsupported : there would be more than the file may become.
        """
        self._used += n_bytes
        if self._used > self._allowed:
            reason = f"would become over {self._allowed} bytes in memory, more than a file of its size may"
            raise Unsupported(self._path, place, f"{reason}; {VARIABLE} allows more")
