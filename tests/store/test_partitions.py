"""The store's folders: by site and UTC day, found again as they were made."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from made_fleet import made_capture, ns, write_capture

from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.store.content import stored_header
from halfcycle.pipeline.store.partitions import DAY_NS, Store, day_of, day_start_ns


# The Gregorian calendar: 2000 and 2024 have a 29 February, 2100 has none.
@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2024-02-29T23:59:59.999999", date(2024, 2, 29)),
        ("2024-03-01T00:00:00", date(2024, 3, 1)),
        ("2000-02-29T12:00:00", date(2000, 2, 29)),
        ("2100-03-01T00:00:00", date(2100, 3, 1)),
        ("2026-12-31T23:59:59", date(2026, 12, 31)),
        ("1969-12-31T23:59:59", date(1969, 12, 31)),
        # Clocks go forward in Lisbon on 29 March 2026: this is 00:30 UTC. The day is that of UTC.
        ("2026-03-29T00:30:00+00:00", date(2026, 3, 29)),
        ("2026-03-30T00:30:00+01:00", date(2026, 3, 29)),
    ],
)
def test_the_day_of_a_time_is_its_utc_calendar_day(text: str, day: date) -> None:
    assert day_of(ns(text)) == day
    assert day_start_ns(day) <= ns(text) < day_start_ns(day) + DAY_NS


def test_a_day_is_half_open_to_the_nanosecond() -> None:
    first = day_start_ns(date(2024, 2, 29))
    assert day_of(first) == date(2024, 2, 29)
    assert day_of(first - 1) == date(2024, 2, 28)
    assert day_of(first + DAY_NS - 1) == date(2024, 2, 29)
    assert day_of(first + DAY_NS) == date(2024, 3, 1)


def test_what_was_written_to_a_partition_is_found_there(tmp_path: Path) -> None:
    store = Store(tmp_path)
    capture = made_capture("2024-02-29T12:00:00", seconds=0.2, station="R1")
    for site in ("Öllwang Lock", "b [1] & c"):
        path = store.waveform_path(site, date(2024, 2, 29), capture.digest())
        write_capture(capture, path)
        assert store.days(site) == [date(2024, 2, 29)]
        assert store.captures(site, date(2024, 2, 29)) == [path]
        assert store.captures(site, date(2024, 3, 1)) == []
        assert stored_header(path) == capture.header
    assert sorted(store.sites()) == ["b [1] & c", "Öllwang Lock"]
    assert store.catalogue_days("Öllwang Lock") == []


def test_hidden_and_foreign_files_are_no_captures(tmp_path: Path) -> None:
    store = Store(tmp_path)
    folder = store.waveform_path("S", date(2026, 1, 1), "d").parent
    folder.mkdir(parents=True)
    for name in (".aside-1-2-d.parquet", "readme.txt"):
        (folder / name).write_text("x")
    assert store.captures("S", date(2026, 1, 1)) == []


def test_a_folder_that_is_no_date_is_no_day_and_hides_none(tmp_path: Path) -> None:
    for name in ("date=yesterday", "date=20260301", "2026-03-01", "date=2026-03-02"):
        (tmp_path / "waveforms" / "site=S" / name).mkdir(parents=True)
    (tmp_path / "waveforms" / "site=S" / "date=2026-03-03").write_text("a file")
    assert Store(tmp_path).days("S") == [date(2026, 3, 2)]


def test_a_capture_that_is_set_aside_is_listed_with_its_reason_until_it_is_put_back(tmp_path: Path) -> None:
    store, day = Store(tmp_path), date(2026, 1, 1)
    paths = [store.waveform_path("S", day, name) for name in ("a", "b")]
    for path in paths:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    store.put_aside(paths[0], "damaged,\nas it seems")
    assert store.captures("S", day) == [paths[1]]
    assert list(store.set_aside("S", day)) == [paths[0]]
    assert store.set_aside("S", day)[paths[0]].startswith("damaged,")
    assert paths[0].read_bytes() == b"x"
    store.put_back(paths[0])
    store.put_back(paths[0])
    assert store.captures("S", day) == paths
    assert store.set_aside("S", day) == {}


def test_a_stored_file_that_is_none_is_a_clear_error(tmp_path: Path) -> None:
    path = tmp_path / "broken.parquet"
    path.write_bytes(b"PAR1")
    with pytest.raises(StoreError, match=r"broken\.parquet: is not a stored capture"):
        stored_header(path)
    import pyarrow as pa
    import pyarrow.parquet as pq

    pq.write_table(pa.table({"u": [1.0]}), path)
    with pytest.raises(StoreError, match="it has no header"):
        stored_header(path)


def test_a_catalogue_that_is_written_again_has_another_stamp_and_what_is_none_has_none(tmp_path: Path) -> None:
    store, days = Store(tmp_path), (date(2026, 1, 1), date(2026, 1, 2))
    assert store.catalogue_stamps("S") == {}
    for day in days:
        path = store.catalogue_path("S", day)
        path.parent.mkdir(parents=True)
        path.write_bytes(b"x")
    (tmp_path / "catalogue" / "site=S" / "date=tomorrow").mkdir()
    (tmp_path / "catalogue" / "site=S" / "date=2026-01-03").mkdir()
    before = store.catalogue_stamps("S")
    assert sorted(before) == store.catalogue_days("S") == list(days)
    store.catalogue_path("S", days[0]).write_bytes(b"xy")
    after = store.catalogue_stamps("S")
    assert after[days[0]] != before[days[0]]
    assert after[days[1]] == before[days[1]]
