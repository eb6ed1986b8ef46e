"""Notching that lasts: periodic notches in the voltage, as a steady state."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from pydantic import Field

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.steady import SteadySettings, lasting_excursions, unmarked
from halfcycle.pipeline.measures.notches import NotchSeries


class NotchingSettings(SteadySettings):
    """Limit of notches.

    limit_pct : depth, of the voltage at the notch. IEEE 519-1992, Table 10.2 (from memory): 10 % for special
        applications such as hospitals, 20 % for general and 50 % for dedicated systems.
    least_present : share of a window's cycles that the deepest notch must be in, so that one that comes once is none;
        common practice, no source.
    """

    limit_pct: float = Field(10.0, gt=0)
    least_present: float = Field(0.8, gt=0, le=1)


def find_notching(
    notches: NotchSeries, *, settings: NotchingSettings, flags: npt.ArrayLike | None = None
) -> list[Finding]:
    """Spans in which notches of more than a depth come in each cycle.

    Parameters
    ----------
    notches : of the judged voltages of one measuring point. [V]
    settings : the limit, and what makes it last.
    flags : uint8, shape (n_channels, n_windows). Marks of `measures.quality`; a window with one is not judged. None: no
        marks.

    Returns
    -------
    Findings of kind ``notching`` in order of start. Magnitude is the largest depth in % of the voltage at the notch;
    `repeats` the notches in a cycle; the notes give the largest area and the width of the deepest notch.

    Source: IEEE 1159-2019, 4.4.4.2 and category of Table 2, 5.4; depth and area as IEEE 519-1992 has them [memory].
    """
    depths = 100.0 * notches.depth_share.astype(np.float64)
    judged = unmarked(flags, depths.shape)
    depths[~judged | (notches.present < settings.least_present)] = 0.0
    areas = np.where(depths > 0, notches.area, 0.0)
    found = lasting_excursions(
        depths, judged, starts=notches.starts, lengths=notches.lengths, rate_hz=notches.rate_hz,
        limit=settings.limit_pct, settings=settings,
    )  # fmt: skip
    findings = []
    for excursion in found:
        worst = excursion.peak(depths)
        area_vs = float(areas[excursion.peak(areas)])
        count = int(notches.per_cycle[worst])
        findings.append(
            Finding(
                kind="notching",
                category="notching",
                start=excursion.start,
                stop=excursion.stop,
                magnitude=float(depths[worst]),
                magnitude_unit="%",
                parts=excursion.parts(depths),
                open_start=excursion.open_start,
                open_stop=excursion.open_stop,
                repeats=count,
                notes=(
                    f"area {area_vs:.3g} V·s, width {1e6 * float(notches.width_s[worst]):.3g} µs, "
                    f"{count} {'notch' if count == 1 else 'notches'} per cycle"
                ),
            )
        )
    return findings
