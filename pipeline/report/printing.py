"""A page as PDF, by a headless browser where one is installed."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Final

from halfcycle.pipeline.errors import ConfigError

BROWSERS: Final = ("chromium", "chromium-headless-shell", "chromium-browser", "google-chrome", "microsoft-edge")
_LONGEST_S: Final = 300.0


def browser() -> str | None:
    """The path of an installed browser that prints without a window; None where there is none."""
    return next((found for name in BROWSERS if (found := shutil.which(name)) is not None), None)


def print_pdf(page: Path, target: Path) -> None:
    """Print a page.

    Parameters
    ----------
    page : an HTML file.
    target : the PDF; replaced at once.

    Raises
    ------
    ConfigError : no browser is installed, or it fails.
    """
    found = browser()
    if found is None:
        raise ConfigError(
            f"no browser to print with; install one of {', '.join(BROWSERS)} (Debian: apt install chromium), "
            f"or open {page.name} and print it"
        )
    with tempfile.TemporaryDirectory(prefix="halfcycle-print-") as folder:
        made = Path(folder) / "page.pdf"
        words = [
            found, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
            f"--user-data-dir={folder}/p", "--virtual-time-budget=20000", f"--print-to-pdf={made}",
            page.resolve().as_uri(),
        ]  # fmt: skip
        try:
            done = subprocess.run(words, capture_output=True, text=True, timeout=_LONGEST_S, check=False)
        except subprocess.TimeoutExpired as error:
            raise ConfigError(f"{found} did not print {page.name} within {_LONGEST_S:g} s") from error
        if not made.is_file():
            raise ConfigError(f"{found} did not print {page.name}: {done.stderr.strip()[-300:]}")
        shutil.move(made, target)
