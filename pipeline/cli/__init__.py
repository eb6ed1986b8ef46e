"""The command `halfcycle`. It parses and prints; the work is done below it."""

from __future__ import annotations

import sys


def main() -> None:
    """Entry point: runs the command line and turns the project's errors into messages and exit status."""
    from pipeline.cli.commands import app

    sys.exit(app())
