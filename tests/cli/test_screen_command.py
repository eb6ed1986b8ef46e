"""`halfcycle screen`: any folder of captures to a catalogue, and what could not be read beside it."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import time
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from child_processes import children_of
from made_fleet import command, cut, halfcycle, made_capture, ns, write_capture
from readers.pqdif_bytes import interval_file

pytestmark = pytest.mark.slow

SAG = [(0.5, 0.2, 0.5)]
START = "2026-03-01T12:00:00"
TIME = pa.timestamp("ns", tz="UTC")

# The project's contract, "Catalogue columns" of its design, in its order.
CONTRACT = {
    "event_id": pa.string(), "incident_id": pa.string(), "site": pa.string(), "point": pa.string(),
    "kind": pa.string(), "category": pa.string(), "start": TIME, "duration_s": pa.float64(),
    "magnitude": pa.float64(), "magnitude_unit": pa.string(), "phases": pa.string(), "line_to_line": pa.bool_(),
    "open_start": pa.bool_(), "open_end": pa.bool_(), "reference_v": pa.float64(), "refined_start": TIME,
    "dip_type": pa.string(), "cause": pa.string(), "cause_confidence": pa.float64(), "direction": pa.string(),
    "learned_class": pa.string(), "learned_confidence": pa.float64(), "capture": pa.string(),
}  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Captures of several formats with a sag each, one bad file, one that is no capture."""
    inputs = tmp_path / "captures"
    for i, name in enumerate(("a.cfg", "deep/b b.parquet", "deep/er/c.csv", "d.npz", "e.cff")):
        write_capture(made_capture(START, sags=SAG, station=f"REC-{i}", seed=i, hookup="four-wire"), inputs / name)
    (inputs / "bad.parquet").write_bytes((inputs / "deep" / "b b.parquet").read_bytes()[:2000])
    (inputs / "=cmd.txt").write_text("no capture")
    return inputs


def screen(*words: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return halfcycle("screen", *words, cwd=cwd)


def test_the_catalogue_has_the_contracts_columns_and_types_in_every_format(folder: Path, tmp_path: Path) -> None:
    for ending in (".parquet", ".csv", ".ndjson"):
        done = screen(folder, "--out", tmp_path / f"e{ending}")
        assert done.returncode == 3, done.stderr
    table = pq.read_table(tmp_path / "e.parquet")
    assert {name: table.schema.field(name).type for name in CONTRACT} == CONTRACT
    assert table.num_rows == 5
    with (tmp_path / "e.csv").open(encoding="utf-8", newline="") as stream:
        reader = csv.DictReader(stream)
        assert reader.fieldnames == table.column_names
        assert sorted(row["site"] for row in reader) == [f"REC-{i}" for i in range(5)]
    lines = (tmp_path / "e.ndjson").read_text(encoding="utf-8").splitlines()
    assert [list(json.loads(line)) for line in lines] == [table.column_names] * 5


def test_the_events_are_those_that_went_in(folder: Path, tmp_path: Path) -> None:
    screen(folder, "--out", tmp_path / "e.parquet")
    for row in pq.read_table(tmp_path / "e.parquet").to_pylist():
        assert (row["kind"], row["category"], row["phases"]) == ("sag", "instantaneous sag", "ABC")
        assert row["magnitude"] == pytest.approx(0.5, abs=0.002)  # IEC 61000-4-30 Class A: 0.2 % of Udin
        assert row["duration_s"] == pytest.approx(0.2, abs=0.02)  # and one cycle
        assert abs(row["start"].value - ns(f"{START}.5")) <= 20_000_000
        assert row["reference_v"] == pytest.approx(230.94, abs=1.0)
        assert (row["magnitude_unit"], row["line_to_line"]) == ("pu", False)


def test_what_could_not_be_read_is_listed_with_path_and_reason_and_status_3(folder: Path, tmp_path: Path) -> None:
    done = screen(folder, "--out", tmp_path / "deep" / "e.2026.csv")
    assert done.returncode == 3
    assert "set aside: 1 file" in done.stdout
    assert "1 other file passed over" in done.stdout
    with (tmp_path / "deep" / "e.2026.quarantine.csv").open(encoding="utf-8", newline="") as stream:
        reader = csv.DictReader(stream)
        rows = list(reader)
        assert reader.fieldnames == ["path", "reason"]
    assert [Path(row["path"]).name for row in rows] == ["bad.parquet"]
    assert Path(rows[0]["path"]).exists()
    assert rows[0]["reason"].startswith("bad.parquet")


def test_when_all_could_be_read_the_status_is_0_and_an_older_list_is_gone(folder: Path, tmp_path: Path) -> None:
    screen(folder, "--out", tmp_path / "e.csv")
    assert (tmp_path / "e.quarantine.csv").exists()
    for name in ("bad.parquet", "=cmd.txt"):
        (folder / name).unlink()
    assert screen(folder, "--out", tmp_path / "e.csv").returncode == 0
    assert not (tmp_path / "e.quarantine.csv").exists()


def test_a_relative_path_that_would_start_a_formula_is_neutralised_in_the_list(folder: Path, tmp_path: Path) -> None:
    (folder / "bad.parquet").rename(folder / "=bad.parquet")
    done = screen("=bad.parquet", "--out", tmp_path / "e.csv", cwd=folder)
    assert done.returncode == 3
    with (tmp_path / "e.quarantine.csv").open(encoding="utf-8", newline="") as stream:
        assert [row["path"] for row in csv.DictReader(stream)] == ["'=bad.parquet"]


@pytest.mark.long
def test_the_result_inside_the_folder_that_is_screened_is_no_input_of_the_next_time(folder: Path) -> None:
    for ending in (".parquet", ".csv", ".ndjson"):
        first = screen(".", "--out", f"events{ending}", cwd=folder)
        second = screen(".", "--out", f"events{ending}", cwd=folder)
        assert first.stdout == second.stdout
        assert first.returncode == second.returncode == 3
        (folder / f"events{ending}").unlink()
        (folder / "events.quarantine.csv").unlink()


def test_a_capture_that_is_there_twice_counts_once(tmp_path: Path) -> None:
    capture = made_capture(START, sags=SAG, station="REC-1")
    for name in ("a.parquet", "copy of a.parquet", "deep/a.parquet"):
        write_capture(capture, tmp_path / "in" / name)
    (tmp_path / "in" / "link.parquet").symlink_to("a.parquet")
    done = screen(tmp_path / "in", tmp_path / "in" / "a.parquet", "--out", tmp_path / "e.parquet")
    assert done.returncode == 0, done.stderr
    assert pq.read_table(tmp_path / "e.parquet").num_rows == 1
    assert "2.0 s judged" in done.stdout


@pytest.mark.parametrize("ending", [".parquet", ".cfg", ".cff"])
def test_files_that_follow_one_another_are_one_record(tmp_path: Path, ending: str) -> None:
    whole = made_capture(START, seconds=10.0, sags=[(1.5, 3.2, 0.6)], station="REC-1")
    for i, piece in enumerate(cut(whole, 2.0, 4.0)):
        write_capture(piece, tmp_path / "in" / f"{9 - i}{ending}")  # names in no order of time
    done = screen(tmp_path / "in", "--out", tmp_path / "e.parquet")
    assert done.returncode == 0, done.stderr
    (row,) = pq.read_table(tmp_path / "e.parquet").to_pylist()
    assert row["duration_s"] == pytest.approx(3.2, abs=0.02)
    assert (row["open_start"], row["open_end"]) == (False, False)
    assert len(row["capture"].split("+")) == 3
    assert "1 event in 3 captures of 3 files" in done.stdout


def test_one_worker_and_two_give_the_same_bytes_and_words(folder: Path, tmp_path: Path) -> None:
    printed = {}
    for workers in ("1", "2"):
        done = screen(folder, "--out", tmp_path / "e.parquet", "--workers", workers, "--notes")
        printed[workers] = (done.returncode, done.stdout, (tmp_path / "e.parquet").read_bytes())
    assert printed["1"] == printed["2"]


def test_thresholds_and_nominal_values_given_by_the_user_are_used(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "e.parquet"
    profile = tmp_path / "deep sags only.toml"
    profile.write_text("sag_pu = 0.4\ninterruption_pu = 0.1\n", encoding="utf-8")
    screen(folder, "--out", out, "--thresholds", profile)
    assert pq.read_table(out).num_rows == 0
    screen(folder, "--out", out, "--nominal-voltage", "240", "--nominal-frequency", "50", "--hookup", "four-wire")
    rows = pq.read_table(out).to_pylist()
    assert {row["reference_v"] for row in rows} == {240.0}
    assert rows[0]["magnitude"] == pytest.approx(0.5 * 230 / 240, abs=0.002)


def test_files_without_a_waveform_are_counted_and_noted_and_no_fault(tmp_path: Path) -> None:
    inputs = tmp_path / "in"
    write_capture(made_capture(START, sags=SAG, station="REC-1"), inputs / "a.parquet")
    out = tmp_path / "e.csv"
    (inputs / "trend.pqd").write_bytes(interval_file())
    done = screen(inputs, "--out", out)
    assert done.returncode == 0, done.stderr
    assert "1 event in 1 capture of 2 files" in done.stdout
    assert "1 file holds no waveform; the notes state what they hold" in done.stdout.splitlines()
    (inputs / "deep").mkdir()
    (inputs / "deep" / "trend.pqd").write_bytes(interval_file())
    done = screen(inputs, "--out", out, "--notes")
    assert "2 files hold no waveform; the notes state what they hold" in done.stdout.splitlines()
    for name in ("trend.pqd", "deep/trend.pqd"):
        assert f"{inputs / name}: 3 interval observations (RMS) not read as waveforms" in done.stdout.splitlines()
    assert not (tmp_path / "e.quarantine.csv").exists()


def test_strict_lists_what_would_be_put_right_with_its_reason_and_status_3(tmp_path: Path) -> None:
    inputs = tmp_path / "in"
    write_capture(made_capture(START, sags=SAG, station="REC-1"), inputs / "a.parquet")
    rows = "".join(f"{i + 0.01 * (i % 3)},1\n" for i in range(9))  # steps that vary by more than a thousandth
    (inputs / "uneven.csv").write_text(f"t (s),ua (V)\n{rows}", encoding="utf-8")
    assert screen(inputs, "--out", tmp_path / "e.csv").returncode == 0
    done = screen(inputs, "--out", tmp_path / "e.csv", "--strict")
    assert done.returncode == 3
    assert "1 event in 1 capture of 1 file" in done.stdout
    assert "set aside: 1 file that could not be read without repair" in done.stdout
    with (tmp_path / "e.quarantine.csv").open(encoding="utf-8", newline="") as stream:
        (row,) = csv.DictReader(stream)
    assert Path(row["path"]) == inputs / "uneven.csv"
    assert row["reason"].startswith("uneven.csv: needs repair, which strict reading refuses: ")


@pytest.mark.parametrize("documents", [(), ("LICENSE", "minutes.pdf", "photo of the board.jpg")])
def test_a_folder_without_a_recording_gives_an_empty_catalogue_and_status_3(
    tmp_path: Path, documents: tuple[str, ...]
) -> None:
    (tmp_path / "in").mkdir()
    for name in documents:
        (tmp_path / "in" / name).write_bytes(b"%PDF-1.7 or what not")
    done = screen(tmp_path / "in", "--out", tmp_path / "e.parquet")
    assert done.returncode == 3
    assert done.stderr == "nothing was judged: no recording found\n"
    assert ("3 other files passed over" in done.stdout) == bool(documents)
    assert not (tmp_path / "e.quarantine.csv").exists()
    assert "0 events in 0 captures of 0 files" in done.stdout
    assert pq.read_table(tmp_path / "e.parquet").num_rows == 0


def test_nothing_is_printed_but_the_result(folder: Path, tmp_path: Path) -> None:
    done = screen(folder, "--out", tmp_path / "e.parquet")
    assert done.stderr == ""
    assert done.stdout.splitlines()[-2] == f"catalogue: {tmp_path / 'e.parquet'}"


def is_running(pid: int) -> bool:
    """Whether a process is there and no zombie (proc(5), /proc/PID/stat)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs Linux' /proc")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL, signal.SIGTERM])
@pytest.mark.long
def test_a_screening_that_is_stopped_leaves_no_worker_behind(tmp_path: Path, how: signal.Signals) -> None:
    for i in range(240):
        write_capture(made_capture(START, seconds=0.5, station=f"R{i}", seed=i % 3), tmp_path / "in" / f"{i}.csv")
    with subprocess.Popen(
        [str(command()), "screen", str(tmp_path / "in"), "--out", str(tmp_path / "e.csv"), "--workers", "2"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as child:  # fmt: skip
        deadline = time.monotonic() + 20
        workers: set[int] = set()
        while len(workers) < 2 and child.poll() is None and time.monotonic() < deadline:
            workers = children_of(child.pid)
        assert workers, "the screening ended before it could be stopped"
        child.send_signal(how)
        _, errors = child.communicate(timeout=20)
    assert child.returncode == (1 if how == signal.SIGINT else -how)
    if how == signal.SIGINT:
        assert "stopped" in errors.splitlines()  # a worker that was about to start may have a word of its own
    deadline = time.monotonic() + 15
    while any(is_running(pid) for pid in workers) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not [pid for pid in workers if is_running(pid)]
    assert not (tmp_path / "e.csv").exists()
    assert os.listdir(tmp_path) == ["in"]


def test_notes_that_many_files_share_are_one_line(tmp_path: Path) -> None:
    inputs = tmp_path / "in"
    inputs.mkdir()
    for i in range(5):
        (inputs / f"trend{i}.pqd").write_bytes(interval_file())
    done = screen(inputs, "--out", tmp_path / "e.csv", "--notes")
    first = inputs / "trend0.pqd"
    assert (
        f"5 files: 3 interval observations (RMS) not read as waveforms; the first is {first}"
        in done.stdout.splitlines()
    )


def test_a_detector_that_is_always_on_is_said_to_be(folder: Path, tmp_path: Path) -> None:
    done = screen(folder, "--out", tmp_path / "e.csv", "--detect", "sags, flicker")
    assert done.returncode == 2
    assert done.stderr == "--detect sags: always detected; name only additional detectors\n"


def test_explained_events_show_their_cause_and_side(tmp_path: Path) -> None:
    write_capture(made_capture(START, sags=SAG, station="REC-1"), tmp_path / "in" / "a.parquet")
    plain = screen(tmp_path / "in", "--out", tmp_path / "e.csv")
    assert " cause " not in plain.stdout
    explained = screen(tmp_path / "in", "--out", tmp_path / "e.csv", "--explain")
    assert " cause " in explained.stdout


def test_settings_of_detectors_come_from_a_file_and_name_what_runs(tmp_path: Path) -> None:
    # Derived: a step of 1.2 % lies between a threshold of 0.4 % and the default of 3.3 %. The keys are a fleet's.
    source = write_capture(made_capture(START, seconds=8.0, sags=[(3.0, 4.9, 0.988)]), tmp_path / "a.npz")
    settings = tmp_path / "settings.toml"
    settings.write_text("[detectors.rapid_voltage_change]\nthreshold_pct = 0.4\nhysteresis_pct = 0.2\n")
    by_default = screen(source, "--detect", "rapid_voltage_change", "--out", tmp_path / "a.csv")
    assert by_default.returncode == 0, by_default.stderr
    assert "0 events" in by_default.stdout
    done = screen(source, "--settings", settings, "--out", tmp_path / "b.csv")
    assert done.returncode == 0, done.stderr
    assert "rapid_voltage_change" in (tmp_path / "b.csv").read_text()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[detectors.rapid_voltage_chang]\n", "rapid_voltage_change"),
        ("[detectors.rapid_voltage_change]\nthreshold = 1\n", "threshold_pct"),
        ("[sitez]\nname = 1\n", "sitez"),
    ],
)
def test_a_wrong_file_of_settings_is_said_in_a_sentence(tmp_path: Path, text: str, said: str) -> None:
    source = write_capture(made_capture(START), tmp_path / "a.npz")
    settings = tmp_path / "settings.toml"
    settings.write_text(text)
    wrong = screen(source, "--settings", settings, "--out", tmp_path / "e.parquet")
    assert wrong.returncode == 2, wrong.stdout
    assert said in wrong.stderr
    assert "Traceback" not in wrong.stderr


def test_a_declared_frequency_that_the_voltages_contradict_is_named_as_the_reason(tmp_path: Path) -> None:
    """The project's own design: what is wrong is named, and not the nominal voltage, which is not at fault."""
    write_capture(made_capture(START, sags=SAG, station="REC-1"), tmp_path / "a.parquet")
    done = halfcycle("screen", tmp_path, "--out", tmp_path / "e.csv", "--nominal-frequency", "60")
    reason = "the voltages have a fundamental of 50 Hz, not the 60 Hz given"
    assert done.returncode == 3
    assert f"REC-1: 60 Hz; {reason}" in done.stdout
    assert f"nothing was judged: {reason}" in done.stderr
    assert "give the nominal voltage" not in done.stdout + done.stderr


def test_a_declared_voltage_that_the_steady_voltage_contradicts_is_told_without_being_asked(tmp_path: Path) -> None:
    """The project's own design: a record at 230 V, declared as 400 V, is judged by its sliding reference."""
    write_capture(made_capture(START, sags=SAG, station="REC-1"), tmp_path / "a.parquet")
    done = halfcycle("screen", tmp_path, "--out", tmp_path / "e.csv", "--nominal-voltage", "400")
    assert done.returncode == 0
    assert "the steady voltage differs from the nominal 400 V; judged against the sliding reference" in done.stdout
