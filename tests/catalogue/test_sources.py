"""Every row of a catalogue says in which file, and where in it, its samples lie."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from made_fleet import RATE_HZ, SITE, cut, events_in, made_capture, write_capture, write_fleet

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.catalogue.reading import read_events
from halfcycle.pipeline.catalogue.steady import cut_at_edges, put_together
from halfcycle.pipeline.catalogue.tables import write_table
from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.events import Event, catalogue_table
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.settings import Thresholds

SOURCE = "derived: sample i of a capture that starts at t0 lies at t0 + i / rate; each sag starts where it was put"
TERMS = Terms(Thresholds(), 230.0, 50.0, "single-phase")
START = "2026-03-01T12:00:00"
WINDOW_S = 0.02  # Urms(1/2) is over one cycle, so a threshold is crossed up to a cycle before or after the sag's edge


def screened(folder: Path) -> tuple[Event, ...]:
    return screen([folder], terms=TERMS, workers=1).events


def assert_place_is_of_the_event(event: Event, path: Path, *, sag_start_s: float) -> None:
    capture = next(iter(read_captures(path)))
    assert event.first_sample is not None
    assert event.n_samples is not None
    assert abs(capture.header.time_ns(event.first_sample) - event.start) <= 1e9 / RATE_HZ
    assert event.n_samples == pytest.approx(event.observed_s * RATE_HZ, abs=2)
    assert event.first_sample / RATE_HZ == pytest.approx(sag_start_s, abs=WINDOW_S)


@pytest.mark.parametrize("ending", [".parquet", ".cfg", ".csv", ".npz"])
def test_a_screened_row_names_its_file_as_given_and_the_samples_in_it(tmp_path: Path, ending: str) -> None:
    # SOURCE.
    path = tmp_path / "in" / f"a{ending}"
    write_capture(made_capture(START, seconds=3.0, sags=[(1.25, 0.3, 0.5)], station="S"), path)
    (event,) = screened(tmp_path / "in")
    assert event.source == str(path)
    assert_place_is_of_the_event(event, path, sag_start_s=1.25)


def test_an_event_over_two_files_names_both_and_counts_in_the_first(tmp_path: Path) -> None:
    # SOURCE.
    whole = made_capture(START, seconds=4.0, sags=[(1.75, 0.5, 0.5)], station="S")
    for i, piece in enumerate(cut(whole, 2.0)):
        write_capture(piece, tmp_path / f"{i}.parquet")
    (event,) = screened(tmp_path)
    assert event.source == f"{tmp_path / '0.parquet'}+{tmp_path / '1.parquet'}"
    assert_place_is_of_the_event(event, tmp_path / "0.parquet", sag_start_s=1.75)


def test_an_event_in_the_second_file_of_a_record_counts_from_that_file(tmp_path: Path) -> None:
    # SOURCE.
    whole = made_capture(START, seconds=4.0, sags=[(3.0, 0.2, 0.5)], station="S")
    for i, piece in enumerate(cut(whole, 2.0)):
        write_capture(piece, tmp_path / f"{i}.parquet")
    (event,) = screened(tmp_path)
    assert event.source == str(tmp_path / "1.parquet")
    assert_place_is_of_the_event(event, tmp_path / "1.parquet", sag_start_s=1.0)


def test_a_row_of_the_store_names_its_capture_relative_to_the_store(tmp_path: Path) -> None:
    config = write_fleet(tmp_path)
    write_capture(made_capture(START, seconds=3.0, sags=[(1.0, 0.3, 0.5)]), tmp_path / "inbox" / SITE / "a.parquet")
    fleet = load_fleet(config)
    run_nightly(fleet)
    (event,) = events_in(fleet)
    assert event.source is not None
    assert event.source.startswith("waveforms/site=")
    assert Path(event.source).stem == event.capture
    assert_place_is_of_the_event(event, fleet.store / event.source, sag_start_s=1.0)


def steady(**more: object) -> Event:
    given: dict[str, object] = {
        "site": "S", "kind": "harmonics", "start": 10_000_000_000, "duration_s": None, "magnitude": 0.09, "phases": "A",
        "line_to_line": False, "reference_v": 230.0, "capture": "d", "observed_s": 200.0, "source": "a.pqd",
        "first_sample": 100, "n_samples": 320_000,
    }  # fmt: skip
    return Event(**{**given, **more})  # type: ignore[arg-type]


def test_a_steady_state_that_is_cut_keeps_the_samples_of_its_part() -> None:
    # Derived: 320,000 samples in 200 s are 1600 a second; 80 s later are 128,000 samples later.
    event = steady()
    middle = event.start + 80_000_000_000
    first = cut_at_edges(event, from_ns=0, to_ns=middle)
    second = cut_at_edges(event, from_ns=middle, to_ns=event.end)
    assert first is not None
    assert second is not None
    assert (first.first_sample, first.n_samples) == (100, 128_000)
    assert (second.first_sample, second.n_samples) == (128_100, 192_000)
    over_files = cut_at_edges(replace(event, source="a.pqd+b.pqd"), from_ns=middle, to_ns=event.end)
    assert over_files is not None
    assert over_files.first_sample is None
    (whole,) = put_together([first, second])
    assert (whole.source, whole.first_sample, whole.n_samples) == ("a.pqd", 100, 320_000)


@pytest.mark.parametrize("ending", [".parquet", ".csv", ".ndjson"])
def test_a_catalogue_is_read_back_as_it_was_written(tmp_path: Path, ending: str) -> None:
    path = tmp_path / "in" / "a.parquet"
    write_capture(made_capture(START, seconds=6.0, sags=[(1.0, 0.3, 0.5), (3.0, 0.2, 0.0)], station="=S"), path)
    events = list(screened(tmp_path / "in"))
    assert len(events) >= 2
    write_table(catalogue_table(events), tmp_path / f"events{ending}")
    again = read_events(tmp_path / f"events{ending}")
    assert again == events


def test_a_catalogue_of_an_earlier_version_lacks_columns_and_is_read(tmp_path: Path) -> None:
    table = catalogue_table([steady()]).drop_columns(["source", "first_sample", "n_samples", "quality"])
    write_table(table, tmp_path / "events.parquet")
    (event,) = read_events(tmp_path / "events.parquet")
    assert (event.source, event.first_sample, event.n_samples, event.quality) == (None, None, None, "")


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [("a.txt", b"", "extension"), ("a.parquet", b"PAR1", "not a catalogue"), ("a.csv", b"x,y\n1,2\n", "no column")],
)
def test_what_is_no_catalogue_is_refused_with_a_reason(tmp_path: Path, name: str, content: bytes, word: str) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(ConfigError, match=word):
        read_events(tmp_path / name)
    with pytest.raises(ConfigError, match="no such"):
        read_events(tmp_path / "none.parquet")
