"""A reader for a format made up for this page: one text file a capture.

QUARRY 1
station=Sorrel Mill
start=2026-03-02T06:00:00Z
rate_hz=6400
channel=V1 voltage A V 0.02
samples
16263
...
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np

from halfcycle.pipeline.capture import MAX_CAPTURE_SAMPLES, Capture, Channel, Header
from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.readers.contract import Reader, no_companions


def recognises(path: Path, beginning: bytes) -> bool:
    """Told by what the file holds, not by its name."""
    return beginning.startswith(b"QUARRY 1\n")


def read(path: Path, *, quantities: frozenset[str] | None) -> Iterator[Capture]:
    """The captures of a file; whatever is wrong with the file is a `ReadError`."""
    head, mark, body = path.read_text(encoding="utf-8", errors="replace").partition("\nsamples\n")
    if not mark:
        raise MalformedRecord(path, "header", "has no line 'samples'")
    lines = [line.partition("=")[::2] for line in head.split("\n")[1:]]
    stated = dict(lines)
    try:
        channels = [_channel(value) for key, value in lines if key == "channel"]
        start_ns = int(datetime.fromisoformat(stated["start"]).timestamp()) * 1_000_000_000
        rate_hz = float(stated["rate_hz"])
        rows = np.array([line.split() for line in body.splitlines()], np.int32).reshape(-1, len(channels)).T
    except (KeyError, ValueError) as error:
        raise MalformedRecord(path, "header or samples", str(error)) from error
    wanted = [i for i, one in enumerate(channels) if quantities is None or one.quantity in quantities]
    whole = Header(
        station=stated.get("station", ""), start_ns=start_ns, rate_hz=rate_hz, n_samples=rows.shape[1],
        channels=tuple(channels[i] for i in wanted), sample_type="int32", source=path.name,
    )  # fmt: skip
    for first in range(0, rows.shape[1], MAX_CAPTURE_SAMPLES):  # a long file is several captures that join
        part = np.ascontiguousarray(rows[wanted, first : first + MAX_CAPTURE_SAMPLES])
        yield Capture(replace(whole, start_ns=whole.time_ns(first), n_samples=part.shape[1]), part)


def _channel(text: str) -> Channel:
    name, quantity, phase, unit, scale = text.split()
    if quantity not in ("voltage", "current", "other"):
        raise ValueError(f"channel {name}: {quantity!r} is no quantity")
    return Channel(name, quantity, phase, unit, scale=float(scale))  # type: ignore[arg-type]


READER = Reader("Quarry text", recognises=recognises, read=read, companions=no_companions)
