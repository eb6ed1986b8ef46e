"""Packs that are damaged, and nights that end as they write them: every capture is there, and what is not is told."""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from made_fleet import (
    SITE,
    catalogue_bytes,
    drop,
    events_in,
    loaded,
    made_capture,
    states,
)
from made_packs import DAY, N, contents, files_of, filled, same, stored
from started_nights import Starter, starting

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import DamagedCapture
from halfcycle.pipeline.nightly.day_packs import pack_day
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle
from halfcycle.pipeline.nightly.stored import check_stored
from halfcycle.pipeline.nightly.verify import repair, verify
from halfcycle.pipeline.spread import in_this_process
from halfcycle.pipeline.store.content import stored_header
from halfcycle.pipeline.store.packs import pack_of, packs_in
from halfcycle.pipeline.store.partitions import Store

pytestmark = pytest.mark.slow

SOURCE = "the project's own design: a packed capture keeps its path, its digest and its rows"


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return stored(tmp_path)


@pytest.fixture
def plain(tmp_path: Path) -> Fleet:
    """The same captures in files of their own."""
    return stored(tmp_path / "plain", pack_days=0)


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
