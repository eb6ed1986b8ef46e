"""Power of a point by Blondel's rule: of n conductors n - 1 elements, or as many as conductors beside the neutral.

Every element is a voltage and a current, each a weighted sum of the point's channels; the mean products of all channels
give its active power, their phasors the reactive power of the fundamental. Where an element's channel lacks there is
no total, but a reason: a sum over two of three phases is no total.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Header
from halfcycle.pipeline.measures.harmonic_spectra import HarmonicSpectra
from halfcycle.pipeline.measures.power import EffectivePower, effective_power_four_wire, effective_power_three_wire
from halfcycle.pipeline.measures.waveform_indices import WindowValues
from halfcycle.pipeline.records.points import Point
from halfcycle.pipeline.terms import LINE_PHASES, LINE_TO_LINE_PHASES, NEUTRAL, Hookup

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

_BEFORE: Final = {"A": "CA", "B": "AB", "C": "BC"}  # the line-to-line voltage that ends at each conductor
_AFTER: Final = {"A": "AB", "B": "BC", "C": "CA"}  # and the one that begins there


@dataclass(frozen=True, slots=True)
class Channels:
    """The channels of a point: judged voltages first, then currents.

    Attributes
    ----------
    phases, current_phases : in the channels' order; ``N`` is the neutral's current.
    hookup : of the point.
    """

    phases: tuple[str, ...]
    current_phases: tuple[str, ...]
    hookup: Hookup

    def voltage(self, name: str) -> F64:
        """Weights of the channels for a voltage: ``A``, ``AB``, or ``BA`` turned round.

        Without a neutral ``A`` is the voltage to the star point of the line-to-line voltages, (UAB - UCA) / 3.
        """
        weights = np.zeros(len(self.phases) + len(self.current_phases))
        if name in self.phases:
            weights[self.phases.index(name)] = 1.0
        elif name[::-1] in self.phases:
            weights[self.phases.index(name[::-1])] = -1.0
        elif len(name) == 1:
            weights[self.phases.index(_AFTER[name])] = 1 / 3
            weights[self.phases.index(_BEFORE[name])] = -1 / 3
        else:
            weights[self.phases.index(name[0])], weights[self.phases.index(name[1])] = 1.0, -1.0
        return weights

    def current(self, phase: str) -> F64:
        """Weights of the channels for a conductor's current; one that is not measured is minus the sum of the others.

        Without a neutral that is the third of three line conductors; with one it is the neutral of three that are.
        """
        weights = np.zeros(len(self.phases) + len(self.current_phases))
        if phase in self.current_phases:
            weights[len(self.phases) + self.current_phases.index(phase)] = 1.0
            return weights
        for other in LINE_PHASES:
            if other in self.current_phases:
                weights[len(self.phases) + self.current_phases.index(other)] = -1.0
        return weights

    @property
    def line_currents(self) -> tuple[str, ...]:
        """Line conductors whose current is measured."""
        return tuple(phase for phase in LINE_PHASES if phase in self.current_phases)


def elements_of(channels: Channels) -> tuple[tuple[str, str], ...] | str:
    """(voltage, conductor) of each element of the wattmeter, or why there is no total.

    Parameters
    ----------
    channels : of the point.

    Source: Blondel's theorem (1893): n conductors need n - 1 wattmeters; derived from Kirchhoff's current law.
    """
    lacking = _lacking(channels)
    if lacking:
        return f"{channels.hookup.name}: {lacking}"
    hookup, currents = channels.hookup, channels.line_currents
    if not hookup.line_to_line:
        return tuple((phase, phase) for phase in channels.phases)
    if set(hookup.currents) <= set(currents):
        return hookup.elements
    if len(currents) == len(LINE_PHASES):
        return tuple((phase, phase) for phase in LINE_PHASES)
    (common,) = set(LINE_PHASES) - set(currents)  # the conductor whose current is the others' return
    return tuple((phase + common, phase) for phase in currents)


def _lacking(channels: Channels) -> str:
    """What a total lacks; "" where nothing does."""
    hookup, currents = channels.hookup, channels.line_currents
    if hookup.line_to_line:
        if any(phase not in channels.phases for phase in LINE_TO_LINE_PHASES):
            return "two line-to-line voltages are needed"
        return "" if len(currents) > 1 else f"two line currents are needed, {len(currents)} is measured"
    others = [phase for phase in hookup.judged_phases if phase not in channels.phases]
    if len(channels.phases) < len(hookup.judged_phases):
        return f"conductor {', '.join(others)} is a separate point; the powers of the points add up"
    without = [phase for phase in channels.phases if phase not in currents]
    return f"current {', '.join(without)} is not measured" if without else ""


def active_power(channels: Channels, elements: Sequence[tuple[str, str]], values: WindowValues) -> F64:
    """Sum of the elements' mean products, shape (n_windows,). [W]

    Source: IEEE Std 1459-2010, 3.2 (from memory); elements by Blondel's theorem.
    """
    pairs = [(channels.voltage(u), channels.current(i)) for u, i in elements]
    total: F64 = np.sum([_mean_product(values, u, i) for u, i in pairs], axis=0)
    return total


def reactive_power(channels: Channels, elements: Sequence[tuple[str, str]], spectra: HarmonicSpectra) -> F64:
    """Sum of the elements' reactive power of the fundamental, shape (n_windows,). [var]

    Source: IEEE Std 1459-2010, 3.2 (from memory).
    """
    pairs = [(_phasor(spectra, channels.voltage(u)), _phasor(spectra, channels.current(i))) for u, i in elements]
    total: F64 = np.sum([(u * i.conj()).imag for u, i in pairs], axis=0)
    return total


def effective_power(
    channels: Channels, elements: Sequence[tuple[str, str]], values: WindowValues, spectra: HarmonicSpectra
) -> EffectivePower:
    """Effective power of three phases.

    Parameters
    ----------
    channels, elements : of a three-phase point; see `elements_of`.
    values, spectra : of its windows.

    Source: IEEE Std 1459-2010, 3.2.2.8 and 3.2.3.
    """
    p = active_power(channels, elements, values)
    currents = [channels.current(phase) for phase in LINE_PHASES]
    lines = np.stack([rms_of(values, channels.voltage(pair)) for pair in LINE_TO_LINE_PHASES])
    i_rms = np.stack([rms_of(values, weights) for weights in currents])
    i1 = np.stack([_phasor(spectra, weights) for weights in currents])
    if channels.hookup.line_to_line:
        u1 = np.stack([_phasor(spectra, channels.voltage(pair)) for pair in LINE_TO_LINE_PHASES])
        return effective_power_three_wire(p=p, u_line_rms=lines, i_rms=i_rms, u1_line=u1, i1=i1)
    voltages = [channels.voltage(phase) for phase in LINE_PHASES]
    return effective_power_four_wire(
        p=p, u_rms=np.stack([rms_of(values, weights) for weights in voltages]), u_line_rms=lines, i_rms=i_rms,
        i_neutral_rms=rms_of(values, channels.current(NEUTRAL)),
        u1=np.stack([_phasor(spectra, weights) for weights in voltages]), i1=i1,
    )  # fmt: skip


def rms_of(values: WindowValues, weights: F64) -> F64:
    """True RMS of a weighted sum of channels, shape (n_windows,); few weights are not zero. [unit of the channels]

    Source: definition of the RMS value.
    """
    rms: F64 = np.sqrt(_mean_product(values, weights, weights).clip(0.0))
    return rms


def _mean_product(values: WindowValues, u: F64, i: F64) -> F64:
    total = np.zeros(values.products.shape[0])
    for c in np.flatnonzero(u):
        for d in np.flatnonzero(i):
            total += (u[c] * i[d]) * values.products[:, c, d]
    return total


def _phasor(spectra: HarmonicSpectra, weights: F64) -> C128:
    """Of the fundamental of a weighted sum of channels, each window."""
    total = np.zeros(spectra.phasors.shape[1], np.complex128)
    for c in np.flatnonzero(weights):
        total += weights[c] * spectra.phasors[c, :, 0]
    return total


def with_neutral_current(header: Header, point: Point) -> Point:
    """The point with the current of its neutral after those of its lines, where a channel has it.

    Parameters
    ----------
    header : of the capture.
    point : of it. Of a service that is split over two points the one with more conductors has the neutral.
    """
    if any(phase == NEUTRAL for phase, _ in point.currents):
        return point
    split = bool(point.hookup.high_legs) and len(point.phases) < len(point.hookup.judged_phases)
    if split and len(point.phases) == 1:
        return point
    anywhere = point.name is None or split
    found = [
        i
        for i, channel in enumerate(header.channels)
        if channel.quantity == "current" and channel.phase == NEUTRAL and (anywhere or channel.point == point.name)
    ]
    if not found or (split and len(found) > 1):
        return point
    return replace(point, currents=(*point.currents, (NEUTRAL, found[0])))
