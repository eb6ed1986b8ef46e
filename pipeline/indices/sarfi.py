"""SARFI: how many events went below or above a level, or left a ride-through curve."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final, Literal

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.indices.counted import Counted
from halfcycle.pipeline.indices.curves import Curve

LEVELS_PCT: Final = (140.0, 120.0, 110.0, 90.0, 80.0, 70.0, 50.0, 10.0)
"""The usual ones: IEEE 1564 in substance; the list from memory, and found in "References for SARFI"."""

DurationCategory = Literal["all", "instantaneous", "momentary", "temporary"]
LONGEST_S: Final = 60.0
_MOMENTARY_CYCLES: Final = 30.0
_TEMPORARY_S: Final = 3.0


def is_beyond(one: Counted, level_pct: float) -> bool:
    """Whether an event went below a level under 100 %, or above one over 100 %. level_pct: [%]

    Source: IEEE Std 1564-2014, SARFI-X (from memory).
    """
    if level_pct < 100:
        return one.variation == "sag" and one.magnitude_pu < level_pct / 100
    return one.variation == "swell" and one.magnitude_pu > level_pct / 100


def sarfi(
    counted: Iterable[Counted], level_pct: float, *, span: DurationCategory = "all", nominal_hz: float = 60.0
) -> int:
    """Events beyond a level.

    Parameters
    ----------
    counted : of one site and one way of counting.
    level_pct : X, in per cent of nominal; not 100.
    span : only events that last half to 30 cycles (``instantaneous``), to 3 s (``momentary``), to 60 s (``temporary``).
    nominal_hz : for the 30 cycles. [Hz]

    Returns
    -------
    int. Events that lasted longer than a minute are not counted.

    Raises
    ------
    SignalError : the level is 100 %, or not positive.

    Source: IEEE 1564-2014 (in substance; boundaries of the three spans from memory).
    """
    if level_pct <= 0 or level_pct == 100:
        raise SignalError(f"level {level_pct:g} %; it must be above zero and not 100")
    return sum(
        is_beyond(one, level_pct) and span in ("all", span_of(one, nominal_hz=nominal_hz)) for one in brief(counted)
    )


def sarfi_curve(counted: Iterable[Counted], curve: Curve) -> int:
    """Sags below the lower part of a curve; swells are not counted.

    Parameters
    ----------
    counted : of one site and one way of counting; those that lasted longer than a minute are left out.
    curve : of ride-through; an event on the line is borne.

    Source: IEEE 1564-2014 (from memory).
    """
    return sum(
        one.variation == "sag" and curve.region(one.magnitude_pu, one.duration_s) == "below" for one in brief(counted)
    )


def brief(counted: Iterable[Counted]) -> list[Counted]:
    """Events of at most a minute: longer ones are undervoltages, overvoltages and sustained interruptions.

    Source: IEEE Std 1159-2019, Table 2.
    """
    return [one for one in counted if one.duration_s <= LONGEST_S]


def span_of(one: Counted, *, nominal_hz: float) -> DurationCategory:
    """Instantaneous, momentary or temporary. nominal_hz: of the 30 cycles. [Hz]

    Source: IEEE Std 1159-2019, Table 2: to 30 cycles, to 3 s, to 1 min.
    """
    if one.duration_s <= _MOMENTARY_CYCLES / nominal_hz:
        return "instantaneous"
    return "momentary" if one.duration_s <= _TEMPORARY_S else "temporary"


def system_sarfi(counts: Mapping[str, float], *, weights: Mapping[str, float] | None = None) -> float:
    """The value of a system: the mean over its sites, weighted by the customers that each stands for.

    Parameters
    ----------
    counts : events by site, each for the same length of judged time.
    weights : customers by site; None: each site counts alike.

    Raises
    ------
    SignalError : no site, or no weight above zero.

    Source: IEEE 1564-2014 (from memory).
    """
    chosen = dict.fromkeys(counts, 1.0) if weights is None else {site: weights.get(site, 0.0) for site in counts}
    total = sum(chosen.values())
    if not total > 0:
        raise SignalError("a system's index needs a site with a weight above zero")
    return sum(counts[site] * chosen[site] for site in counts) / total


def worse_than(counted: Sequence[Counted], *, magnitude_pu: float, duration_s: float) -> int:
    """Sags that were at least as deep and as long as a point of the contour chart.

    Parameters
    ----------
    counted : of one way of counting.
    magnitude_pu, duration_s : the point. [pu], [s]

    Source: sag coordination chart of IEEE Std 1346-1998 (from memory).
    """
    return sum(
        one.variation == "sag" and one.magnitude_pu <= magnitude_pu and one.duration_s >= duration_s for one in counted
    )
