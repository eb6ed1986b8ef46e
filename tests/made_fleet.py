"""Small captures with known sags in them, and small fleets of such captures, for the tests of store, nightly and cli.

The voltage is a sine of the nominal frequency from a rising zero crossing on, so that every value in a test can be
derived by hand; where a test gives times of events, they are those that went into the capture.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

from forked import run_code

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.config import Fleet, load_fleet
from halfcycle.pipeline.events import Event, events_of
from halfcycle.pipeline.nightly.day_states import days_of
from halfcycle.pipeline.nightly.days import Day, read_catalogue
from halfcycle.pipeline.synthesis import LostSpan, Quantisation, Stage, Waveform, synthesise
from halfcycle.pipeline.writers.comtrade import write_comtrade
from halfcycle.pipeline.writers.delimited import write_delimited
from halfcycle.pipeline.writers.numpy_archive import write_npz
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

COMMAND = "from halfcycle.pipeline.cli import main; main()"
ROOT = Path(__file__).resolve().parent.parent
RATE_HZ = 1600.0
SITE = "Quarry Road"
HALF_CYCLE_S = 0.010  # of 50 Hz

# What `halfcycle nightly` does, without Prefect around it.
PLAIN_RUN = (
    "import sys; from pathlib import Path; from halfcycle.pipeline.config import load_fleet; "
    "from halfcycle.pipeline.nightly.run import run_nightly; run_nightly(load_fleet(Path(sys.argv[1])))"
)


def ns(text: str) -> int:
    """Nanoseconds since 1970 of an ISO 8601 time, which is in UTC unless it says otherwise."""
    moment = datetime.fromisoformat(text)
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000


def made_capture(
    start: str,
    *,
    seconds: float = 2.0,
    sags: Iterable[tuple[float, float, float]] = (),
    station: str = "",
    hookup: str = "single-phase",
    volts: float = 230.0,
    seed: int = 1,
    missing: Sequence[tuple[float, float]] = (),
    snr_db: float | None = 60.0,
) -> Capture:
    """A capture. sags: (start, duration, residual) each [s, s, pu]; missing: (start, duration) each [s, s]."""
    n_phases = {"single-phase": 1, "split-phase": 2, "four-wire": 3, "three-wire": 3}[hookup]
    waveform = Waveform(
        hookup=hookup,
        nominal_voltage_v=volts,
        rate_hz=RATE_HZ,
        duration_s=seconds,
        stages=tuple(Stage(start_s=t, duration_s=d, residual_pu=(u,) * n_phases) for t, d, u in sags),
        snr_db=snr_db,
        quantisation=Quantisation(bits=16, voltage_range_pu=2.0),
        missing=tuple(LostSpan(start_s=t, duration_s=d) for t, d in missing),
    )
    return synthesise(waveform, start_ns=ns(start), station=station, seed=seed).capture


def cut(capture: Capture, *at_s: float) -> list[Capture]:
    """A capture in pieces that follow one another."""
    header = capture.header
    edges = [0, *(round(second * header.rate_hz) for second in at_s), header.n_samples]
    return [
        Capture(
            replace(header, start_ns=header.time_ns(first), n_samples=stop - first),
            capture.samples[:, first:stop].copy(),
        )
        for first, stop in pairwise(edges)
    ]


def write_capture(capture: Capture, path: Path) -> Path:
    """Write a capture in the format of the path's ending; returns the path."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix.lower() == ".parquet":
        write_waveform_parquet(capture, path)
    elif path.suffix.lower() in (".cfg", ".cff"):
        write_comtrade(capture, path, revision=2013, data="BINARY")
    elif path.suffix.lower() == ".npz":
        write_npz(capture, path)
    else:
        write_delimited(capture, path)
    return path


def drop(fleet: Fleet, capture: Capture, name: str) -> None:
    """Put a capture into the inbox of the site."""
    write_capture(capture, fleet.inbox / SITE / name)


def with_sag(day: str, clock: str = "12:00:00", residual: float = 0.5, seed: int = 1) -> Capture:
    """A capture of two seconds with a sag of 0.2 s."""
    return made_capture(f"{day}T{clock}", sags=[(0.5, 0.2, residual)], seed=seed)


def write_fleet(root: Path, *, sites: Sequence[str] = (SITE,), site: str = "", run: str = "", extra: str = "") -> Path:
    """Write a fleet's configuration below a folder, with an empty inbox; returns the configuration's path.

    site, run, extra : further lines of TOML for each site, the [run] table and the end of the file.
    """
    root.mkdir(parents=True, exist_ok=True)
    (root / "inbox").mkdir(exist_ok=True)
    tables = [
        f'[[sites]]\nname = "{name}"\nnominal_voltage_v = 230.0\nnominal_frequency_hz = 50\n'
        f'hookup = "single-phase"\n{site}'
        for name in sites
    ]
    path = root / "fleet.toml"
    settled = "" if "settle_s" in run else "settle_s = 0.0\n"  # what a test puts into the inbox is whole
    path.write_text("\n".join([f"[run]\n{settled}{run}", *tables, extra]), encoding="utf-8")
    return path


def loaded(config: Path) -> Fleet:
    """The configuration as the program sees it."""
    return load_fleet(config)


def catalogue_bytes(store: Path) -> dict[str, str]:
    """Digest of every file of the store's catalogue, by its path below it."""
    return digests(store / "catalogue")


def digests(folder: Path) -> dict[str, str]:
    """Digest of the content of every file and link below a folder, by its path below it."""
    files = (path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def names(folder: Path) -> list[str]:
    """Paths of all files and links below a folder, hidden ones too, in order."""
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_symlink() or not path.is_dir())


def events_in(fleet: Fleet, *days: tuple[str, str]) -> list[Event]:
    """Events of the (site, ISO date) pairs given, or of all days."""
    from datetime import date

    chosen = [Day(site, date.fromisoformat(day)) for site, day in days] or [day for day, _ in days_of(fleet)]
    return events_of(read_catalogue(fleet, chosen))


def states(fleet: Fleet) -> dict[str, str]:
    """State of each day, by ISO date; for fleets of one site."""
    return {day.day.isoformat(): state for day, state in days_of(fleet)}


def plain_run(config: Path) -> subprocess.CompletedProcess[str]:
    """Run the nightly work in a process of its own, to its end."""
    return run_code(PLAIN_RUN, config)


def halfcycle(
    *words: str | Path, cwd: Path | None = None, env: Mapping[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run the command `halfcycle` in a process of its own."""
    return run_code(COMMAND, *words, cwd=cwd, env=env)


def installed_halfcycle(*words: str | Path, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run the installed command, as a user does."""
    options = {"capture_output": True, "text": True, "timeout": 600} | options
    return subprocess.run([str(command()), *(str(word) for word in words)], check=False, **options)


def errors_after_hanging_up(*words: str | Path) -> str:
    """What the installed command says of errors where whoever reads its output closes the pipe at once."""
    with subprocess.Popen(
        [str(command()), *(str(word) for word in words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stderr is not None
        child.stdout.close()
        errors = child.stderr.read()
        child.wait(timeout=60)
    return errors


def command() -> Path:
    """The installed command, beside the interpreter that runs the tests."""
    beside = Path(sys.executable).with_name("halfcycle")
    found = str(beside) if beside.exists() else shutil.which("halfcycle")
    if found is None:
        raise FileNotFoundError("halfcycle is not installed")
    return Path(found)


def private_home(folder: Path) -> dict[str, str]:
    """An environment in which neither the user's settings nor Prefect's history of other runs is seen."""
    folder.mkdir(parents=True, exist_ok=True)
    kept = {key: value for key, value in os.environ.items() if not key.startswith("PREFECT_")}
    return {**kept, "HOME": str(folder), "PREFECT_HOME": str(folder / "prefect")}


def grown_old(fleet: Fleet) -> None:
    """As if nothing had changed for a minute; what changes from now on gets another time."""
    for kind in ("waveforms", "catalogue", "recorded"):
        for path in (fleet.store / kind).rglob("*"):
            status = path.stat()
            os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns - 60_000_000_000))
