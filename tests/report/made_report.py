"""Events and waveforms that the tests of reports show, and words that would do harm if they were not mere words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from pipeline.capture import Channel
from pipeline.errors import ReadError
from pipeline.events import Event, with_identity
from pipeline.indices.curves import curve
from pipeline.report.content import Settings
from pipeline.report.material import Material
from pipeline.report.slice import Slice

HOSTILE = (
    "</script></title><script>alert(1)</script><img src=x onerror=alert(2)>\"'`&amp;{{7*7}}{% raw %}\x00\x1b]]>"
    "<a href='https://host.invalid/x' style='color:red'>"
)
START = 1_772_366_400_000_000_000  # 2026-03-01 12:00:00 UTC
SETTINGS = Settings(curve=curve("iti"))


def event(second: float = 0.0, **more: object) -> Event:
    given: dict[str, object] = {
        "site": "Mill", "kind": "sag", "category": "instantaneous sag", "start": START + round(second * 1e9),
        "duration_s": 0.3, "observed_s": 0.3, "magnitude": 0.5, "phases": "ABC", "line_to_line": False,
        "reference_v": 230.0, "capture": "d", "incident_id": "i", "frequency_hz": 50.0,
    }  # fmt: skip
    return with_identity(Event(**{**given, **more}))  # type: ignore[arg-type]


def slice_for(_: Event) -> Slice:
    t = np.arange(1600)
    rows = [3000 * np.cos(2 * np.pi * t / 32 - k * 2 * np.pi / 3) for k in range(3)]
    samples = np.rint(rows).astype(np.int16)
    samples[:, 400:880] //= 2
    channels = tuple(Channel(f"U{p}", "voltage", p, "V", scale=0.1) for p in "ABC")
    return Slice(channels, samples, 1600.0, -400.0, 480.0, "a.csv")


def no_slice(_: Event) -> Slice:
    raise ReadError(HOSTILE, "", "is not there")


def material(events: Sequence[Event], **more: Any) -> Material:
    return Material(**{"events": events, "slices": slice_for, **more})
