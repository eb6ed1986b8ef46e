"""Logs of RMS handed on row by row: every value, time and flag as it was, and the same events in what was written."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from made_fleet import halfcycle

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.readers import intervals_in
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.settings import Site, Thresholds
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.survey.exported_logs import export_logs, logs_in

SOURCE = "derived: what is written row by row is what was read; a ratio multiplies"


def write_log(path: Path, n: int = 400) -> Path:
    """Half cycles with extremes, a sag, a swell of another phase, a value that lacks, a flagged row."""
    path.parent.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(7)
    volts = 230 + np.round(rng.normal(0, 0.3, (2, n)), 3)
    volts[0, 100:130], volts[1, 200:220] = 115.0, 276.0
    lines = ["# station: REC-1", "time,U L1 (V),U L2 (V),U L1 min (V),I L1 (kA),Frequency (Hz),status"]
    for i in range(n):
        second, sub = divmod(i * 10, 1000)
        second_phase = "" if i == 300 else f"{volts[1, i]:.3f}"
        lines.append(
            f"2026-03-01T12:00:{second:02}.{sub:03}Z,{volts[0, i]:.3f},{second_phase},{volts[0, i] - 1:.3f},0.0123,"
            f"{50 + i * 1e-4:.4f},{1 if i == 50 else 0}"
        )
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_every_row_goes_out_and_reads_as_the_same_log(tmp_path: Path, ending: str) -> None:
    path = write_log(tmp_path / "log.csv")
    (log,) = logs_in(path, sites=SiteTable())
    out = tmp_path / "out" / f"log{ending}"
    assert export_logs([log], out) == [(out, 400)]
    (again,) = intervals_in(out)
    assert (again.station, again.step_ns) == ("REC-1", 10_000_000)
    assert again.starts_ns.tolist() == log.starts_ns.tolist()
    assert np.flatnonzero(again.flagged).tolist() == [50]
    ours, theirs = ({one.column: one.values for one in each.series} for each in (log, again))
    assert list(ours) == list(theirs) == ["u_rms_a", "u_rms_a_min", "u_rms_b", "i_rms_a", "f"]
    for name, values in ours.items():
        np.testing.assert_array_equal(values, theirs[name])
    assert np.isnan(theirs["u_rms_b"][300])
    assert theirs["i_rms_a"][0] == pytest.approx(12.3)

    def events(of: Path) -> list[tuple[object, ...]]:
        result = screen([of], terms=Terms(Thresholds(), 230.0, 50.0), workers=1)
        return [(one.site, one.kind, one.phases, one.start, one.duration_s, one.magnitude) for one in result.events]

    assert [kind for _, kind, *_ in events(path)] == ["sag", "swell"]
    assert events(out) == events(path)


def test_a_table_of_it_is_what_a_spreadsheet_reads(tmp_path: Path) -> None:
    done = halfcycle("export", write_log(tmp_path / "log.csv"), "--out", tmp_path / "rows.csv")
    assert done.returncode == 0, done.stderr
    assert "400 rows, values read back exactly" in done.stdout
    rows = list(csv.DictReader((tmp_path / "rows.csv").read_text().splitlines()))
    assert len(rows) == 400
    assert list(rows[0]) == [
        "time", "u_rms_a (V)", "u_rms_a_min (V)", "u_rms_b (V)", "i_rms_a (A)", "f (Hz)", "flagged",
    ]  # fmt: skip
    assert (rows[100]["time"], rows[100]["u_rms_a (V)"]) == ("2026-03-01T12:00:01.000000000Z", "115.0")


def test_ratios_and_names_of_a_table_of_sites_are_in_it_and_several_logs_are_numbered(tmp_path: Path) -> None:
    sites = SiteTable((Site(name="Mill", stations=("REC-1",), voltage_ratio=100.0),))
    logs = logs_in(write_log(tmp_path / "log.csv"), sites=sites)
    out = tmp_path / "log.parquet"
    paths = [path for path, _ in export_logs([*logs, *logs], out)]
    assert [path.name for path in paths] == ["log-001.parquet", "log-002.parquet"]
    assert pq.read_table(paths[0]).column("u_rms_a (V)")[100].as_py() == 11_500.0
    assert intervals_in(paths[1])[0].station == "Mill"


def test_what_cannot_be_is_said(tmp_path: Path) -> None:
    path = write_log(tmp_path / "log.csv")
    with pytest.raises(ConfigError, match=r"exported as \.csv and \.parquet"):
        export_logs(logs_in(path, sites=SiteTable()), tmp_path / "log.mat")
    capture = tmp_path / "wave.csv"
    capture.write_text("t_s,u\n" + "\n".join(f"{i / 1600:.6f},{np.sin(i / 5):.4f}" for i in range(400)) + "\n")
    done = halfcycle("export", path, capture, "--out", tmp_path / "both.csv")
    assert done.returncode == 2
    assert "these are captures and logs of RMS: export them one by one" in done.stderr
