"""Labelled events of a measured set: found where the label lies, and called as it says."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from forked import run_code
from made_fleet import made_capture, write_capture

from halfcycle.pipeline.benchmark.measured_labels import Answered, answered, label_sections, label_summary, labels_of
from halfcycle.pipeline.benchmark.measured_set import MeasuredSet, examine
from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.sites.table import SiteTable

SOURCE = "derived: synthetic captures whose sags are known; shares counted by hand"
COMMAND = "from halfcycle.pipeline.cli import main; main()"
CAUSES = ("fault", "motor starting")
TERMS = Terms(Thresholds(), 230.0, 50.0, "four-wire", explain=True)
FIRST = "2026-03-01T12:00:00"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Captures of two seconds with sags of 0.2 s: at 0.8 s in a and in b, at 0.3 and 1.5 s in c, none in d."""
    folder = tmp_path_factory.mktemp("set")
    sags = {"a": [(0.8, 0.2, 0.5)], "b": [(0.8, 0.2, 0.6)], "c": [(0.3, 0.2, 0.5), (1.5, 0.2, 0.5)], "d": []}
    for k, (name, of_capture) in enumerate(sags.items()):
        capture = made_capture(FIRST, hookup="four-wire", station=f"Weir {name}", sags=of_capture, seed=k)
        write_capture(capture, folder / f"{name}.npz")
    return folder


@pytest.fixture(scope="module")
def examined(folder: Path) -> MeasuredSet:
    return examine(folder, terms=TERMS, sites=SiteTable(), by="site", test_share=0.5)


def scored(folder: Path, examined: MeasuredSet, *rows: str) -> tuple[list[Answered], list[str]]:
    table = folder / "labels.csv"
    table.write_text("\n".join(["capture,start,label", *rows]) + "\n")
    return answered(labels_of(table), examined, causes=CAUSES)


def test_labels_are_answered_by_the_event_they_lie_in(folder: Path, examined: MeasuredSet) -> None:
    answers, unscored = scored(
        folder, examined, "a.npz,0.81,Sag", f"b.npz,{FIRST}.790Z,swell", "c.npz,1.55,kiln start", "d.npz,1.0,sag",
        "a.npz,0.5,sag", "c.npz,0.35,sag",
    )  # fmt: skip
    assert unscored == []
    assert [one.alike for one in answers] == [True, False, None, False, False, True]
    assert [one.event is not None for one in answers] == [True, True, True, False, False, True]
    # by hand: the sag of a begins at 0.8 s, that of b likewise, those of c at 0.3 and 1.5 s
    assert [round(one.off_s, 2) for one in answers if one.event is not None] == [-0.01, 0.01, -0.05, -0.05]
    assert {one.set for one in answers} <= {"train", "test", ""}
    said = label_summary(answers)
    assert "4 of 6 found; 2 of 5 called" in said


def test_the_report_counts_by_set_and_by_label(folder: Path, examined: MeasuredSet) -> None:
    answers, _ = scored(folder, examined, "a.npz,0.81,sag", "b.npz,0.81,sag", "d.npz,1.0,sag", "c.npz,0.35,kiln start")
    text = "\n".join(label_sections(answers, causes=CAUSES))
    assert "| all | 4 | 4 | 0.75 (" in text
    assert "| sag | 3 | 2 | 2 | " in text
    assert "| kiln start | 1 | 1 | – | sag, " in text
    assert "nothing 1" in text


def test_a_label_late_in_a_sag_that_outlasts_its_record_is_the_sags(tmp_path: Path) -> None:
    # by hand: a sag from 0.8 s to beyond the end at 2 s; the label lies 1 s after its start
    sag = made_capture(FIRST, hookup="four-wire", station="Weir", sags=[(0.8, 5.0, 0.5)])
    write_capture(sag, tmp_path / "e.npz")
    answers, _ = scored(tmp_path, examine(tmp_path, terms=TERMS, sites=SiteTable()), "e.npz,1.8,sag")
    assert [one.alike for one in answers] == [True]


def test_what_cannot_be_scored_is_named_and_the_rest_is_scored(folder: Path, examined: MeasuredSet) -> None:
    answers, unscored = scored(folder, examined, "a.npz,0.81,sag", "a.npz,7.5,sag", "gone.npz,0.1,sag")
    assert len(answers) == 1
    assert [reason.split(":")[0] for reason in unscored] == ["line 3", "line 4"]
    assert "lies outside a.npz" in unscored[0]
    assert "gone.npz: is none of the recordings that were examined" in unscored[1]
    with pytest.raises(ConfigError, match=r"line 2: 'x' is not a date"):
        scored(folder, examined, "a.npz,x,sag")


@pytest.mark.slow
def test_the_command_writes_each_answer(folder: Path, tmp_path: Path) -> None:
    (folder / "labels.csv").write_text("capture,start,label\na.npz,0.8,sag\nd.npz,1.0,sag\nd.npz,9.0,sag\n")
    done = run_code(
        COMMAND, "benchmark", "measured", str(folder), "--out", str(tmp_path), "--labels", str(folder / "labels.csv"),
        "--nominal-voltage", "230", "--nominal-frequency", "50", "--detect", "transient", "--workers", "1",
    )  # fmt: skip
    assert done.returncode == 3, done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert "labels.csv, line 4: start 9.0 lies outside d.npz" in done.stderr
    assert "labelled events: 1 of 2 found; 1 of 2 called" in done.stdout
    with (tmp_path / f"{folder.name}.labels.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [(row["found"], row["kind"], row["alike"]) for row in rows] == [("1", "sag", "1"), ("0", "", "0")]
    report = (tmp_path / f"{folder.name}.md").read_text()
    # by hand: four captures of two seconds, four sags: 4 in 8 s are 43,200 a day
    assert "| sag | 4 | 4.32e+04 | 1.3e+06 |" in report
    wrong = run_code(COMMAND, "benchmark", "measured", str(folder), "--detect", "sag", "--out", str(tmp_path))
    assert wrong.returncode == 2
    assert "always detected" in wrong.stderr
