"""The version comes from the tags of git, in a checkout with and without them and in files without their history."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest
from hatchling.metadata.core import ProjectMetadata
from hatchling.plugin.manager import PluginManager

SOURCE = "PEP 440: 0.1.0.dev3 comes before 0.1.0, 0.1.1.dev1 after it"
PROJECT = Path(__file__).resolve().parents[1] / "pyproject.toml"
HASH = r"\+g[0-9a-f]{7,}$"


def git(folder: Path, *words: str) -> None:
    env = {name: value for name, value in os.environ.items() if not name.startswith("GIT_")}
    own = ["-c", "user.name=Mara Quill", "-c", "user.email=mara@example.org", "-c", "commit.gpgsign=false"]
    subprocess.run(["git", *own, *words], cwd=folder, env=env, check=True, capture_output=True, timeout=60)


def version_of(folder: Path) -> str:
    version = ProjectMetadata(str(folder), PluginManager()).version
    assert isinstance(version, str)
    return version


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """A project that takes its version as this one does."""
    text = PROJECT.read_text("utf-8")
    told = tomllib.loads(text)
    assert "version" not in told["project"]
    assert told["project"]["dynamic"] == ["version"]
    (table,) = re.findall(r"^\[tool\.hatch\.version\]\n(?:[^\[].*\n|\n)*", text, re.MULTILINE)
    (tmp_path / "pyproject.toml").write_text(
        f'[build-system]\nrequires = {told["build-system"]["requires"]}\nbuild-backend = "hatchling.build"\n'
        f'[project]\nname = "halfcycle"\ndynamic = ["version"]\n{table}', encoding="utf-8"
    )  # fmt: skip
    return tmp_path


def test_files_without_their_history_have_the_fallback(project: Path) -> None:
    # SOURCE.
    assert version_of(project) == "0.1.0.dev0"


@pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")
def test_a_checkout_counts_from_its_last_tag_and_without_one_towards_the_first_version(project: Path) -> None:
    # SOURCE.
    git(project, "init", "-q")
    git(project, "add", "-A")
    git(project, "commit", "-qm", "first")
    assert re.fullmatch(r"0\.1\.0\.dev1" + HASH, version_of(project))
    git(project, "tag", "v0.1.0")
    assert version_of(project) == "0.1.0"
    git(project, "commit", "-q", "--allow-empty", "-m", "next")
    assert re.fullmatch(r"0\.1\.1\.dev1" + HASH, version_of(project))


def test_a_source_distribution_carries_its_own(project: Path) -> None:
    # SOURCE.
    (project / "PKG-INFO").write_text("Metadata-Version: 2.4\nName: halfcycle\nVersion: 0.3.2\n")
    assert version_of(project) == "0.3.2"
