"""Ride-through curves: how low or high a voltage equipment is to bear, by how long it lasts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Literal

from halfcycle.pipeline.indices.reference_tables import named, rows_by, sources_of

Region = Literal["inside", "below", "above"]
Corner = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Curve:
    """A ride-through curve.

    Attributes
    ----------
    name, title : as commands spell it; in words.
    lower, upper : corners (duration [s], magnitude [pu]) in order of duration; two at one duration are a step. `upper`
        is empty where the curve says nothing of swells.
    sources : of the corners.
    """

    name: str
    title: str
    lower: tuple[Corner, ...]
    upper: tuple[Corner, ...]
    sources: tuple[str, ...]

    def lower_pu(self, duration_s: float) -> float:
        """The lowest voltage to be borne for a duration. duration_s: >= 0 [s]. [pu]"""
        return _at(self.lower, duration_s)

    def upper_pu(self, duration_s: float) -> float | None:
        """The highest voltage to be borne for a duration; None where the curve does not say. duration_s: [s]. [pu]"""
        if not self.upper or duration_s < self.upper[0][0]:
            return None
        return _at(self.upper, duration_s)

    def region(self, magnitude_pu: float, duration_s: float) -> Region:
        """Where an event lies: one on a line is inside. magnitude_pu: [pu]; duration_s: [s]."""
        if magnitude_pu < self.lower_pu(duration_s):
            return "below"
        highest = self.upper_pu(duration_s)
        return "above" if highest is not None and magnitude_pu > highest else "inside"


def curve(name: str) -> Curve:
    """A curve of `datasets/indices/ride-through-curves.csv` by its name.

    Raises
    ------
    ConfigError : there is no such curve.
    """
    return named(name, curves(), kind="curve")


@cache
def curves() -> tuple[Curve, ...]:
    """All curves, in the order of the file."""
    return tuple(
        Curve(
            name,
            of_curve[0]["title"],
            _corners(of_curve, "lower"),
            _corners(of_curve, "upper"),
            sources_of(of_curve),
        )
        for name, of_curve in rows_by("curve", "ride-through-curves.csv").items()
    )


def _corners(rows: Sequence[dict[str, str]], side: str) -> tuple[Corner, ...]:
    return tuple((float(row["duration_s"]), float(row["magnitude_pct"]) / 100) for row in rows if row["side"] == side)


def _at(corners: Sequence[Corner], duration_s: float) -> float:
    """The curve at a duration: at a step the value to its left; on a slope linear over the logarithm of time.

    The interpolation is that of common drawings; the standards do not say.
    """
    for (t0, y0), (t1, y1) in pairwise(corners):
        if t0 <= duration_s <= t1 and t1 > t0:
            if y0 == y1 or duration_s == t0:
                return y0
            return y0 + (y1 - y0) * math.log(duration_s / t0) / math.log(t1 / t0)
    return corners[-1][1]
