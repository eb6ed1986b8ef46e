"""A year of nights, drawn: what happens to a fleet in a year happens to it, and each day stands as its truth asks.

Captures come, late ones too, some twice, some damaged; a transducer is replaced and told a week later; a site gets
another name; thresholds change; the code gets another version; waveforms pass their age; a recorder falls silent; a
store that another run holds fails nights. The days are compared with a store that is built at once from those files.
"""

from __future__ import annotations

import random
import shutil
import sys
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import pyarrow as pa
import pytest
from made_fleet import loaded, made_capture, write_capture
from night_listener import listener

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.nightly.day_states import days_of
from halfcycle.pipeline.nightly.days import Day, read_catalogue
from halfcycle.pipeline.nightly.run import RunSummary, run_nightly
from halfcycle.pipeline.nightly.verify import verify
from halfcycle.pipeline.notifying import night
from halfcycle.pipeline.spread import in_this_process
from halfcycle.pipeline.store import partitions
from halfcycle.pipeline.store.lock import locked

SOURCE = "the project's own design: nothing lost, nothing twice, each failure told once"
FIRST = date(2025, 1, 1)
NIGHTS = 365
REPLACED, REPLACED_TOLD = 90, 97  # Weir's transducer, from then on of half the volts
RENAMED = 120  # Mill is Mill North
THRESHOLDS = 150  # of Quarry
UPGRADED = 250
SILENT = range(200, 260)  # Quarry
CALM_DAYS, EVENT_DAYS = 100, 200
BUSY = (60, 61, 180, 300)  # nights on which another run holds the store


# A library that sends messages imports one that Python will lose.
pytestmark = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")


@dataclass
class World:
    """The files of a year as they came, and what is to come of them."""

    files: dict[tuple[str, str], bytes] = field(default_factory=dict)  # by site, as it is called at the end, and name
    bad: set[str] = field(default_factory=set)


def night_of(k: int) -> date:
    return FIRST + timedelta(days=k)


def config_of(k: int, folder: Path, tell: str, *, keeps: bool = False) -> Fleet:
    """The fleet as it is configured on a night; keeps: with no age for anything."""
    ratio = f"[[sites.changes]]\nvalid_from = {night_of(REPLACED)}\nvoltage_ratio = 2.0\n" if k >= REPLACED_TOLD else ""
    mill = 'name = "Mill North"\nformerly = ["Mill"]\n' if k >= RENAMED else 'name = "Mill"\n'
    usual = 'nominal_voltage_v = 230.0\nnominal_frequency_hz = 50\nhookup = "single-phase"\n'
    low = 'thresholds = "low"\n' if k >= THRESHOLDS else ""
    age = "" if keeps else f"[retention]\ncalm_waveforms_days = {CALM_DAYS}\nevent_waveforms_days = {EVENT_DAYS}\n"
    notify = f'[notify]\nto = ["{tell}"]\nabout = ["failure", "set aside", "silence"]\n' if tell else ""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "inbox").mkdir(exist_ok=True)
    path = folder / "fleet.toml"
    path.write_text(
        f'[run]\nsettle_s = 0.0\n\n[[sites]]\nname = "Weir"\n{usual}{ratio}\n[[sites]]\n{mill}{usual}\n'
        f'[[sites]]\nname = "Quarry"\n{usual}{low}\n[thresholds.low]\nsag_pu = 0.7\n\n{age}\n{notify}',
        encoding="utf-8",
    )
    return loaded(path)


def brought(world: World, k: int, rng: random.Random, folder: Path) -> None:
    """What the recorders bring until a night, into the inbox."""
    for site in ("Weir", "Mill", "Quarry"):
        called = "Mill North" if site == "Mill" and k >= RENAMED else site
        owner = "Mill North" if site == "Mill" else site
        days = [night_of(k)] if rng.random() < 0.8 else []
        if rng.random() < 0.1:
            days.append(night_of(k - rng.randint(1, 250 if rng.random() < 0.2 else 20)))
        for day in days if not (site == "Quarry" and k in SILENT) else ():
            volts = 115.0 if site == "Weir" and day >= night_of(REPLACED) else 230.0
            clock = f"{rng.randrange(24):02}:{rng.randrange(60):02}:{rng.randrange(60):02}"
            sags = [(0.2, 0.1, rng.choice([0.5, 0.65, 0.8]))] if rng.random() < 0.5 else []
            capture = made_capture(f"{day}T{clock}", seconds=0.6, sags=sags, volts=volts, seed=rng.randrange(10**6))
            name = f"{k}-{day}-{clock.replace(':', '')}.csv"
            path = write_capture(capture, folder / "inbox" / called / name)
            world.files[owner, name] = path.read_bytes()
            if rng.random() < 0.05:
                shutil.copy(path, path.with_name(f"again-{name}"))
        if world.files and rng.random() < 0.03:  # a folder that is copied a second time
            (owner_then, name), content = rng.choice(list(world.files.items()))
            if owner_then == owner:
                (folder / "inbox" / called / f"copied-{k}-{name}").write_bytes(content)
        if rng.random() < 0.02:
            bad = folder / "inbox" / called / f"bad-{k}-{site}.csv"
            bad.write_bytes(b"\x00" + rng.randbytes(20))
            world.bad.add(bad.name)


def a_night(fleet: Fleet, k: int) -> RunSummary | None:
    """None where another run held the store."""
    if k not in BUSY:
        return night(fleet, "weirs", lambda: run_nightly(fleet))
    with locked(fleet.store, wait_s=0.0), pytest.raises(StoreError, match="another run"):
        night(fleet, "weirs", lambda: run_nightly(fleet))
    return None


def rows_of(fleet: Fleet, day: Day) -> list[dict[str, object]]:
    """What a day's catalogue says: all of it but which incident of the fleet an event is part of."""
    table: pa.Table = read_catalogue(fleet, [day])
    rows: list[dict[str, object]] = table.drop_columns(
        [c for c in ("incident_id",) if c in table.column_names]
    ).to_pylist()
    return rows


@pytest.mark.exam
def test_after_a_year_each_day_is_as_if_built_at_once_and_each_failure_was_told_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE.
    rng = random.Random(2025)
    world = World()
    real_today = partitions.today
    now = [FIRST]
    for module in [m for name, m in sys.modules.items() if name.startswith("halfcycle.")]:
        if getattr(module, "today", None) is real_today:
            monkeypatch.setattr(module, "today", lambda: now[0])
    versions = [m for n, m in sys.modules.items() if n.startswith("halfcycle.") and hasattr(m, "judging_version")]
    n_files, n_quarantined = 0, 0
    judged_before: dict[Day, list[dict[str, object]]] = {}
    with listener() as (address, got):
        for k in range(NIGHTS):
            now[0] = night_of(k + 1)
            if k == UPGRADED:
                for module in versions:
                    monkeypatch.setattr(module, "judging_version", lambda: "revision 2")
            fleet = config_of(k, tmp_path / "lived", address)
            brought(world, k, rng, tmp_path / "lived")
            summary = a_night(fleet, k)
            if summary is None:
                continue
            assert summary.untold == ()
            assert summary.failed == ()
            n_files += sum(outcome.n_new > 0 for outcome in summary.files)
            n_quarantined += len(summary.quarantined)
            if k == THRESHOLDS - 1:
                judged_before = {day: rows_of(fleet, day) for day, _ in days_of(fleet) if day.site == "Quarry"}
        messages = "\n".join(message["message"] for message in got)
    assert n_files >= len(world.files)  # a copy of what has gone by its age is stored, judged and goes again
    assert n_quarantined == len(world.bad)
    assert [messages.count(name) for name in sorted(world.bad)] == [1] * len(world.bad)
    assert messages.count("another run is in progress") == 3  # two nights in a row are one matter
    assert messages.count("Quarry: no capture for") == 1
    assert verify(fleet, in_this_process) == []

    at_once = config_of(NIGHTS, tmp_path / "at once", "", keeps=True)
    for (site, name), content in world.files.items():
        path = at_once.inbox / site / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    run_nightly(at_once)
    states = dict(days_of(fleet))
    assert set(states) == {day for day, _ in days_of(at_once)}
    assert {"fresh", "frozen"} <= set(states.values())
    differing = [day for day in states if rows_of(fleet, day) != rows_of(at_once, day)]
    # Days of Quarry whose waveforms had gone before its thresholds changed stand as they were judged.
    assert all(day.site == "Quarry" and states[day] == "frozen" for day in differing)
    assert all(rows_of(fleet, day) == judged_before[day] for day in differing)
