"""Damage in the store is found before it becomes an event, and a good capture that comes again heals it."""

from __future__ import annotations

from pathlib import Path

import pyarrow.parquet as pq
import pytest
from made_fleet import SITE, events_in, loaded, made_capture, write_capture, write_fleet

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.store.partitions import Store, check_name
from halfcycle.pipeline.store.trends import read_trend

SOURCE = "the project's own design: a stored capture is named by the digest of its content"
START = "2026-03-01T12:00:00"


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return loaded(write_fleet(tmp_path, run="settle_s = 0.0"))


def stored(fleet: Fleet) -> Path:
    (path,) = (fleet.store / "waveforms").rglob("*.parquet")
    return path


def put(fleet: Fleet) -> None:
    write_capture(made_capture(START, sags=[(0.8, 0.3, 0.6)]), fleet.inbox / SITE / "a.cfg")


def damage(path: Path, at: float) -> None:
    content = bytearray(path.read_bytes())
    first = int(at * len(content))
    content[first : first + 1000] = bytes(1000)
    path.write_bytes(bytes(content))


@pytest.mark.parametrize("at", [0.05, 0.2, 0.5])
def test_zeroed_bytes_set_the_capture_aside_and_are_no_event(fleet: Fleet, at: float) -> None:
    # SOURCE.
    put(fleet)
    run_nightly(fleet, catalogue=False)
    damage(stored(fleet), at)
    summary = run_nightly(fleet)
    assert [path for path, _ in summary.set_aside] == [stored(fleet)]
    assert events_in(fleet) == []
    assert [outcome.judged_s for outcome in summary.days] == [0.0]


def test_a_content_of_another_name_is_set_aside_though_the_file_is_whole(fleet: Fleet) -> None:
    # SOURCE.
    put(fleet)
    run_nightly(fleet, catalogue=False)
    path = stored(fleet)
    other = path.with_name(path.stem[::-1] + ".parquet")
    path.rename(other)
    ((named, reason),) = run_nightly(fleet).set_aside
    assert named == other
    assert "the digest of its content" in reason


@pytest.mark.parametrize("when", ["before a catalogue", "after a catalogue", "after it was set aside"])
def test_the_same_capture_sent_again_takes_the_place_of_a_damaged_one(fleet: Fleet, when: str) -> None:
    # SOURCE.
    put(fleet)
    run_nightly(fleet, catalogue=when == "after a catalogue")
    before = stored(fleet).read_bytes()
    damage(stored(fleet), 0.2)
    if when == "after it was set aside":
        assert run_nightly(fleet).set_aside
        assert events_in(fleet) == []
    put(fleet)
    summary = run_nightly(fleet)
    assert [outcome.state for outcome in summary.files] == ["stored"]
    assert stored(fleet).read_bytes() == before
    assert [(event.kind, round(event.magnitude, 2)) for event in events_in(fleet)] == [("sag", 0.6)]
    assert len(summary.days) == 1
    assert Store(fleet.store).set_aside(SITE, summary.days[0].day.day) == {}


def test_pages_of_the_store_carry_checksums(fleet: Fleet) -> None:
    # Source: Apache Parquet format, PageHeader.crc; the library verifies it where it is there.
    put(fleet)
    run_nightly(fleet, catalogue=False)
    path = stored(fleet)
    content = bytearray(path.read_bytes())
    content[len(content) // 3] ^= 1
    path.write_bytes(bytes(content))
    with pytest.raises(OSError, match="CRC"):
        pq.ParquetFile(path, page_checksum_verification=True).read()


@pytest.mark.parametrize("name", ["../../escaped", "a/b", "a\\b", "", " ", "a\nb", "a\u202eb", "x" * 201, "a\0b"])
def test_a_name_that_would_lead_elsewhere_is_refused_by_the_store_itself(tmp_path: Path, name: str) -> None:
    # The project's own design: one check for every name that becomes a path.
    import datetime

    store = Store(tmp_path)
    day = datetime.date(2026, 3, 1)
    for make in (
        lambda: store.waveform_path(name, day, "0" * 32),
        lambda: store.catalogue_path(name, day),
        lambda: store.trend_path(name, day, 600.0),
        lambda: read_trend(tmp_path, site=name, interval_s=600.0),
    ):
        with pytest.raises(StoreError, match="cannot be a folder of the store"):
            make()


@pytest.mark.parametrize("name", ["Mill Lane", "..", "Größe 2: 110 kV", "станция", "東", "a=b", "Mill [north]"])
def test_other_names_are_allowed(name: str) -> None:
    check_name(name)
