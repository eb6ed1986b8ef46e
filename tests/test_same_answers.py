"""Every command gives the same answers about the same files: nominal values, live channels, what is set aside."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from made_fleet import ROOT, halfcycle, made_capture, write_capture
from sites.drawn_captures import archive
from sites.test_account import steady

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.config import load_sites
from halfcycle.pipeline.inspection import inspect
from halfcycle.pipeline.quantities import chosen_quantities
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.sites.account import Account, Declared
from halfcycle.pipeline.sites.drafted_table import drafted_tables
from halfcycle.pipeline.sites.drafts import look_through
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.survey.files import measure_files
from halfcycle.pipeline.survey.measure import Survey

DATA = ROOT.parent / "shared" / "data"
START = "2026-03-01T12:00:00"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Recorders of three kinds, some of them with a lost phase or an event to the end; damaged files; documents."""
    inputs = tmp_path / "captures"
    rng = np.random.default_rng(7)
    for k, one in enumerate(archive(rng, steady_off=False)[0][:6]):
        write_capture(one.capture, inputs / "one" / f"{k}.cfg")
    for k in range(3):
        write_capture(
            made_capture(START, sags=[(0.5, 0.2, 0.5)], station=f"REC-{k}", seed=k, hookup="four-wire"),
            inputs / f"{k}{('.parquet', '.cff', '.csv')[k]}",
        )
    lost = steady(230.0, n_s=2.0)
    lost[1] = 0.0
    channels = tuple(Channel(f"U{phase}", "voltage", phase, "V", scale=0.05) for phase in "ABC")
    header = Header("LOST", 0, 3200.0, lost.shape[1], channels, "int16")
    write_capture(Capture(header, np.rint(lost / 0.05).astype(np.int16)), inputs / "lost.cfg")
    (inputs / "bad.parquet").write_bytes((inputs / "0.parquet").read_bytes()[:900])
    (inputs / "minutes.pdf").write_bytes(b"%PDF-1.7")
    (inputs / "empty.csv").touch()
    return inputs


def essence(accounts: tuple[Account, ...]) -> set[tuple[object, ...]]:
    """What is told of each recorder; what hangs on whether currents were read is left out."""
    return {
        (
            account.site, account.nominal_frequency_hz, account.hookup, account.n_records,
            tuple((p.name, p.phases, p.nominal_v, p.nominal_kind, p.usual_v, p.in_use) for p in account.points),
        )
        for account in accounts
    }  # fmt: skip


def names(items: object) -> list[str]:
    return sorted(item.path.name for item in items)  # type: ignore[attr-defined]


def check_same(folder: Path) -> None:
    screened = screen([folder], terms=Terms(Thresholds()), workers=1)
    measured = measure_files([folder], Survey(chosen_quantities(["u_rms"]), 1.0))
    looked = look_through([folder], declared=Declared(), workers=1)
    with_points = [tuple(one for one in found.accounts if one.points) for found in (screened, measured)]
    assert essence(with_points[0]) == essence(with_points[1])
    assert names(screened.set_aside) == names(measured.set_aside) == names(looked.set_aside)
    assert names(screened.others) == names(measured.others) == names(looked.others)
    drafted = {account for account in essence(tuple(one.account for one in looked.recorders)) if account[4]}
    assert drafted <= essence(with_points[0])


def test_screen_measure_and_inspect_say_the_same_of_an_archive(folder: Path) -> None:
    check_same(folder)


@pytest.mark.slow
@pytest.mark.skipif(not DATA.is_dir(), reason="no folder of measured recordings beside the project")
def test_screen_measure_and_inspect_say_the_same_of_measured_recordings(tmp_path: Path) -> None:
    for path in DATA.glob("*.*"):
        shutil.copy(path, tmp_path)
    check_same(tmp_path)


def test_inspect_of_one_file_says_what_a_screening_of_it_says(folder: Path) -> None:
    for path in sorted(folder.rglob("*.c*")):
        if path.name == "empty.csv":
            continue
        result = screen([path], terms=Terms(Thresholds()), workers=1)
        (account,) = (one for one in result.accounts if one.points)
        (point,) = inspect(path).points
        assert point.nominal_v == account.points[0].nominal_v, path


def test_a_drafted_table_is_read_back_and_changes_nothing_but_what_kind_of_knowledge_it_is(folder: Path) -> None:
    looked = look_through([folder], declared=Declared(), workers=1)
    path = folder.parent / "sites.toml"
    path.write_text(drafted_tables(looked.recorders), encoding="utf-8")
    sites = load_sites(path)
    assert {site.name for site in sites} >= {"REC-0", "REC-1", "REC-2", "LOST", "S"}
    plain = screen([folder], terms=Terms(Thresholds()), workers=1)
    declared = screen([folder], terms=Terms(Thresholds()), workers=1, sites=SiteTable(sites))
    told = {(event.site, event.start): event for event in plain.events}
    again = {(event.site, event.start): event for event in declared.events}
    assert told.keys() <= again.keys()
    for key, event in told.items():
        if event.nominal_kind is not None:
            assert again[key].nominal_kind == "declared"
            assert again[key].magnitude == pytest.approx(event.magnitude, rel=1e-6)


@pytest.mark.slow
def test_channels_without_units_are_judged_once_a_table_says_what_they_are(tmp_path: Path) -> None:
    """A simulator's file: no units, names that say nothing; the draft names what balance and rotation show."""
    t = np.arange(6400) / 3200
    sag = np.where((t > 0.8) & (t < 1.1), 0.5, 1.0)
    u = 230 * np.sqrt(2) * np.stack([np.sin(2 * np.pi * (50 * t - k / 3)) for k in range(3)]) * sag
    channels = tuple(Channel(f"node {k}", "other", "", "", scale=0.05) for k in range(3))
    header = Header("SIM", 0, 3200.0, 6400, channels, "int16")
    write_capture(Capture(header, np.rint(u / 0.05).astype(np.int16)), tmp_path / "in" / "sim.cfg")
    before = halfcycle("screen", tmp_path / "in", "--out", tmp_path / "a.csv")
    assert before.returncode == 3
    assert "nothing was judged" in before.stderr
    drafted = halfcycle("inspect", tmp_path / "in", "--sites", tmp_path / "sites.toml")
    assert drafted.returncode == 0, drafted.stderr
    text = (tmp_path / "sites.toml").read_text(encoding="utf-8")
    assert '"node 0" = { quantity = "voltage", phase = "A"' in text
    assert "cannot tell" in text  # a linear load's currents look the same: a person says which they are
    (tmp_path / "sites.toml").write_text(text.replace("# channels.", "channels."), encoding="utf-8")
    after = halfcycle("screen", tmp_path / "in", "--out", tmp_path / "b.csv", "--sites", tmp_path / "sites.toml")
    assert after.returncode == 0, after.stderr
    assert "instantaneous sag" in (tmp_path / "b.csv").read_text(encoding="utf-8")
    for command, out in (("measure", "t.csv"), ("export", "x.csv")):
        done = halfcycle(command, tmp_path / "in", "--out", tmp_path / out, "--sites", tmp_path / "sites.toml")
        assert done.returncode == 0, done.stderr
    assert "node 0 (V)" in (tmp_path / "x.csv").read_text(encoding="utf-8")


def test_a_site_of_a_table_has_its_ratio_its_name_and_its_threshold(tmp_path: Path) -> None:
    write_capture(made_capture(START, sags=[(0.5, 0.2, 0.85)], station="R-7"), tmp_path / "in" / "a.cfg")
    (tmp_path / "sites.toml").write_text(
        '[[sites]]\nname = "Harrow Mill"\nstations = ["R-7"]\nnominal_voltage_v = 460.0\nnominal_frequency_hz = 50\n'
        'hookup = "single-phase"\nvoltage_ratio = 2.0\n'
    )
    table = SiteTable(load_sites(tmp_path / "sites.toml"))
    (event,) = screen([tmp_path / "in"], terms=Terms(Thresholds()), workers=1, sites=table).events
    assert (event.site, event.nominal_kind, event.reference_v) == ("Harrow Mill", "declared", 460.0)
    assert event.magnitude == pytest.approx(0.85, abs=0.002)
