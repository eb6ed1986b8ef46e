"""Files of which nothing is stored though they are sound: without a waveform, or in a strict run with a repair."""

from __future__ import annotations

from pathlib import Path

import pytest
from made_fleet import SITE, halfcycle, loaded, made_capture, names, write_capture, write_fleet
from readers import pqdif_bytes as made

from halfcycle.pipeline.nightly.ingest import FileOutcome
from halfcycle.pipeline.nightly.run import run_nightly

SOURCE = "the project's own design: what is sound is no fault of the file's, and nothing is dropped without a word"
WORDS = "trend.pqd: holds no waveform; 3 magnitude-duration observations (RMS) not read as waveforms"
# Steps that vary by a tenth of a per cent and more are put right: a repair.
UNEVEN = "t (s),ua (V)\n" + "".join(f"{i + 0.01 * (i % 3)},1\n" for i in range(9))


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A fleet with a file of magnitudes with durations in its inbox, and one with a repair."""
    return filled(tmp_path / "fleet")


def filled(root: Path, *, run: str = "") -> Path:
    config = write_fleet(root, run=run)
    folder = root / "inbox" / SITE / "deep"
    folder.mkdir(parents=True)
    (folder / "trend.pqd").write_bytes(made.magnitude_file())
    (folder / "uneven.csv").write_text(UNEVEN, encoding="utf-8")
    write_capture(made_capture("2026-03-01T12:00:00"), folder / "good.parquet")
    return config


def ingested(config: Path) -> dict[str, FileOutcome]:
    return {outcome.path.name: outcome for outcome in run_nightly(loaded(config), catalogue=False).files}


def test_a_sound_file_without_a_waveform_is_processed_with_its_reason_beside_it(config: Path) -> None:
    fleet = loaded(config)
    outcome = ingested(config)["trend.pqd"]
    assert (outcome.state, outcome.n_captures, outcome.n_new, outcome.reason) == ("no waveform", 0, 0, WORDS)
    assert (fleet.processed / SITE / "deep" / "trend.pqd").read_bytes() == made.magnitude_file()
    assert (fleet.processed / SITE / "deep" / "trend.pqd.reason.txt").read_text(encoding="utf-8") == WORDS + "\n"
    assert names(fleet.inbox) == []
    assert not fleet.quarantine.exists()
    assert ingested(config) == {}


def test_only_files_of_which_nothing_is_stored_have_a_reason(config: Path) -> None:
    ingested(config)
    reasons = [name for name in names(loaded(config).processed) if name.endswith(".reason.txt")]
    assert reasons == [f"{SITE}/deep/trend.pqd.reason.txt"]


def test_a_file_without_a_waveform_does_not_raise_the_exit_status(config: Path) -> None:
    done = halfcycle("ingest", "--config", config)
    assert done.returncode == 0, done.stderr
    assert "quarantined" not in done.stderr
    assert done.stdout.splitlines() == [
        "files: 2 stored, 0 already stored, 0 quarantined; 2 new captures",
        "1 file holds no waveform: moved to processed, with the reason beside it in a .reason.txt",
    ]


def test_a_file_without_a_waveform_that_comes_again_lies_there_once(config: Path) -> None:
    ingested(config)
    (loaded(config).inbox / SITE / "deep" / "trend.pqd").write_bytes(made.magnitude_file())
    assert [outcome.state for outcome in ingested(config).values()] == ["no waveform"]
    assert [name for name in names(loaded(config).processed) if "trend" in name] == [
        f"{SITE}/deep/trend.pqd",
        f"{SITE}/deep/trend.pqd.reason.txt",
    ]


def test_a_damaged_file_without_a_waveform_is_quarantined(config: Path) -> None:
    fleet = loaded(config)
    content = bytearray(made.magnitude_file())
    content[-3] ^= 1
    (fleet.inbox / SITE / "deep" / "trend.pqd").write_bytes(content)
    outcome = ingested(config)["trend.pqd"]
    assert outcome.state == "quarantined"
    assert "it is damaged" in outcome.reason
    assert (fleet.quarantine / SITE / "deep" / "trend.pqd.reason.txt").is_file()


def test_a_repair_is_stored_in_a_run_that_is_not_strict(config: Path) -> None:
    assert {name: outcome.state for name, outcome in ingested(config).items()} == {
        "good.parquet": "stored",
        "trend.pqd": "no waveform",
        "uneven.csv": "stored",
    }


def test_a_strict_run_quarantines_each_repair_with_its_reason_and_no_other_file(tmp_path: Path) -> None:
    config = filled(tmp_path / "fleet", run="strict = true")
    fleet = loaded(config)
    outcomes = ingested(config)
    assert {name: outcome.state for name, outcome in outcomes.items()} == {
        "good.parquet": "stored",
        "trend.pqd": "no waveform",
        "uneven.csv": "quarantined",
    }
    reason = (fleet.quarantine / SITE / "deep" / "uneven.csv.reason.txt").read_text(encoding="utf-8")
    assert reason == outcomes["uneven.csv"].reason + "\n"
    assert "needs repair, which strict reading refuses: " in reason
    assert "steps vary by up to" in reason
    assert len(names(fleet.store / "waveforms")) == 1


def test_a_repair_in_a_later_capture_of_a_file_leaves_none_of_its_captures_in_the_store(tmp_path: Path) -> None:
    config = write_fleet(tmp_path / "fleet", run="strict = true")
    fleet = loaded(config)
    good = made.observation(made.instance(0, made.steps((8, 0.001)), made.stored(21, [1] * 8)))
    counted = made.instance(0, made.steps((7, 0.001)), made.stored(21, [1] * 8))  # a step fewer than samples
    later = made.observation(counted, start=made.START.replace(minute=5))
    (fleet.inbox / SITE).mkdir()
    path = fleet.inbox / SITE / "two.pqd"
    path.write_bytes(made.file(made.container(), made.source(made.channel("UA")), good, later))
    assert ingested(config)["two.pqd"].state == "quarantined"
    assert names(fleet.store / "waveforms") == []
    (fleet.quarantine / SITE / "two.pqd").rename(path)
    write_fleet(tmp_path / "fleet")
    outcome = ingested(config)["two.pqd"]
    assert (outcome.state, outcome.n_captures) == ("stored", 2)


def test_a_strict_run_quarantines_a_file_without_a_waveform_whose_soundness_is_a_guess(tmp_path: Path) -> None:
    config = filled(tmp_path / "fleet", run="strict = true")
    content = made.file(made.container(), *made.magnitude_records(), checksum=lambda stored: 7)
    (tmp_path / "fleet" / "inbox" / SITE / "deep" / "trend.pqd").write_bytes(content)
    outcome = ingested(config)["trend.pqd"]
    assert outcome.state == "quarantined"
    assert "not Adler-32" in outcome.reason


def test_strictness_makes_no_stored_day_stale(config: Path) -> None:
    run_nightly(loaded(config))
    assert run_nightly(loaded(write_fleet(config.parent, run="strict = true"))).days == ()
