"""Printing where there is no browser, or one that does not print."""

from __future__ import annotations

from pathlib import Path

import pytest

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.report.printing import browser, print_pdf


def test_without_a_browser_it_says_how_to_get_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    (tmp_path / "a.html").write_text("<p>x</p>")
    assert browser() is None
    with pytest.raises(ConfigError, match="apt install chromium"):
        print_pdf(tmp_path / "a.html", tmp_path / "a.pdf")


def test_a_browser_that_fails_is_named_and_no_file_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fake = tmp_path / "chromium"
    fake.write_text("#!/bin/sh\necho broken >&2\nexit 1\n")
    fake.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/bin:/usr/bin")
    (tmp_path / "a.html").write_text("<p>x</p>")
    with pytest.raises(ConfigError, match="broken"):
        print_pdf(tmp_path / "a.html", tmp_path / "a.pdf")
    assert not (tmp_path / "a.pdf").exists()
