"""What the commands print: tables and lines on stdout, progress and warnings on stderr."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from halfcycle.pipeline.plain_text import counted, plain

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from halfcycle.pipeline.report.summary import TextTable

WIDEST = 200


def table(content: TextTable) -> None:
    """Print a table: on a terminal within its width, or row by row where that would split words; else as it needs."""
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from halfcycle.pipeline.cli.table_layout import column_widths, stacked_lines

    console = Console(width=None if sys.stdout.isatty() else WIDEST)
    heads, rows = [plain(head) for head in content.heads], [[plain(cell) for cell in row] for row in content.rows]
    widths = column_widths([heads, *rows], console.width)
    if widths is None and sys.stdout.isatty():
        print(plain(content.title))
        for row in rows:
            print("", *stacked_lines(heads, row, console.width), sep="\n")
        print()
        return
    shown = Table(
        title=Text(plain(content.title), style="bold"), title_justify="left", title_style="bold", box=box.SIMPLE_HEAD
    )
    for i, head in enumerate(heads):
        numeric = i > 0 and all(_is_count(row[i]) for row in content.rows)
        width = None if widths is None else widths[i]
        shown.add_column(Text(head), justify="right" if numeric else "left", overflow="fold", width=width)
    for row in rows:
        shown.add_row(*(Text(cell) for cell in row))
    console.print(shown)


def line(text: str = "") -> None:
    """Print a line of the result, signs that are no plain text spelled out."""
    print(plain(text))


def warning(text: str) -> None:
    """Print a line that is no part of the result, signs that are no plain text spelled out."""
    print(plain(text), file=sys.stderr)


def draw(svg: str, path: Path) -> None:
    """Write a drawing, whole or not at all, as the ending says (.svg or .png); say which letters a PNG lacks."""
    from functools import partial

    from halfcycle.pipeline.report.picture import letters_without_font, write_png, write_svg
    from halfcycle.pipeline.store.atomic import write_atomically

    is_png = path.suffix.lower() == ".png"
    write_atomically(path, partial(write_png if is_png else write_svg, svg))
    if is_png and (letters := letters_without_font(svg)):
        warning(
            f"{path.name}: no installed font has {letters}, so they stand there as numbers; "
            "install a font that has them, or ask for .svg"
        )


def mishaps(n: int) -> None:
    """Say that something failed which should not have; nothing where nothing did."""
    if n:
        warning(
            f"{counted(n, 'time')}: a detector failed, or an event could not be fully explained or classified; the "
            "notes state why"
        )


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """A progress bar on a terminal; nothing in a log."""
    if not sys.stderr.isatty():
        yield lambda done, all_of_them: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, all_of_them: bar.update(task, completed=done, total=all_of_them)


def _is_count(text: str) -> bool:
    return text in ("", "·") or text.replace(".", "").isdigit()
