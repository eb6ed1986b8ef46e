"""Trends out as CSV, Parquet and PQDIF, and back: the same values, flags and verdict, or what is missing is named."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from made_fleet import halfcycle

from halfcycle.pipeline.errors import ConfigError, StoreError
from halfcycle.pipeline.readers import intervals_in
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.survey.certificate import certified_quantities
from halfcycle.pipeline.survey.exported import export_trends, trends_in
from halfcycle.pipeline.survey.measure import Trend
from halfcycle.pipeline.survey.stored import StoredTrend, read_trends
from halfcycle.pipeline.survey.written import write_trends
from halfcycle.pipeline.trend_table import Certificate, Origin

SOURCE = "derived: what goes out must come back"
START_NS = 1_772_431_200_000_000_000
COLUMNS = (
    "u_rms_a", "u_rms_a_min", "u_rms_a_max", "i_rms_b", "i_rms_n", "thd_u_c", "p_a", "p_total", "q1_total", "f", "u2",
    "pst_a", "crest_i_b", "s_a", "pf_a", "uh05_a", "energy_in",
)  # fmt: skip


def made_trend(
    *, site: str = "Mill", point: str = "", step_s: float = 600.0, n: int = 30, seed: int = 1,
    origin: Origin = "measured from waveforms",
) -> StoredTrend:  # fmt: skip
    rng = np.random.default_rng(seed)
    columns: dict[str, object] = {
        "start": pa.array(START_NS + np.arange(n) * round(step_s * 1e9), pa.timestamp("ns", tz="UTC")),
        "measured": np.ones(n, np.float32), "flag": rng.random(n) < 0.2, "interrupted": np.zeros(n, np.bool_),
    }  # fmt: skip
    for name in COLUMNS:
        values = rng.normal(230, 30, n).astype(np.float64 if name == "energy_in" else np.float32)
        values[3] = np.nan
        columns[name] = values
    table = pa.table(columns)
    certificate = Certificate(site, point, origin, step_s, 230.0, "declared", quantities=certified_quantities(table))
    return StoredTrend(Trend(table, 230.0, "declared", "four-wire", ("A",), ("B",)), certificate)


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_a_trend_goes_out_and_comes_back_with_its_certificate(tmp_path: Path, ending: str) -> None:
    trends = [made_trend(), made_trend(site="Weir", point="bus 2", seed=2)]
    (one,) = export_trends(trends, tmp_path / f"t{ending}")
    assert (one.n_rows, one.largest_error, one.left_out) == (60, 0.0, ())
    again = read_trends(tmp_path / f"t{ending}")
    assert [other.key for other in again] == [("Mill", ""), ("Weir", "bus 2")]
    for given, other in zip(trends, again, strict=True):
        assert other.certificate == given.certificate
        for name in COLUMNS:
            ours, theirs = (one.trend.table.column(name).to_numpy() for one in (given, other))
            np.testing.assert_array_equal(ours, theirs)


def test_pqdif_holds_what_the_standard_names_and_the_rest_is_named(tmp_path: Path) -> None:
    trend = made_trend()
    (one,) = export_trends([trend], tmp_path / "t.pqd")
    assert (one.path, one.largest_error) == (tmp_path / "t.pqd", 0.0)
    assert one.left_out == ("measured", "interrupted", "uh05_a", "energy_in")
    (found,) = intervals_in(tmp_path / "t.pqd")
    table = trend.trend.table
    assert {series.column for series in found.series} == set(COLUMNS) - {"uh05_a", "energy_in"}
    for series in found.series:
        np.testing.assert_array_equal(series.values, table.column(series.column).to_numpy())
    assert found.flagged.tolist() == table.column("flag").to_pylist()
    assert (found.station, found.step_s) == ("Mill", 600.0)


def test_points_and_lengths_share_a_pqdif_file_and_origins_do_not(tmp_path: Path) -> None:
    trends = [
        made_trend(point="bus 1"), made_trend(point="bus 2", seed=2), made_trend(point="bus 1", step_s=10.0, seed=3),
        made_trend(point="bus 1", seed=4, origin="recorded by the instrument"),
    ]  # fmt: skip
    written = export_trends(trends, tmp_path / "t.pqd")
    assert [one.path.name for one in written] == ["t.pqd", "t.recorded.pqd"]
    found = {(one.point, one.step_s) for one in intervals_in(tmp_path / "t.pqd")}
    assert found == {("bus 1", 600.0), ("bus 2", 600.0), ("bus 1", 10.0)}


def test_the_same_trends_give_the_same_bytes(tmp_path: Path) -> None:
    for folder in ("a", "b"):
        export_trends([made_trend()], tmp_path / folder / "t.pqd")
    assert (tmp_path / "a" / "t.pqd").read_bytes() == (tmp_path / "b" / "t.pqd").read_bytes()


def test_what_cannot_be_written_is_said_and_nothing_stays(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"exported as \.csv, \.parquet, \.pqd"):
        export_trends([made_trend()], tmp_path / "t.mat")
    with pytest.raises(StoreError, match="at least two times"):
        export_trends([StoredTrend(_one_row(), made_trend().certificate)], tmp_path / "t.pqd")
    assert list(tmp_path.iterdir()) == []


def _one_row() -> Trend:
    trend = made_trend(n=4).trend
    return Trend(trend.table.slice(0, 1), 230.0, "declared", "four-wire", ("A",), ("B",))


@pytest.mark.slow
def test_the_command_exports_trends_and_recorders_logs_with_the_same_verdict(tmp_path: Path) -> None:
    trend = tmp_path / "trend.parquet"
    write_trends([made_trend(n=1008)], trend, interval_s=600.0)
    done = halfcycle("export", trend, "--out", tmp_path / "t.pqd")
    assert done.returncode == 0, done.stderr
    assert "1008 intervals, values read back exactly" in done.stdout
    assert "left out: 4 columns that PQDIF cannot hold: measured, interrupted, uh05_a, energy_in" in done.stdout
    verdicts = []
    for path in (trend, tmp_path / "t.pqd"):
        out = tmp_path / f"{path.stem}.verdicts.csv"
        judged = halfcycle(
            "measure", path, "--limits", "ansi-c84-1-range-a-service", "--verdicts", out, "--nominal-voltage", "230"
        )  # fmt: skip
        assert judged.returncode == 0, judged.stderr
        rows = list(csv.DictReader(out.read_text().splitlines()))
        verdicts.append([(row["limit"], row["series"], row["period"], row["verdict"]) for row in rows])
    assert verdicts[0] == verdicts[1]
    assert verdicts[0]
    (recorded,) = trends_in(tmp_path / "t.pqd", sites=SiteTable())
    assert recorded.certificate.origin == "recorded by the instrument"
    refused = halfcycle("export", trend, "--out", tmp_path / "t.csv", "--separator", ";")
    assert refused.returncode == 2
    assert "apply to captures only; these are trends" in refused.stderr
