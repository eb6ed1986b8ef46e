"""Quantities of a point as a whole: power of all conductors, energy, unbalance, frequency."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.measures.aggregation import TEN_MINUTES_NS
from halfcycle.pipeline.measures.power import EffectivePower, arithmetic_apparent_power, quadrant
from halfcycle.pipeline.measures.sequence import unbalance_of_line_voltages, unbalance_of_phasors
from halfcycle.pipeline.quantities import Quantity
from halfcycle.pipeline.survey.blocks import Blocks
from halfcycle.pipeline.survey.powers import (
    Channels,
    active_power,
    effective_power,
    elements_of,
    reactive_power,
    rms_of,
)
from halfcycle.pipeline.terms import LINE_PHASES, LINE_TO_LINE_PHASES

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

_NS_PER_H: Final = 3.6e12
_NO_SPECTRUM: Final = "sampling rate too low for harmonics: 16 samples per cycle are needed"
_NO_CONDUCTORS: Final = "without a neutral, the power of a single conductor is undefined"

_OF_THREE: Final[Mapping[str, Callable[[EffectivePower, F64], F64]]] = {  # of effective and of reactive power
    "s_e": lambda power, q1: power.s_e,
    "s_en": lambda power, q1: power.s_en,
    "s_u1": lambda power, q1: power.s_u1,
    "p1_plus": lambda power, q1: power.p1_plus,
    "q1_plus": lambda power, q1: power.q1_plus,
    "d_total": lambda power, q1: np.sqrt((power.s_e**2 - power.p**2 - q1**2).clip(0.0)),
    "pf_e": lambda power, q1: np.stack([power.p, power.s_e]),
    "dpf_total": lambda power, q1: np.stack([power.p1_plus, power.s1_plus]),
}
_UNBALANCES: Final = ("u2", "u0", "i2", "i0")
SYMBOLS: Final = (
    "f", "u_dev", *_UNBALANCES, *_OF_THREE, "p_total", "q1_total", "s_arithmetic", "pf_arithmetic", "energy_in",
    "energy_out", "energy_q1", "energy_q2", "energy_q3", "energy_q4",
)  # fmt: skip
"""What this module measures."""


class Totals:
    """Works each quantity of a point out when it is asked for.

    Parameters
    ----------
    blocks : of the point.
    channels : names theirs.
    """

    def __init__(self, blocks: Blocks, channels: Channels) -> None:
        self._blocks, self._channels = blocks, channels
        self._elements = elements_of(channels)
        self._kept: dict[str, F64] = {}
        self._effective: EffectivePower | None = None

    def of(self, quantity: Quantity) -> F64 | str | None:
        """Values, shape (n_blocks,) or (2, n_blocks); or why there is none; None: the point cannot have it."""
        symbol = quantity.symbol
        if symbol == "f":
            return self._blocks.frequency_hz
        if symbol == "u_dev":
            return self._line_unbalance()
        return self._unbalance(symbol) if symbol in _UNBALANCES else self._total(quantity)

    def active_power(self) -> F64 | str | None:
        """Of all conductors, shape (n_blocks,); or why there is none. [W]"""
        if not self._channels.line_currents:
            return None
        return self._elements if isinstance(self._elements, str) else self._p(self._elements)

    def _p(self, elements: tuple[tuple[str, str], ...]) -> F64:
        if "p" not in self._kept:
            self._kept["p"] = active_power(self._channels, elements, self._blocks.values)
        return self._kept["p"]

    def _total(self, quantity: Quantity) -> F64 | str | None:
        """Of all conductors; None where no current is measured, or fewer than three phases are and all are needed."""
        channels, symbol = self._channels, quantity.symbol
        of_three = symbol in _OF_THREE
        if not channels.line_currents or (of_three and len(channels.hookup.judged_phases) != len(LINE_PHASES)):
            return None
        if isinstance(self._elements, str):
            return self._elements
        if quantity.needs_spectrum:
            return self._total_of_spectra(symbol, self._elements)
        if symbol in ("s_arithmetic", "pf_arithmetic"):
            return self._arithmetic(symbol, self._elements)
        p = self._p(self._elements)
        return {"p_total": p, "energy_in": self._energy(p), "energy_out": self._energy(-p)}[symbol]

    def _arithmetic(self, symbol: str, elements: tuple[tuple[str, str], ...]) -> F64 | str:
        """Of the sum of the conductors' apparent powers."""
        channels, values = self._channels, self._blocks.values
        if channels.hookup.line_to_line:
            return _NO_CONDUCTORS
        s_a = arithmetic_apparent_power(
            [rms_of(values, channels.voltage(u)) * rms_of(values, channels.current(i)) for u, i in elements]
        )
        return s_a if symbol == "s_arithmetic" else np.stack([self._p(elements), s_a])

    def _total_of_spectra(self, symbol: str, elements: tuple[tuple[str, str], ...]) -> F64 | str:
        spectra, channels = self._blocks.spectra, self._channels
        if spectra is None:
            return _NO_SPECTRUM
        if "q1" not in self._kept:
            self._kept["q1"] = reactive_power(channels, elements, spectra)
        q1 = self._kept["q1"]
        if symbol == "q1_total":
            return q1
        if symbol.startswith("energy_q"):
            within = quadrant(self._p(elements), q1) == int(symbol[-1])
            return self._energy(np.where(within, np.abs(q1), 0.0))
        if self._effective is None:
            self._effective = effective_power(channels, elements, self._blocks.values, spectra)
        return _OF_THREE[symbol](self._effective, q1)

    def _energy(self, p: F64) -> F64:
        """What flows one way in each block, up to the ten-minute tick: there the next begins, and none counts twice."""
        starts = self._blocks.starts_ns
        to_tick = TEN_MINUTES_NS - starts % TEN_MINUTES_NS
        return np.asarray(np.maximum(p, 0.0) * np.minimum(self._blocks.lengths_ns, to_tick) / _NS_PER_H)

    def _unbalance(self, symbol: str) -> F64 | str | None:
        """Negative- (2) or zero-sequence (0) component, of the positive one. [%]"""
        spectra, channels = self._blocks.spectra, self._channels
        of_lines = channels.hookup.line_to_line
        if symbol.startswith("i"):
            return self._of_currents(symbol)
        if len(channels.phases) != 3 or (symbol == "u0" and of_lines):
            return None
        if spectra is None:
            return _NO_SPECTRUM
        phasors = spectra.phasors[:3, :, 0].astype(np.complex128)
        if of_lines:
            return 100 * unbalance_of_line_voltages(np.abs(phasors))
        return 100 * unbalance_of_phasors(phasors)[1 if symbol == "u0" else 0]

    def _of_currents(self, symbol: str) -> F64 | str | None:
        spectra, channels = self._blocks.spectra, self._channels
        three = len(channels.hookup.judged_phases) == len(channels.phases) == len(LINE_PHASES)
        if not channels.line_currents or not three:
            return None
        if symbol == "i0" and channels.hookup.line_to_line:
            return None
        if isinstance(self._elements, str):
            return self._elements
        if spectra is None:
            return _NO_SPECTRUM
        weights = np.stack([channels.current(phase) for phase in LINE_PHASES])
        phasors = np.tensordot(weights, spectra.phasors[:, :, 0].astype(np.complex128), axes=1)
        return 100 * unbalance_of_phasors(phasors)[1 if symbol == "i0" else 0]

    def _line_unbalance(self) -> F64 | None:
        """Largest distance of a line-to-line voltage from the mean of the three, of that mean. [%]"""
        channels, values = self._channels, self._blocks.values
        if len(channels.phases) != 3:
            return None
        lines = np.stack([rms_of(values, channels.voltage(pair)) for pair in LINE_TO_LINE_PHASES])
        mean = lines.mean(axis=0)
        largest = np.abs(lines - mean).max(axis=0)
        share: F64 = np.divide(100 * largest, mean, out=np.full(mean.shape, np.nan), where=mean > 0)
        return share
