"""A page that is open in a browser, with what the browser had to say and what it asked for."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import pytest

from halfcycle.pipeline.report.printing import BROWSERS, browser

IN_BROWSER: Final = [
    pytest.mark.slow,
    pytest.mark.skipif(browser() is None, reason=f"no browser is installed (one of {', '.join(BROWSERS)})"),
]
DRAWN: Final = "() => [...document.querySelectorAll('figure.waves')].every((figure) => figure.dataset.drawn === 'yes')"


class Opened:
    """An open page."""

    def __init__(self, chromium: Any, path: Path, *, width: int = 1440) -> None:
        self.tab = chromium.new_page(viewport={"width": width, "height": 900})
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.tab.on("console", lambda message: self.complaints.append(message.text))
        self.tab.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.tab.on("dialog", lambda dialog: (self.complaints.append("dialog"), dialog.dismiss()))
        self.tab.on("request", lambda request: self.requests.append(request.url))
        self.tab.goto(path.as_uri())

    def scrolled(self) -> Opened:
        """All waveforms brought into sight, until each is drawn."""
        for figure in self.tab.query_selector_all("figure.waves"):
            figure.scroll_into_view_if_needed()
            self.tab.wait_for_timeout(60)
        self.tab.wait_for_function(DRAWN)
        return self
