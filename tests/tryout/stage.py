"""What commands are tried on: an archive of measured and drawn captures of every format, and what comes of it."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from made_fleet import COMMAND, PLAIN_RUN, ROOT, SITE, made_capture, ns, run_code, write_fleet

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.writers.comtrade import write_comtrade
from halfcycle.pipeline.writers.delimited import write_delimited
from halfcycle.pipeline.writers.matlab import write_mat
from halfcycle.pipeline.writers.numpy_archive import write_npz
from halfcycle.pipeline.writers.parquet import write_waveform_parquet
from halfcycle.pipeline.writers.pqdif import write_pqdif

RECORDINGS = ROOT.parent / "shared" / "data"
TIMEOUT_S = 900
LONG_S = 40.0  # of each drawn capture of the large archive: what starts processes where that pays
_SUITES = {
    "detectors": (
        'like = "detectors-quick"\nsnr_db = [40.0]\n[[families]]\nkind = "sag"\ncount = 2\nseconds = 1.0\n'
        "level_pu = [0.3, 0.8]\nduration_s = [0.1, 0.3]\n"
    ),
    "circuits": 'like = "circuits"\ncircuits = 2\n',
    "classifiers": 'like = "classifiers-quick"\ntrain_per_class = 10\ntest_per_class = 2\n',
}


@dataclass(frozen=True)
class Stage:
    """Paths by the names that `values.TABLE` has for them."""

    paths: dict[str, str]

    def filled(self, word: str, out: Path) -> str:
        """A word of a command with paths in the places of their names."""
        return word.format(out=out, **self.paths)


def set_up(folder: Path, *, large: bool) -> Stage:
    """Make all that commands are tried on.

    Parameters
    ----------
    folder : to make it in.
    large : a larger archive, with the measured recordings where they lie beside the project, a damaged file and a
        document; and a model.
    """
    archive = folder / "archive"
    archive.mkdir(parents=True)
    for i, (write, name) in enumerate(_files(large)):
        write(_capture(i, LONG_S if large else 1.0), archive / name)
    sites = folder / "sites.toml"
    _done("inspect", archive, "--sites", sites)
    catalogue = folder / "catalogue.parquet"
    key = folder / "key"
    key.write_bytes(b"sixteen bytes of it, at least")
    done = _done("screen", archive, "--out", catalogue, "--explain", "--detect", "transient", "--key", key)
    assert done.returncode == 0, done.stderr
    if large:
        (archive / "bad.parquet").write_bytes((archive / "0.parquet").read_bytes()[:900])
        (archive / "minutes.pdf").write_bytes(b"%PDF-1.7")
        for path in sorted(RECORDINGS.iterdir()) if RECORDINGS.is_dir() else ():
            (archive / path.name).write_bytes(path.read_bytes())
    paths = {
        "archive": archive, "file": archive / "0.cfg", "sites": sites, "catalogue": catalogue,
        "fleet": _fleet(folder / "fleet"), "coverage": folder / "coverage.csv", "topology": folder / "net.toml",
        "labels": folder / "labels.csv", "model": folder / "model", "trend": folder / "trend.parquet",
        "key": key,
    }  # fmt: skip
    paths["coverage"].write_text(
        "site,point,start,end,judged_s,not_judged_s,reason\n"
        f"{SITE},,2026-03-01T00:00:00Z,2026-03-02T00:00:00Z,86400,0,\n"
    )
    paths["topology"].write_text(f'[[sites]]\nsite = "{SITE}"\ngroup = "quarry line"\n')
    rows = [
        f"archive/0.{end},{0.3 + 0.01 * k},{'sag' if k % 2 else 'swell'}" for k, end in enumerate(["cfg", "pqd"] * 6)
    ]
    paths["labels"].write_text("\n".join(["capture,start,label", *rows]) + "\n")
    for name, text in _SUITES.items():
        paths[name] = folder / f"{name}.toml"
        paths[name].write_text(text)
    if large:
        done = _done("train", "--out", paths["model"], "--per-class", "20")
        assert done.returncode == 0, done.stderr
    _done("measure", archive / "0.cfg", "--out", paths["trend"], "--interval", "600", "--nominal-voltage", "230")
    ids = _done("screen", archive, "--out", folder / "e.ndjson", "--worst", "0")
    assert "Traceback" not in ids.stderr
    event = json.loads((folder / "e.ndjson").read_text().splitlines()[0])["event_id"]
    return Stage({name: str(path) for name, path in paths.items()} | {"event": event})


def _done(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return run_code(COMMAND, *words, timeout_s=TIMEOUT_S)


def _files(large: bool) -> Iterator[tuple[object, str]]:
    """Functions that write a capture, and the names of their files: one of each format, or some."""
    for i in range(3 if large else 1):
        yield lambda capture, path: write_comtrade(capture, path, revision=1999, data="ASCII"), f"{i}.cfg"
        yield lambda capture, path: write_comtrade(capture, path, revision=2013, data="FLOAT32"), f"{i}.cff"
        yield write_delimited, f"{i}.csv"
        yield write_npz, f"{i}.npz"
        yield write_mat, f"{i}.mat"
        yield write_waveform_parquet, f"{i}.parquet"
        yield lambda capture, path: write_pqdif([capture], path, compressed=True), f"{i}.pqd"


def _capture(number: int, seconds: float) -> Capture:
    return made_capture(
        f"2026-03-01T{number // 60:02d}:{number % 60:02d}:00", seconds=seconds, sags=[(0.4, 0.2, 0.5)],
        hookup="four-wire", station=SITE, seed=number,
    )  # fmt: skip


def _fleet(folder: Path) -> Path:
    """A fleet of one site with two stored captures and their catalogue."""
    config = write_fleet(folder)
    for number in range(2):
        capture = made_capture(f"2026-03-0{number + 1}T12:00:00", sags=[(0.5, 0.2, 0.5)])
        write_delimited(capture, folder / "inbox" / f"{number}.csv")
        (folder / "inbox" / SITE).mkdir(exist_ok=True)
        (folder / "inbox" / f"{number}.csv").rename(folder / "inbox" / SITE / f"{number}.csv")
    done = run_code(PLAIN_RUN, config)
    assert done.returncode == 0, done.stderr
    assert ns("2026-03-01T12:00:00") > 0
    return config
