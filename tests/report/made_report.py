"""Events and waveforms that the tests of reports show, and words that would do harm if they were not mere words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.events import Event, with_identity
from halfcycle.pipeline.indices.coverage import CoverageSpan
from halfcycle.pipeline.indices.curves import curve
from halfcycle.pipeline.report.content import ReportSettings
from halfcycle.pipeline.report.material import Material
from halfcycle.pipeline.report.slice import Slice

HOSTILE = (
    "</script></title><script>alert(1)</script><img src=x onerror=alert(2)>\"'`&amp;{{7*7}}{% raw %}\x00\x1b]]>"
    "<a href='https://host.invalid/x' style='color:red'>"
)
START = 1_772_366_400_000_000_000  # 2026-03-01 12:00:00 UTC
SETTINGS = ReportSettings(curve=curve("iti"))


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


def transient_slice(one: Event) -> Slice:
    """Waveforms of an event; of a transient with a ringing of 700 Hz in them."""
    cut = slice_for(one)
    if not one.kind.endswith("transient"):
        return cut
    t = np.arange(320) / 1600
    samples = cut.samples.copy()
    samples[:, 400:720] += np.rint(1500 * np.exp(-t * 40) * np.sin(2 * np.pi * 700 * t)).astype(np.int16)
    return Slice(cut.channels, samples, cut.rate_hz, cut.start, 40.0, "a.csv")


def everything() -> Material:
    """Material with something for every part of a page: sites that share an incident, each kind, a survey, coverage."""
    from report.test_survey_view import surveyed

    def some_slices(one: Event) -> Slice:
        return no_slice(one) if one.magnitude == 0.85 else replace(transient_slice(one), hookup="four-wire")

    events = [
        event(0, cause="fault", cause_confidence=0.9, direction="upstream", dip_type="Ca", why="it falls by 0.5 pu"),
        event(0.001, site="Lock", magnitude=0.4, cause="fault", cause_confidence=0.8),
        event(90, kind="swell", magnitude=1.2, observed_s=2.0, category="momentary swell", phases="B"),
        event(200, kind="interruption", magnitude=0.02, category="momentary interruption", open_end=True),
        event(300, site="Lock", magnitude=0.85, phases="AB", line_to_line=True),
        event(400, kind="oscillatory_transient", magnitude=0.6, observed_s=0.02, oscillation_hz=700.0,
              category="low-frequency oscillatory transient", phases="A"),
    ]  # fmt: skip
    spans = [CoverageSpan(site, None, START, START + 6 * 10**13, 5e4, 400.0, "missing samples") for site in
             ("Mill", "Lock")]  # fmt: skip
    return Material(
        events=events, slices=some_slices, coverage=spans, zones={"Mill": "Europe/Madrid", "Lock": "Europe/Lisbon"},
        surveyed=[surveyed(51), surveyed(0, site="Lock")],
        provenance=[("period", "1 March 2026"), ("to reproduce it", "halfcycle report --out report.html")],
    )  # fmt: skip
