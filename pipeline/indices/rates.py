"""Counts as rates: how many in a month, how sure that is, and whether the time judged allows to say it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.locales import number

LEAST_AVAILABILITY: Final = 0.9
"""Below it no rate is given. Common practice, from memory."""
_DAY_S: Final = 86_400.0


@dataclass(frozen=True, slots=True)
class Exposure:
    """The time that counts stand for.

    Attributes
    ----------
    judged_s : time in which an event would have been found. [s]
    period_s : time from the first to the last instant that the counts are to stand for. [s]
    """

    judged_s: float
    period_s: float

    @property
    def availability(self) -> float:
        """Judged share of the period, 0 to 1."""
        return min(self.judged_s / self.period_s, 1.0) if self.period_s > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Rate:
    """Events in a number of days.

    Attributes
    ----------
    value : scaled count; None where it is withheld.
    low, high : of the 95 % interval, if events came one by one at a constant rate; None where it is withheld.
    withheld : why, in words; "" where the value stands.
    """

    value: float | None
    low: float | None
    high: float | None
    withheld: str = ""


def scaled(count: int, exposure: Exposure | None, *, days: float = 30.0) -> Rate:
    """A count scaled by the time judged.

    Parameters
    ----------
    count : events >= 0.
    exposure : time judged; None: not known.
    days : that the rate is for.

    Returns
    -------
    Rate; withheld where the judged time is unknown or less than nine tenths of the period.

    Source: derived, proportional to time; nine tenths: common practice, no source.
    """
    if exposure is None:
        return Rate(None, None, None, "the judged time is unknown")
    if exposure.availability < LEAST_AVAILABILITY:
        share = f"{number(100 * exposure.availability, '.3g')} %"
        return Rate(
            None, None, None, f"only {share} of the period was judged; a rate requires {100 * LEAST_AVAILABILITY:.0f} %"
        )
    factor = days * _DAY_S / exposure.judged_s
    low, high = poisson_interval(count)
    return Rate(count * factor, low * factor, high * factor)


def poisson_interval(count: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """The exact interval of a Poisson mean, from one count.

    Parameters
    ----------
    count : events >= 0.
    confidence : between 0 and 1; for no event, whose lower bound is zero, two-sided too.

    Raises
    ------
    SignalError : a negative count.

    Source: F. Garwood, Biometrika 28 (1936), through the gamma distribution. Sags come in clusters: then it is
    too narrow, and the index of dispersion says so.
    """
    from scipy.special import gammaincinv

    if count < 0:
        raise SignalError(f"{count} events; a count is not negative")
    tail = (1 - confidence) / 2
    low = 0.0 if count == 0 else float(gammaincinv(count, tail))
    return low, float(gammaincinv(count + 1, 1 - tail))


def by_month(starts_ns: Sequence[int], *, from_ns: int, to_ns: int) -> dict[str, int]:
    """Events in each calendar month (UTC) that the period touches.

    Parameters
    ----------
    starts_ns : of the events. [ns since 1970-01-01]
    from_ns, to_ns : the period, half-open. [ns since 1970-01-01]

    Returns
    -------
    Counts by ``2026-04``, months without an event too.
    """
    first, last = _moment(from_ns), _moment(max(to_ns - 1, from_ns))
    months = {}
    year, month = first.year, first.month
    while (year, month) <= (last.year, last.month):
        months[f"{year}-{month:02d}"] = 0
        year, month = (year + 1, 1) if month == 12 else (year, month + 1)
    for start in starts_ns:
        name = f"{_moment(start):%Y-%m}"
        if name in months:
            months[name] += 1
    return months


def dispersion(counts: Sequence[int]) -> float | None:
    """Index of dispersion: variance over mean of equal spans' counts; 1 for Poisson, more for clusters.

    Parameters
    ----------
    counts : of each span; None is given for fewer than two, or where there is no event.

    Source: Cox and Lewis, The Statistical Analysis of Series of Events, 1966 (from memory).
    """
    n = len(counts)
    mean = sum(counts) / n if n else 0.0
    if n < 2 or mean == 0:
        return None
    return sum((count - mean) ** 2 for count in counts) / (n - 1) / mean


def _moment(ns: int) -> datetime:
    return datetime.fromtimestamp(ns // 1_000_000_000, UTC)
