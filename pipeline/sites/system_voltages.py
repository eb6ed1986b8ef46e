"""Which usual system voltage a steady level belongs to: told only where one of them is far likelier than all others."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.resources import resource_rows

F64 = npt.NDArray[np.float64]

SURE: Final = 0.85
"""Least probability at which a nominal voltage is inferred."""

_WEIGHTS: Final = {"standard": 1.0, "in use": 0.3, "transformer secondary": 0.3, "superseded": 0.05}
_OTHER_FREQUENCY: Final = 0.1  # of a system of the other frequency
_SAME: Final = 0.008  # voltages this near are one system, rounded in two ways: 230 and 400/sqrt(3)
_WITHIN: Final = 0.015  # standard deviation of a capture's level about its site's mean
_BEFORE: Final = 0.9  # of records that begin before their event
_RISES: Final = ((1.2, 1.0), (1.5, 0.2), (math.inf, 0.02))  # up to which factor, and how likely
_NONE_OF_THESE: Final = 0.3  # density of a system that is in no list
_NEGLIGIBLE: Final = 1e-9  # of the likeliest system's probability: what is below is no candidate


@dataclass(frozen=True, slots=True)
class _Practice:
    """How sites lie about their nominal voltage: most normally so, shares of them anywhere within some bounds."""

    spread: float
    off: tuple[tuple[float, float, float], ...]  # (share, least, largest)

    def density(self, ratios: F64, *, within: float, share_off: float) -> F64:
        """Of levels over nominal; `within`: their own standard deviation; `share_off`: of the shares that counts."""
        spread = math.hypot(self.spread, within)
        near = np.exp(-0.5 * ((ratios - 1) / spread) ** 2) / (spread * math.sqrt(2 * math.pi))
        density: F64 = (1 - share_off * sum(share for share, *_ in self.off)) * near
        for share, low, high in self.off:
            density += share_off * share / (high - low) * ((ratios >= low) & (ratios <= high))
        return density


_DISTRIBUTION: Final = _Practice(0.015, ((0.35, 0.93, 1.07), (0.03, 0.85, 1.2)))
_TRANSMISSION: Final = _Practice(0.03, ((0.5, 0.9, 1.2),))
_TRANSMISSION_FROM_V: Final = 45e3  # line to line
_SCATTERS: Final = 0.015  # standard deviation of levels, from which on a site is not steadily off its nominal
_SHARE_STILL_OFF: Final = 0.2  # of those that are off, where levels scatter so


@dataclass(frozen=True, slots=True)
class Candidate:
    """A system voltage that a level may belong to.

    Attributes
    ----------
    volts : of the judged voltages. [V]
    probability : among all candidates, a system in no list among them.
    """

    volts: float
    probability: float


@dataclass(frozen=True, slots=True)
class _System:
    volts: float  # of the judged voltages
    line_to_line_v: float
    weight: float


@dataclass(frozen=True, slots=True)
class _Systems:
    """All systems that may be, an element each."""

    volts: F64  # of the judged voltages
    weights: F64
    is_transmission: npt.NDArray[np.bool_]

    def density(self, level_v: float, *, n_captures: int = 1, scatter: float = 0.0) -> F64:
        """Density of a level over each system's nominal voltage."""
        within, share_off = _WITHIN / math.sqrt(n_captures), _SHARE_STILL_OFF if scatter > _SCATTERS else 1.0
        of_each = (
            practice.density(level_v / self.volts, within=within, share_off=share_off)
            for practice in (_TRANSMISSION, _DISTRIBUTION)
        )
        of_transmission, of_distribution = of_each
        density: F64 = np.where(self.is_transmission, of_transmission, of_distribution)
        return density


def candidates(levels_v: Sequence[float], *, line_to_line: bool, frequency_hz: float | None) -> tuple[Candidate, ...]:
    """The usual system voltages that some steady levels of one recorder may belong to.

    Parameters
    ----------
    levels_v : steady voltage of each capture, at least one, above zero. [V]
    line_to_line : the levels are between phases.
    frequency_hz : nominal, or None: not known. [Hz]

    Returns
    -------
    The likeliest first; none where no usual voltage is near.

    Source: voltages of datasets/system-voltages/nominal.csv. How sites lie about their nominal (within 1.5 %, a
    third of them steadily anywhere from 93 to 107 % and a few from 85 to 120 %; in transmission within 3 %, half of
    them from 90 to 120 %) and captures about their site (1.5 %) is common practice, no source.
    """
    logs = np.log(np.asarray(levels_v, np.float64))
    mean, scatter = math.exp(float(logs.mean())), float(logs.std())
    systems = _systems(line_to_line, frequency_hz)
    return _ranked(systems, systems.density(mean, n_captures=len(levels_v), scatter=scatter))


def joint_candidates(
    before_v: float, after_v: float, *, line_to_line: bool, frequency_hz: float | None, triggered: bool
) -> tuple[tuple[Candidate, ...], float]:
    """The usual system voltages of a record that begins at one steady level and goes on at another, on all phases.

    Parameters
    ----------
    before_v, after_v : the two levels. [V]
    line_to_line, frequency_hz : as for `candidates`.
    triggered : the file states a trigger after the beginning, so that this shows the voltage before the event.

    Returns
    -------
    (candidates, the likeliest first; probability that the record begins at the usual voltage, before its event).

    Source: common practice, no source. A recorder that waits for an event begins before it, so the first level is the
    usual one in nine records of ten; the higher of two levels is seldom a swell, and hardly ever one beyond 1.5 pu.
    """
    rise = after_v / before_v
    first = 1.0 if triggered else _BEFORE * _swell_likelihood(rise)
    second = 0.0 if triggered else (1 - _BEFORE) * _swell_likelihood(1 / rise)
    first, second = first / (first + second), second / (first + second)
    systems = _systems(line_to_line, frequency_hz)
    begins, goes_on = first * systems.density(before_v), second * systems.density(after_v)
    of_first, of_second = (
        share * _NONE_OF_THESE + float(systems.weights @ densities)
        for share, densities in ((first, begins), (second, goes_on))
    )
    return _ranked(systems, begins + goes_on), of_first / (of_first + of_second)


def _swell_likelihood(rise: float) -> float:
    """How likely all phases rise together by a factor, against their falling by as much."""
    return next(likelihood for up_to, likelihood in _RISES if rise <= up_to)


def _ranked(systems: _Systems, densities: F64) -> tuple[Candidate, ...]:
    shares = systems.weights * densities
    shares /= shares.sum() + _NONE_OF_THESE
    order = np.argsort(-shares, kind="stable")
    order = order[shares[order] > _NEGLIGIBLE * shares[order[0]]]
    ranked = zip(systems.volts[order].tolist(), shares[order].tolist(), strict=True)
    return tuple(Candidate(volts, share) for volts, share in ranked)


@cache
def _systems(line_to_line: bool, frequency_hz: float | None) -> _Systems:
    """The systems of the table, each once, by how usual they are at a frequency."""
    found: list[_System] = []
    for named, at_hz, use in sorted(_table(line_to_line)):
        of_lines_v = named if line_to_line else named * math.sqrt(3)
        weight = _WEIGHTS[use] * (1.0 if frequency_hz in (None, at_hz) else _OTHER_FREQUENCY)
        same = next((k for k, one in enumerate(found) if abs(one.volts / named - 1) <= _SAME), None)
        if same is None:
            found.append(_System(named, of_lines_v, weight))
        elif weight > found[same].weight:
            found[same] = _System(named, of_lines_v, weight)
    return _Systems(
        np.array([one.volts for one in found]),
        np.array([one.weight for one in found]),
        np.array([one.line_to_line_v >= _TRANSMISSION_FROM_V for one in found]),
    )


def _table(line_to_line: bool) -> list[tuple[float, float, str]]:
    """(volts, frequency, use) of each row that says a voltage of this kind."""
    found = []
    for row in resource_rows("datasets", "system-voltages/nominal.csv"):
        told = row["line_to_line_v"] if line_to_line else row["phase_to_neutral_v"]
        if told:
            volts = float(row["line_to_line_v"]) / math.sqrt(3) if told == "derived" else float(told)
            found.append((volts, float(row["frequency_hz"]), row["use"]))
    return found
