"""Every snippet of README.md and docs/ runs, page by page, in a folder that holds what the pages speak of.

``PYTHONPATH=tests python -m docs.test_snippets`` draws the pictures of docs/pictures anew, by the gallery's snippets.

A block that needs a server, hours, or another's package has the reason before it in the page's source:
``<!-- not run: reason -->``.
"""

from __future__ import annotations

import math
import os
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import pytest
from docs.conftest import build_demo

ROOT = Path(__file__).resolve().parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
_BLOCK = re.compile(r"(?:<!-- not run: (?P<reason>[^>]+) -->\n+)?^```(?P<kind>[a-z]*)\n(?P<text>.*?)^```$", re.M | re.S)
# As on any machine with the package installed; the interpreter is the tests' own.
_HALFCYCLE = 'halfcycle() { "$PY" -c "from halfcycle.pipeline.cli import main; main()" "$@"; }\n'
_PICTURES = ROOT / "docs" / "pictures"
_MAKE = """
import halfcycle as hc
stage = hc.Stage(start_s=0.5, duration_s=0.12, residual_pu=(0.4, 1.0, 1.0))
load = hc.Load(current_a=(61.0, 60.0, 62.0), displacement_deg=(25.0, 25.0, 25.0))
wave = hc.Waveform(
    hookup="four-wire", nominal_voltage_v=230.0, rate_hz=6400.0, duration_s=2.0, stages=(stage,), load=load
)
capture = hc.synthesise(wave, start_ns=1_772_431_200_000_000_000, station="Harrow Mill").capture
hc.export([capture], "night.cfg")
hc.export([capture], "recording.cfg")
"""
_QUARRY = (
    "QUARRY 1\nstation=Sorrel Mill\nstart=2026-03-02T06:00:00Z\nrate_hz=6400\nchannel=V1 voltage A V 0.02\nsamples\n"
    + "".join(f"{round(16250 * math.sin(math.pi * k / 64))}\n" for k in range(6400))
)
_NETWORK = '[[sites]]\nsite = "Sorrel Mill"\nfed_by = "Quernholm Intake"\n\n[[sites]]\nsite = "Quernholm Intake"\n'


@dataclass(frozen=True)
class Snippet:
    """A block of code of a page."""

    kind: str
    text: str
    reason: str | None


def snippets_of(page: Path) -> list[Snippet]:
    found = _BLOCK.finditer(page.read_text("utf-8"))
    blocks = [Snippet(one["kind"], one["text"], one["reason"]) for one in found]
    return [one for one in blocks if one.kind in ("python", "sh", "bash")]


@pytest.fixture(scope="module")
def stage(built_demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return set_up(built_demo, tmp_path_factory.mktemp("stage") / "stage")


def set_up(built: Path, folder: Path) -> Path:
    """The demo fleet, some of its captures as a consultant gets them, and files by the names that pages use."""
    shutil.copytree(built, folder)
    (folder / "captures").mkdir()
    waveforms = sorted((folder / "demo-fleet" / "store" / "waveforms").rglob("*.parquet"))
    for site in ("Sorrel Mill", "Öllwang Lock"):
        for path in (path for path in waveforms if f"site={site}" in str(path)):
            shutil.copy(path, folder / "captures" / f"{site.split()[0]}-{path.name[:4]}.parquet")
    subprocess.run([sys.executable, "-c", _MAKE], cwd=folder, check=True, timeout=120)
    (folder / "week").mkdir()
    for name in ("night.cfg", "night.dat"):
        shutil.copy(folder / name, folder / "week" / name)
    templates = ROOT / "docs" / "templates"
    for name in ("my-supply.toml", "works-contract.toml"):
        shutil.copy(templates / "limits" / "works-contract.toml", folder / name)
    shutil.copy(templates / "page" / "month_page.py", folder)
    for name in ("reader", "detector", "cause"):
        shutil.copytree(templates / name, folder / name)
    (folder / "made.quarry").write_text(_QUARRY, encoding="utf-8")
    (folder / "network.toml").write_text(_NETWORK, encoding="utf-8")
    code = f"set -eu\n{_HALFCYCLE}halfcycle screen captures/ --out events.parquet"
    subprocess.run(["bash", "-c", code], cwd=folder, env=_environment(folder), check=True, timeout=300)
    return folder


def _environment(folder: Path) -> dict[str, str]:
    """Where a snippet runs. What it installs with pip goes into a folder of its own, without asking a registry.

    The build backend is that of the test extra: pip reads "no isolation" as 0 from the environment.
    """
    return os.environ | {
        "PY": sys.executable, "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}",
        "PIP_TARGET": str(folder / "installed"), "PIP_NO_DEPS": "1", "PIP_NO_BUILD_ISOLATION": "0",
        "PIP_NO_INDEX": "1", "PYTHONPATH": str(folder / "installed"),
    }  # fmt: skip


def ran(snippet: Snippet, folder: Path) -> None:
    code = snippet.text if snippet.kind == "python" else f"set -eu\n{_HALFCYCLE}{accepting(snippet.text)}"
    command = [sys.executable, "-c", code] if snippet.kind == "python" else ["bash", "-c", code]
    done = subprocess.run(
        command, check=False, cwd=folder, env=_environment(folder), capture_output=True, text=True,
        encoding="utf-8", timeout=600,
    )  # fmt: skip
    assert done.returncode == 0, f"{snippet.text}\n{done.stdout}\n{done.stderr}"


def accepting(text: str) -> str:
    """Commands, each of which may end with status 3: the demo holds a damaged file on purpose."""
    joined = re.sub(r"\\\n\s*", "", text)
    return "".join(
        f"{line} || test $? = 3\n" if re.sub(r"\s*#.*", "", line).strip() else "\n"
        for line in (re.sub(r"\s+# .*$", "", line) for line in joined.splitlines())
    )


@pytest.mark.long
@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_snippet_of_a_page_runs(page: Path, stage: Path, tmp_path: Path) -> None:
    folder = tmp_path / "here"
    wanted = [one for one in snippets_of(page) if one.reason is None]
    if not wanted:
        return
    shutil.copytree(stage, folder)
    for one in wanted:
        ran(one, folder)
    if page.name == "gallery.md":
        assert drawn_by(page) == {path.name for path in _PICTURES.iterdir()}
        for name in drawn_by(page):
            assert (folder / name).stat().st_size > 0


def drawn_by(page: Path) -> set[str]:
    return set(re.findall(r"\(pictures/([^)]+)\)", page.read_text("utf-8")))


def test_a_block_that_is_not_run_says_why() -> None:
    reasons = [one.reason for page in PAGES for one in snippets_of(page) if one.reason is not None]
    assert all(len(reason.split()) >= 3 for reason in reasons)


def test_a_snippet_that_fails_is_noticed(tmp_path: Path) -> None:
    for kind, text in (("python", "raise SystemExit(1)"), ("sh", "halfcycle screen nowhere --out x.csv\n")):
        with pytest.raises(AssertionError):
            ran(Snippet(kind, text, None), tmp_path)


@pytest.mark.long
def test_the_documentation_builds(tmp_path: Path) -> None:
    pytest.importorskip("mkdocs")
    done = subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "--strict", "--quiet", "--site-dir", str(tmp_path / "site")],
        check=False, cwd=ROOT, capture_output=True, text=True, timeout=600,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    architecture = (tmp_path / "site" / "architecture.html").read_text("utf-8")
    assert "<code>incident_waveforms</code>" in architecture  # from the contracts of pyproject.toml
    assert "halfcycle.classifiers.dip_type.classify_dip" in (tmp_path / "site" / "api.html").read_text("utf-8")


def draw() -> None:
    """The pictures of the gallery, drawn anew."""
    gallery = ROOT / "docs" / "gallery.md"
    with tempfile.TemporaryDirectory() as away:
        (built := Path(away, "built")).mkdir()
        build_demo(built)
        folder = set_up(built, Path(away, "stage"))
        for one in snippets_of(gallery):
            ran(one, folder)
        for name in drawn_by(gallery):
            shutil.copy(folder / name, _PICTURES / name)


if __name__ == "__main__":
    draw()
