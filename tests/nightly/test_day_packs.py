"""Captures of a day in few files: nothing lost, nothing twice, the same catalogues, whatever comes between."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from made_fleet import (
    SITE,
    catalogue_bytes,
    drop,
    events_in,
    halfcycle,
    loaded,
    made_capture,
    states,
    write_capture,
    write_fleet,
)
from made_packs import DAY, N, contents, files_of, filled, same, stored
from made_places import addresses

from halfcycle.pipeline.capture import Capture, content_digest
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.day_packs import drop_captures, pack_day
from halfcycle.pipeline.nightly.packing import PacksDone
from halfcycle.pipeline.nightly.plan import plan
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle, update_days
from halfcycle.pipeline.nightly.verify import verify
from halfcycle.pipeline.readers import capture_at, read_captures, samples_at
from halfcycle.pipeline.recall import WaveformPlaces
from halfcycle.pipeline.spread import in_this_process
from halfcycle.pipeline.store.content import place_of, stored_capture, stored_size
from halfcycle.pipeline.store.packs import pack_at
from halfcycle.pipeline.store.partitions import Store, today

pytestmark = pytest.mark.slow

SOURCE = "the project's own design: a packed capture keeps its path, its digest and its rows"
READERS = "general libraries: pandas, pyarrow, DuckDB and Polars read a Parquet file by their own rules"


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return stored(tmp_path)


@pytest.fixture
def plain(tmp_path: Path) -> Fleet:
    """The same captures in files of their own."""
    return stored(tmp_path / "plain", pack_days=0)


def test_a_night_brings_a_day_together_and_the_next_one_is_idle(tmp_path: Path, plain: Fleet) -> None:
    # SOURCE.
    fleet = filled(tmp_path)
    done = run_nightly(fleet)
    assert done.is_whole
    assert done.packs == PacksDone(captures=N, days=1)
    (name,) = files_of(fleet)
    assert name.startswith("captures-")
    assert len(files_of(plain)) == N
    assert len(files_of(fleet, DAY + timedelta(days=1))) == 1  # one capture is left in its file
    assert same(contents(fleet), contents(plain))
    assert catalogue_bytes(fleet.store) == catalogue_bytes(plain.store)
    assert summary_if_idle(fleet) is not None
    assert run_nightly(fleet).packs is None
    assert verify(fleet, in_this_process) == []


def test_days_made_anew_from_packs_are_the_same_to_the_byte(fleet: Fleet, plain: Fleet) -> None:
    # SOURCE.
    before = catalogue_bytes(fleet.store)
    shutil.rmtree(fleet.store / "catalogue")
    shutil.rmtree(fleet.store / ".index")
    assert len(run_nightly(fleet).days) == 2
    assert catalogue_bytes(fleet.store) == before == catalogue_bytes(plain.store)
    assert len(events_in(fleet)) == 3


def test_a_month_that_is_not_over_is_left(tmp_path: Path) -> None:
    # SOURCE.
    fleet = loaded(write_fleet(tmp_path))
    for i in range(N):
        drop(fleet, made_capture(f"{today()}T00:{i:02}:00", seconds=0.5, seed=i), f"{i}.npz")
    assert run_nightly(fleet).packs is None
    assert len(files_of(fleet, today())) == N


def test_other_libraries_read_a_pack_and_which_capture_a_row_is_of(fleet: Fleet) -> None:
    # READERS.
    folder = fleet.store / "waveforms" / f"site={SITE}" / f"date={DAY}"
    held = contents(fleet)
    table = pd.read_parquet(folder / files_of(fleet)[0])
    assert list(table.columns) == ["UA", "capture"]
    for digest, rows in table.groupby("capture", observed=True):
        assert np.array_equal(rows["UA"].to_numpy(), held[str(digest)].samples[0])
    assert len(set(table["capture"])) == N
    assert pq.read_table(folder).num_rows == sum(one.header.n_samples for one in held.values())
    duckdb, polars = pytest.importorskip("duckdb"), pytest.importorskip("polars")
    query = f"select capture, count(*) from read_parquet('{folder}/*.parquet') group by capture order by capture"
    expected = sorted((digest, one.header.n_samples) for digest, one in held.items())
    assert duckdb.sql(query).fetchall() == expected
    counted = polars.read_parquet(folder).group_by("capture").len().sort("capture")
    assert [(str(digest), n) for digest, n in counted.rows()] == expected


def test_a_pack_is_read_like_any_recording(fleet: Fleet, plain: Fleet, tmp_path: Path) -> None:
    # SOURCE: content_digest covers the header and all samples; the reader's source is the file's name.
    held = contents(plain)
    path = Store(fleet.store).captures(SITE, DAY)[0]
    pack, index = place_of(path)
    read = list(read_captures(pack))
    assert [one.header.start_ns for one in read] == sorted(one.header.start_ns for one in held.values())
    by_start = {one.header.start_ns: one for one in held.values()}
    for i, one in enumerate(read):
        stored = by_start[one.header.start_ns]
        assert np.array_equal(one.samples, stored.samples)
        assert one.header == replace(stored.header, source=pack.name)
        assert np.array_equal(samples_at(pack, i, 100, 900), stored.samples[:, 100:900])
        assert np.array_equal(capture_at(pack, i, quantities={"voltage"}).samples, stored.samples)
    assert np.array_equal(capture_at(pack, index).samples, held[path.stem].samples)
    for name, one in (("packed", fleet), ("single", plain)):
        words = ["screen", one.store / "waveforms", "--out", tmp_path / f"{name}.csv", "--nominal-voltage", "230"]
        assert halfcycle(*words).returncode == 0
    rows = [pd.read_csv(tmp_path / f"{name}.csv") for name in ("packed", "single")]
    assert len(rows[0]) == 3
    columns = ["start", "duration_s", "magnitude", "kind", "phases"]
    assert rows[0][columns].equals(rows[1][columns])


def test_the_waveform_of_a_row_is_found_in_a_pack_and_where_the_store_was_moved(fleet: Fleet, tmp_path: Path) -> None:
    # SOURCE: the sag of 0.2 s to 0.5 pu that went into the capture.
    event = next(event for event in events_in(fleet) if event.start < 1_772_409_600_000_000_000)
    copy = tmp_path / "copy"
    shutil.copytree(fleet.store, copy)
    for places in (WaveformPlaces((), fleet), WaveformPlaces((copy,))):
        cut = places.slice_of(event)
        volts = np.abs(cut.samples[0] * cut.channels[0].scale + cut.channels[0].offset)
        inside = volts[round(-cut.start) + 32 : round(cut.stop_event - cut.start) - 32]  # a cycle from its ends
        assert inside.max() == pytest.approx(0.5 * 230 * np.sqrt(2), rel=0.12)
        assert volts.max() == pytest.approx(230 * np.sqrt(2), rel=0.05)
        (file,) = places.files_of(event)
        assert file.name.startswith("captures-")
    words = halfcycle("show", event.event_id, "--config", tmp_path / "fleet.toml", "--out", tmp_path / "event.svg")
    assert words.returncode == 0, words.stderr
    told = halfcycle("why", event.event_id, "--config", tmp_path / "fleet.toml")
    assert told.returncode == 0, told.stderr


def test_late_captures_lie_beside_a_pack_until_there_are_enough_of_them(fleet: Fleet) -> None:
    # SOURCE.
    (pack,) = files_of(fleet)
    for i in range(3):
        drop(fleet, made_capture(f"{DAY}T{12 + i}:00:00", sags=[(0.5, 0.2, 0.7)], seed=40 + i), f"late {i}.npz")
    done = run_nightly(fleet)
    assert done.packs is None
    assert len(files_of(fleet)) == 4
    assert len(events_in(fleet, (SITE, str(DAY)))) == 5
    drop(fleet, made_capture(f"{DAY}T18:00:00", seed=50), "late.npz")
    assert run_nightly(fleet).packs == PacksDone(captures=4, days=1)
    assert len(files_of(fleet)) == 2
    assert pack in files_of(fleet)  # it was not written again
    assert len(contents(fleet)) == N + 4
    assert states(fleet) == {"2026-03-01": "fresh", "2026-03-02": "fresh"}


def test_the_same_file_again_is_known(fleet: Fleet) -> None:
    # SOURCE.
    drop(fleet, made_capture(f"{DAY}T00:00:00", seed=0), "again.npz")
    (outcome,) = run_nightly(fleet).files
    assert (outcome.state, outcome.n_new) == ("known", 0)
    assert len(files_of(fleet)) == 1


def test_captures_of_other_columns_lie_in_packs_of_their_own(tmp_path: Path) -> None:
    # SOURCE.
    fleet = filled(tmp_path)
    for i in range(2):
        drop(fleet, made_capture(f"{DAY}T{10 + i}:00:00", hookup="four-wire", seed=i), f"three {i}.npz")
    assert run_nightly(fleet).packs == PacksDone(captures=N + 2, days=1)
    assert len(files_of(fleet)) == 2
    assert len(contents(fleet)) == N + 2


def test_what_is_large_stays_as_it_is_and_does_not_come_up_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE.
    monkeypatch.setattr("halfcycle.pipeline.nightly.day_packs._SMALL_BYTES", 1000)
    fleet = filled(tmp_path)
    assert run_nightly(fleet).packs is None
    assert len(files_of(fleet)) == N
    assert summary_if_idle(fleet) is not None


def test_a_pack_holds_no_more_than_is_in_memory_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # SOURCE.
    monkeypatch.setattr("halfcycle.pipeline.nightly.day_packs._MOST_BYTES", 12_000)  # of two captures of 6,400 bytes
    fleet = filled(tmp_path)
    assert run_nightly(fleet).packs == PacksDone(captures=N, days=1)
    assert len(files_of(fleet)) == 3
    assert len(contents(fleet)) == N


def test_a_night_packs_as_many_days_as_the_settings_allow_and_a_plan_says_so(tmp_path: Path) -> None:
    # SOURCE.
    fleet = filled(tmp_path, pack_days=0)
    for i in range(4):
        drop(fleet, made_capture(f"2026-02-03T{i:02}:00:00", seed=20 + i), f"older {i}.npz")
    run_nightly(fleet)
    config = tmp_path / "fleet.toml"
    config.write_text(config.read_text().replace("pack_days = 0", "pack_days = 1"))
    fleet = loaded(config)
    assert plan(fleet, today()).packs == PacksDone(days=1, left=1)
    assert "fewer files: captures of 1 day; 1 day left for later nights" in halfcycle("plan", "--config", config).stdout
    assert run_nightly(fleet).packs == PacksDone(captures=N, days=1, left=1)  # the latest first
    assert run_nightly(fleet).packs == PacksDone(captures=4, days=1)
    assert summary_if_idle(fleet) is not None


def test_retention_takes_captures_out_of_a_pack(tmp_path: Path, plain: Fleet) -> None:
    # SOURCE: calm captures are past their age, those with an event are not.
    fleet = filled(tmp_path, extra="[retention]\ncalm_waveforms_days = 10\n")
    kept = fleet.model_copy(update={"retention": None})
    run_nightly(kept)
    before, (pack,) = catalogue_bytes(fleet.store), files_of(fleet)
    held = Store(fleet.store).captures(SITE, DAY)
    size = sum(stored_size(path) for path in held)
    assert 0.5 * size < (fleet.store / "waveforms" / f"site={SITE}" / f"date={DAY}" / pack).stat().st_size < 2 * size
    planned = plan(fleet, today()).removed
    done = run_nightly(fleet).removed
    assert done is not None
    assert (done.captures, done.failed) == (N - 2, ())
    assert planned == done
    (other,) = files_of(fleet)
    assert other != pack
    left = contents(fleet)
    assert same(left, {digest: one for digest, one in contents(plain).items() if digest in left})
    assert len(left) == 2
    assert catalogue_bytes(fleet.store) == before
    assert states(fleet)[str(DAY)] == "frozen"
    assert verify(fleet, in_this_process) == []
    drop_captures(Store(fleet.store), Store(fleet.store).captures(SITE, DAY))
    assert files_of(fleet) == []


def test_a_renamed_site_keeps_its_packs(fleet: Fleet, tmp_path: Path) -> None:
    # SOURCE.
    before = contents(fleet)
    config = tmp_path / "fleet.toml"
    config.write_text(config.read_text().replace(f'name = "{SITE}"', f'name = "Tarn Head"\nformerly = ["{SITE}"]'))
    moved = loaded(config)
    run_nightly(moved)
    paths = Store(moved.store).captures("Tarn Head", DAY)
    assert same({path.stem: stored_capture(path) for path in paths}, before)
    assert len({place_of(path)[0] for path in paths}) == 1
    event = events_in(moved)[0]
    assert WaveformPlaces((), moved).files_of(event)[0].name.startswith("captures-")
    assert update_days(moved, sites=["Tarn Head"], first=None, last=None, rebuild=True).built.keys()
    assert len(events_in(moved)) == 3


@pytest.mark.long
@pytest.mark.parametrize("kind", ["file", "s3"])
def test_at_an_address_another_machine_has_the_same_packs(kind: str, tmp_path: Path, plain: Fleet) -> None:
    # SOURCE.
    if kind == "s3":
        pytest.importorskip("s3fs")
    with addresses(kind, tmp_path / "places") as new:
        address = new()
        mill = filled(tmp_path / "mill", stored_at=address)
        run_nightly(mill)
        assert len(files_of(mill)) == 1
        weir = filled(tmp_path / "weir", stored_at=address)
        shutil.rmtree(weir.inbox)
        weir.inbox.mkdir()
        assert run_nightly(weir).is_whole
        assert files_of(weir) == files_of(mill)
        assert same(contents(weir), contents(plain))
        assert catalogue_bytes(weir.store) == catalogue_bytes(mill.store) == catalogue_bytes(plain.store)


def test_a_pack_says_the_headers_of_its_captures_whatever_they_have_in_common(tmp_path: Path) -> None:
    # SOURCE: content_digest is over the header's JSON, in which 1 and 1.0 differ.
    fleet = filled(tmp_path, n=0)
    one = made_capture(f"{DAY}T00:00:00", seconds=0.1)
    for i, scale in enumerate((1, 1.0, 0.5, 2)):
        channel = replace(one.header.channels[0], scale=scale)
        header = replace(one.header, channels=(channel,), start_ns=one.header.start_ns + i, notes=(f"note {i}",))
        capture = Capture(header, one.samples)
        path = Store(fleet.store).waveform_path(SITE, DAY, capture.digest())
        write_capture(capture, path)
    before = contents(fleet)
    assert len(before) == 4
    assert pack_day(Store(fleet.store), SITE, DAY) == (4, [])
    (name,) = files_of(fleet)
    pack = pack_at(fleet.store / "waveforms" / f"site={SITE}" / f"date={DAY}" / name)
    for digest, header in pack.headers.items():
        assert content_digest(header, iter(before[digest].samples)) == digest
        assert header == before[digest].header
