"""The report of a fleet as a folder: a page of all sites, and one of each site with its waveforms."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final

from halfcycle.pipeline.errors import ConfigError, StoreError
from halfcycle.pipeline.report.content import ReportSettings, build_content
from halfcycle.pipeline.report.material import Material
from halfcycle.pipeline.report.page import render
from halfcycle.pipeline.store.atomic import sync_folder
from halfcycle.pipeline.store.exchange import exchanged

FRONT: Final = "index.html"
_FRONT_ROWS: Final = 300  # of a table; those of each site are on its own page
_SIGN: Final = ".halfcycle-report"  # says that the folder is ours and may be replaced


def fleet_pages(material: Material, *, settings: ReportSettings) -> Iterator[tuple[str, str]]:
    """The pages of a fleet, one after the other: its own first, then each site's.

    Parameters
    ----------
    material, settings : as for `content.build_content`.

    Returns
    -------
    Iterator of (name of the file, HTML).
    """
    pages = {site: page_name(site) for site in material.sites}
    whole = replace(settings, worst=0, most_rows=_FRONT_ROWS)
    yield FRONT, render(build_content(material, settings=whole, pages=pages), settings=whole)
    share = max(settings.most_shown // max(len(pages), 1), 1)
    alone = replace(settings, title="", worst=min(settings.worst, share))
    for site, mine in material.by_site().items():
        yield pages[site], render(build_content(mine, settings=alone), settings=alone, up=FRONT)


def write_folder(pages: Iterable[tuple[str, str]], folder: Path, *, sign: str = "") -> int:
    """Write pages into a folder that takes the place of an earlier one once all of them are written.

    Parameters
    ----------
    pages : (name, HTML); nothing is kept of those already written.
    folder : new, empty, or an earlier report.
    sign : that `sign_of` gives afterwards.

    Returns
    -------
    How many pages there are.

    Raises
    ------
    ConfigError : the folder holds something else.
    StoreError : a page cannot be written; an earlier report is still whole.
    """
    if folder.exists() and not (folder / _SIGN).is_file() and (not folder.is_dir() or any(folder.iterdir())):
        raise ConfigError(f"{folder}: holds something other than a report; name another folder, or empty it")
    aside, former = (folder.with_name(f".{folder.name}.{what}") for what in ("new", "old"))
    try:
        if former.is_dir() and not folder.exists():  # a run was killed between the two renames below
            os.replace(former, folder)
        for left in (aside, former):
            shutil.rmtree(left, ignore_errors=True)
        aside.mkdir(parents=True)
        n = 0
        for name, text in pages:
            _write_flushed(aside / name, text)
            n += 1
        _write_flushed(aside / _SIGN, f"a report of halfcycle; it is replaced as a whole\n{sign}\n")
        if folder.exists() and not exchanged(aside, folder):
            os.replace(folder, former)
        if not folder.exists():
            os.replace(aside, folder)
        sync_folder(folder.parent)
    except OSError as error:
        raise StoreError(f"{folder}: the pages cannot be written ({error.strerror or error})") from error
    for left in (aside, former):
        shutil.rmtree(left, ignore_errors=True)
    return n


def sign_of(folder: Path) -> str | None:
    """What a report's folder was signed with; None where it holds no report."""
    try:
        return (folder / _SIGN).read_text(encoding="utf-8").split("\n")[1]
    except (OSError, UnicodeDecodeError, IndexError):
        return None


def _write_flushed(path: Path, text: str) -> None:
    with path.open("w", encoding="utf-8", newline="\n") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())


def page_name(site: str) -> str:
    """A file's name that any system takes, and that no two sites share."""
    plain = re.sub(r"[^a-z0-9]+", "-", site.lower()).strip("-")[:40]
    digest = hashlib.sha256(site.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"site-{plain}-{digest}.html" if plain else f"site-{digest}.html"
