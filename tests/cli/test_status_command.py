"""`halfcycle status`: what it prints and writes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from made_fleet import halfcycle, loaded, made_capture, write_capture, write_fleet

from halfcycle.pipeline.cli.status_words import clocks_line
from halfcycle.pipeline.nightly.run import run_nightly

pytestmark = pytest.mark.slow


@pytest.fixture
def config(tmp_path: Path) -> Path:
    config = write_fleet(tmp_path, sites=("Quarry Road", "Ferry Lane"), extra="[incidents]\n")
    for n in range(1, 5):
        capture = made_capture(f"2026-03-0{n}T12:00:00", sags=[(0.4, 0.2, 0.5)], seed=n)
        write_capture(capture, tmp_path / "inbox" / "Quarry Road" / f"{n}.csv")
    run_nightly(loaded(config))
    return config


def test_sites_and_findings_are_printed_and_written(config: Path, tmp_path: Path) -> None:
    out = tmp_path / "status.json"
    done = halfcycle("status", "--config", config, "--day", "2026-03-12", "--out", out)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("2026-03-12: 2 sites, last capture on 2026-03-04, 1 silent;")
    assert "no capture for 7 days since 2026-03-04" in done.stdout
    document = json.loads(out.read_text())
    rows = {row["site"]: row for row in document["sites"]}
    assert rows["Quarry Road"]["last_capture"] == "2026-03-04"
    assert rows["Quarry Road"]["is_silent"] is True
    assert rows["Ferry Lane"]["last_capture"] is None
    assert {(one["site"], one["what"]) for one in document["findings"]} == {
        ("Quarry Road", "silent"), ("Ferry Lane", "no capture"),
    }  # fmt: skip


def test_today_is_the_day_unless_another_is_asked_for(config: Path) -> None:
    from halfcycle.pipeline.store.partitions import today

    assert halfcycle("status", "--config", config).stdout.startswith(f"{today()}: 2 sites")


@pytest.mark.parametrize(
    ("words", "said"),
    [(("--out", "s.xlsx"), ".json"), (("--day", "yesterday"), "yesterday"), (("--config", "none.toml"), "none.toml")],
)
def test_wrong_usage_is_told_in_words(words: tuple[str, ...], said: str, config: Path) -> None:
    done = halfcycle("status", *(() if "--config" in words else ("--config", config)), *words)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_a_night_names_the_clocks_that_need_a_look() -> None:
    assert clocks_line([("Weir", "drifts")]) == (
        "clocks: 1 recorder's is off, adjusted or drifting (Weir); see `halfcycle status`"
    )
    assert "5 recorders' are" in clocks_line([(name, "") for name in "ABCDE"])
