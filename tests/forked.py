"""Runs Python in processes of their own that begin where the imports are done, which most of a second goes into.

What depends on the start itself (streams, their encoding, the time it takes) is tested with an interpreter of its own.
"""

from __future__ import annotations

import atexit
import fcntl
import json
import os
import pty
import struct
import subprocess
import sys
import tempfile
import termios
import threading
from collections.abc import Mapping
from contextlib import nullcontext, suppress
from functools import cache
from pathlib import Path

_SERVER = """
import json, os, signal, sys, traceback
import numpy, pandas, pyarrow.parquet, pydantic, rich.console, rich.table, scipy.signal
import halfcycle.pipeline.cli.demo_command, halfcycle.pipeline.cli.fleet_commands, halfcycle.pipeline.cli.screen_command
import halfcycle.pipeline.nightly.run, halfcycle.pipeline.screening, halfcycle.pipeline.report.summary
from halfcycle.pipeline.readers import readers
readers()

def run(request):
    for descriptor, path in ((0, os.devnull), (1, request["stdout"]), (2, request["stderr"])):
        os.dup2(os.open(path, os.O_RDWR | os.O_CREAT, 0o600), descriptor)
    sys.stdin = open(0, closefd=False)
    sys.stdout = open(1, "w", encoding="utf-8", closefd=False)
    sys.stderr = open(2, "w", encoding="utf-8", closefd=False)
    os.environ.clear()
    os.environ.update(request["environment"])
    os.chdir(request["folder"])
    signal.alarm(request["timeout_s"])
    sys.argv = request["words"]
    status = 0
    try:
        exec(compile(request["code"], "<code>", "exec"), {"__name__": "__main__"})
    except SystemExit as leave:
        status = leave.code if isinstance(leave.code, int) else 0 if leave.code is None else 1
    except BaseException:
        traceback.print_exc()
        status = 1
    sys.stdout.flush()
    sys.stderr.flush()
    return status

for line in sys.stdin:
    child = os.fork()
    if child == 0:
        status = 70
        try:
            status = run(json.loads(line))
        finally:
            os._exit(status)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


@cache
def _server() -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", _SERVER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    atexit.register(_end, process)
    return process


def _end(process: subprocess.Popen[str]) -> None:
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.close()
    process.wait(timeout=20)
    process.stdout.close()


class _Screen:
    """A terminal, read as long as it is open."""

    def __init__(self, columns: int) -> None:
        self._master, self._slave = pty.openpty()
        fcntl.ioctl(self._slave, termios.TIOCSWINSZ, struct.pack("4H", 40, columns, 0, 0))
        self.path = os.ttyname(self._slave)
        self._shown = bytearray()
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def text(self) -> str:
        """All that was shown; closes it."""
        os.close(self._slave)
        self._reader.join()
        os.close(self._master)
        return self._shown.decode("utf-8", "replace")

    def _read(self) -> None:
        with suppress(OSError):  # how the system says that nobody holds its other end any more
            while part := os.read(self._master, 1 << 16):
                self._shown += part


def run_code(
    code: str,
    *words: str | Path,
    cwd: Path | None = None,
    env: Mapping[str, str] | None = None,
    timeout_s: int = 600,
    terminal: bool = False,
    columns: int = 100,
) -> subprocess.CompletedProcess[str]:
    """Run code as ``python -c CODE WORDS`` would, in a process of its own.

    Parameters
    ----------
    code : of the main module.
    words : its arguments.
    cwd, env : folder and environment; None: those of the tests.
    timeout_s : after which the process ends by SIGALRM. [s]
    terminal : show both streams on a terminal, as which they come back together, instead of in files.
    columns : of that terminal. [characters]
    """
    server = _server()
    assert server.stdin is not None
    assert server.stdout is not None
    with tempfile.TemporaryDirectory() as folder, nullcontext(_Screen(columns) if terminal else None) as screen:
        paths = {name: screen.path if screen else str(Path(folder, name)) for name in ("stdout", "stderr")}
        request = {
            **paths, "code": code, "words": ["halfcycle", *(str(word) for word in words)], "timeout_s": timeout_s,
            "folder": str(cwd or Path.cwd()), "environment": dict(os.environ if env is None else env),
        }  # fmt: skip
        server.stdin.write(json.dumps(request) + "\n")
        server.stdin.flush()
        status = int(server.stdout.readline())
        out, err = (screen.text(), "") if screen else (Path(path).read_text("utf-8") for path in paths.values())
    return subprocess.CompletedProcess(request["words"], status, out, err)
