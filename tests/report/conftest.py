"""The browser in which reports are opened."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from halfcycle.pipeline.report.printing import browser


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """A real browser, driven by the package playwright."""
    api = pytest.importorskip("playwright.sync_api", reason="playwright, which drives the browser, is not installed")
    with api.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=browser(), args=["--no-sandbox", "--disable-gpu"])
        yield opened
        opened.close()
