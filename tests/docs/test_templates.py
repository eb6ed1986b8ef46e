"""The template packages of docs/templates, each put on the path as an installed distribution and run."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TEMPLATES = ROOT / "docs" / "templates"
pytestmark = pytest.mark.slow


def run_with(template: str, away: Path, code: str, cwd: Path) -> str:
    """What Python code prints where a template is installed: its module and entry points on the path."""
    project = tomllib.loads((TEMPLATES / template / "pyproject.toml").read_text("utf-8"))["project"]
    info = away / f"{project['name'].replace('-', '_')}-{project['version']}.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n")
    (info / "entry_points.txt").write_text(
        "".join(
            f"[{group}]\n" + "".join(f"{name} = {place}\n" for name, place in points.items())
            for group, points in project["entry-points"].items()
        )
    )
    places = os.pathsep.join(map(str, [TEMPLATES / template, away, ROOT / "tests"]))
    done = subprocess.run(
        [sys.executable, "-c", code], check=False, cwd=cwd, env=os.environ | {"PYTHONPATH": places},
        capture_output=True, text=True, encoding="utf-8", timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


QUARRY = (
    "QUARRY 1\nstation=Sorrel Mill\nstart=2026-03-02T06:00:00Z\nrate_hz=6400\nchannel=V1 voltage A V 0.02\nsamples\n"
)

READER = """
from pathlib import Path
import numpy as np
import halfcycle as hc
from readers.reader_contract import check_reader_contract, check_broken_copies
raw = np.rint(np.sin(np.pi * np.arange(6400) / 64) * np.where(np.arange(6400) // 1280 == 2, 0.5, 1) * 325 / 0.02)
Path("made.quarry").write_text(HEAD + "".join(f"{int(x)}\\n" for x in raw))
(capture,) = hc.read_captures("made.quarry")
check_reader_contract(Path("made.quarry"), capture, may_be_shorter=(".quarry",))
check_broken_copies(Path("made.quarry"))
print(hc.screen("made.quarry", nominal_voltage_v=230).to_pandas()["kind"].to_list())
"""


@pytest.mark.long
def test_a_reader_of_another_distribution(tmp_path: Path) -> None:
    said = run_with("reader", tmp_path / "away", f"HEAD = {QUARRY!r}\n{READER}", tmp_path)
    assert said.split("\n")[-2] == "['sag']"


DETECTOR = """
import halfcycle as hc
wave = hc.Waveform(hookup="four-wire", nominal_voltage_v=230.0, rate_hz=6400.0, duration_s=3.0, drift_hz_per_s=RATE)
hc.export([hc.synthesise(wave, start_ns=0).capture], "drift.cfg")
frame = hc.screen("drift.cfg", detect=["rocof"]).to_pandas()
print([(row.kind, row.magnitude_unit, round(row.magnitude, 1)) for row in frame.itertuples()])
"""

COMMANDS = """
import contextlib, sys
from halfcycle.pipeline.cli import main
for words in (
    "screen drift.cfg --detect rocof --out e.csv", f"show {frame.event_id[0]} --in e.csv --out e.svg",
    "report e.csv --out r.html", "indices e.csv", "screen --help",
):
    sys.argv = ["halfcycle", *words.split()]
    with contextlib.suppress(SystemExit):
        main()
"""


@pytest.mark.parametrize(("rate", "found"), [(-1.5, "[('rocof', 'Hz/s', -1.5)]"), (0.5, "[]")])
def test_a_detector_of_another_distribution(tmp_path: Path, rate: float, found: str) -> None:
    # The frequency of the synthesis changes by so much a second.
    said = run_with("detector", tmp_path / "away", f"RATE = {rate}\n{DETECTOR}", tmp_path)
    assert said.strip() == found


@pytest.mark.long
def test_a_kind_of_event_of_ones_own_is_in_the_catalogue_the_report_and_the_help(tmp_path: Path) -> None:
    said = run_with("detector", tmp_path / "away", f"RATE = -1.5\n{DETECTOR}{COMMANDS}", tmp_path)
    assert ",rocof,rate of change of frequency," in (tmp_path / "e.csv").read_text("utf-8")
    assert "rate of change of frequency" in (tmp_path / "r.html").read_text("utf-8")
    assert (tmp_path / "e.svg").stat().st_size > 0
    assert "Of other packages: rocof." in " ".join(said.split())


CAUSE = """
import halfcycle as hc
frame = hc.screen("demo-fleet/store/waveforms", explain=True).to_pandas()
print(sorted(set(frame["cause"].dropna())))
"""


def test_a_cause_of_another_distribution_where_it_is_surer(tmp_path: Path, built_demo: Path) -> None:
    # The demo's lock gates start a motor for 85 s at 0.86 pu, which the rule is made for; faults stay what they are.
    said = run_with("cause", tmp_path / "away", CAUSE, built_demo)
    assert "kiln fan start" in said
    assert "fault" in said


@pytest.mark.long
def test_a_profile_of_limits(built_demo: Path, tmp_path: Path) -> None:
    # The site's steady voltage is 232.7 V on the mean, 101.2 % of the 230 V of the contract, which allows 101 %.
    code = "from halfcycle.pipeline.cli import main; main()"
    place = "demo-fleet/store/waveforms/site=Sorrel Mill"
    words = ["measure", place, "--interval", "1", "--limits", str(TEMPLATES / "limits" / "works-contract.toml")]
    done = subprocess.run(
        [sys.executable, "-c", code, *words],
        check=False,
        cwd=built_demo,
        capture_output=True,
        text=True,
        encoding="utf-8",
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "supply voltage, always" in done.stdout
    assert "exceeded" in done.stdout


def test_a_page_from_the_public_names(built_demo: Path, tmp_path: Path) -> None:
    script = TEMPLATES / "page" / "month_page.py"
    subprocess.run(
        [sys.executable, str(script), "demo-fleet/events.parquet", str(tmp_path / "months.html")],
        cwd=built_demo, check=True, timeout=120,
    )  # fmt: skip
    page = (tmp_path / "months.html").read_text("utf-8")
    assert page.count("<tr><td>2026-04") >= 5
    assert "instantaneous sag" in page
