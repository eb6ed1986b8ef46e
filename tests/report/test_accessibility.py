"""Pages held against the rules of axe-core in a real browser: whole pages, all unfolded, wide and on a phone."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path
from typing import Any

import pytest
from report.made_report import SETTINGS, everything
from report.opened_page import IN_BROWSER, Opened

from halfcycle.pipeline.report.content import build_content
from halfcycle.pipeline.report.folder import fleet_pages
from halfcycle.pipeline.report.page import render

FOLDER = Path(__file__).parent / "axe-core"
RUN = "() => axe.run(document, {resultTypes: ['violations']})"
UNFOLD = "document.querySelectorAll('details').forEach((one) => { one.open = true; })"


def test_the_rules_are_those_of_the_publisher() -> None:
    (said,) = re.findall(r"`([A-Za-z0-9+/]{43}=)`", (FOLDER / "README.md").read_text(encoding="utf-8"))
    digest = hashlib.sha256((FOLDER / "axe.min.js").read_bytes()).digest()
    assert base64.b64encode(digest).decode() == said


def violations(opened: Opened) -> list[str]:
    """What the rules have against a page: each rule with the first element at fault."""
    opened.tab.evaluate((FOLDER / "axe.min.js").read_text(encoding="utf-8"))
    found = opened.tab.evaluate(RUN)
    assert len(found["passes"]) > 20  # rules that had something to look at
    return [f"{one['id']}: {one['nodes'][0]['html'][:200]}" for one in found["violations"]]


class TestInBrowser:
    pytestmark = IN_BROWSER

    @pytest.mark.parametrize(("name", "width"), [("whole", 1440), ("whole", 390), ("fleet", 390)])
    @pytest.mark.long
    def test_no_rule_is_violated(self, chromium: Any, tmp_path: Path, name: str, width: int) -> None:
        if name == "whole":
            text = render(build_content(everything(), settings=SETTINGS), settings=SETTINGS)
        else:
            text = next(iter(fleet_pages(everything(), settings=SETTINGS)))[1]
        (tmp_path / "page.html").write_text(text, encoding="utf-8")
        opened = Opened(chromium, tmp_path / "page.html", width=width).scrolled()
        opened.tab.evaluate(UNFOLD)
        assert violations(opened) == []

    @pytest.mark.long
    def test_a_page_with_faults_is_found_out(self, chromium: Any, tmp_path: Path) -> None:
        text = render(build_content(everything(), settings=SETTINGS), settings=SETTINGS)
        text = text.replace('<html lang="en">', "<html>").replace('["in", "+", "zoom in"]', '["in", "", ""]')
        text = re.sub('content="default-src[^>]*>', 'content="">', text)  # the script is no longer that of the policy
        (tmp_path / "bad.html").write_text(text, encoding="utf-8")
        found = violations(Opened(chromium, tmp_path / "bad.html").scrolled())
        assert [one.split(":")[0] for one in found] == ["button-name", "html-has-lang"]
