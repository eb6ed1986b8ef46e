"""`halfcycle show`: one event in words, as a picture, as samples."""

from __future__ import annotations

import csv
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pyarrow.parquet as pq
import pytest
from made_fleet import SITE, halfcycle, made_capture, write_capture, write_fleet

from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.readers import read_captures

pytestmark = pytest.mark.slow

START = "2026-03-01T12:00:00"


@pytest.fixture
def catalogue(tmp_path: Path) -> Path:
    """Two sags of three phases at an ill-named site."""
    sags = [(1.0, 0.3, 0.5), (2.5, 0.1, 0.2)]
    made = made_capture(START, seconds=4, sags=sags, station="Mill <b>&", hookup="four-wire")
    write_capture(made, tmp_path / "in" / "a.csv")
    done = halfcycle("screen", "in", "--out", "e.parquet", "--nominal-voltage", "230", "--explain", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    return tmp_path / "e.parquet"


def first_id(catalogue: Path) -> str:
    return str(pq.read_table(catalogue)["event_id"][0])


@pytest.mark.parametrize("ending", [".svg", ".png"])
def test_an_event_is_told_and_drawn_and_its_samples_written(catalogue: Path, tmp_path: Path, ending: str) -> None:
    # By hand: half of 230 V is 115 V; the file's own samples are those that are written.
    words = ("show", first_id(catalogue), "--in", "e.parquet", "--out", f"p{ending}", "--samples", "s.csv")
    done = halfcycle(*words, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "fell to 50.0 %" in done.stdout
    assert "(115 V)" in done.stdout
    assert "in/a.csv" in done.stdout
    picture = (tmp_path / f"p{ending}").read_bytes()
    if ending == ".svg":
        assert {element.tag.rpartition("}")[2] for element in ElementTree.fromstring(picture)} <= {
            "rect", "line", "polyline", "polygon", "circle", "text",
        }  # fmt: skip
    else:
        assert picture.startswith(b"\x89PNG")
    with (tmp_path / "s.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    (capture,) = read_captures(tmp_path / "in" / "a.csv")
    times = [row["time"] for row in rows]
    assert times == sorted(times)
    first_ns = np.datetime64(times[0].rstrip("Z")).astype("datetime64[ns]").astype(int)
    at = round((first_ns - capture.header.start_ns) / 1e9 * 1600)
    written = np.array([float(row["UA [V]"]) for row in rows])
    assert np.allclose(written, capture.physical(0)[at : at + len(rows)], atol=1e-5)


def test_a_moved_file_is_found_in_a_folder_that_is_named(catalogue: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "in").rename(tmp_path / "elsewhere" / "now here")
    (tmp_path / "cat").mkdir()
    catalogue.rename(tmp_path / "cat" / "e.parquet")
    words = ("show", first_id(tmp_path / "cat" / "e.parquet"), "--in", "cat/e.parquet")
    lost = halfcycle(*words, cwd=tmp_path)
    assert lost.returncode == 1
    assert "--files" in lost.stderr
    found = halfcycle(*words, "--files", "elsewhere", cwd=tmp_path)
    assert found.returncode == 0, found.stderr
    assert "now here/a.csv" in found.stdout


def test_an_event_of_a_fleet_is_shown_from_its_store(tmp_path: Path) -> None:
    config = write_fleet(tmp_path)
    write_capture(made_capture(START, seconds=4.0, sags=[(1.0, 0.3, 0.5)]), tmp_path / "inbox" / SITE / "a.parquet")
    run_nightly(load_fleet(config))
    catalogue = next((tmp_path / "store" / "catalogue").rglob("events.parquet"))
    event_id = str(pq.read_table(catalogue, partitioning=None)["event_id"][0])
    done = halfcycle("show", event_id[:6], "--config", config)
    assert done.returncode == 0, done.stderr
    assert SITE in done.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["zzz", "--in", "e.parquet"], "no event 'zzz'"),
        (["a"], "--config"),
        (["a", "--in", "e.parquet", "--out", "p.jpg"], ".svg or .png"),
        (["a", "--in", "e.parquet", "--samples", "s.txt"], ".csv"),
        (["a", "--in", "e.parquet", "--files", "none"], "no such folder"),
        (["", "--in", "e.parquet"], "no event"),
    ],
)
def test_wrong_usage_is_said_with_status_2(catalogue: Path, tmp_path: Path, words: list[str], said: str) -> None:
    done = halfcycle("show", *words, cwd=tmp_path)
    assert done.returncode == 2
    assert said in done.stderr
