"""Screening: captures of anybody's recorders, each judged once and as the records that they make."""

from __future__ import annotations

import pickle
import random
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from made_fleet import SITE, cut, events_in, loaded, made_capture, write_capture, write_fleet

from halfcycle.pipeline import readers
from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.catalogue import span
from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.catalogue.tables import set_aside_table
from halfcycle.pipeline.detectors.registry import choose, detectors
from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.readers import recognition
from halfcycle.pipeline.readers.contract import Repair
from halfcycle.pipeline.screening import Screening, screen
from halfcycle.pipeline.settings import Thresholds

START = "2026-03-01T12:00:00"
TERMS = Terms(Thresholds())
KNOWN = Terms(Thresholds(), 230.0, 50.0, "single-phase")
# Where the lead-in of a span differs, so do values in their last digits: see tests/catalogue/test_spans.py.
START_NS, MAGNITUDE_PU, DURATION_S = 2_000_000, 0.0002, 0.010


def screened(folder: Path, *, terms: Terms = KNOWN, workers: int = 1) -> Screening:
    return screen([folder], terms=terms, workers=workers)


def assert_same_events(got: tuple[Event, ...], expected: tuple[Event, ...]) -> None:
    assert [(event.site, event.kind, event.phases) for event in got] == [
        (event.site, event.kind, event.phases) for event in expected
    ]
    for one, other in zip(got, expected, strict=True):
        assert abs(one.start - other.start) <= START_NS
        assert one.magnitude == pytest.approx(other.magnitude, abs=MAGNITUDE_PU)
        assert one.duration_s == pytest.approx(other.duration_s, abs=DURATION_S)


@pytest.fixture
def long_record() -> Capture:
    return made_capture(START, seconds=30.0, sags=[(2.0, 0.3, 0.5), (9.5, 3.0, 0.7), (20.1, 0.1, 0.2)], station="REC-1")


@pytest.mark.slow
@pytest.mark.parametrize("ending", [".parquet", ".cfg", ".cff", ".csv"])
@pytest.mark.parametrize("cuts", [(10.0,), (1.0, 9.9, 10.1, 21.0)])
def test_a_record_in_several_files_has_the_events_of_the_whole(
    tmp_path: Path, long_record: Capture, ending: str, cuts: tuple[float, ...]
) -> None:
    write_capture(long_record, tmp_path / "whole" / f"a{ending}")
    for i, piece in enumerate(cut(long_record, *cuts)):
        write_capture(piece, tmp_path / "pieces" / f"{i}{ending}")
    whole, pieces = screened(tmp_path / "whole"), screened(tmp_path / "pieces")
    assert len(whole.events) == 3
    assert_same_events(pieces.events, whole.events)
    assert pieces.judged_s == pytest.approx(30.0)
    assert (pieces.n_files, pieces.n_captures) == (len(cuts) + 1, len(cuts) + 1)


def test_files_that_overlap_count_their_common_samples_once(tmp_path: Path, long_record: Capture) -> None:
    first, second, third = cut(long_record, 10.0, 12.0)
    early = Capture(
        replace(first.header, n_samples=first.header.n_samples + second.header.n_samples),
        long_record.samples[:, : round(12.0 * long_record.header.rate_hz)].copy(),
    )
    late = Capture(
        replace(second.header, n_samples=second.header.n_samples + third.header.n_samples),
        long_record.samples[:, round(10.0 * long_record.header.rate_hz) :].copy(),
    )
    write_capture(long_record, tmp_path / "whole" / "a.parquet")
    write_capture(early, tmp_path / "overlapping" / "a.parquet")
    write_capture(late, tmp_path / "overlapping" / "b.parquet")
    result = screened(tmp_path / "overlapping")
    assert_same_events(result.events, screened(tmp_path / "whole").events)
    assert result.judged_s == pytest.approx(30.0)


def test_a_gap_of_a_file_parts_two_records_and_leaves_their_events_open(tmp_path: Path, long_record: Capture) -> None:
    first, _lost, last = cut(long_record, 10.0, 11.0)
    write_capture(first, tmp_path / "a.parquet")
    write_capture(last, tmp_path / "b.parquet")
    events = [event for event in screened(tmp_path).events if event.open_start or event.open_end]
    assert [(event.open_start, event.open_end, event.duration_s) for event in events] == [
        (False, True, None),
        (True, False, None),
    ]


def test_stations_at_the_same_time_are_judged_apart(tmp_path: Path) -> None:
    for i in range(3):
        capture = made_capture(START, sags=[(0.5, 0.2, 0.3 + i / 10)], station=f"REC-{i}", seed=i)
        write_capture(capture, tmp_path / f"{i}.cfg")
    events = screened(tmp_path).events
    found = {event.site: event.magnitude for event in events}
    assert found == pytest.approx({"REC-0": 0.3, "REC-1": 0.4, "REC-2": 0.5}, abs=0.002)


def test_a_capture_without_a_station_is_of_a_site_named_after_its_file(tmp_path: Path) -> None:
    write_capture(made_capture(START, sags=[(0.5, 0.2, 0.5)]), tmp_path / "Mühle 7.npz")
    (event,) = screened(tmp_path).events
    assert event.site == "Mühle 7"


def test_one_capture_in_two_formats_is_one(tmp_path: Path, long_record: Capture) -> None:
    write_capture(long_record, tmp_path / "a.parquet")
    write_capture(long_record, tmp_path / "deep" / "a copy.parquet")
    result = screened(tmp_path)
    assert len(result.events) == 3
    assert result.judged_s == pytest.approx(30.0)


def test_the_order_of_paths_and_names_makes_no_difference(tmp_path: Path, long_record: Capture) -> None:
    pieces = cut(long_record, 5.0, 10.0, 15.0, 20.0, 25.0)
    results = []
    for seed in range(3):
        folder = tmp_path / str(seed)
        order = list(range(len(pieces)))
        random.Random(seed).shuffle(order)
        for name, i in enumerate(order):
            write_capture(pieces[i], folder / f"{name}.parquet")
        paths = [folder / f"{name}.parquet" for name in range(len(pieces))]
        random.Random(seed).shuffle(paths)
        found = screen(paths, terms=KNOWN, workers=1).events
        results.append(tuple(replace(event, source=None) for event in found))  # the names differ on purpose
    assert results[0] == results[1] == results[2]


@pytest.mark.long
def test_two_workers_find_what_one_finds(tmp_path: Path) -> None:
    for i in range(40):  # more files than one batch holds
        capture = made_capture(START, seconds=1.0, sags=[(0.4, 0.2, 0.5)], station=f"REC-{i % 7}", seed=i)
        write_capture(capture, tmp_path / f"{i}.{('cff', 'csv', 'parquet')[i % 3]}")
    (tmp_path / "bad.csv").write_bytes(b"\x00")
    assert screened(tmp_path, workers=2) == screened(tmp_path, workers=1)


@pytest.mark.slow
@pytest.mark.parametrize("ending", [".parquet", ".csv"])
def test_a_record_longer_than_a_span_has_the_events_of_one_that_is_not(
    tmp_path: Path, long_record: Capture, monkeypatch: pytest.MonkeyPatch, ending: str
) -> None:
    for i, piece in enumerate(cut(long_record, *range(2, 30, 2))):
        write_capture(piece, tmp_path / f"{i:02}{ending}")
    whole = screened(tmp_path)
    monkeypatch.setattr(span, "SPAN_SAMPLES", 10_000)
    spans = screened(tmp_path)
    assert_same_events(spans.events, whole.events)
    assert spans.judged_s == pytest.approx(whole.judged_s)


def test_what_nightly_finds_screening_finds(tmp_path: Path) -> None:
    fleet = loaded(write_fleet(tmp_path / "fleet"))
    whole = made_capture(
        "2026-03-01T23:59:50", seconds=20.0, sags=[(3.0, 0.3, 0.6), (9.5, 1.2, 0.5), (15.0, 0.1, 0.3)], station=SITE
    )
    for i, piece in enumerate(cut(whole, 5.0, 10.0, 15.0)):
        write_capture(piece, fleet.inbox / SITE / f"{i}.parquet")
    shutil.copytree(fleet.inbox, tmp_path / "copy")
    run_nightly(fleet)
    assert_same_events(tuple(events_in(fleet)), screened(tmp_path / "copy").events)


def test_files_that_cannot_be_read_are_set_aside_once_each_and_the_rest_goes_on(tmp_path: Path) -> None:
    good = write_capture(made_capture(START, sags=[(0.5, 0.2, 0.5)], station="REC-1"), tmp_path / "good.cfg")
    write_capture(made_capture(START), tmp_path / "no data.cfg").with_suffix(".dat").unlink()
    (tmp_path / "empty.csv").touch()
    (tmp_path / "broken link.csv").symlink_to("nowhere")
    result = screen([tmp_path, good, tmp_path / "empty.csv"], terms=KNOWN)
    assert [item.path.name for item in result.set_aside] == ["broken link.csv", "no data.cfg"]
    reasons = set_aside_table(result.set_aside).column("reason").to_pylist()
    assert "No such file" in reasons[0]
    assert "missing" in reasons[1]
    assert [item.path.name for item in result.others] == ["empty.csv"]
    assert "empty" in result.others[0].reason
    assert (len(result.events), result.n_files) == (1, 1)


def test_a_file_that_changes_between_the_first_look_and_the_judgement_is_set_aside(
    tmp_path: Path, long_record: Capture
) -> None:
    for i, piece in enumerate(cut(long_record, 10.0)):
        write_capture(piece, tmp_path / f"{i}.parquet")

    def cut_short(done: int, of_them: int) -> None:
        path = tmp_path / "1.parquet"
        path.write_bytes(path.read_bytes()[:1000])

    result = screen([tmp_path], terms=KNOWN, workers=1, progress=cut_short)
    assert [item.path.name for item in result.set_aside] == ["1.parquet"]
    assert [event.open_end for event in result.events] == [False, True]  # those of the file that is whole
    assert (result.n_files, result.n_captures) == (1, 1)


def with_damaged_samples(path: Path) -> None:
    """Break the first data page of a Parquet file and leave the rest, so that its header can be read."""
    content = bytearray(path.read_bytes())
    content[4:400] = bytes(396)
    path.write_bytes(content)


@pytest.mark.parametrize("workers", [1, 2])
def test_one_damaged_file_of_a_record_is_set_aside_and_the_others_are_judged(
    tmp_path: Path, long_record: Capture, workers: int
) -> None:
    for i, piece in enumerate(cut(long_record, 7.0, 15.0)):
        write_capture(piece, tmp_path / f"{i}.parquet")
    with_damaged_samples(tmp_path / "1.parquet")
    result = screened(tmp_path, workers=workers)
    assert [item.path.name for item in result.set_aside] == ["1.parquet"]
    assert [round(event.magnitude, 1) for event in result.events if event.kind == "sag"] == [0.5, 0.2]
    assert result.judged_s == pytest.approx(7.0 + 15.0)
    assert (result.n_files, result.n_captures) == (2, 2)


def test_a_damaged_file_that_overlaps_another_does_not_stop_the_screening(tmp_path: Path, long_record: Capture) -> None:
    first, rest = cut(long_record, 10.0)
    write_capture(first, tmp_path / "a.parquet")
    write_capture(long_record, tmp_path / "b.parquet")
    write_capture(rest, tmp_path / "c.parquet")
    with_damaged_samples(tmp_path / "b.parquet")
    result = screened(tmp_path)
    assert [item.path.name for item in result.set_aside] == ["b.parquet"]
    assert len(result.events) == 3
    assert result.judged_s == pytest.approx(30.0)


def with_a_repair(path: Path) -> Path:
    """A sag in a table of samples whose time column is off by up to three per cent of a step: a repair."""
    capture = made_capture(START, sags=[(0.5, 0.2, 0.5)])
    values, rate_hz = capture.physical(0), capture.header.rate_hz
    rows = (f"{(i + 0.01 * (i % 3)) / rate_hz:.9f},{value:.3f}" for i, value in enumerate(values))
    path.write_text("\n".join(["t (s),ua (V)", *rows, ""]), encoding="utf-8")
    return path


@pytest.mark.parametrize("workers", [1, 2])
def test_a_strict_screening_sets_each_repair_aside_with_its_reason(tmp_path: Path, workers: int) -> None:
    path = with_a_repair(tmp_path / "uneven.csv")
    write_capture(made_capture(START, sags=[(0.5, 0.2, 0.5)], station="REC-1"), tmp_path / "good.parquet")
    lenient = screen([tmp_path], terms=KNOWN, workers=workers)
    assert (len(lenient.events), lenient.set_aside) == (2, ())
    strict = screen([tmp_path], terms=KNOWN, workers=workers, strict=True)
    ((aside, reason),) = [(item.path, item.reason) for item in strict.set_aside]
    assert aside == path
    assert reason.startswith("uneven.csv: needs repair, which strict reading refuses: ")
    assert [event.site for event in strict.events] == ["REC-1"]
    assert (strict.n_files, strict.n_captures) == (1, 1)
    assert "uneven.csv" not in str(strict.notes)


def test_a_repair_that_is_noted_in_headers_read_alone_is_set_aside_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Parquet files of the store are planned from their headers; a reader of another distribution may do so and repair.
    path = write_capture(made_capture(START, station="REC-1"), tmp_path / "a.parquet")
    headers = readers.reader_of(path).read_headers(path, frozenset(["voltage"]))
    assert headers is not None
    repaired = [replace(header, notes=(Repair("guessed"),)) for header in headers]
    other = replace(readers.reader_of(path), read_headers=lambda path, quantities: repaired)
    for module in (readers, recognition):
        monkeypatch.setattr(module, "reader_of", lambda path: other)
    assert screened(tmp_path).set_aside == ()
    (aside,) = screen([tmp_path], terms=KNOWN, workers=1, strict=True).set_aside
    assert aside.reason == "a.parquet: needs repair, which strict reading refuses: guessed"


def test_nothing_found_and_not_judged_are_told_apart(tmp_path: Path) -> None:
    write_capture(made_capture(START, seconds=5.0, station="quiet"), tmp_path / "a.parquet")
    write_capture(
        made_capture(START, seconds=5.0, station="lost", missing=[(1.0, 2.0)], seed=2), tmp_path / "b.parquet"
    )
    result = screened(tmp_path)
    assert result.events == ()
    assert result.judged_s == pytest.approx(8.0, abs=0.1)
    ((reason, seconds, count),) = result.not_judged_by_reason()
    assert "missing" in reason
    assert (seconds, count) == (pytest.approx(2.0, abs=0.1), 1)


def test_a_path_that_is_not_there_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="no such file or folder"):
        screen([tmp_path / "nowhere"], terms=TERMS)


def test_results_of_an_earlier_screening_are_no_inputs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_capture(made_capture(START, station="REC-1"), tmp_path / "a.parquet")
    (tmp_path / "events.csv").write_text("event_id\n")
    monkeypatch.chdir(tmp_path)
    left_out = screen([tmp_path], terms=KNOWN, leave_out=[Path("events.csv")])
    assert left_out.set_aside == ()
    assert len(screen([tmp_path], terms=KNOWN).set_aside) == 1


@pytest.mark.parametrize(
    ("volts", "hookup", "nominal_v"),
    [
        (230.0, "four-wire", 230.94),
        (120.0, "split-phase", 120.0),
        (277.128, "four-wire", 277.128),
        (11000.0, "three-wire", 11000.0),
    ],
)
def test_nominal_values_are_told_from_the_data(tmp_path: Path, volts: float, hookup: str, nominal_v: float) -> None:
    capture = made_capture(START, seconds=5.0, sags=[(2.0, 0.3, 0.5)], hookup=hookup, volts=volts, station="R")
    write_capture(capture, tmp_path / "a.cfg")
    (event,) = screened(tmp_path, terms=TERMS).events
    assert event.reference_v == pytest.approx(nominal_v, rel=0.005)
    assert event.line_to_line == (hookup == "three-wire")


def test_progress_is_told_to_its_end(tmp_path: Path, long_record: Capture) -> None:
    for i, piece in enumerate(cut(long_record, 10.0, 20.0)):
        write_capture(piece, tmp_path / f"{i}.parquet")
    told: list[tuple[int, int]] = []
    screen([tmp_path], terms=KNOWN, workers=1, progress=lambda done, of_them: told.append((done, of_them)))
    assert (3, 3) in told
    assert told[-1][0] == told[-1][1]


@pytest.mark.slow
def test_all_detectors_travel_to_other_processes(tmp_path: Path, long_record: Capture) -> None:
    """`--detect all` on an archive that starts workers: the same events as in one process."""
    for i in range(4):
        header = replace(long_record.header, station=f"REC-{i}")
        write_capture(Capture(header, long_record.samples), tmp_path / f"{i}.parquet")
    everyone = {name: {} for name in detectors()} | {
        "limit": {"rules": [{"name": "low", "variable": "u_half", "below": 0.8, "measured_as": "pu"}]}
    }
    terms = replace(KNOWN, detectors=choose(everyone), explain=True)
    alone = screened(tmp_path, terms=terms)
    assert {event.kind for event in alone.events} >= {"sag", "limit"}
    assert screened(tmp_path, terms=terms, workers=2) == alone


@pytest.mark.parametrize("name", sorted(detectors()))
def test_each_detector_can_be_pickled(name: str) -> None:
    (chosen,) = choose({name: {}})
    assert pickle.loads(pickle.dumps(chosen)) == chosen
