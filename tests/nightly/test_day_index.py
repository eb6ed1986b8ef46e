"""What is kept of a look at the days: the next look finds what one without it finds, and costs what has changed."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from made_fleet import SITE, grown_old, loaded, made_capture, write_capture, write_fleet

import halfcycle.pipeline.nightly.day_index as index_module
import halfcycle.pipeline.nightly.day_states as states_module
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.day_states import DaysFound, look_at_days
from halfcycle.pipeline.nightly.days import Day
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle
from halfcycle.pipeline.nightly.verify import repair, verify
from halfcycle.pipeline.spread import in_this_process
from halfcycle.pipeline.store.changes import Changes, site_key
from halfcycle.pipeline.store.partitions import Store, today

pytestmark = pytest.mark.slow

SOURCE = "brute force: a look at a store whose index was removed"
FIRST = date(2026, 3, 1)
LOW = "[thresholds.ieee-1159]\nsag_pu = 0.45\n"
LATER = "[[sites.changes]]\nvalid_from = 2026-03-04\nvoltage_ratio = 2.0\n"


def put(fleet: Fleet, day: date, seed: int, *, over_midnight: bool = False) -> None:
    clock = "23:59:59" if over_midnight else f"{seed % 20:02}:00:00"
    capture = made_capture(f"{day}T{clock}", seconds=2.0, sags=[(0.3, 1.0, 0.5)], seed=seed)
    write_capture(capture, fleet.inbox / SITE / f"{seed}.npz")


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    made = loaded(write_fleet(tmp_path, run="month_days = 0\n"))  # files of months go by times that tests change
    for n in range(6):
        put(made, FIRST + timedelta(days=n), n, over_midnight=n == 2)
    run_nightly(made)
    return made


def looked_at_all(fleet: Fleet) -> DaysFound:
    shutil.rmtree(fleet.store / ".index", ignore_errors=True)
    return look_at_days(fleet)


def n_read(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> int:
    """How many catalogues a look reads."""
    read: list[Path] = []
    whole = index_module.catalogue_metadata

    def counted(path: Path) -> object:
        read.append(path)
        return whole(path)

    with monkeypatch.context() as patched:
        patched.setattr(index_module, "catalogue_metadata", counted)
        look_at_days(fleet)
    return len(read)


def test_a_look_reads_what_has_changed_and_no_more(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(index_module, "SETTLED_NS", 50 * 10**9)  # however long the machine takes over a night
    shutil.rmtree(fleet.store / ".index", ignore_errors=True)
    assert n_read(fleet, monkeypatch) == 6
    grown_old(fleet)
    look_at_days(fleet, keep=True)
    assert n_read(fleet, monkeypatch) == 0
    put(fleet, FIRST, 99)
    run_nightly(fleet)
    assert 1 <= n_read(fleet, monkeypatch) <= 2  # its day and the next, whose neighbour it is


def test_what_changed_a_moment_ago_is_looked_at_again(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.rmtree(fleet.store / ".index", ignore_errors=True)
    with monkeypatch.context() as patched:  # however long the machine took since
        patched.setattr(index_module, "SETTLED_NS", 3600 * 10**9)
        look_at_days(fleet, keep=True)
        assert n_read(fleet, monkeypatch) == 6
    grown_old(fleet)
    look_at_days(fleet)  # of who only reads
    assert n_read(fleet, monkeypatch) == 6
    assert summary_if_idle(fleet) is not None
    assert n_read(fleet, monkeypatch) == 0


def of_a_change(kind: int, fleet: Fleet, rng: np.random.Generator) -> Fleet:
    """A change to a store, its settings or its inbox, of the kinds that happen."""
    store = Store(fleet.store)
    captures = sorted((fleet.store / "waveforms").rglob("*.parquet"))
    catalogues = sorted((fleet.store / "catalogue").rglob("*.parquet"))
    day = FIRST + timedelta(days=int(rng.integers(8)))
    pick: Callable[[list[Path]], Path] = lambda paths: paths[int(rng.integers(len(paths)))]  # noqa: E731
    if kind == 0:
        put(fleet, day, int(rng.integers(100, 1 << 20)), over_midnight=bool(rng.integers(2)))
        run_nightly(fleet, catalogue=bool(rng.integers(2)))
    elif kind == 1 and captures:
        store.remove(pick(captures))
    elif kind == 2 and captures:
        store.put_aside(pick(captures), "to see")
    elif kind == 3 and captures:
        store.put_back(pick(captures))
    elif kind == 4 and catalogues:
        path = pick(catalogues)
        store.write(path, lambda aside: aside.write_bytes(path.read_bytes()[:100]))
    elif kind == 5 and catalogues:
        store.remove(pick(catalogues))
    elif kind == 6:
        run_nightly(fleet)
    else:
        extra, site = [("", ""), (LOW, ""), ("", LATER)][int(rng.integers(3))]
        return loaded(write_fleet(fleet.store.parent, site=site, extra=extra))
    return fleet


@pytest.mark.parametrize(("seed", "newest"), [(0, 14), (1, 14), (2, 0), (3, 0), (4, 1)])
def test_a_look_finds_what_one_at_everything_finds(
    fleet: Fleet, seed: int, newest: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Even where the files of no day are looked at but of those that were noted as about to change."""
    monkeypatch.setattr(index_module, "_NEWEST", newest)
    rng = np.random.default_rng([7, seed])
    seen = set()
    for _ in range(12):
        grown_old(fleet)
        look_at_days(fleet, keep=True)
        fleet = of_a_change(int(rng.integers(8)), fleet, rng)
        found = look_at_days(fleet)
        seen |= {state for _, state in found.states}
        assert found == looked_at_all(fleet)
    assert len(seen) >= 3


def test_what_others_change_by_hand_shows_in_the_newest_days_at_once_and_in_older_ones_later(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(index_module, "_NEWEST", 2)
    grown_old(fleet)
    look_at_days(fleet, keep=True)
    store = Store(fleet.store)
    for n in (0, 5):
        for path in store.captures(SITE, FIRST + timedelta(days=n)):
            path.unlink()
    states = dict(look_at_days(fleet).states)
    assert states[Day(SITE, FIRST + timedelta(days=5))] == "frozen"
    assert states[Day(SITE, FIRST)] == "fresh"
    assert dict(look_at_days(fleet, trust=False).states)[Day(SITE, FIRST)] == "frozen"
    later = today() + timedelta(days=42)
    monkeypatch.setattr(states_module, "today", lambda: later)
    assert dict(look_at_days(fleet).states)[Day(SITE, FIRST)] == "frozen"


def test_a_run_killed_before_it_looked_leaves_its_notes_to_the_next(fleet: Fleet) -> None:
    """What a run notes stays until a look has seen what became of it, and a look by who only reads leaves it."""
    grown_old(fleet)
    look_at_days(fleet, keep=True)
    assert not Changes(fleet.store).noted()
    put(fleet, FIRST, 98)
    run_nightly(fleet, catalogue=False)
    noted = Changes(fleet.store).noted()
    assert noted == {site_key(SITE): {FIRST}}
    look_at_days(fleet)
    assert Changes(fleet.store).noted() == noted
    look_at_days(fleet, keep=True)
    assert not Changes(fleet.store).noted()
    assert dict(look_at_days(fleet).states)[Day(SITE, FIRST)] == "stale"


def test_a_later_look_of_a_run_takes_sites_without_a_change_from_the_one_before(fleet: Fleet) -> None:
    before = look_at_days(fleet, keep=True)
    assert look_at_days(fleet, keep=True, before=before).sites[SITE] is before.sites[SITE]
    Store(fleet.store).put_aside(Store(fleet.store).captures(SITE, FIRST)[0], "to see")
    after = look_at_days(fleet, keep=True, before=before)
    assert dict(after.states)[Day(SITE, FIRST)] != dict(before.states)[Day(SITE, FIRST)]


def test_a_damaged_index_and_one_that_cannot_be_written_cost_no_more_than_time(fleet: Fleet) -> None:
    grown_old(fleet)
    expected = look_at_days(fleet)
    look_at_days(fleet, keep=True)
    for content in (b"", b"[]", b"{", b'{"2026-03-01": 3}', os.urandom(40)):
        for path in (path for path in (fleet.store / ".index").rglob("*") if path.is_file()):
            path.write_bytes(content)
        assert look_at_days(fleet) == expected
    shutil.rmtree(fleet.store / ".index")
    (fleet.store / ".index").write_text("a file in its place")
    assert look_at_days(fleet, keep=True) == expected


def test_a_repair_trusts_nothing(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """A capture set aside by hand in an older day: a night passes it by, a repair judges the day without it."""
    monkeypatch.setattr(index_module, "_NEWEST", 2)
    grown_old(fleet)
    look_at_days(fleet, keep=True)
    capture = Store(fleet.store).captures(SITE, FIRST)[0]
    capture.with_name(f"{capture.name}.reason.txt").write_text("doubtful, by hand\n")
    assert summary_if_idle(fleet) is not None
    found = verify(fleet, in_this_process)
    # The day itself and the next one, which begins with what leads in from it.
    assert [fault.what for fault in found] == ["capture set aside", "stale catalogue", "stale catalogue"]
    repair([fault for fault in found if fault.what == "stale catalogue"], fleet, in_this_process)
    assert [fault.what for fault in verify(fleet, in_this_process)] == ["capture set aside"]
