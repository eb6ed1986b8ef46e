"""A distribution with a reader and a detector that do to their process what a file or a channel's name says.

So a real process is killed, aborts, runs out of memory, meets a bug or hangs, in reading a file or judging a capture.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from halfcycle.pipeline.capture import Capture

WAYS = ("kill", "abort", "memory", "bug")
"""What poison does. ``hang`` is another, which takes as long as the fleet's settings allow."""

_GUEST = """
import os, signal, time
from pydantic import BaseModel
from halfcycle.pipeline.detectors.contract import Detector
from halfcycle.pipeline.readers.contract import Reader


def act(way):
    if way == "kill":
        os.kill(os.getpid(), signal.SIGKILL)
    elif way == "abort":
        signal.signal(signal.SIGABRT, signal.SIG_DFL)
        os.abort()
    elif way == "memory":
        raise MemoryError
    elif way == "bug":
        raise ZeroDivisionError("a bug")
    elif way == "hang":
        time.sleep(3600)


def read(path, *, quantities):
    act(path.read_bytes().split()[1].decode())
    yield from ()


def find(measured, settings):
    for name in measured.names:
        if name.startswith("POISON "):
            act(name.split()[1])
    return []


class Settings(BaseModel):
    pass


READER = Reader(
    "poison", recognises=lambda path, head: head.startswith(b"POISON "), read=read, companions=lambda path: ()
)
DETECTOR = Detector("poison", Settings, find, frozenset({"series"}))
"""


def guest_folder(folder: Path) -> Path:
    """Install the distribution below a folder, which is to be made part of Python's path."""
    info = folder / "poison_guest-1.0.dist-info"
    info.mkdir(parents=True)
    (folder / "poison_guest.py").write_text(_GUEST)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: poison-guest\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(
        "[halfcycle.readers]\npoison = poison_guest:READER\n[halfcycle.detectors]\npoison = poison_guest:DETECTOR\n"
    )
    return folder


@contextmanager
def installed(guest: Path) -> Iterator[None]:
    """The distribution as a part of this process and of those that it starts, and of neither afterwards."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(guest))
        patch.setenv("PYTHONPATH", os.pathsep.join([str(guest), os.environ.get("PYTHONPATH", "")]))
        _forget_what_is_installed()
        yield
    _forget_what_is_installed()


def _forget_what_is_installed() -> None:
    """Readers, detectors and versions are looked up once a process."""
    for name, module in list(sys.modules.items()):
        if name.startswith("halfcycle."):
            for held in vars(module).values():
                if hasattr(held, "cache_clear"):
                    held.cache_clear()


def poison_file(path: Path, way: str) -> Path:
    """A file that does its worst when it is read."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"POISON {way}\n")
    return path


def poisoned(capture: Capture, way: str) -> Capture:
    """A capture that does its worst when it is judged with the detector ``poison`` on."""
    first = replace(capture.header.channels[0], name=f"POISON {way}")
    return replace(capture, header=replace(capture.header, channels=(first, *capture.header.channels[1:])))


def halfcycle_beside(guest: Path, *words: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the command `halfcycle` with the distribution installed, in an interpreter of its own."""
    path = os.pathsep.join([str(guest), *filter(None, [os.environ.get("PYTHONPATH")])])
    return subprocess.run(
        [sys.executable, "-c", "from halfcycle.pipeline.cli import main; main()", *map(str, words)],
        capture_output=True, text=True, check=False, timeout=300, env={**os.environ, "PYTHONPATH": path},
    )  # fmt: skip
