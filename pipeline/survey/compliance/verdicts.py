"""Verdicts: what is certain whatever the missing intervals held, and what all rows together come to."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Final, Literal

from halfcycle.pipeline.locales import scaled
from halfcycle.pipeline.survey.compliance.levels import Mark
from halfcycle.pipeline.uncertainty.decisions import verdict

Verdict = Literal["met", "exceeded", "cannot tell"]
_BADNESS: Final = ("exceeded", "cannot tell", "met")


@dataclass(frozen=True, slots=True)
class Assessment:
    """One limit at one series of a trend over one period.

    Attributes
    ----------
    name, quantity, series : the limit's name, its quantity's symbol, and the column that was judged; "" where none is.
    period : its name, with its start; "" where there is no series.
    verdict : see `decided`.
    reason : why it cannot be told, and what is missing; "" where it can.
    bounds : in words, with the declared voltage where they rest on it.
    declared_voltage_v : of the judged voltages; None where it was not told. [V]
    share_pct : of the intervals that count within the bounds; NaN where none counts.
    needed_pct : share that the limit asks for.
    percentile : the value that so many of the intervals do not exceed, or stay above. [unit of bounds]
    n, n_outside : intervals that count, and those of them beyond the bounds.
    n_flagged : left out as flagged.
    n_missing : not there, or measured for too short a time.
    n_expected : that a whole period has: n + n_flagged + n_missing.
    source, mark : of the limit; a verdict whose mark is ``memory`` rests on a figure that could not be looked up.
    probability : that the limit is met, of the intervals that count; None where no uncertainty is known.
    decision : ``inside``, ``outside`` or ``cannot tell`` by that, at a risk of 5 %; "" where none is known.
    """

    name: str
    quantity: str
    series: str
    period: str
    verdict: Verdict
    reason: str
    bounds: str
    declared_voltage_v: float | None
    share_pct: float
    needed_pct: float
    percentile: float
    n: int
    n_outside: int
    n_flagged: int
    n_missing: int
    n_expected: int
    source: str
    mark: Mark
    probability: float | None = None
    decision: str = ""


@dataclass(frozen=True, slots=True)
class Overall:
    """What all limits together come to.

    Attributes
    ----------
    verdict : the worst of those that could be judged; ``cannot tell`` where none could.
    n_judged : assessments that it rests on.
    exceeded : (limit, series, period) of each that is exceeded.
    not_judged : (limit, series, period, reason) of each that could not be judged.
    from_memory : one at least that the verdict rests on has a bound from memory.
    """

    verdict: Verdict
    n_judged: int
    exceeded: tuple[tuple[str, str, str], ...]
    not_judged: tuple[tuple[str, str, str, str], ...]
    from_memory: bool


def decided(*, n: int, n_outside: int, n_missing: int, needed_pct: Fraction, least_known: Fraction) -> Verdict:
    """The verdict on intervals of which some are missing: given only where no missing value could change it.

    Parameters
    ----------
    n, n_outside : intervals that count, and those of them beyond the bounds.
    n_missing : of unknown value; each may be within, beyond, or flagged and so not count.
    needed_pct : share that must be within. [%]
    least_known : share of the intervals that must be known for "met", whatever else. [1]

    Returns
    -------
    ``exceeded`` where the share is too low even if all that is missing were within, ``met`` where it is high enough
    even if all that were beyond, else ``cannot tell``.

    Source: EN 50160:2010, 3 and 4.2 (share of the valid values of a period) [memory]; the bounds on it are derived.
    """
    n_inside, n_all = n - n_outside, n + n_missing
    if n and 100 * (n_inside + n_missing) < needed_pct * n_all:
        return "exceeded"
    if n and 100 * n_inside >= needed_pct * n_all and n >= least_known * n_all:
        return "met"
    return "cannot tell"


def guarded(one: Assessment, probability: float) -> Assessment:
    """An assessment with a guard band: what is too near the limit to be told is not told.

    Parameters
    ----------
    one : by the values as they are.
    probability : that the limit is met, of the intervals that count; NaN where none does.

    Source: JCGM 106:2012, 8.3.2 and 8.3.3: guarded acceptance and guarded rejection.
    """
    if math.isnan(probability):
        return one
    said = verdict(probability)
    fits = {"met": "inside", "exceeded": "outside", "cannot tell": said}[one.verdict] == said
    told = replace(one, probability=probability, decision=said)
    if fits:
        return told
    reason = f"too close to the limit for its uncertainty: the probability that it is met is {100 * probability:.0f} %"
    return replace(told, verdict="cannot tell", reason=reason)


def overall(assessments: Sequence[Assessment]) -> Overall:
    """All limits together: the worst verdict of those that could be judged, beside what could not."""
    judged = [one for one in assessments if one.verdict != "cannot tell"]
    exceeded = [one for one in judged if one.verdict == "exceeded"]
    verdict: Verdict = "exceeded" if exceeded else "met" if judged else "cannot tell"
    rests_on = exceeded or judged
    return Overall(
        verdict,
        len(judged),
        tuple((one.name, one.series, one.period) for one in exceeded),
        tuple((one.name, one.series, one.period, one.reason) for one in assessments if one.verdict == "cannot tell"),
        any(one.mark == "memory" for one in rests_on),
    )


def told_voltage(assessments: Sequence[Assessment]) -> str:
    """In words, the declared voltage that all verdicts of a point are about."""
    told = {one.declared_voltage_v for one in assessments}
    volts = next(iter(told), None)
    return "no voltage is declared" if volts is None else f"declared voltage {scaled(volts, 'V')}"


def worst_of_each(found: Sequence[Assessment]) -> list[tuple[Assessment, str]]:
    """Of each limit and series the worst period, and the verdict in words, with how many periods it is one of."""
    groups: dict[tuple[str, str], list[Assessment]] = {}
    for one in found:
        groups.setdefault((one.name, one.series), []).append(one)
    chosen = []
    for group in groups.values():
        worst = min(group, key=lambda one: (_BADNESS.index(one.verdict), math.inf if math.isnan(one.share_pct) else
                                            one.share_pct))  # fmt: skip
        counts = {verdict: sum(one.verdict == verdict for one in group) for verdict in _BADNESS}
        told = ", ".join(f"{n} {verdict}" for verdict, n in counts.items() if n)
        words = worst.verdict if len(group) == 1 else f"{worst.verdict} ({told})"
        chosen.append((worst, ": ".join(filter(None, (words, worst.reason)))))
    return chosen
