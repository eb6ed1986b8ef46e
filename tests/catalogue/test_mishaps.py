"""A detector that fails costs its own findings: those of the others stay, and the failure is told and counted."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from made_fleet import events_in, loaded, made_capture, write_capture, write_fleet

import halfcycle.pipeline.spread as spread_module
from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.catalogue.judge import Findings, Terms, judge
from halfcycle.pipeline.catalogue.mishaps import mishaps_of
from halfcycle.pipeline.cli import screen_command
from halfcycle.pipeline.cli.fleet_commands import report
from halfcycle.pipeline.detectors.contract import Chosen
from halfcycle.pipeline.detectors.registry import choose, detectors
from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.nightly.days import coverage_of
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.settings import Thresholds

SOURCE = "the project's own design: a bug costs what it touches and shows up in the summary, never silently"
SAGS = [(0.8, 0.3, 0.6)]
NAMES = ("transient", "rapid_voltage_change", "unbalance")


def broken(name: str, error: Exception) -> Any:
    """The detectors of `NAMES`, one of which raises an error."""

    def fails(*_: Any) -> Any:
        raise error

    return tuple(
        replace(one, detector=replace(one.detector, find=fails)) if one.detector.name == name else one
        for one in choose({name: {} for name in NAMES})
    )


def judged(chosen: tuple[Chosen, ...]) -> Findings:
    capture: Capture = made_capture("2026-03-01T12:00:00", sags=SAGS)
    (record,) = records_of([Piece(capture.header, lambda: capture, lambda: "d")])
    return judge(record, site="s", terms=Terms(Thresholds(), detectors=chosen))


@pytest.mark.parametrize("name", NAMES)
def test_a_failing_detector_costs_its_own_findings_and_is_named(name: str) -> None:
    # SOURCE.
    found, whole = judged(broken(name, ZeroDivisionError("a bug"))), judged(choose({n: {} for n in NAMES if n != name}))
    assert found.events == whole.events
    assert [event.kind for event in found.events].count("sag") == 1
    first, second = found.coverage
    assert (first,) == whole.coverage
    assert (second.judged_s, second.not_judged_s) == (0.0, 0.0)
    assert second.reason == f"detector failed: {name} (ZeroDivisionError: a bug)"


@pytest.mark.parametrize("error", [MalformedRecord(Path("x"), "samples", "cannot be read"), MemoryError()])
def test_what_is_the_captures_or_the_machines_fault_is_not_taken_for_the_detectors(
    error: Exception, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE: the file is set aside, or in a worker process tried again by another.
    monkeypatch.setattr(spread_module, "parent_process", lambda: "there is one")
    with pytest.raises(type(error)):
        judged(broken("unbalance", error))


def test_short_memory_where_no_other_process_is_costs_a_detector_what_it_would_have_found() -> None:
    # SOURCE.
    found = judged(broken("unbalance", MemoryError()))
    assert [event.kind for event in found.events].count("sag") == 1
    assert found.coverage[1].reason == "detector failed: unbalance (MemoryError)"


def fails(*_: Any) -> Any:
    raise ZeroDivisionError("a bug")


def test_screening_and_night_have_the_other_events_name_the_detector_and_end_with_status_3(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # SOURCE.
    monkeypatch.setitem(detectors(), "unbalance", replace(detectors()["unbalance"], find=fails))
    fleet = loaded(write_fleet(tmp_path / "fleet", extra="[detectors.unbalance]\n"))
    path = fleet.inbox / fleet.sites[0].name / "a.cfg"
    write_capture(made_capture("2026-03-01T12:00:00", sags=SAGS), path)
    out = tmp_path / "e.parquet"
    assert screen_command.screen_command([path], out, detect="unbalance", workers=1) == 3
    assert pq.read_table(out).column("kind").to_pylist() == ["sag"]
    told = capsys.readouterr()
    assert "not judged: 1 capture or point: detector failed: unbalance (ZeroDivisionError: a bug)" in told.out
    assert "1 time: a detector failed" in told.err
    summary = run_nightly(fleet)
    assert [event.kind for event in events_in(fleet)] == ["sag"]
    assert report(summary, nothing="") == 3
    assert "detector failed: unbalance" in capsys.readouterr().out
    (span,) = coverage_of(fleet, [summary.days[0].day])
    assert (span.judged_s, span.not_judged_s) == (pytest.approx(2.0), 0.0)
    assert "detector failed: unbalance" in span.reason


def test_arrow_does_without_pandas_and_pandas_is_there_afterwards() -> None:
    # Derived: the libraries' own conversions, before and after.
    code = (
        "import sys\n"
        "from halfcycle.pipeline.quick_start import arrow_without_pandas\n"
        "arrow_without_pandas(); arrow_without_pandas()\n"
        "import pyarrow as pa\n"
        "table = pa.table({'a': [1.5, None], 'b': ['x', None]})\n"
        "assert 'pandas' not in sys.modules\n"
        "frame = table.to_pandas()\n"
        "import pandas as pd\n"
        "assert pa.Table.from_pandas(frame).to_pydict() == table.to_pydict()\n"
        "assert pa.array(pd.Series([1, 2])).to_pylist() == [1, 2]\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("notes", "found"),
    [
        ("", ()),
        ("not explained (a bug)", ("not explained",)),
        # As rows have it that were stored before the words were changed.
        ("odd; not named by the model (a bug)", ("not classified by the model",)),
        ("uncertainty not told (a bug)", ("uncertainty not determined",)),
        ("not classified by the model (x); uncertainty not determined (y)",
         ("not classified by the model", "uncertainty not determined")),
        ("not explained", ()),  # without what went wrong it is nobody's failure
    ],
)  # fmt: skip
def test_what_failed_on_a_row_is_read_from_its_notes_whichever_version_wrote_them(
    notes: str, found: tuple[str, ...]
) -> None:
    # SOURCE: the wording of this project's earlier and present notes.
    assert mishaps_of(notes) == found
