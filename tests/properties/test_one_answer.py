"""A screening, a survey, a look and a night say the same of the same files: sites, live channels, events, quarantine.

SOURCE: none is needed: whatever the truth is, there is one. What a fleet must declare is declared for all four.
"""

from __future__ import annotations

import shutil
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from made_fleet import ROOT, cut, events_in, loaded, made_capture, write_capture
from sites.drawn_captures import archive, to_the_end

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.errors import ReadError, SignalError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.inspection import inspect
from halfcycle.pipeline.nightly.day_states import days_of
from halfcycle.pipeline.nightly.days import coverage_of
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.quantities import chosen_quantities
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.settings import Site, Thresholds
from halfcycle.pipeline.sites.account import Account, Declared
from halfcycle.pipeline.sites.drafts import look_through
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.survey.files import measure_files
from halfcycle.pipeline.survey.measure import Survey

DATA = ROOT.parent / "shared" / "data"
ENDINGS = (".parquet", ".cfg", ".cff", ".csv", ".npz")
DAY_NS = 86_400 * 10**9
START_NS = 20_500 * DAY_NS
HOOKUPS = ("single-phase", "split-phase", "four-wire", "three-wire")
TERMS = Terms(Thresholds())


def drawn_site(rng: np.random.Generator, folder: Path, name: str) -> None:
    """The captures of one recorder, below a folder: events, cuts, gaps, lost phases, repetitions."""
    kind = int(rng.integers(4))
    if kind == 0:
        captures = [one.capture for one in archive(rng, steady_off=False)[0][: int(rng.integers(1, 5))]]
    elif kind == 1:
        captures = [to_the_end(rng, off_nominal=0.03).capture]
    else:
        hookup = HOOKUPS[int(rng.integers(4))]
        whole = made_capture(
            "2026-02-16T00:00:00", seconds=3.0, hookup=hookup, seed=int(rng.integers(99)),
            sags=[(0.9, float(rng.uniform(0.02, 1.5)), float(rng.uniform(0, 0.95)))],
            missing=[(0.4, 0.02)] if rng.random() < 0.3 else (),
        )  # fmt: skip
        captures = cut(whole, 1.0, 2.0) if kind == 2 else [whole]
        if rng.random() < 0.5:
            captures = captures[: max(1, len(captures) - 1)]  # what follows the event, or the event's end, is not there
    lost = rng.random() < 0.3
    for k, capture in enumerate(captures):
        samples = capture.samples.copy()
        samples[-1] *= 0 if lost and len(samples) > 1 else 1
        start_ns = START_NS + 10**12 + (capture.header.start_ns - captures[0].header.start_ns)
        header = replace(capture.header, station=name, start_ns=start_ns)
        ending = ENDINGS[int(rng.integers(len(ENDINGS)))]
        path = write_capture(Capture(header, samples), folder / f"{k}{ending}")
        if rng.random() < 0.15 and ending not in (".cfg", ".cff"):
            shutil.copy(path, folder / f"again-{k}{ending}")


def drawn_folder(rng: np.random.Generator, folder: Path) -> None:
    """Some recorders' folders, with damaged recordings and documents beside them."""
    for n in range(int(rng.integers(2, 5))):
        drawn_site(rng, folder / f"REC-{n}", f"REC-{n}")
    sound = sorted(path for path in folder.rglob("*.*") if path.suffix in (".parquet", ".csv", ".npz", ".cff"))
    for path in sound[: int(rng.integers(3))]:
        content = path.read_bytes()
        damaged = path.with_name(f"damaged-{path.name}")
        damaged.write_bytes(content[: int(len(content) * rng.uniform(0.05, 0.9))])
    (folder / "REC-0" / "minutes.pdf").write_bytes(b"%PDF-1.7 minutes")
    (folder / "REC-1" / "empty.csv").touch()


def declared_sites(folder: Path) -> tuple[Site, ...]:
    """What a fleet must declare of each folder below this one: as drafted, or else what somebody may think."""
    sites = []
    for below in sorted(path for path in folder.iterdir() if path.is_dir()):
        accounts = [one.account for one in look_through([below], declared=Declared(), workers=1).recorders]
        points = [point for account in accounts for point in account.points]
        hertz = next((one.nominal_frequency_hz for one in accounts if one.nominal_frequency_hz), 50.0)
        volts = next((p.nominal_v or p.usual_v for p in points if p.nominal_v or p.usual_v), 230.0)
        hookup = hookup_of(below)
        sites.append(
            Site(
                name=below.name, nominal_voltage_v=volts, nominal_frequency_hz=int(hertz), hookup=hookup,  # type: ignore[arg-type]
                files=(f"{below.name}/*",),
            )
        )  # fmt: skip
    return tuple(sites)


def hookup_of(folder: Path) -> str:
    for one in look_through([folder], declared=Declared(), workers=1).recorders:
        if one.hookup is not None:
            return one.hookup
    return "four-wire"


def fleet_of(root: Path, folder: Path, sites: tuple[Site, ...]) -> Path:
    shutil.copytree(folder, root / "inbox")
    tables = [
        f'[[sites]]\nname = "{one.name}"\nnominal_voltage_v = {one.nominal_voltage_v!r}\n'
        f'nominal_frequency_hz = {one.nominal_frequency_hz}\nhookup = "{one.hookup}"\n'
        for one in sites
    ]
    survey = '[survey]\ninterval_s = 1\nquantities = ["u_rms"]\n'
    path = root / "fleet.toml"
    path.write_text("\n".join(["explain = false", "[run]\nsettle_s = 0.0", survey, *tables]), encoding="utf-8")
    return path


def row(event: Event) -> tuple[Any, ...]:
    """What a row says of an event; what depends on the file that it came in is left out."""
    return (
        event.site, event.point, event.kind, event.category, event.start, event.duration_s, event.magnitude,
        event.phases, event.line_to_line, event.open_start, event.open_end, event.observed_s, event.reference_v,
        event.reference_kind, event.nominal_kind, event.refined_start, event.quality,
    )  # fmt: skip


def told(accounts: Any) -> set[tuple[Any, ...]]:
    """What is said of each site that has points."""
    return {
        (
            one.site, one.nominal_frequency_hz, one.frequency_kind, one.hookup, one.n_records,
            tuple((p.name, p.phases, p.nominal_v, p.nominal_kind, p.usual_v, p.in_use) for p in one.points),
        )
        for one in accounts if one.points
    }  # fmt: skip


def check_one_answer(folder: Path, root: Path) -> Counter[str]:
    """Screen, measure, look and run a night over the same files; returns what there was to agree on."""
    sites = declared_sites(folder)
    table = SiteTable(sites)
    screened = screen([folder], terms=TERMS, workers=1, sites=table)
    measured = measure_files([folder], Survey(chosen_quantities(["u_rms"]), 1.0), sites=table)
    looked = look_through([folder], declared=Declared(), sites=table, workers=1)
    fleet = loaded(fleet_of(root, folder, sites))
    night = run_nightly(fleet)

    accounts = told(screened.accounts)
    assert accounts == told(measured.accounts) == told(one.account for one in looked.recorders)
    unread = {one.path.relative_to(folder) for one in screened.set_aside}
    others = {one.path.relative_to(folder) for one in screened.others}
    for found in (measured, looked):
        assert {one.path.relative_to(folder) for one in found.set_aside} == unread
        assert {one.path.relative_to(folder) for one in found.others} == others
    # A night's inbox is for recordings: whatever else lies there is set aside as well, with its reason.
    assert {one.path.relative_to(fleet.inbox) for one in night.quarantined} == unread | others
    assert not night.failed
    assert not night.set_aside

    events = events_in(fleet)
    assert Counter(map(row, events)) == Counter(map(row, screened.events))
    spans = coverage_of(fleet, [day for day, _ in days_of(fleet)])
    assert sum(one.judged_s for one in spans) == pytest.approx(screened.judged_s)
    not_judged = sum(one.seconds for one in screened.not_judged)
    assert sum(one.not_judged_s for one in spans) == pytest.approx(not_judged)
    check_inspect(folder, table, screened.accounts, unread)
    return Counter(events=len(events), accounts=len(accounts), unread=len(unread))


def check_inspect(folder: Path, table: SiteTable, accounts: tuple[Account, ...], unread: set[Path]) -> None:
    """A look at one file says of its site what is said of all of them, as all of it is declared; or that it is damaged.

    unread : files that were set aside, below the folder.
    """
    by_site = {one.site: one for one in accounts}
    for path in sorted(folder.rglob("*.cfg")):
        if path.relative_to(folder) in unread:
            with pytest.raises(ReadError):
                inspect(path, sites=table)
            continue
        account = by_site[path.parent.name]
        if not account.points:  # by the declared hookup there are none
            with pytest.raises(SignalError):
                inspect(path, sites=table)
            continue
        for point in inspect(path, sites=table).points:
            known = account.point(point.name)
            assert known is not None
            if point.phasors:
                assert (point.nominal_v, point.hookup.name) == (known.nominal_v, account.hookup), path


@pytest.mark.parametrize(
    "seeds",
    [range(3), pytest.param(range(100, 160), marks=[pytest.mark.slow, pytest.mark.exam])],
    ids=["few", "many"],
)
@pytest.mark.long
def test_four_ways_say_the_same_of_drawn_files(seeds: range, tmp_path: Path) -> None:
    total = Counter[str]()
    for seed in seeds:
        folder = tmp_path / str(seed) / "captures"
        drawn_folder(np.random.default_rng(seed), folder)
        total += check_one_answer(folder, tmp_path / str(seed) / "fleet")
    assert total["events"] >= len(seeds)
    assert total["accounts"] >= 2 * len(seeds)
    assert total["unread"] > 0


@pytest.mark.slow
@pytest.mark.skipif(not DATA.is_dir(), reason="no folder of measured recordings beside the project")
@pytest.mark.parametrize(
    "stems",
    [("intermittent-earth-fault", "load-trip-float32"), pytest.param((), marks=pytest.mark.long)],
    ids=["two of them", "all"],
)
def test_four_ways_say_the_same_of_measured_recordings_and_of_damaged_ones(
    tmp_path: Path, stems: tuple[str, ...]
) -> None:
    folder = tmp_path / "captures"
    for path in sorted(DATA.glob("*.*")):
        if path.suffix != ".md" and (not stems or path.stem in stems):
            for name, share in ((path.stem, 1.0), (f"{path.stem}-cut", 0.7)):
                (folder / name).mkdir(parents=True, exist_ok=True)
                content = path.read_bytes()
                kept = len(content) if path.suffix == ".cfg" else int(len(content) * share)
                (folder / name / path.name).write_bytes(content[:kept])
    found = check_one_answer(folder, tmp_path / "fleet")
    assert found["events"] > 0
    # Arrays that nobody described are set aside too.
    assert found["unread"] >= (len(stems) or len([*DATA.glob("*.npz"), *DATA.glob("*.cfg")]))
