"""The samples of an event as text, with their times, for whoever wants to look at them elsewhere."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from halfcycle.pipeline.catalogue.tables import iso_utc
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.report.slice import Slice


def write_samples(event: Event, cut: Slice, path: Path) -> None:
    """Write a slice as CSV: time in UTC, seconds from the event's start, then a column a channel in its unit.

    Parameters
    ----------
    event : gives the time of its start.
    cut : the slice; missing samples are empty cells.
    path : of the file.
    """
    seconds = cut.times_s()
    columns = [cut.physical(i) for i in range(len(cut.channels))]
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        names = [f"{'I' if c.quantity == 'current' else 'U'}{c.phase or c.name} [{c.unit}]" for c in cut.channels]
        writer.writerow(["time", "seconds", *names])
        for k, second in enumerate(seconds):
            values = [f"{column[k]:.9g}" if np.isfinite(column[k]) else "" for column in columns]
            writer.writerow([iso_utc(event.start + round(float(second) * 1e9)), f"{second:.9f}", *values])
