"""Nights in interpreters of their own, as the properties of fleets with poison and with killed workers run them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
for place in (HERE.parents[1], HERE.parent, HERE):
    if str(place) not in sys.path:  # when run as a command
        sys.path.insert(0, str(place))

from halfcycle.pipeline.catalogue.tables import write_table  # noqa: E402
from halfcycle.pipeline.config import Fleet  # noqa: E402
from halfcycle.pipeline.nightly.day_states import look_at_days  # noqa: E402
from halfcycle.pipeline.nightly.days import read_days  # noqa: E402

_NIGHT = """
import json, sys
from pathlib import Path
from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.processes import spread_apart
fleet = load_fleet(Path(sys.argv[1]))
with spread_apart(fleet.run.workers) as spread:
    summary = run_nightly(fleet, spread=spread, catalogue=sys.argv[2] == "all")
named = [outcome.path for outcome in (*summary.quarantined, *summary.left)]
named += [path for path, _ in summary.set_aside]
print(json.dumps({
    "is_whole": summary.is_whole, "named": [str(path) for path in named], "n_failed": len(summary.failed),
    "n_damaged": len(summary.damaged),
}))
"""


@dataclass(frozen=True)
class Night:
    """What a night told: whether all was whole, files and captures it named, days that failed or were damaged."""

    is_whole: bool
    named: frozenset[str]
    n_failed: int
    n_damaged: int


def begin_night(config: Path, *, guest: Path | None = None, what: str = "all") -> subprocess.Popen[str]:
    """Start a night over processes of their own; a guest's folder is made part of Python's path."""
    path = [str(HERE.parents[1]), *([str(guest)] if guest else []), os.environ.get("PYTHONPATH", "")]
    return subprocess.Popen(
        [sys.executable, "-c", _NIGHT, str(config), what], text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, path))},
    )  # fmt: skip


def end_night(process: subprocess.Popen[str], *, timeout_s: float = 3600.0) -> Night:
    """Wait for a night's end.

    Raises
    ------
    RuntimeError : it failed, with its last words.
    """
    out, err = process.communicate(timeout=timeout_s)
    if process.returncode:
        raise RuntimeError(f"the night ended with {process.returncode}: {err[-2000:]}")
    told = json.loads(out.splitlines()[-1])
    return Night(told["is_whole"], frozenset(told["named"]), told["n_failed"], told["n_damaged"])


def rows_of(fleet: Fleet, captures: set[str], scratch: Path) -> list[str]:
    """The catalogue's rows of events that lie in some captures, as text, in order."""
    table, _ = read_days(fleet, [day for day, _ in look_at_days(fleet).states])
    write_table(table, scratch)
    lines = scratch.read_text(encoding="utf-8").splitlines()
    return [line for line in lines if set(json.loads(line)["capture"].split("+")) <= captures]
