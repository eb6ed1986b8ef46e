"""A fleet whose store lies at an address: the same catalogues as on folders, whatever machine works on it."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from made_fleet import (
    SITE,
    catalogue_bytes,
    digests,
    drop,
    events_in,
    halfcycle,
    loaded,
    made_capture,
    names,
    private_home,
    with_sag,
    write_capture,
    write_fleet,
)
from made_places import Failing, addresses
from readers.pqdif_bytes import magnitude_file

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import ConfigError, StoreError
from halfcycle.pipeline.nightly import day_index, fetching, working
from halfcycle.pipeline.nightly.quarantine import all_set_aside, put_back
from halfcycle.pipeline.nightly.run import run_nightly, summary_if_idle
from halfcycle.pipeline.notifying import night
from halfcycle.pipeline.replica.places import place_at

SOURCE = "the project's own design: an address is another place of the same store"
pytestmark = pytest.mark.slow
SURVEY = '[survey]\ninterval_s = 1\nquantities = ["u_rms", "f"]\n[incidents]\n'


@pytest.fixture(scope="module", params=["file", "s3"])
def new_address(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Callable[[], str]]:
    if request.param == "s3":
        pytest.importorskip("s3fs")
    with addresses(request.param, tmp_path_factory.mktemp("places")) as new:
        yield new


@pytest.fixture
def folder_address(tmp_path: Path) -> str:
    return f"file://{tmp_path}/place"


def machine(root: Path, address: str, *, extra: str = "", more: str = "", **options: Any) -> Fleet:
    """A machine's fleet, whose store lies at an address. more: further keys at the top."""
    config = write_fleet(root, extra=extra, **options)
    config.write_text(f'store_at = "{address}"\n{more}{config.read_text()}')
    return loaded(config)


def fill(inbox: Path) -> None:
    """Three days in several formats, one file damaged, one without a waveform."""
    for k, name in enumerate(("a.cfg", "b.csv", "c.parquet")):
        write_capture(with_sag(f"2026-03-0{k + 1}", seed=k), inbox / SITE / name)
    write_capture(made_capture("2026-03-02T23:59:59", sags=[(0.5, 1.0, 0.6)]), inbox / SITE / "midnight.npz")
    data = write_capture(made_capture("2026-03-03T10:00:00"), inbox / SITE / "bad.cfg").with_suffix(".dat")
    data.write_bytes(data.read_bytes()[:-1000])
    (inbox / SITE / "trend.pqd").write_bytes(magnitude_file())


def state(fleet: Fleet) -> dict[str, dict[str, str]]:
    """Digests of all files that a fleet's machines have in common."""
    own = (".", "fetched", "incidents/index")  # of one machine
    store = {name: digest for name, digest in digests(fleet.store).items() if not name.startswith(own)}
    roots = {"processed": fleet.processed, "quarantine": fleet.quarantine}
    return {"store": store, **{name: digests(root) for name, root in roots.items()}}


@pytest.mark.long
def test_a_night_at_an_address_makes_the_same_bytes_and_another_machine_goes_on(
    new_address: Callable[[], str], tmp_path: Path
) -> None:
    # SOURCE.
    plain = loaded(write_fleet(tmp_path / "plain", extra=SURVEY))
    address = new_address()
    mill, weir = (machine(tmp_path / name, address, extra=SURVEY) for name in ("mill", "weir"))
    for fleet in (plain, mill):
        fill(fleet.inbox)
        assert len(run_nightly(fleet).quarantined) == 1
    assert state(mill) == state(plain)
    assert run_nightly(weir).files == ()  # it has nothing to do but to copy
    assert state(weir) == state(plain)
    assert summary_if_idle(weir) is not None
    for fleet in (plain, weir):
        drop(fleet, with_sag("2026-03-02", clock="13:00:00", seed=7), "late.csv")
        assert run_nightly(fleet).is_whole
    assert catalogue_bytes(weir.store) == catalogue_bytes(plain.store)
    for fleet in (plain, mill):
        drop(fleet, with_sag("2026-03-04", seed=8), "late.csv")  # a name that the weir has used
        assert run_nightly(fleet).is_whole
    assert state(mill) == state(plain)
    assert len(events_in(mill)) == len(events_in(plain)) == 6


def test_a_file_that_is_fetched_is_known_to_others_once_its_content_lies_there(
    folder_address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE: whatever becomes of the machine that fetched a file, another one ends with the same events.
    for k in range(3):
        write_capture(with_sag(f"2026-03-0{k + 1}", seed=k), tmp_path / "incoming" / SITE / f"{k}.cfg")
    more = f'inbox_from = "file://{tmp_path}/incoming"\n'
    mill, weir, dam = (machine(tmp_path / name, folder_address, more=more) for name in ("mill", "weir", "dam"))
    monkeypatch.setattr("halfcycle.pipeline.nightly.run.ingest_new", _no_more_power)
    with pytest.raises(StoreError, match="power"):
        run_nightly(mill)
    monkeypatch.undo()
    assert len(names(mill.inbox)) == 6
    assert len(run_nightly(weir).files) == 3
    dam.inbox.rmdir()  # a new machine
    assert run_nightly(dam).files == ()
    assert [outcome.state for outcome in run_nightly(mill).files] == ["known"] * 3
    assert run_nightly(weir).files == ()
    assert len(events_in(mill)) == len(events_in(weir)) == 3
    assert digests(mill.processed) == digests(weir.processed)
    write_capture(with_sag("2026-03-09"), tmp_path / "incoming" / SITE / "0.cfg")
    assert [outcome.state for outcome in run_nightly(dam).files] == ["stored"]
    assert run_nightly(weir).files == ()


def test_a_file_that_was_torn_in_the_inbox_is_fetched_whole_though_others_took_it(
    folder_address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_capture(with_sag("2026-03-01"), tmp_path / "incoming" / SITE / "0.cfg")
    more = f'inbox_from = "file://{tmp_path}/incoming"\n'
    mill, weir = (machine(tmp_path / name, folder_address, more=more) for name in ("mill", "weir"))
    replace, left = os.replace, [1]

    def once(source: Path, target: Path) -> None:
        if Path(target).parent == mill.inbox / SITE and not left:
            _no_more_power()
        if Path(target).parent == mill.inbox / SITE:
            left.pop()
        replace(source, target)

    monkeypatch.setattr("halfcycle.pipeline.nightly.fetching.os.replace", once)
    assert run_nightly(mill, ingest=False).is_whole
    with pytest.raises(StoreError, match="power"), working.at_work(mill):
        raise StoreError(fetching.fetch_new(mill)[0])
    monkeypatch.undo()
    assert names(mill.inbox / SITE) == ["0.cfg"]
    assert len(run_nightly(weir).files) == 1
    assert [outcome.state for outcome in run_nightly(mill).files] == ["known"]
    assert all_set_aside(mill) == []


def _no_more_power(*_args: object) -> None:
    raise StoreError("no more power")


@pytest.mark.long
def test_what_another_machine_brought_for_an_old_day_is_judged(
    folder_address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The memory of the days trusts days that nobody noted as changed; here it trusts also what changed just now.
    monkeypatch.setattr(day_index, "SETTLED_NS", -(10**12))
    mill, weir = (machine(tmp_path / name, folder_address) for name in ("mill", "weir"))
    for day in range(1, 21):
        drop(mill, with_sag(f"2026-03-{day:02}", seed=day), f"{day}.csv")
    run_nightly(mill)
    run_nightly(weir)
    run_nightly(weir)
    drop(mill, with_sag("2026-03-01", clock="15:00:00", seed=99), "late.csv")
    run_nightly(mill, catalogue=False)
    assert [str(done.day.day) for done in run_nightly(weir).days] == ["2026-03-01", "2026-03-02"]
    assert len(events_in(weir)) == 21


def test_what_is_past_its_age_goes_everywhere(folder_address: str, tmp_path: Path) -> None:
    today = date.today()
    old, new = today - timedelta(days=40), today - timedelta(days=2)
    keep = "[retention]\ncalm_waveforms_days = 30\nevent_waveforms_days = 30\nprocessed_days = 10000\n"
    mill, weir = (machine(tmp_path / name, folder_address) for name in ("mill", "weir"))
    for day in (old, new):
        drop(mill, with_sag(day.isoformat()), f"{day}.csv")
    run_nightly(mill)
    run_nightly(weir)
    assert len(list((weir.store / "waveforms").rglob("*.parquet"))) == 2
    removed = run_nightly(machine(tmp_path / "mill", folder_address, extra=keep)).removed
    assert removed is not None
    assert removed.captures == 1
    run_nightly(weir)
    assert len(list((weir.store / "waveforms").rglob("*.parquet"))) == 1
    assert state(weir) == state(mill)
    assert len(events_in(weir)) == 2


def test_what_one_machine_set_aside_another_one_tries_again(folder_address: str, tmp_path: Path) -> None:
    mill, weir = (machine(tmp_path / name, folder_address) for name in ("mill", "weir"))
    fill(mill.inbox)
    run_nightly(mill)
    run_nightly(weir)
    (held,) = all_set_aside(weir)
    assert put_back([held], weir) == []
    assert names(weir.quarantine) == [] or names(weir.quarantine) == [".staging"]
    run_nightly(mill)
    assert all_set_aside(mill) == []
    assert len(run_nightly(weir).quarantined) == 1
    run_nightly(mill)
    assert len(all_set_aside(mill)) == 1


def test_a_renamed_site_is_renamed_for_all(folder_address: str, tmp_path: Path) -> None:
    mill, weir = (machine(tmp_path / name, folder_address) for name in ("mill", "weir"))
    fill(mill.inbox)
    run_nightly(mill)
    run_nightly(weir)
    options = {"sites": ("Mill Lane",), "site": f'formerly = ["{SITE}"]\n'}
    mill, weir = (machine(tmp_path / name, folder_address, **options) for name in ("mill", "weir"))
    assert run_nightly(mill).renamed
    assert run_nightly(weir).renamed == ()
    assert state(mill) == state(weir)
    assert {event.site for event in events_in(weir)} == {"Mill Lane"}


def test_the_file_of_a_run_is_there_for_others(folder_address: str, tmp_path: Path) -> None:
    mill, weir = (machine(tmp_path / name, folder_address) for name in ("mill", "weir"))
    fill(mill.inbox)
    night(mill, "fleet", lambda: run_nightly(mill))
    working.bring_here(weir)
    (path,) = (weir.store / "runs").glob("*.json")
    assert json.loads(path.read_text())["n_files"] == 6


def test_who_reads_only_reads(folder_address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # SOURCE: neither a lease nor the right to write is needed to read; and nothing is listed.
    mill, weir = (machine(tmp_path / name, folder_address) for name in ("mill", "weir"))
    fill(mill.inbox)
    run_nightly(mill)
    seen: list[Failing] = []
    monkeypatch.setattr(working, "place_at", lambda address: seen.append(Failing(place_at(address))) or seen[-1])
    assert working.bring_here(weir) == ""
    assert set(seen[0].steps) == {"get", "fetch"}
    assert len(events_in(weir)) == 4


def test_a_night_lists_nothing_at_its_store(
    folder_address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # At most ten list calls a site-month are asked for.
    seen: list[Failing] = []
    monkeypatch.setattr(working, "place_at", lambda address: seen.append(Failing(place_at(address))) or seen[-1])
    mill = machine(tmp_path / "mill", folder_address, extra=SURVEY)
    fill(mill.inbox)
    run_nightly(mill)
    run_nightly(machine(tmp_path / "weir", folder_address, extra=SURVEY))
    assert "list" not in [step for place in seen for step in place.steps]


def test_another_machine_at_work_is_told_and_waited_for(folder_address: str, tmp_path: Path) -> None:
    mill, weir = (machine(tmp_path / name, folder_address) for name in ("mill", "weir"))
    with working.at_work(mill):
        with pytest.raises(StoreError, match=r"file://.*place: another run is in progress \(on "):
            run_nightly(weir)
        assert working.bring_here(weir) == ""  # reading needs no lease
        assert "another run is in progress" in working.bring_here(mill)
    assert run_nightly(weir).is_whole


@pytest.mark.long
def test_commands_of_another_machine_show_what_is_there(
    new_address: Callable[[], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = new_address()
    mill = machine(tmp_path / "mill", address)
    fill(mill.inbox)
    env = dict(os.environ)
    done = halfcycle("ingest", "--config", tmp_path / "mill" / "fleet.toml", env=env)
    assert done.returncode == 3, done.stderr
    here = halfcycle("catalogue", "--config", tmp_path / "mill" / "fleet.toml", "--out", tmp_path / "a.csv", env=env)
    assert "3 days rebuilt" in here.stdout
    config = tmp_path / "weir" / "fleet.toml"
    machine(tmp_path / "weir", address)
    there = halfcycle("catalogue", "--config", config, "--out", tmp_path / "b.csv", env=env)
    assert there.returncode == 0, there.stderr
    assert there.stderr.startswith("copying ")
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
    for command in ("status", "plan", "verify", "quarantine"):
        first = halfcycle(command, "--config", tmp_path / "mill" / "fleet.toml", env=env)
        second = halfcycle(command, "--config", config, env=env)
        assert second.returncode == first.returncode, second.stderr
        assert second.stdout.replace("weir/", "mill/") == first.stdout
    if address.startswith("s3://"):
        lost = {**env, "AWS_ENDPOINT_URL": "http://127.0.0.1:9"}
        again = halfcycle("catalogue", "--config", config, "--out", tmp_path / "c.csv", env=lost)
        assert again.returncode == 0
        assert again.stderr.startswith(f"the store is read as it was when it was last copied: {address}: cannot ")
        assert (tmp_path / "c.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
        new = machine(tmp_path / "new", address)
        for command in ("status", "ingest"):
            failed = halfcycle(command, "--config", tmp_path / "new" / "fleet.toml", env=lost)
            assert failed.returncode == 1
            assert failed.stderr.startswith(f"{address}: cannot be read (Could not connect to the endpoint URL")
            assert failed.stderr.count("\n") == 1
        assert new.store_at == address


@pytest.mark.long
def test_a_night_that_cannot_reach_its_address_is_tried_again_by_itself(tmp_path: Path) -> None:
    (tmp_path / "place").write_text("in the way")
    mill = machine(tmp_path / "mill", f"file://{tmp_path}/place", run="retries = 20\nretry_after_s = 2.0\n")
    drop(mill, with_sag("2026-03-01"), "a.csv")
    timer = threading.Timer(15.0, (tmp_path / "place").unlink)
    timer.start()
    done = halfcycle("nightly", "--config", tmp_path / "mill" / "fleet.toml", env=private_home(tmp_path / "home"))
    timer.join()
    assert done.returncode == 0, done.stderr
    assert "1 stored" in done.stdout
    assert len(events_in(mill)) == 1


def test_an_address_that_is_none_is_told(tmp_path: Path) -> None:
    for address in ("store", "gs://bucket/x", "s3://"):
        with pytest.raises(ConfigError, match="store_at"):
            machine(tmp_path, address)
