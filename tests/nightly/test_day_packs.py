"""Captures of a day in few files: nothing lost, nothing twice, the same catalogues, whatever comes between."""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
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
    with_sag,
    write_capture,
    write_fleet,
)
from made_places import addresses
from started_nights import Starter, starting

from halfcycle.pipeline.capture import Capture, content_digest
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import DamagedCapture
from halfcycle.pipeline.nightly.day_packs import drop_captures, pack_day
from halfcycle.pipeline.nightly.packing import PacksDone
from halfcycle.pipeline.nightly.plan import plan
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle, update_days
from halfcycle.pipeline.nightly.stored import check_stored
from halfcycle.pipeline.nightly.verify import repair, verify
from halfcycle.pipeline.readers import capture_at, read_captures, samples_at
from halfcycle.pipeline.recall import WaveformPlaces
from halfcycle.pipeline.spread import in_this_process
from halfcycle.pipeline.store.content import place_of, stored_capture, stored_header, stored_size
from halfcycle.pipeline.store.packs import pack_at, pack_of, packs_in
from halfcycle.pipeline.store.partitions import Store, today

pytestmark = pytest.mark.slow

SOURCE = "the project's own design: a packed capture keeps its path, its digest and its rows"
READERS = "general libraries: pandas, pyarrow, DuckDB and Polars read a Parquet file by their own rules"
DAY = date(2026, 3, 1)
N = 6


def filled(root: Path, *, pack_days: int = 1000, extra: str = "", n: int = N, stored_at: str = "") -> Fleet:
    """Six captures of one day in the inbox, two of them with a sag, and one of the next day."""
    config = write_fleet(root, run=f"pack_days = {pack_days}\nmonth_days = 0\n", extra=extra)
    if stored_at:
        config.write_text(f'store_at = "{stored_at}"\n{config.read_text()}')
    fleet = loaded(config)
    for i in range(n):
        sags = [(0.5, 0.2, 0.5)] if i in (1, 4) else []
        drop(fleet, made_capture(f"{DAY}T{i:02}:00:00", sags=sags, seed=i), f"{i}.npz")
    drop(fleet, with_sag(str(DAY + timedelta(days=1))), "next.npz")
    return fleet


def files_of(fleet: Fleet, day: date = DAY) -> list[str]:
    return sorted(path.name for path in (fleet.store / "waveforms" / f"site={SITE}" / f"date={day}").glob("*"))


def contents(fleet: Fleet, day: date = DAY) -> dict[str, Capture]:
    """What the store holds of a day, each capture compared with its name."""
    found = {}
    for path in Store(fleet.store).captures(SITE, day):
        check_stored(path)
        found[path.stem] = stored_capture(path)
    return found


def same(a: dict[str, Capture], b: dict[str, Capture]) -> bool:
    return a.keys() == b.keys() and all(
        a[key].header == b[key].header and np.array_equal(a[key].samples, b[key].samples) for key in a
    )


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    made = filled(tmp_path)
    run_nightly(made)
    return made


@pytest.fixture
def plain(tmp_path: Path) -> Fleet:
    """The same captures in files of their own."""
    made = filled(tmp_path / "plain", pack_days=0)
    run_nightly(made)
    return made


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


def flip(path: Path, at: int) -> None:
    content = bytearray(path.read_bytes())
    content[at] ^= 0xFF
    path.write_bytes(content)


def damage(fleet: Fleet, path: Path) -> None:
    """Change a byte of the samples of a packed capture."""
    pack = pack_of(path)
    assert pack is not None
    column = pack.metadata.row_group(pack.groups[path.stem][0]).column(0)
    flip(pack.path, column.data_page_offset + column.total_compressed_size - 40)


def test_one_damaged_capture_of_a_pack_costs_itself_and_is_replaced(fleet: Fleet, plain: Fleet) -> None:
    # SOURCE.
    path = min(Store(fleet.store).captures(SITE, DAY), key=lambda path: stored_header(path).start_ns)
    damage(fleet, path)
    with pytest.raises(DamagedCapture):
        check_stored(path)
    (fault,) = verify(fleet, in_this_process)
    assert (fault.what, fault.path) == ("damaged capture", path)
    (left,) = repair([fault], fleet, in_this_process)
    assert left.what == "capture set aside"
    assert len(contents(fleet)) == N - 1
    drop(fleet, made_capture(f"{DAY}T00:00:00", seed=0), "0.npz")
    done = run_nightly(fleet)
    assert done.is_whole
    assert len(files_of(fleet)) == 2  # what is sound in a pack of its own, and the file that came again
    assert same(contents(fleet), contents(plain))
    assert catalogue_bytes(fleet.store) == catalogue_bytes(plain.store)
    assert summary_if_idle(fleet) is not None
    assert verify(fleet, in_this_process) == []


def test_a_damaged_capture_stays_as_it_is_where_it_would_be_packed_and_is_told(tmp_path: Path) -> None:
    # SOURCE.
    fleet = filled(tmp_path, pack_days=0)
    run_nightly(fleet)
    path = Store(fleet.store).captures(SITE, DAY)[2]
    content = path.read_bytes()
    flip(path, len(content) // 3)
    n, failed = pack_day(Store(fleet.store), SITE, DAY)
    assert n == N - 1
    assert len(failed) == 1
    assert str(path) in failed[0]
    assert path.exists()
    assert len(Store(fleet.store).captures(SITE, DAY)) == N


@pytest.mark.parametrize("where", ["end", "middle of the footer", "cut short"])
def test_a_pack_that_cannot_be_read_is_told_and_its_day_stands(fleet: Fleet, where: str) -> None:
    # SOURCE.
    (name,) = files_of(fleet)
    pack = fleet.store / "waveforms" / f"site={SITE}" / f"date={DAY}" / name
    content = pack.read_bytes()
    footer = int.from_bytes(content[-8:-4], "little")
    spoilt = {
        "end": content[:-4] + b"XXXX",
        "middle of the footer": content[: -footer // 2] + b"\0" * 200 + content[-footer // 2 + 200 :],
        "cut short": content[: len(content) // 2],
    }[where]
    before = catalogue_bytes(fleet.store)
    pack.write_bytes(spoilt)
    found = verify(fleet, in_this_process)
    assert ("damaged capture", pack) in [(fault.what, fault.path) for fault in found]
    left = repair(found, fleet, in_this_process)
    assert [(fault.what, fault.path) for fault in left] == [("capture set aside", pack)]
    assert {key: value for key, value in catalogue_bytes(fleet.store).items() if str(DAY) in key} == {
        key: value for key, value in before.items() if str(DAY) in key
    }
    assert states(fleet)[str(DAY)] == "frozen"
    for i in range(N):  # the recorder still has them
        drop(
            fleet,
            made_capture(f"{DAY}T{i:02}:00:00", sags=[(0.5, 0.2, 0.5)] if i in (1, 4) else [], seed=i),
            f"{i}.npz",
        )
    run_nightly(fleet)
    assert len(contents(fleet)) == N
    assert states(fleet)[str(DAY)] == "fresh"
    assert len(events_in(fleet)) == 3


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


def test_a_look_while_captures_are_packed_and_unpacked_sees_them_all(plain: Fleet) -> None:
    # SOURCE: readers need no lock. Packs are taken apart again by writing their captures as files of their own.
    store = Store(plain.store)
    expected = sorted(path.name for path in store.captures(SITE, DAY))
    folder = store.waveform_path(SITE, DAY, "x").parent
    whole = {path: path.read_bytes() for path in store.captures(SITE, DAY)}
    ended = threading.Event()
    seen: list[list[str]] = []

    def look() -> None:
        while not ended.is_set():
            seen.append(sorted(path.name for path in store.captures(SITE, DAY)))
            for path in store.captures(SITE, DAY)[:2]:
                check_stored(path)

    thread = threading.Thread(target=look)
    thread.start()
    try:
        for _ in range(20):
            assert pack_day(store, SITE, DAY) == (N, [])
            for path, content in whole.items():
                aside = path.with_name(f".aside-{path.stem}")
                aside.write_bytes(content)
                os.replace(aside, path)
            for pack in packs_in(folder):
                pack.path.unlink()
    finally:
        ended.set()
        thread.join()
    assert len(seen) > 20
    assert all(names == expected for names in seen)


@pytest.fixture(scope="module")
def starter() -> Iterator[Starter]:
    with starting() as found:
        yield found


@pytest.mark.long
def test_a_night_that_ends_before_any_step_of_packing_is_finished_by_the_next(tmp_path: Path, starter: Starter) -> None:
    # SOURCE: a night ends itself by SIGKILL before each of its renames and removals in turn.
    source = filled(tmp_path / "source", pack_days=0)
    run_nightly(source)
    expected, catalogues = contents(source), catalogue_bytes(source.store)
    n_packing = 0
    for step in range(400):
        root = tmp_path / str(step)
        shutil.copytree(tmp_path / "source", root)
        config = root / "fleet.toml"
        config.write_text(config.read_text().replace("pack_days = 0", "pack_days = 10"))
        fleet = loaded(config)
        starter.start(config, step=step)
        ended = starter.status()
        assert same(contents(fleet), expected)
        n_packing += 0 < len(files_of(fleet)) - 1 <= N
        assert run_nightly(fleet).is_whole
        assert len(files_of(fleet)) == 1, step
        assert same(contents(fleet), expected)
        assert catalogue_bytes(fleet.store) == catalogues
        assert verify(fleet, in_this_process) == []
        shutil.rmtree(root)
        if ended == 0:
            break
    assert ended == 0
    assert n_packing >= N  # between the pack and the last of the files that it replaces


@pytest.mark.long
def test_retention_that_ends_in_its_middle_goes_on(tmp_path: Path, starter: Starter) -> None:
    # SOURCE: as above; calm captures are taken out of a pack.
    source = filled(tmp_path / "source")
    run_nightly(source)
    catalogues = catalogue_bytes(source.store)
    kept = {event.capture for event in events_in(source, (SITE, str(DAY)))}
    for step in range(400):
        root = tmp_path / str(step)
        shutil.copytree(tmp_path / "source", root)
        config = root / "fleet.toml"
        config.write_text(config.read_text() + "\n[retention]\ncalm_waveforms_days = 10\n")
        fleet = loaded(config)
        starter.start(config, step=step)
        ended = starter.status()
        assert kept <= contents(fleet).keys()
        assert run_nightly(fleet).is_whole
        assert contents(fleet).keys() == kept
        assert len(files_of(fleet)) == 1
        assert catalogue_bytes(fleet.store) == catalogues
        shutil.rmtree(root)
        if ended == 0:
            break
    assert ended == 0
    assert step >= 3


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
