"""A detector made for this page: a rate of change of frequency (ROCOF) beyond a limit."""

from __future__ import annotations

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from halfcycle.pipeline.detectors.contract import Detector
from halfcycle.pipeline.detectors.finding import ChannelPart, Finding
from halfcycle.pipeline.detectors.measured import PointMeasures


class RocofSettings(BaseModel):
    """Limit of the rate, and the time over which it is taken. Common practice, no source."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    limit_hz_per_s: float = Field(default=1.0, gt=0)
    window_s: float = Field(default=0.5, gt=0)


def find_rocof(measured: PointMeasures, settings: RocofSettings) -> list[Finding]:
    """The median rate of each stretch of half cycles in which the frequency changes faster than the limit."""
    series = measured.half_cycles
    n = round(settings.window_s * 2 * measured.nominal_hz)
    hertz = series.frequency_hz.astype(np.float64)
    if hertz.size <= n:
        return []
    starts = series.starts[0]
    rate = (hertz[n:] - hertz[:-n]) * series.rate_hz / (starts[n:] - starts[:-n])
    beyond = np.abs(rate) > settings.limit_hz_per_s
    edges = np.flatnonzero(np.diff(beyond, prepend=False, append=False))
    found = []
    for first, stop in edges.reshape(-1, 2):
        middle = float(np.median(rate[first:stop]))
        begin, end = float(starts[first]), float(starts[min(stop + n, starts.size) - 1])
        parts = (ChannelPart(0, begin, end, middle),)
        found.append(
            Finding(
                kind="rocof", category="rate of change of frequency", start=begin, stop=end,
                magnitude=middle, magnitude_unit="Hz/s", parts=parts,
            )
        )  # fmt: skip
    return found


DETECTOR = Detector("rocof", RocofSettings, find_rocof, frozenset({"series"}))
