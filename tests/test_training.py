"""A model trained by the command names the events of a screening, and says where it comes from."""

from __future__ import annotations

import csv
import hashlib
import json
from pathlib import Path

import pytest
from made_fleet import halfcycle, made_capture, write_capture

from halfcycle.classifiers.learned.stored import load
from halfcycle.pipeline.config import Learned, load_fleet
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.events import events_of
from halfcycle.pipeline.nightly.day_states import days_of
from halfcycle.pipeline.nightly.days import read_catalogue
from halfcycle.pipeline.nightly.run import run_nightly

pytest.importorskip("skops")
START = "2026-03-01T12:00:00"


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("trained") / "model"
    done = halfcycle("train", "--out", folder, "--per-class", "60", "--seed", "4")
    assert done.returncode == 0, done.stderr
    assert "macro F1" in done.stdout
    return folder


@pytest.mark.long
def test_the_card_says_what_it_was_trained_on_how_it_scored_and_what_it_is_not_made_for(model: Path) -> None:
    """Bars of the classes on drawn windows: macro F1 0.93 without noise and at 40 dB, 0.85 at 20 dB."""
    card = load(model).card
    assert card.data["windows per class"] == 60
    assert len(card.class_names) == 29
    assert card.limits
    for level, bar in (("no noise", 0.93), ("40 dB", 0.93), ("20 dB", 0.85)):
        assert card.scores[f"macro F1, {level}"] > bar
    written = next(model.glob("*.json"))
    assert json.loads(written.read_text())["versions"]["numpy"]


@pytest.mark.long
def test_a_sag_on_one_phase_is_called_a_sag_by_the_model_too(model: Path, tmp_path: Path) -> None:
    for i, residual in enumerate((0.3, 0.5, 0.7)):
        made = made_capture(START, seconds=2.0, sags=[(0.8, 0.08, residual)], station=f"R{i}", snr_db=45.0, seed=i)
        write_capture(made, tmp_path / "in" / f"{i}.parquet")
    done = halfcycle("screen", tmp_path / "in", "--out", tmp_path / "e.csv", "--model", model)
    assert done.returncode == 0, done.stderr
    with (tmp_path / "e.csv").open() as stream:
        rows = [row for row in csv.DictReader(stream) if row["kind"] == "sag"]
    assert len(rows) == 3
    assert {row["learned_class"] for row in rows} == {"sag"}
    assert all(0.5 < float(row["learned_confidence"]) <= 1 for row in rows)


def test_what_is_no_model_is_refused_before_anything_is_screened(tmp_path: Path) -> None:
    write_capture(made_capture(START), tmp_path / "a.parquet")
    done = halfcycle("screen", tmp_path / "a.parquet", "--out", tmp_path / "e.csv", "--model", tmp_path)
    assert done.returncode == 2
    assert "model" in done.stderr
    assert not (tmp_path / "e.csv").exists()


@pytest.mark.slow
def test_a_fleet_that_switches_it_on_has_the_columns_filled_and_another_model_makes_its_days_stale(
    model: Path, tmp_path: Path
) -> None:
    made = made_capture(START, seconds=2.0, sags=[(0.8, 0.08, 0.5)], station="Quarry Road", snr_db=45.0)
    write_capture(made, tmp_path / "inbox" / "a.parquet")
    text = (
        f'[learned]\nenabled = true\nmodel = "{model}"\n[run]\nsettle_s = 0.0\n'
        '[[sites]]\nname = "Quarry Road"\nnominal_voltage_v = 230.0\n'
        'nominal_frequency_hz = 50\nhookup = "single-phase"\ntime_zone = "UTC"\n'
    )
    config = tmp_path / "fleet.toml"
    config.write_text(text)
    fleet = load_fleet(config)
    run_nightly(fleet)
    (event,) = events_of(read_catalogue(fleet, [day for day, _ in days_of(fleet)]))
    assert (event.kind, event.learned_class) == ("sag", "sag")
    off = fleet.model_copy(update={"learned": Learned()})
    assert off.site_digest(off.sites[0]) != fleet.site_digest(fleet.sites[0])
    config.write_text(text.replace(str(model), "nowhere"))
    with pytest.raises(ConfigError, match="no model there"):
        load_fleet(config).site_digest(fleet.sites[0])


# --- labelled captures


SITES = ("Quarry Road", "Mill Lane", "Harbour Street")


def double_dip(at_s: float, residual: float) -> list[tuple[float, float, float]]:
    return [(at_s, 0.04, residual), (at_s + 0.07, 0.04, residual)]


@pytest.fixture(scope="module")
def labels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sags and a class of our own, four of each at three sites, in captures of their stations."""
    folder = tmp_path_factory.mktemp("labelled")
    rows = ["capture,start,label"]
    for i, site in enumerate(SITES):
        for k, residual in enumerate((0.3, 0.45, 0.6, 0.75)):
            at_s = 0.7 + 0.013 * k + 0.004 * i
            for label, dips in (
                ("sag", [(at_s, 0.06 + 0.01 * k, residual)]),
                ("double dip", double_dip(at_s, residual)),
            ):
                made = made_capture(START, seconds=1.5, sags=dips, station=site, snr_db=45.0, seed=10 * i + k)
                name = f"{site}/{label} {k}.parquet"
                write_capture(made, folder / name)
                rows.append(f"{name},{START}.{round(at_s * 1e9):09d}Z,{label}")
    table = folder / "labels.csv"
    table.write_text("\n".join(rows) + "\n")
    return table


@pytest.mark.long
def test_a_class_of_ones_own_is_learned_from_labelled_captures_and_named_at_a_site_never_seen(
    labels: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "model"
    done = halfcycle("train", "--out", folder, "--labels", labels, "--per-class", "20", "--seed", "2")
    assert done.returncode == 0, done.stderr
    assert "left-out sites, 3 folds: macro F1" in done.stdout
    assert "  double dip: precision" in done.stdout
    card = load(folder).card
    assert card.data["labelled events by class"] == "double dip 12, sag 12"
    assert card.data["sites of the labelled events"] == "Harbour Street, Mill Lane, Quarry Road"
    assert card.data["SHA-256 of the labels, first 32 digits"] == hashlib.sha256(labels.read_bytes()).hexdigest()[:32]
    assert card.scores["labels: macro F1, left-out sites"] > 0.7
    assert card.scores["macro F1, 40 dB"] > 0.8
    assert len(card.class_names) == 30
    (validated,) = [limit for limit in card.limits if "left-out sites" in limit]
    assert "300 synthetic windows per class" in validated
    assert not any("not on recordings" in limit for limit in card.limits)
    for i, residual in enumerate((0.4, 0.55)):
        made = made_capture(START, sags=double_dip(0.8, residual), station=f"R{i}", snr_db=45.0, seed=50 + i)
        write_capture(made, tmp_path / "in" / f"{i}.parquet")
    done = halfcycle("screen", tmp_path / "in", "--out", tmp_path / "e.csv", "--model", folder)
    assert done.returncode == 0, done.stderr
    with (tmp_path / "e.csv").open() as stream:
        first = {row["site"]: row["learned_class"] for row in reversed(list(csv.DictReader(stream)))}
    assert first == {"R0": "double dip", "R1": "double dip"}


@pytest.mark.long
def test_labelled_events_alone_of_one_site_alone_are_validated_by_file_and_the_card_says_so(
    labels: Path, tmp_path: Path
) -> None:
    rows = labels.read_text().splitlines()
    table = labels.with_name("one-site.csv")
    table.write_text("\n".join(["capture,start,label,site", *(f"{row},Quarry Road" for row in rows[1:])]) + "\n")
    done = halfcycle("train", "--out", tmp_path / "model", "--labels", table, "--no-family")
    assert done.returncode == 0, done.stderr
    assert "left-out capture files, 5 folds" in done.stdout
    card = load(tmp_path / "model").card
    assert "labels: macro F1, left-out capture files" in card.scores
    assert any(limit.startswith("All labelled events are from one site") for limit in card.limits)
    assert not any("synthetic" in limit for limit in card.limits)
    assert "family" not in card.data
    assert "macro F1, 40 dB" not in card.scores
    assert card.class_names == ("double dip", "sag")


@pytest.mark.slow
def test_nothing_to_train_with_and_rows_that_cannot_be_used_are_wrong_usage(labels: Path, tmp_path: Path) -> None:
    done = halfcycle("train", "--out", tmp_path / "model", "--no-family")
    assert done.returncode == 2
    assert "--labels" in done.stderr
    table = labels.with_name("wrong.csv")
    table.write_text(labels.read_text() + "gone.parquet,0.5,sag\n" + labels.read_text().splitlines()[1][:-3] + "\n")
    done = halfcycle("train", "--out", tmp_path / "model", "--labels", table, "--no-family")
    assert done.returncode == 2
    assert "line 26: gone.parquet" in done.stderr
    assert "line 27: no label" in done.stderr
    assert not (tmp_path / "model").exists()
