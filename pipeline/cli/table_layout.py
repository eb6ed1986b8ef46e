"""How wide the columns of a table are on a terminal, and what is done where it has no room: no word is ever split."""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len

GAP = 3
"""Columns of the terminal between two of a table: a space on either side of a line. [characters]"""
EDGE = 1
"""What the last column has beside that. [characters]"""


def column_widths(rows: Sequence[Sequence[str]], total: int) -> list[int] | None:
    """Widths of a table's columns within a terminal's, or None where some word would have to be split.

    Parameters
    ----------
    rows : cells, the heads among them; each row has one for each column.
    total : columns of the terminal. [characters]

    Returns
    -------
    No column is narrower than its longest word, and what is left over goes to the narrowest first, so that short
    cells stay on one line and only long ones are wrapped.
    """
    columns = list(zip(*rows, strict=True))
    widths = [max((cell_len(word) for cell in column for word in cell.split()), default=1) for column in columns]
    wanted = [max((cell_len(line) for cell in column for line in cell.splitlines()), default=1) for column in columns]
    left = total - EDGE - GAP * len(columns) - sum(widths)
    if left < 0:
        return None
    while left and (short := [k for k, width in enumerate(widths) if width < wanted[k]]):
        widths[min(short, key=widths.__getitem__)] += 1
        left -= 1
    return widths


def stacked_lines(heads: Sequence[str], row: Sequence[str], total: int) -> list[str]:
    """A row of a table that is too wide, one line a cell: its head, then its text, wrapped between words alone.

    Parameters
    ----------
    heads, row : of the columns; empty cells are left out.
    total : columns of the terminal; a longer word has a line of its own, which runs over. [characters]
    """
    from textwrap import wrap

    indent = min(max(map(cell_len, heads), default=0) + 2, total // 3)
    lines = []
    for head, cell in zip(heads, row, strict=True):
        if cell:
            label = f"{head}  ".ljust(indent)
            lines += wrap(
                cell, max(total, indent + 2), initial_indent=label, subsequent_indent=" " * indent,
                break_long_words=False, break_on_hyphens=False,
            )  # fmt: skip
    return lines
