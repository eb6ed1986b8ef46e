"""The report of a fleet as a folder: a page of all sites, and one of each site with its waveforms."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from pipeline.errors import ConfigError
from pipeline.events import Event
from pipeline.indices.coverage import CoverageSpan
from pipeline.report.content import Settings, build_content
from pipeline.report.page import render
from pipeline.report.slice import Slice

FRONT: Final = "index.html"
_SIGN: Final = ".halfcycle-report"  # says that the folder is ours and may be replaced


def fleet_pages(
    events: Sequence[Event],
    *,
    settings: Settings,
    slices: Callable[[Event], Slice],
    coverage: Sequence[CoverageSpan] = (),
    zones: Mapping[str, str] | None = None,
    provenance: Sequence[tuple[str, str]] = (),
) -> Iterator[tuple[str, str]]:
    """The pages of a fleet, one after the other: its own first, then each site's.

    Parameters
    ----------
    events, settings, slices, coverage, zones, provenance : as for `content.build_content`.

    Returns
    -------
    Iterator of (name of the file, HTML).
    """
    by_site: dict[str, list[Event]] = {}
    for event in events:
        by_site.setdefault(event.site, []).append(event)
    spans: dict[str, list[CoverageSpan]] = {}
    for span in coverage:
        spans.setdefault(span.site, []).append(span)
    pages = {site: _name(site) for site in sorted({*by_site, *spans})}
    whole = replace(settings, worst=0)
    front = build_content(
        events, settings=whole, slices=slices, coverage=coverage, zones=zones, provenance=provenance, pages=pages
    )
    yield FRONT, render(front, settings=whole)
    for site, name in pages.items():
        alone = replace(settings, title="")
        made = build_content(
            by_site.get(site, []), settings=alone, slices=slices, coverage=spans.get(site, ()), zones=zones,
            provenance=provenance,
        )  # fmt: skip
        yield name, render(made, settings=alone, up=FRONT)


def write_folder(pages: Iterable[tuple[str, str]], folder: Path) -> int:
    """Write pages into a folder that takes the place of an earlier one once all of them are written.

    Parameters
    ----------
    pages : (name, HTML); nothing is kept of those already written.
    folder : new, empty, or an earlier report.

    Returns
    -------
    How many pages there are.

    Raises
    ------
    ConfigError : the folder holds something else.
    """
    if folder.exists() and not (folder / _SIGN).is_file() and (not folder.is_dir() or any(folder.iterdir())):
        raise ConfigError(f"{folder}: holds something else than a report; name another folder, or empty it")
    aside, former = (folder.with_name(f".{folder.name}.{what}") for what in ("new", "old"))
    for left in (aside, former):
        shutil.rmtree(left, ignore_errors=True)
    aside.mkdir(parents=True)
    n = 0
    for name, text in pages:
        (aside / name).write_text(text, encoding="utf-8", newline="\n")
        n += 1
    (aside / _SIGN).write_text("a report of halfcycle; it is replaced as a whole\n", encoding="utf-8")
    if folder.exists():
        os.replace(folder, former)
    os.replace(aside, folder)
    shutil.rmtree(former, ignore_errors=True)
    return n


def _name(site: str) -> str:
    """A file's name that any system takes, and that no two sites share."""
    plain = re.sub(r"[^a-z0-9]+", "-", site.lower()).strip("-")[:40]
    digest = hashlib.sha256(site.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"site-{plain}-{digest}.html" if plain else f"site-{digest}.html"
