"""The command `halfcycle`. It parses and prints; the work is done below it."""

from __future__ import annotations

import io
import os
import sys


def main() -> None:
    """Entry point: runs the command line and turns the project's errors into messages and exit status."""
    # The matrices here are small: threads of the array libraries would only wait for one another.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from halfcycle.pipeline.cli.commands import app

    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # names of files may hold what a terminal cannot show
    status = app()
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # or the interpreter would complain at its end
    sys.exit(status)
