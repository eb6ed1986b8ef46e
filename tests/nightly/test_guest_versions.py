"""Days that another version of a guest package judged are named, like those of another judging revision."""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path

import pytest
from forked import run_code
from made_distribution import guest_command
from made_fleet import SITE, loaded, states, with_sag, write_capture, write_fleet

from halfcycle.pipeline.resources import JUDGING_REVISION

SOURCE = "the project's own design: what a guest package finds changes with its version"
MODULE = "def GUEST(evidence):\n    return None\n"


def run(code: str, *words: str | Path) -> str:
    done = run_code(code, *words)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.slow
def test_a_plan_names_days_that_another_version_of_a_guest_made(tmp_path: Path) -> None:
    config = write_fleet(tmp_path)
    write_capture(with_sag("2026-03-01"), loaded(config).inbox / SITE / "a.csv")
    codes = []
    for wanted in ("1.0", "1.1"):
        (folder := tmp_path / wanted).mkdir()
        codes.append(guest_command(folder, group="halfcycle.causes", module=MODULE, version=wanted))
    run(codes[0], "ingest", "--config", config)
    run(codes[0], "catalogue", "--config", config)
    assert "judged at" not in run(codes[0], "plan", "--config", config)
    told = (
        f"1 day judged at revision {JUDGING_REVISION} with guest 1.0 by halfcycle {version('halfcycle')} "
        f"stays unchanged (today: revision {JUDGING_REVISION} with guest 1.1); "
        "halfcycle catalogue --rebuild rebuilds it"
    )
    assert told in run(codes[1], "plan", "--config", config)
    assert states(loaded(config)) == {"2026-03-01": "other version"}  # here without the guest
    run(codes[1], "catalogue", "--config", config, "--rebuild")
    assert "judged at" not in run(codes[1], "plan", "--config", config)
