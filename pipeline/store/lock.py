"""One writer at a time: a lock on a folder that the system lets go when its holder ends, however it ends."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from halfcycle.pipeline.errors import StoreError

LOCK_NAME = ".lock"
_POLL_S = 0.2


@contextmanager
def locked(folder: Path, *, wait_s: float = 0.0) -> Iterator[None]:
    """Hold the lock of a folder, made if need be.

    Parameters
    ----------
    folder : what is locked.
    wait_s : float >= 0. How long to wait for another run to end. [s]

    Raises
    ------
    StoreError : another process holds the lock, the folder cannot be written, or the system has no such locks.
    """
    path = folder / LOCK_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        raise StoreError(f"{path}: cannot be opened ({error.strerror or error})") from error
    try:
        deadline = time.monotonic() + wait_s
        while not _acquired(handle):
            if time.monotonic() >= deadline:
                holder = os.pread(handle, 64, 0).decode(errors="replace").strip() or "unknown"
                raise StoreError(
                    f"{folder}: another run is in progress (process {holder}); try again when it has ended"
                )
            time.sleep(_POLL_S)
        try:
            os.ftruncate(handle, 0)
            os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
        except OSError as error:
            raise StoreError(f"{path}: cannot be written ({error.strerror or error})") from error
        yield
    finally:
        os.close(handle)


def _acquired(handle: int) -> bool:
    try:
        import fcntl
    except ImportError as error:
        raise StoreError(
            "this system has no flock, which stores need for locking; keep stores on Linux or macOS"
        ) from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
