"""A page made for this page: the events of a catalogue by month and category, as one HTML file without any script.

python month_page.py events.parquet months.html
"""

from __future__ import annotations

import sys
from collections import Counter
from datetime import UTC, datetime
from html import escape
from pathlib import Path

import halfcycle as hc


def page(events: list[hc.Event]) -> str:
    """The page; names from files are escaped."""
    counts = Counter((f"{datetime.fromtimestamp(one.start / 1e9, UTC):%Y-%m}", one.category) for one in events)
    rows = "".join(
        f"<tr><td>{month}</td><td>{escape(category)}</td><td>{n}</td></tr>"
        for (month, category), n in sorted(counts.items())
    )
    return (
        "<!doctype html><html lang='en'><meta charset='utf-8'><title>Events by month</title>"
        f"<h1>Events by month</h1><table><tr><th>month<th>category<th>events</tr>{rows}</table></html>\n"
    )


if __name__ == "__main__":
    Path(sys.argv[2]).write_text(page(hc.read_events(sys.argv[1])), encoding="utf-8")
