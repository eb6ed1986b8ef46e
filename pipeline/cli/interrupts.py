"""Ctrl-C ends a night for certain."""

from __future__ import annotations

import faulthandler
import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

_LIMIT_S = 30.0


@contextmanager
def ended_when_interrupted(within_s: float = _LIMIT_S) -> Iterator[None]:
    """From the first Ctrl-C on, this process has a while to end by itself; then it ends as it is, with status 1.

    An interrupt can strike a library inside of its own locks, and the process would wait for itself for ever. The
    store holds whole files only, and workers and servers end with the process that started them: nothing is lost.

    Parameters
    ----------
    within_s : the while, from the interrupt to the end of the process. s
    """

    def interrupt(number: int, frame: FrameType | None) -> None:
        # A thread of the interpreter's own, outside of Python: no lock of Python's can hold it up.
        faulthandler.dump_traceback_later(within_s, exit=True, file=nowhere)
        raise KeyboardInterrupt

    nowhere = os.open(os.devnull, os.O_WRONLY)
    before = signal.signal(signal.SIGINT, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
