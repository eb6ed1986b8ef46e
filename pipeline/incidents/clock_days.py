"""How far each recorder's clock was ahead on each day, with an interval, and which clocks drift."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.stats import t as student

from halfcycle.pipeline.incidents.drifts import cells, drifts
from halfcycle.pipeline.incidents.joining import Joined
from halfcycle.pipeline.incidents.sightings import FloatArray, IntArray, Sightings

if TYPE_CHECKING:
    import pyarrow as pa

_DAY_NS: Final = 86_400_000_000_000
_NEAR_DAYS: Final = 3
_STRAY_SCATTERS: Final = 6.0
CLASS_A_S: Final = 0.02
"""What a class A clock may be off at 50 Hz: IEC 61000-4-30, 4.6 (value from memory)."""
NOTE_DRIFT_S_A_DAY: Final = 0.01
"""A drift worth a word: class A, 20 ms, is lost within two days (derived)."""


@dataclass(frozen=True, slots=True)
class ClockDays:
    """Rows in order of site and day; days by the recorder's own clock. Shape (n,) each.

    Attributes
    ----------
    site : index into the sites of the sightings.
    day : since 1970-01-01.
    zone_s : whole or half hours ahead. [s]
    offset_s : ahead besides. [s]
    low_s, high_s : 95 % interval of it. [s]
    drift_s_a_day : slope of the days around. [s/day]
    drift_low_s_a_day, drift_high_s_a_day : 95 % interval of it. [s/day]
    n : events recorded together with other sites that tell it.
    """

    site: IntArray
    day: IntArray
    zone_s: FloatArray
    offset_s: FloatArray
    low_s: FloatArray
    high_s: FloatArray
    drift_s_a_day: FloatArray
    drift_low_s_a_day: FloatArray
    drift_high_s_a_day: FloatArray
    n: IntArray


def clock_days(sightings: Sightings, found: Joined, zone_ns: IntArray) -> ClockDays:
    """The clocks of all days on which a recorder saw something that others saw, too.

    Source: derived. A day's own lags are weighed against the line through the days around: what the clock wanders from
    day to day is the scatter about that line less what the starts themselves scatter.
    """
    clock = found.clock
    held = np.isfinite(found.lag_s) & np.isfinite(clock.offset_s)
    rest = np.where(held, found.lag_s - clock.offset_s, 0.0)
    held &= np.abs(rest) <= _STRAY_SCATTERS * np.hypot(clock.scatter_s, sightings.start_u_s)
    rows = np.flatnonzero(held)
    day = sightings.start_ns[rows] // _DAY_NS
    number, of = np.unique(cells(sightings.site[rows], day), return_inverse=True)
    cell = np.stack([sightings.site[rows], day])[:, np.unique(of, return_index=True)[1]]
    n = np.bincount(of, minlength=cell.shape[1])

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(of, values, cell.shape[1]) / np.maximum(n, 1), dtype=np.float64)

    own_square = mean(np.square(sightings.start_u_s[rows])) / np.maximum(n, 1)
    others_square = mean(np.square(found.time_u_s[rows]))  # clocks wander by the day: more events are no help
    single_square = own_square * n + others_square
    wander_square = np.maximum(mean(np.square(clock.scatter_s[rows])) - single_square, 0.0)
    share = wander_square / (wander_square + own_square)
    offset_s = mean(clock.offset_s[rows]) + share * mean(rest[rows])
    line_square = np.square((1 - share) * mean(clock.offset_u_s[rows]))
    members = np.bincount(found.shot)[found.shot[rows]]
    drift = mean(clock.drift_s_a_day[rows])
    others = np.maximum(mean(members.astype(np.float64)) - 1, 1)
    together_square = _day_to_day_square(cell, offset_s, drift) / others
    u_s = np.sqrt(line_square + share * own_square + np.maximum(others_square, together_square))
    half_s = u_s * student.ppf(0.975, mean(clock.count[rows]) + 1)
    zone = np.zeros(cell.shape[1])
    zone[of] = zone_ns[rows] * 1e-9
    slopes = drifts(sightings.site, sightings.start_ns // _DAY_NS, found.lag_s, clock)
    at = np.searchsorted(slopes.cell, number)
    return ClockDays(
        cell[0], cell[1], zone, offset_s, offset_s - half_s, offset_s + half_s, slopes.slope_s_a_day[at],
        slopes.low_s_a_day[at], slopes.high_s_a_day[at], n,
    )  # fmt: skip


def _day_to_day_square(cell: IntArray, offset_s: FloatArray, drift_s_a_day: FloatArray) -> FloatArray:
    """How much the clocks of a fleet wander from day to day around each cell's day, drifts left out. [s^2]

    Half the mean square of the differences to each recorder's day before, where there is one.
    """
    passed = np.diff(cell[1])
    follows = (np.diff(cell[0]) == 0) & (passed <= _NEAR_DAYS)
    drift = (drift_s_a_day[1:] + drift_s_a_day[:-1]) / 2 * passed
    square = np.square(np.minimum(np.abs(np.diff(offset_s) - drift)[follows], CLASS_A_S)) / 2
    day, place = np.unique(cell[1], return_inverse=True)
    total = np.bincount(place[1:][follows], square, len(day))
    count = np.bincount(place[1:][follows], minlength=len(day))
    begin, end = np.searchsorted(day, day - _NEAR_DAYS), np.searchsorted(day, day + _NEAR_DAYS, side="right")
    sums = np.zeros((2, len(day)))
    for step in range(2 * _NEAR_DAYS + 1):  # day by day and in order, so that a longer table gives the same sums
        at = begin + step
        held = at < end
        sums[:, held] += np.stack([total[at[held]], count[at[held]]])
    return np.asarray((sums[0] / np.maximum(sums[1], 1))[place], dtype=np.float64)


def clock_table(days: ClockDays, sites: tuple[str, ...]) -> pa.Table:
    """Clock days as a table: site, date, zone and offset in seconds ahead, drift, with 95 % intervals, events."""
    import pyarrow as pa

    names = np.array(sites, dtype=object)[days.site] if len(sites) else np.zeros(0, dtype=object)
    return pa.table(
        {
            "site": pa.array(names, pa.string()),
            "date": pa.array(days.day.astype("datetime64[D]")),
            "zone_s": days.zone_s,
            "offset_s": days.offset_s,
            "offset_low_s": days.low_s,
            "offset_high_s": days.high_s,
            "drift_s_a_day": days.drift_s_a_day,
            "drift_low_s_a_day": days.drift_low_s_a_day,
            "drift_high_s_a_day": days.drift_high_s_a_day,
            "events": pa.array(days.n, pa.int64()),
        }
    )


def notes_of(days: ClockDays) -> dict[int, str]:
    """In words, by row: whose clock is in another zone, beyond class A, or drifts."""
    odd = (days.low_s > CLASS_A_S) | (days.high_s < -CLASS_A_S) | (days.zone_s != 0)
    odd |= (days.drift_low_s_a_day > 0) | (days.drift_high_s_a_day < 0)
    said = {
        i: "; ".join(
            clock_words(
                float(days.zone_s[i]), (float(days.offset_s[i]), float(days.low_s[i]), float(days.high_s[i])),
                (float(days.drift_s_a_day[i]), float(days.drift_low_s_a_day[i]), float(days.drift_high_s_a_day[i])),
            )
        )
        for i in np.flatnonzero(odd).tolist()
    }  # fmt: skip
    return {i: words for i, words in said.items() if words}


def clock_notes(days: ClockDays, sites: tuple[str, ...]) -> dict[str, str]:
    """The notes of each site's last day."""
    notes = notes_of(days)
    last = {int(site): i for i, site in enumerate(days.site)}  # rows are in order of day
    return {sites[site]: notes[i] for site, i in last.items() if i in notes}


def clock_words(
    zone_s: float, offset_s: tuple[float, float, float], drift_s_a_day: tuple[float, float, float]
) -> list[str]:
    """What is the matter with a clock: its zone, an offset beyond class A, a drift; none where all is well.

    Parameters
    ----------
    zone_s : whole or half hours ahead. [s]
    offset_s, drift_s_a_day : each with its 95 % interval: (value, low, high). What the interval does not rule out is
        not said.
    """
    said = []
    if zone_s:
        said.append(f"{abs(zone_s) / 3600:g} h {_way(zone_s)}: a time zone")
    value, low, high = offset_s
    if low > CLASS_A_S or high < -CLASS_A_S:
        said.append(f"{abs(value):.3f} s {_way(value)} (± {max((high - low) / 2, 0.001):.3f} s)")
    value, low, high = drift_s_a_day
    if abs(value) > NOTE_DRIFT_S_A_DAY and (low > 0 or high < 0):
        half = max((high - low) / 2, 0.001)
        said.append(f"drifts by {abs(value):.3f} s per day {_way(value)} (± {half:.3f})")
    return said


def _way(seconds: float) -> str:
    return "ahead" if seconds > 0 else "behind"
