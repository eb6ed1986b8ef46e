"""`halfcycle indices`: the tables of a catalogue, printed and written."""

from __future__ import annotations

import csv
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from made_fleet import halfcycle, made_capture, write_capture

from halfcycle.pipeline.catalogue.tables import write_table
from halfcycle.pipeline.indices.coverage import CoverageSpan, coverage_table

pytestmark = pytest.mark.slow

DAY_NS = 86_400_000_000_000


@pytest.fixture
def catalogue(tmp_path: Path) -> Path:
    """Three sags to half the voltage, 0.2 s each, within a minute."""
    sags = [(0.5, 0.2, 0.5), (1.5, 0.2, 0.5), (2.5, 0.2, 0.5)]
    write_capture(made_capture("2026-03-01T12:00:00", seconds=4, sags=sags, station="Mill"), tmp_path / "in" / "a.csv")
    halfcycle("screen", tmp_path / "in", "--out", tmp_path / "e.parquet", "--nominal-voltage", "230")
    return tmp_path / "e.parquet"


def rows_of(path: Path) -> dict[tuple[str, str, str], dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return {(row["index"], row["item"], row["basis"]): row for row in csv.DictReader(stream)}


def test_indices_are_printed_and_written_raw_and_aggregated(catalogue: Path, tmp_path: Path) -> None:
    # By hand: three sags, one in a minute; 0.5 is not below 50 %, and below 70 % of the ITI curve.
    done = halfcycle("indices", catalogue, "--out", tmp_path / "i.csv", "--judged-days", "30")
    assert done.returncode == 0, done.stderr
    rows = rows_of(tmp_path / "i.csv")
    assert float(rows["SARFI-X", "70 %", "polyphase"]["value"]) == 3
    assert float(rows["SARFI-X", "70 %", "polyphase"]["rate"]) == pytest.approx(3)
    assert float(rows["SARFI-X", "70 %", "time-aggregated"]["value"]) == 1
    assert float(rows["SARFI-curve", "iti", "polyphase"]["value"]) == 3
    assert "SARFI-X" in done.stdout
    assert "does not slide" in done.stdout
    pq.read_table(catalogue)
    assert halfcycle("indices", catalogue, "--out", tmp_path / "i.parquet").returncode == 0
    assert pq.read_table(tmp_path / "i.parquet").num_rows == len(rows)


def test_without_the_time_judged_there_are_counts_and_no_rates(catalogue: Path) -> None:
    done = halfcycle("indices", catalogue)
    assert "withheld" in done.stdout
    assert "the judged time is unknown" in done.stdout


def test_coverage_gives_rates_or_says_why_not(catalogue: Path, tmp_path: Path) -> None:
    for judged_s, word in ((86_000.0, "RATE"), (40_000.0, "only 46.3 %")):
        write_table(coverage_table([CoverageSpan("Mill", None, 0, DAY_NS, judged_s)]), tmp_path / "c.csv")
        done = halfcycle("indices", catalogue, "--coverage", tmp_path / "c.csv", "--out", tmp_path / "i.csv")
        row = rows_of(tmp_path / "i.csv")["SARFI-X", "70 %", "polyphase"]
        if word == "RATE":
            assert float(row["rate"]) == pytest.approx(3 * 30 * 86_400 / judged_s)
        else:
            assert row["rate"] == ""
            assert word in done.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [(["none.parquet"], "no such"), (["a.txt"], ".parquet"), (["x.csv", "--out", "i.xlsx"], ".ndjson")],
)
def test_wrong_usage_is_said_with_status_2(tmp_path: Path, words: list[str], said: str) -> None:
    done = halfcycle("indices", *words, cwd=tmp_path)
    assert done.returncode == 2
    assert said in done.stderr
