"""From what blocks come to, the quantities of `pipeline.quantities`: a series for each channel, conductor or point."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from pipeline.measures.aggregation import TEN_MINUTES_NS
from pipeline.measures.harmonic_indices import (
    distortion_of_rms,
    harmonic_loss_factor,
    interharmonic_distortion,
    k_factor,
    total_demand_distortion,
)
from pipeline.measures.harmonic_spectra import HarmonicSpectra
from pipeline.measures.power import PhasePower, phase_power
from pipeline.measures.sequence import unbalance_of_line_voltages, unbalance_of_phasors
from pipeline.measures.spectra import total_harmonic_distortion
from pipeline.measures.waveform_indices import crest_factor, overdeviation, underdeviation
from pipeline.quantities import Quantity
from pipeline.survey.blocks import Blocks
from pipeline.survey.powers import Channels, active_power, effective_power, elements_of, reactive_power, rms_of
from pipeline.terms import LINE_PHASES, LINE_TO_LINE_PHASES, Hookup

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

_NS_PER_H: Final = 3.6e12
_NO_SPECTRUM: Final = "sampled too coarsely for harmonics: 16 samples a cycle are needed"


@dataclass(frozen=True, slots=True)
class Setup:
    """What is measured at a point.

    Attributes
    ----------
    phases, current_phases : of the judged voltages and of the currents, in the order of the blocks' channels.
    hookup : of the point.
    nominal_v : nominal voltage, of each judged voltage. [V]
    demand_current_a : of the total demand distortion; None: it is not measured. [A]
    """

    phases: tuple[str, ...]
    current_phases: tuple[str, ...]
    hookup: Hookup
    nominal_v: float
    demand_current_a: float | None = None

    @property
    def channels(self) -> Channels:
        """Them, as power needs them."""
        return Channels(self.phases, self.current_phases, self.hookup)


@dataclass(frozen=True, slots=True)
class Series:
    """A quantity of some blocks.

    Attributes
    ----------
    quantity : which.
    values : float64, shape (n_blocks,); of a ratio numerator and denominator, shape (2, n_blocks). [see the quantity]
    notes : ``orders`` that it covers, or the ``reason`` why there is no value.
    """

    quantity: Quantity
    values: F64
    notes: Mapping[str, str] = field(default_factory=dict)


def series_of_blocks(blocks: Blocks, setup: Setup, quantities: Sequence[Quantity]) -> dict[str, Series]:
    """The chosen quantities of some blocks, by column name.

    Parameters
    ----------
    blocks : of one point.
    setup : names its channels.
    quantities : wanted. Those that the point cannot have (a current that is not measured) are left out; those that it
        could, but for a channel or a higher sampling rate, are NaN with the reason.

    Returns
    -------
    Series by name: the symbol, with the phase after it but for the point's.
    """
    measured = _Measured(blocks, setup)
    found: dict[str, Series] = {}
    for quantity in quantities:
        for phase, values in measured.of(quantity):
            name = f"{quantity.symbol}_{phase.lower()}" if phase else quantity.symbol
            found[name] = measured.series(quantity, values)
    return found


_OF_CHANNEL: Final[Mapping[str, Callable[[Blocks, Setup, int], F64]]] = {
    "u_rms": lambda b, s, c: b.values.rms[c],
    "u_half_min": lambda b, s, c: b.u_half_min[c],
    "u_half_max": lambda b, s, c: b.u_half_max[c],
    "u_peak": lambda b, s, c: b.values.peak[c],
    "crest_u": lambda b, s, c: crest_factor(b.values.peak[c], b.values.rms[c]),
    # In volts: the deviation in per cent follows from their root mean square over the interval.
    "u_under": lambda b, s, c: underdeviation(b.values.rms[c], u_din_v=s.nominal_v),
    "u_over": lambda b, s, c: overdeviation(b.values.rms[c], u_din_v=s.nominal_v),
    "i_rms": lambda b, s, c: b.values.rms[c],
    "i_half_max": lambda b, s, c: b.u_half_max[c],
    "i_peak": lambda b, s, c: b.values.peak[c],
    "crest_i": lambda b, s, c: crest_factor(b.values.peak[c], b.values.rms[c]),
}
_OF_HARMONICS: Final[Mapping[str, Callable[[F64, F64], F64]]] = {  # of harmonics and interharmonics of a channel
    "thd_u": lambda h, ih: 100 * total_harmonic_distortion(h),
    "thd_i": lambda h, ih: 100 * total_harmonic_distortion(h),
    "thd_r_u": lambda h, ih: 100 * distortion_of_rms(h),
    "u_hc": lambda h, ih: np.linalg.norm(h[:, 1:], axis=1),
    "i_hc": lambda h, ih: np.linalg.norm(h[:, 1:], axis=1),
    "tihd_u": lambda h, ih: 100 * interharmonic_distortion(ih, h[:, 0]),
    "k_factor": lambda h, ih: k_factor(h),
    "f_hl": lambda h, ih: harmonic_loss_factor(h),
}
_OF_CONDUCTOR: Final[Mapping[str, Callable[[PhasePower], F64]]] = {
    "p": lambda power: power.p,
    "s": lambda power: power.s,
    "q1": lambda power: power.q1,
    "s_n": lambda power: power.s_n,
    "pf": lambda power: np.stack([power.p, power.s]),
    "dpf": lambda power: np.stack([power.p1, power.s1]),
}
_TOTALS: Final = ("p_total", "q1_total", "s_e", "pf_e", "energy_in", "energy_out")


class _Measured:
    """Works each quantity out when it is asked for; what several need is worked out once."""

    def __init__(self, blocks: Blocks, setup: Setup) -> None:
        self._blocks, self._setup = blocks, setup
        self._n_u = len(setup.phases)
        self._elements = elements_of(setup.channels)
        self._nothing = np.full(blocks.starts_ns.shape, np.nan)

    def of(self, quantity: Quantity) -> list[tuple[str, F64 | str]]:
        """(phase, values, or why there is none) of a quantity."""
        if quantity.of == "voltage":
            return self._each(self._setup.phases, 0, quantity)
        if quantity.of == "current":
            return self._each(self._setup.current_phases, self._n_u, quantity)
        if quantity.of == "conductor":
            return self._conductors(quantity)
        values = self._of_point(quantity)
        return [] if values is None else [("", values)]

    def series(self, quantity: Quantity, values: F64 | str) -> Series:
        """A quantity's values with what is to be noted of them."""
        if isinstance(values, str):
            nothing = np.stack([self._nothing] * 2) if quantity.aggregation == "ratio" else self._nothing
            return Series(quantity, nothing, {"reason": values})
        if quantity.orders is None or self._blocks.spectra is None:
            return Series(quantity, values)
        first, last = quantity.orders
        covered = min(last, self._blocks.spectra.harmonics.shape[2])
        return Series(quantity, values, {"orders": f"{first}-{covered}"})

    def _each(self, phases: Sequence[str], first: int, quantity: Quantity) -> list[tuple[str, F64 | str]]:
        found: list[tuple[str, F64 | str]] = []
        for k, phase in enumerate(phases):
            values = self._of_channel(quantity, first + k)
            if values is not None:
                found.append((phase, values))
        return found

    def _of_channel(self, quantity: Quantity, c: int) -> F64 | str | None:
        symbol, spectra = quantity.symbol, self._blocks.spectra
        if symbol in _OF_CHANNEL:
            return _OF_CHANNEL[symbol](self._blocks, self._setup, c)
        demand = self._setup.demand_current_a
        if symbol in ("pst", "plt") or (symbol == "tdd" and demand is None):
            return None
        if spectra is None:
            return _NO_SPECTRUM
        harmonics = spectra.harmonics[c].astype(np.float64)
        if symbol not in _OF_HARMONICS and symbol != "tdd":
            order, highest = int(symbol[2:]), harmonics.shape[1]
            of_order: F64 = harmonics[:, min(order, highest) - 1]
            return of_order if order <= highest else f"the sampling rate reaches to order {highest} only"
        if symbol == "tdd" and demand is not None:
            return 100 * total_demand_distortion(harmonics, demand_current_a=demand)
        values = _OF_HARMONICS[symbol](harmonics, spectra.interharmonics[c].astype(np.float64))
        told: F64 = np.where(np.isfinite(values), values, np.nan)
        return told

    def _conductors(self, quantity: Quantity) -> list[tuple[str, F64 | str]]:
        """Of each conductor that has a voltage to neutral and a current."""
        if self._setup.hookup.line_to_line:
            return []
        found: list[tuple[str, F64 | str]] = []
        for k, phase in enumerate(self._setup.current_phases):
            if phase not in self._setup.phases:
                continue
            if quantity.needs_spectrum and self._blocks.spectra is None:
                found.append((phase, _NO_SPECTRUM))
                continue
            power = self._power(self._setup.phases.index(phase), self._n_u + k)
            found.append((phase, _OF_CONDUCTOR[quantity.symbol](power)))
        return found

    def _power(self, u: int, i: int) -> PhasePower:
        values, spectra = self._blocks.values, self._blocks.spectra
        nothing = np.zeros(self._nothing.shape, np.complex128)
        u1, i1 = (nothing if spectra is None else _phasor(spectra, c) for c in (u, i))
        return phase_power(
            p=values.mean_product(u, i), u_rms=values.rms[u], i_rms=values.rms[i], u1=u1, i1=i1
        )  # fmt: skip

    def _of_point(self, quantity: Quantity) -> F64 | str | None:
        symbol = quantity.symbol
        if symbol == "f":
            return self._blocks.frequency_hz
        if symbol in _TOTALS:
            return self._total(quantity)
        return self._line_unbalance() if symbol == "u_dev" else self._unbalance(symbol)

    def _total(self, quantity: Quantity) -> F64 | str | None:
        """Of all conductors; None where no current is measured, or fewer than three phases are and all are needed."""
        setup = self._setup
        three = quantity.symbol in ("s_e", "pf_e")
        if not setup.channels.line_currents or (three and len(setup.hookup.judged_phases) != len(LINE_PHASES)):
            return None
        if isinstance(self._elements, str):
            return self._elements
        if quantity.needs_spectrum:
            return self._total_of_spectra(quantity.symbol, self._elements)
        p = active_power(setup.channels, self._elements, self._blocks.values)
        return {"p_total": p, "energy_in": self._energy(p), "energy_out": self._energy(-p)}[quantity.symbol]

    def _total_of_spectra(self, symbol: str, elements: tuple[tuple[str, str], ...]) -> F64 | str:
        spectra, channels = self._blocks.spectra, self._setup.channels
        if spectra is None:
            return _NO_SPECTRUM
        if symbol == "q1_total":
            return reactive_power(channels, elements, spectra)
        power = effective_power(channels, elements, self._blocks.values, spectra)
        return power.s_e if symbol == "s_e" else np.stack([power.p, power.s_e])

    def _energy(self, p: F64) -> F64:
        """What flows one way in each block, up to the ten-minute tick: there the next begins, and none counts twice."""
        starts = self._blocks.starts_ns
        to_tick = TEN_MINUTES_NS - starts % TEN_MINUTES_NS
        return np.asarray(np.maximum(p, 0.0) * np.minimum(self._blocks.lengths_ns, to_tick) / _NS_PER_H)

    def _unbalance(self, symbol: str) -> F64 | str | None:
        spectra, setup = self._blocks.spectra, self._setup
        lines = [phase for phase in setup.current_phases if phase in LINE_PHASES]
        phases, first = (lines, self._n_u) if symbol == "i2" else (setup.phases, 0)
        if len(phases) != 3 or (symbol == "u0" and setup.hookup.line_to_line):
            return None
        if spectra is None:
            return _NO_SPECTRUM
        phasors = np.stack([_phasor(spectra, first + k) for k in range(3)])
        if setup.hookup.line_to_line and symbol == "u2":
            return 100 * unbalance_of_line_voltages(np.abs(phasors))
        return 100 * unbalance_of_phasors(phasors)[1 if symbol == "u0" else 0]

    def _line_unbalance(self) -> F64 | None:
        """Largest distance of a line-to-line voltage from the mean of the three, of that mean. [%]"""
        channels, values = self._setup.channels, self._blocks.values
        if len(self._setup.phases) != 3:
            return None
        lines = np.stack([rms_of(values, channels.voltage(pair)) for pair in LINE_TO_LINE_PHASES])
        mean = lines.mean(axis=0)
        largest = np.abs(lines - mean).max(axis=0)
        share: F64 = np.divide(100 * largest, mean, out=np.full(mean.shape, np.nan), where=mean > 0)
        return share


def _phasor(spectra: HarmonicSpectra, c: int) -> C128:
    """Of the fundamental of a channel, each block."""
    return spectra.phasors[c, :, 0].astype(np.complex128)
