"""The demo fleet, built once for all examples and snippets, and a copy of it for each that runs."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def built_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    code = "from halfcycle.pipeline.cli import main; main()"
    subprocess.run([sys.executable, "-c", code, "demo"], cwd=folder, check=True, capture_output=True, timeout=300)
    return folder


@pytest.fixture
def demo_folder(built_demo: Path, tmp_path: Path) -> Path:
    shutil.copytree(built_demo, tmp_path / "here")
    return tmp_path / "here"
