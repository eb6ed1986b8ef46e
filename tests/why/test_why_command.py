"""`halfcycle why`: a row told step by step and made again, and what is said where its inputs are not as they were."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from made_fleet import SITE, cut, halfcycle, made_capture, write_capture, write_fleet

from halfcycle.pipeline.catalogue.reading import read_events
from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.store.manifest import manifest_path

SOURCE = "derived: a catalogue is a function of files, settings and code; PROV-JSON: the W3C member submission of 2013"
START = "2026-03-01T12:00:00"


@pytest.fixture(scope="module")
def screened(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two recorders, one of them with a record in three files of two formats, screened with a table of sites."""
    folder = tmp_path_factory.mktemp("why")
    sags = [(1.0, 0.3, 0.5), (2.5, 0.1, 0.2)]
    made = made_capture(START, seconds=4, sags=sags, station="Mill", hookup="four-wire")
    for name, piece in zip(("a.cfg", "b.parquet", "c.cff"), cut(made, 1.1, 2.6), strict=True):
        write_capture(piece, folder / "in" / name)
    write_capture(made_capture(START, sags=[(0.5, 0.2, 0.7)], station="Weir", seed=4), folder / "in" / "d.csv")
    sites = '[[sites]]\nname = "Harrow Mill"\nstations = ["Mill"]\nnominal_voltage_v = 230.0\n'
    (folder / "sites.toml").write_text(sites, encoding="utf-8")
    (folder / "key").write_bytes(b"0123456789abcdef")
    done = halfcycle("screen", "in", "--out", "e.csv", "--explain", "--sites", "sites.toml", "--key", "key", cwd=folder)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture
def folder(screened: Path, tmp_path: Path) -> Path:
    shutil.copytree(screened, tmp_path / "copy")
    return tmp_path / "copy"


@pytest.mark.long
def test_each_row_comes_about_again_and_says_how(folder: Path) -> None:
    # By hand: 230 V at 0.5 is 115 V; a sag is below 0.9 pu and over at 0.92.
    rows = read_events(folder / "e.csv")
    assert {row.site for row in rows} == {"Harrow Mill", "Weir"}
    for row in rows:
        done = halfcycle("why", row.event_id, "e.csv", cwd=folder)
        assert done.returncode == 0, done.stdout + done.stderr
        assert "identical, byte for byte" in done.stdout
    mill = next(row for row in rows if row.site == "Harrow Mill")
    first = halfcycle("why", mill.event_id[:6], "e.csv", "--key", "key", cwd=folder).stdout
    assert "signed with the key in key" in first
    assert "nominal 230 V phase to neutral, declared" in first
    assert "sag < 0.9 pu on any phase; ends at ≥ 0.92 pu" in first
    assert "in/a.cfg" in first
    assert "first beyond" in first
    lowest = float(first.split("lowest Urms(1/2) of")[1].split(": ")[1].split(" V")[0])
    assert lowest == pytest.approx(115.0, abs=0.5)
    assert f"cause {mill.cause}" in first
    everything = halfcycle("why", "all", "e.csv", cwd=folder)
    assert everything.stdout == f"{len(rows)} of {len(rows)} rows reproduced, byte for byte\n"


def test_what_was_moved_is_found_and_gives_the_same_bytes(folder: Path) -> None:
    # SOURCE. By digest; a file that no row names is looked for beside those that are.
    (folder / "in").rename(folder / "elsewhere")
    done = halfcycle("why", "all", "e.csv", cwd=folder)
    assert done.returncode == 0, done.stdout + done.stderr


def test_what_was_changed_is_named(folder: Path) -> None:
    # SOURCE.
    path = folder / "in" / "d.csv"
    weir = next(row for row in read_events(folder / "e.csv") if row.site == "Weir")
    text = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(text[:-1]) + "\n", encoding="utf-8")
    done = halfcycle("why", weir.event_id, "e.csv", cwd=folder)
    assert done.returncode == 3
    assert "in/d.csv: its content changed" in done.stdout
    assert "capture: was" in done.stdout
    path.unlink()
    gone = halfcycle("why", weir.event_id, "e.csv", cwd=folder)
    assert gone.returncode == 3
    assert "in/d.csv: no longer exists" in gone.stdout


def test_a_changed_catalogue_or_provenance_is_noticed(folder: Path) -> None:
    # SOURCE.
    path = manifest_path(folder / "e.csv")
    document = json.loads(path.read_text(encoding="utf-8"))
    settings = document["activity"]["hc:screening"]["hc:settings"]
    settings["thresholds"]["sag_pu"] = 0.8
    path.write_text(json.dumps(document), encoding="utf-8")
    catalogue = (folder / "e.csv").read_text(encoding="utf-8")
    (folder / "e.csv").write_text(catalogue.replace("temporary", "momentary") + "\n", encoding="utf-8")
    row = read_events(folder / "e.csv")[0]
    done = halfcycle("why", row.event_id, "e.csv", cwd=folder)
    assert done.returncode == 3
    assert "e.csv.provenance.json: was changed after it was written" in done.stderr
    assert "e.csv: was changed after it was written" in done.stderr
    assert "is no longer produced" in done.stdout or "was" in done.stdout
    unsigned = halfcycle("why", row.event_id, "e.csv", "--key", "key", cwd=folder)
    assert unsigned.returncode == 2
    assert "not signed with the key" in unsigned.stderr


def test_the_provenance_says_in_the_terms_of_prov_what_the_catalogue_is_made_of(folder: Path) -> None:
    # PROV-DM, 5: entities, activities, agents, and their relations; every relation names things that are there.
    document = json.loads(manifest_path(folder / "e.csv").read_text(encoding="utf-8"))
    named = {*document["entity"], *document["activity"], *document["agent"]}
    relations = ("used", "wasAssociatedWith", "wasGeneratedBy", "wasDerivedFrom", "hadMember")
    for relation in relations:
        assert document[relation], relation
        for ends in document[relation].values():
            assert set(ends.values()) <= named, relation
    derived = {one["prov:usedEntity"] for one in document["wasDerivedFrom"].values()}
    digests = {document["entity"][name]["hc:digest"] for name in derived}
    assert digests == {part for row in read_events(folder / "e.csv") for part in row.capture.split("+")}


def test_the_same_screening_gives_the_same_provenance(folder: Path) -> None:
    # SOURCE.
    first = manifest_path(folder / "e.csv").read_bytes()
    words = ("screen", "in", "--out", "e.csv", "--explain", "--sites", "sites.toml", "--key", "key", "--workers", "2")
    assert halfcycle(*words, cwd=folder).returncode == 0
    assert manifest_path(folder / "e.csv").read_bytes() == first


def test_another_code_version_is_named(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # SOURCE.
    from halfcycle.pipeline.recall import WaveformPlaces
    from halfcycle.pipeline.screening.provenance import read_provenance
    from halfcycle.pipeline.why import again

    monkeypatch.setattr(again, "code_version", lambda: "99.0")
    monkeypatch.chdir(folder)
    known = read_provenance(Path("e.csv"))
    assert known is not None
    origin = again.ScreeningOrigin(known, Path("e.csv"), WaveformPlaces((folder,)))
    found = origin.again(read_events(Path("e.csv"))[0])
    assert any("now 99.0" in change for change in found.changes)


def test_a_row_without_provenance_is_told_and_not_made_again(folder: Path) -> None:
    manifest_path(folder / "e.csv").unlink()
    row = read_events(folder / "e.csv")[0]
    done = halfcycle("why", row.event_id, "e.csv", cwd=folder)
    assert done.returncode == 3
    assert "no provenance" in done.stderr
    assert f"{row.magnitude:.7g}" in done.stdout


def test_the_rows_of_a_fleet_come_about_again_from_its_store(tmp_path: Path) -> None:
    # SOURCE. Across midnight, so that the days share an incident and a record.
    config = write_fleet(tmp_path)
    made = made_capture("2026-03-01T23:59:58", seconds=4.0, sags=[(0.5, 0.3, 0.5), (1.9, 0.4, 0.4), (3.0, 0.2, 0.6)])
    for name, piece in zip("ab", cut(made, 2.0), strict=True):
        write_capture(piece, tmp_path / "inbox" / SITE / f"{name}.parquet")
    run_nightly(load_fleet(config))
    done = halfcycle("why", "all", "--config", config)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.startswith("3 of 3 rows")
    stored = next((tmp_path / "store" / "waveforms").rglob("*.parquet"))
    later = made_capture("2026-03-01T23:00:00", seconds=1.0, seed=9)
    write_capture(later, tmp_path / "inbox" / SITE / "late.parquet")
    config.write_text(config.read_text(encoding="utf-8").replace("230.0", "220.0"), encoding="utf-8")
    changed = halfcycle("why", "all", "--config", config)
    assert changed.returncode == 3
    assert "settings: those of the site changed" in changed.stdout
    assert "reference_v: was 230.0, is 220.0" in changed.stdout
    assert stored.exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["zzz", "e.csv"], "no event 'zzz'"),
        (["a"], "--config"),
        (["all", "e.csv", "--key", "short"], "at least 16 bytes"),
        (["all", "e.csv", "--key", "none"], "cannot be read"),
        (["all", "bad.csv"], "is not the provenance"),
    ],
)
def test_wrong_usage_is_said_with_status_2(folder: Path, words: list[str], said: str) -> None:
    (folder / "short").write_bytes(b"123")
    shutil.copyfile(folder / "e.csv", folder / "bad.csv")
    (folder / "bad.csv.provenance.json").write_text("[]", encoding="utf-8")
    done = halfcycle("why", *words, cwd=folder)
    assert done.returncode == 2, done.stderr
    assert said in done.stderr
