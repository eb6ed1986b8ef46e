"""Which days are rebuilt: those whose captures, neighbours, settings or incident changed, and no others."""

from __future__ import annotations

import sys
import unicodedata
from datetime import date
from functools import partial
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from made_fleet import (
    SITE,
    catalogue_bytes,
    cut,
    drop,
    events_in,
    loaded,
    made_capture,
    names,
    states,
    with_sag,
    write_capture,
    write_fleet,
)

import halfcycle.pipeline.nightly.building as building_module
import halfcycle.pipeline.nightly.day_states as states_module
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import PlaceError
from halfcycle.pipeline.events import catalogue_schema
from halfcycle.pipeline.nightly.catalogue_file import CATALOGUE_KEY
from halfcycle.pipeline.nightly.day_states import days_of
from halfcycle.pipeline.nightly.days import Day, read_catalogue
from halfcycle.pipeline.nightly.plan import plan
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle, update_days

DAY_1, DAY_2, DAY_3 = "2026-03-01", "2026-03-02", "2026-03-03"


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return loaded(write_fleet(tmp_path / "fleet"))


def rebuilt(fleet: Fleet) -> list[str]:
    return [outcome.day.day.isoformat() for outcome in run_nightly(fleet).days]


def test_a_run_builds_the_days_of_its_captures_and_the_next_run_has_nothing_to_do(fleet: Fleet) -> None:
    drop(fleet, with_sag(DAY_1), "a.csv")
    drop(fleet, with_sag(DAY_3), "b.csv")
    assert states(fleet) == {}
    assert summary_if_idle(fleet) is None
    assert rebuilt(fleet) == [DAY_1, DAY_3]
    before = catalogue_bytes(fleet.store)
    assert summary_if_idle(fleet) is not None
    assert rebuilt(fleet) == []
    assert catalogue_bytes(fleet.store) == before
    assert [event.kind for event in events_in(fleet)] == ["sag", "sag"]


def test_the_files_metadata_names_captures_settings_and_version(fleet: Fleet) -> None:
    drop(fleet, with_sag(DAY_1), "a.csv")
    run_nightly(fleet)
    import json

    (path,) = (fleet.store / "catalogue").rglob("*.parquet")
    assert path.relative_to(fleet.store).as_posix() == f"catalogue/site={SITE}/date={DAY_1}/events.parquet"
    document = json.loads(pq.read_schema(path).metadata[CATALOGUE_KEY])
    assert document["settings"] == fleet.site_digest(fleet.sites[0])
    assert document["version"] == building_module.code_version()
    assert document["judging"] == states_module.judging_version()
    assert document["names"]
    assert document["inputs"]
    schema = pq.read_schema(path).remove_metadata()
    assert schema.names == catalogue_schema().names
    others = [field.name for field in schema if field != catalogue_schema().field(field.name)]
    assert others == ["site"]  # of the type that readers of partitioned folders give it


def test_a_late_file_makes_its_day_and_both_neighbours_stale(fleet: Fleet) -> None:
    for i, day in enumerate((DAY_1, DAY_3)):
        drop(fleet, with_sag(day), f"{i}.csv")
    run_nightly(fleet)
    drop(fleet, with_sag(DAY_2), "late.csv")
    run_nightly(fleet, catalogue=False)
    assert states(fleet) == {DAY_1: "stale", DAY_2: "stale", DAY_3: "stale"}
    assert rebuilt(fleet) == [DAY_1, DAY_2, DAY_3]
    assert set(states(fleet).values()) == {"fresh"}


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_late_files_give_the_bytes_of_files_in_time(tmp_path: Path, order: tuple[int, int]) -> None:
    whole = made_capture(f"{DAY_1}T23:59:56", seconds=8.0, sags=[(1.0, 0.1, 0.4), (3.8, 0.5, 0.6), (6.0, 0.1, 0.7)])
    halves = cut(whole, 4.0)
    in_time, late = (loaded(write_fleet(tmp_path / name)) for name in ("in time", "late"))
    for fleet in (in_time, late):
        drop(fleet, with_sag(DAY_2), "noon.csv")
        drop(fleet, with_sag(DAY_1), "noon before.csv")
    for i in order:
        drop(in_time, halves[i], f"{i}.parquet")
        drop(late, halves[i], f"{i}.parquet")
        run_nightly(late)
    run_nightly(in_time)
    assert catalogue_bytes(late.store) == catalogue_bytes(in_time.store)
    assert len(events_in(late)) == 5


@pytest.mark.parametrize(
    ("change", "n_events"),
    [("[thresholds.ieee-1159]\nsag_pu = 0.45", 0), ("[thresholds.ieee-1159]\nhysteresis_pu = 0.03", 1)],
)
def test_a_changed_threshold_makes_all_days_stale_and_is_followed(tmp_path: Path, change: str, n_events: int) -> None:
    fleet = loaded(write_fleet(tmp_path))
    drop(fleet, with_sag(DAY_1), "a.csv")
    run_nightly(fleet)
    assert len(events_in(fleet)) == 1
    changed = loaded(write_fleet(tmp_path, extra=change))
    assert states(changed) == {DAY_1: "stale"}
    run_nightly(changed)
    assert len(events_in(changed)) == n_events
    assert states(fleet) == {DAY_1: "stale"}  # and back


@pytest.mark.parametrize("line", ['time_zone = "Europe/Lisbon"', 'stations = ["REC-1"]'])
def test_a_setting_that_no_catalogue_depends_on_makes_no_day_stale(tmp_path: Path, line: str) -> None:
    fleet = loaded(write_fleet(tmp_path))
    drop(fleet, with_sag(DAY_1), "a.csv")
    run_nightly(fleet)
    assert states(loaded(write_fleet(tmp_path, site=line))) == {DAY_1: "fresh"}


def test_a_changed_transformer_ratio_is_followed_also_for_captures_that_are_stored(tmp_path: Path) -> None:
    """The files hold secondary volts: 230 V of 4600 V. Before the ratio is set they look like an interruption."""
    fleet = loaded(write_fleet(tmp_path, site="").parent / "fleet.toml")
    text = (tmp_path / "fleet.toml").read_text().replace("230.0", "4600.0")
    (tmp_path / "fleet.toml").write_text(text)
    fleet = loaded(tmp_path / "fleet.toml")
    drop(fleet, with_sag(DAY_1), "a.csv")
    run_nightly(fleet)
    assert {event.kind for event in events_in(fleet)} != {"sag"} or events_in(fleet)[0].magnitude < 0.1
    (tmp_path / "fleet.toml").write_text(
        text.replace('hookup = "single-phase"', 'hookup = "single-phase"\nvoltage_ratio = 20.0')
    )
    right = loaded(tmp_path / "fleet.toml")
    drop(right, with_sag(DAY_1), "again.csv")  # and a file that comes again is still the same capture
    summary = run_nightly(right)
    assert [outcome.state for outcome in summary.files] == ["known"]
    (event,) = events_in(right)
    assert event.kind == "sag"
    assert event.magnitude == pytest.approx(0.5, abs=0.002)  # the residual voltage that went into it; Class A, 0.2 %
    assert event.reference_v == 4600.0


# --- Versions of the code ---------------------------------------------------------------------------------------------


def test_days_judged_by_other_rules_are_named_and_left_until_they_are_asked_for(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    for i, day in enumerate((DAY_1, DAY_2)):
        drop(fleet, with_sag(day), f"{i}.csv")
    run_nightly(fleet)
    before = catalogue_bytes(fleet.store)
    for module in (states_module, building_module):
        monkeypatch.setattr(module, "judging_version", lambda: "revision 99")
    assert states(fleet) == {DAY_1: "other version", DAY_2: "other version"}
    idle = summary_if_idle(fleet)
    assert idle is not None
    assert [day.day.isoformat() for day in idle.other_version] == [DAY_1, DAY_2]
    summary = run_nightly(fleet)
    assert summary.days == ()
    assert summary.other_version == idle.other_version
    assert catalogue_bytes(fleet.store) == before

    day_2 = Day(SITE, date.fromisoformat(DAY_2))
    done = update_days(fleet, sites=[SITE], first=day_2.day, last=None, rebuild=False)
    assert (done.built, done.states) == ({}, ((day_2, "other version"),))
    done = update_days(fleet, sites=[SITE], first=day_2.day, last=None, rebuild=True)
    assert (list(done.built), done.states) == ([day_2], ((day_2, "fresh"),))
    assert states(fleet) == {DAY_1: "other version", DAY_2: "fresh"}


def test_another_version_with_the_same_rules_makes_nothing_stale(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    drop(fleet, with_sag(DAY_1), "a.csv")
    run_nightly(fleet)
    for module in [
        m for name, m in sys.modules.items() if name.startswith("halfcycle.") and hasattr(m, "code_version")
    ]:
        monkeypatch.setattr(module, "code_version", lambda: "99.0")
    assert states(fleet) == {DAY_1: "fresh"}
    drop(fleet, with_sag("2026-03-20"), "later.csv")
    assert rebuilt(fleet) == ["2026-03-20"]
    assert set(states(fleet).values()) == {"fresh"}


def test_a_plan_tells_which_rules_and_version_judged_how_many_days(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(building_module, "code_version", lambda: "0.1.0 with guest 1.0")
    for revision, day in ((1, DAY_1), (2, "2026-03-20"), (2, "2026-03-25"), (3, "2026-03-30")):
        for module in (states_module, building_module):
            monkeypatch.setattr(module, "judging_version", partial("revision {}".format, revision))
        drop(fleet, with_sag(day), f"{day}.csv")
        run_nightly(fleet)
    found = plan(fleet, date(2026, 4, 1))
    assert found.judged_otherwise == (("revision 1 by halfcycle 0.1.0", 1), ("revision 2 by halfcycle 0.1.0", 2))
    assert found.days == ()


def test_a_late_file_sets_its_days_in_motion_under_new_rules_and_no_others(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    for i, day in enumerate((DAY_1, "2026-03-20")):
        drop(fleet, with_sag(day), f"{i}.csv")
    run_nightly(fleet)
    for module in (states_module, building_module):
        monkeypatch.setattr(module, "judging_version", lambda: "revision 99")
    drop(fleet, with_sag(DAY_1, "15:00:00"), "late.csv")
    assert rebuilt(fleet) == [DAY_1]
    assert states(fleet) == {DAY_1: "fresh", "2026-03-20": "other version"}


def test_rebuild_makes_a_catalogue_anew_from_its_captures_even_where_it_looks_fresh(fleet: Fleet) -> None:
    drop(fleet, with_sag(DAY_1), "a.csv")
    run_nightly(fleet)
    whole = catalogue_bytes(fleet.store)
    (path,) = (fleet.store / "catalogue").rglob("*.parquet")
    table = pq.read_table(path, partitioning=None)
    pq.write_table(table.slice(0, 0), path)  # rows lost, metadata as they were
    assert states(fleet) == {DAY_1: "fresh"}
    update_days(fleet, sites=[SITE], first=None, last=None, rebuild=True)
    assert catalogue_bytes(fleet.store) == whole


def test_catalogues_of_a_version_with_fewer_columns_can_still_be_read(fleet: Fleet) -> None:
    for i, day in enumerate((DAY_1, DAY_2)):
        drop(fleet, with_sag(day), f"{i}.csv")
    run_nightly(fleet)
    path = next((fleet.store / "catalogue").rglob(f"date={DAY_1}/*.parquet"))
    old = pq.read_table(path, partitioning=None).drop_columns(["frequency_hz", "dip_type"])
    pq.write_table(old, path)
    table = read_catalogue(fleet, [day for day, _ in days_of(fleet)])
    assert table.schema == catalogue_schema()
    assert table.column("frequency_hz").is_null().to_pylist() == [True, False]


# --- What cannot be read ----------------------------------------------------------------------------------------------


def test_a_damaged_catalogue_is_named_and_made_anew(fleet: Fleet) -> None:
    drop(fleet, with_sag(DAY_1), "a.csv")
    run_nightly(fleet)
    whole = catalogue_bytes(fleet.store)
    (path,) = (fleet.store / "catalogue").rglob("*.parquet")
    path.write_bytes(path.read_bytes()[:100])
    assert states(fleet) == {DAY_1: "damaged"}
    with pytest.raises(PlaceError, match=r"events\.parquet: is not a catalogue"):
        read_catalogue(fleet, [Day(SITE, date.fromisoformat(DAY_1))])
    summary = run_nightly(fleet)
    assert summary.damaged == (Day(SITE, date.fromisoformat(DAY_1)),)
    assert not summary.is_whole
    assert catalogue_bytes(fleet.store) == whole
    assert run_nightly(fleet).is_whole


@pytest.mark.parametrize("part", ["footer", "samples"])
def test_a_day_is_judged_without_a_damaged_stored_capture_which_is_named(fleet: Fleet, part: str) -> None:
    drop(fleet, with_sag(DAY_1), "a.parquet")
    run_nightly(fleet, catalogue=False)
    (path,) = (fleet.store / "waveforms").rglob("*.parquet")
    drop(fleet, made_capture(f"{DAY_1}T18:00:00", sags=[(0.5, 0.2, 0.4)], seed=5), "b.parquet")
    content = bytearray(path.read_bytes())
    if part == "footer":
        content = content[:-20]
    else:
        content[4:600] = bytes(596)
    path.write_bytes(content)
    summary = run_nightly(fleet)
    ((named, reason),) = summary.set_aside
    assert named == path
    assert "damaged" in reason or "is not a stored capture" in reason
    assert [round(event.magnitude, 2) for event in events_in(fleet)] == [0.4]
    (outcome,) = summary.days
    assert outcome.judged_s == pytest.approx(2.0)
    assert outcome.not_judged_s == pytest.approx(0.0 if part == "footer" else 2.0)  # a footer tells how long it was
    assert path.name in " ".join(outcome.reasons)
    again = run_nightly(fleet)
    assert again.days == ()
    assert again.is_whole


# --- Sites ------------------------------------------------------------------------------------------------------------


def test_a_file_belongs_to_the_site_of_its_folder_else_to_the_one_that_lists_its_station(tmp_path: Path) -> None:
    config = write_fleet(tmp_path, sites=("Quarry Road", "Weir"))
    config.write_text(config.read_text().replace('name = "Weir"', 'name = "Weir"\nstations = ["REC-7"]'))
    fleet = loaded(config)
    write_capture(made_capture(f"{DAY_1}T01:00:00", station="REC-7"), fleet.inbox / "Quarry Road" / "deep" / "a.cfg")
    write_capture(made_capture(f"{DAY_1}T02:00:00", station="REC-7"), fleet.inbox / "b.cfg")
    write_capture(made_capture(f"{DAY_1}T03:00:00", station="Quarry Road"), fleet.inbox / "other" / "c.cfg")
    write_capture(made_capture(f"{DAY_1}T04:00:00", station="REC-8"), fleet.inbox / "other" / "d.cfg")
    write_capture(made_capture(f"{DAY_1}T05:00:00"), fleet.inbox / "e.csv")
    outcomes = {outcome.path.name: outcome for outcome in run_nightly(fleet).files}
    assert {name: outcome.site for name, outcome in outcomes.items()} == {
        "a.cfg": "Quarry Road", "b.cfg": "Weir", "c.cfg": "Quarry Road", "d.cfg": "", "e.csv": "",
    }  # fmt: skip
    assert "folder 'other' and station 'REC-8' match no configured site" in outcomes["d.cfg"].reason
    assert "no folder and station '' match no configured site" in outcomes["e.csv"].reason
    assert "d.cfg.reason.txt" in " ".join(names(fleet.quarantine))


def test_a_sites_folder_may_be_written_with_letters_and_accents_apart(tmp_path: Path) -> None:
    """Unicode's canonical decomposition (UAX #15), as some file systems have it."""
    fleet = loaded(write_fleet(tmp_path, sites=("Öllwang Lock",)))
    write_capture(with_sag(DAY_1), fleet.inbox / unicodedata.normalize("NFD", "Öllwang Lock") / "a.csv")
    assert [outcome.site for outcome in run_nightly(fleet).files] == ["Öllwang Lock"]
    assert len(events_in(fleet)) == 1


def test_a_file_of_an_unknown_site_can_come_again_when_the_site_is_configured(tmp_path: Path) -> None:
    fleet = loaded(write_fleet(tmp_path))
    path = write_capture(with_sag(DAY_1), fleet.inbox / "New Mill" / "a.csv")
    assert [outcome.state for outcome in run_nightly(fleet).files] == ["quarantined"]
    path.parent.mkdir(exist_ok=True)
    (fleet.quarantine / "New Mill" / "a.csv").rename(path)
    grown = loaded(write_fleet(tmp_path, sites=(SITE, "New Mill")))
    assert [outcome.state for outcome in run_nightly(grown).files] == ["stored"]
    assert [event.site for event in events_in(grown)] == ["New Mill"]


def test_a_capture_that_comes_in_two_files_is_stored_and_counted_once(fleet: Fleet) -> None:
    for name in ("a.parquet", "b b.parquet", "deep/c.parquet"):
        drop(fleet, with_sag(DAY_1), name)
    summary = run_nightly(fleet)
    assert sorted(outcome.state for outcome in summary.files) == ["known", "known", "stored"]
    assert len(list((fleet.store / "waveforms").rglob("*.parquet"))) == 1
    assert len(events_in(fleet)) == 1
    assert sum(outcome.judged_s for outcome in summary.days) == pytest.approx(2.0)


def test_a_site_that_is_no_longer_configured_is_left_alone(tmp_path: Path) -> None:
    fleet = loaded(write_fleet(tmp_path, sites=(SITE, "Weir")))
    drop(fleet, with_sag(DAY_1), "a.csv")
    write_capture(with_sag(DAY_1), fleet.inbox / "Weir" / "a.csv")
    run_nightly(fleet)
    before = catalogue_bytes(fleet.store)
    smaller = loaded(write_fleet(tmp_path))
    assert [day for day, _ in days_of(smaller)] == [Day(SITE, date(2026, 3, 1))]
    run_nightly(smaller)
    assert catalogue_bytes(fleet.store) == before
