"""Two folders that change their names with one another in one step, where the system can."""

from __future__ import annotations

import ctypes
import os
from pathlib import Path
from typing import Final

_HERE: Final = -100  # AT_FDCWD: paths are as they stand
_EXCHANGE: Final = 2  # RENAME_EXCHANGE; both of Linux' renameat2(2)


def exchanged(one: Path, other: Path) -> bool:
    """Exchange the names of two folders; False, and nothing is done, where the system or the file system cannot.

    Source: Linux' renameat2(2), flag RENAME_EXCHANGE.
    """
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError, TypeError):
        return False
    done: int = rename(_HERE, os.fsencode(one), _HERE, os.fsencode(other), _EXCHANGE)
    return done == 0
