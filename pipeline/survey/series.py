"""From what blocks come to, the quantities of `pipeline.quantities`: a series for each channel, conductor or point."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
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
from pipeline.measures.power import PhasePower, effective_power_four_wire, effective_power_three_wire, phase_power
from pipeline.measures.sequence import unbalance_of_line_voltages, unbalance_of_phasors
from pipeline.measures.spectra import total_harmonic_distortion
from pipeline.measures.waveform_indices import crest_factor, overdeviation, underdeviation
from pipeline.quantities import HIGHEST_ORDER, Quantity
from pipeline.survey.blocks import Blocks
from pipeline.terms import Hookup

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

_NS_PER_H: Final = 3.6e12
_LINE_PAIRS: Final = ((0, 1), (1, 2), (2, 0))


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


def series_of_blocks(blocks: Blocks, setup: Setup, quantities: Sequence[Quantity]) -> dict[str, tuple[Quantity, F64]]:
    """The chosen quantities of some blocks, by column name.

    Parameters
    ----------
    blocks : of one point.
    setup : names its channels.
    quantities : wanted. Those that the point cannot have (a current that is not measured) are left out.

    Returns
    -------
    Quantity and float64 values, shape (n_blocks,), by name: the symbol, with the phase after it but for the point's.
    """
    measured = _Measured(blocks, setup)
    found: dict[str, tuple[Quantity, F64]] = {}
    for quantity in quantities:
        for phase, values in measured.of(quantity):
            name = f"{quantity.symbol}_{phase.lower()}" if phase else quantity.symbol
            found[name] = quantity, values
    return found


class _Measured:
    """Works each quantity out when it is asked for; what several need is worked out once."""

    def __init__(self, blocks: Blocks, setup: Setup) -> None:
        self._blocks, self._setup = blocks, setup
        self._n_u = len(setup.phases)
        self._power: list[tuple[str, PhasePower]] | None = None

    def of(self, quantity: Quantity) -> list[tuple[str, F64]]:
        """(phase, values) of a quantity."""
        symbol = quantity.symbol
        if quantity.of == "voltage":
            return self._each(self._setup.phases, 0, symbol)
        if quantity.of == "current":
            return self._each(self._setup.current_phases, self._n_u, symbol)
        if quantity.of == "conductor":
            return [(phase, getattr(power, symbol)) for phase, power in self._conductors()]
        values = self._of_point(symbol)
        return [] if values is None else [("", values)]

    def _each(self, phases: Sequence[str], first: int, symbol: str) -> list[tuple[str, F64]]:
        found = []
        for k, phase in enumerate(phases):
            values = self._of_channel(symbol, first + k)
            if values is not None:
                found.append((phase, values))
        return found

    def _of_channel(self, symbol: str, c: int) -> F64 | None:
        b = self._blocks
        nominal_v = self._setup.nominal_v
        plain: dict[str, Callable[[], F64]] = {
            "rms": lambda: b.values.rms[c],
            "half_min": lambda: b.u_half_min[c],
            "half_max": lambda: b.u_half_max[c],
            "peak": lambda: b.values.peak[c],
            # In volts: the deviation in per cent follows from their root mean square over the interval.
            "under": lambda: underdeviation(b.values.rms[c], u_din_v=nominal_v),
            "over": lambda: overdeviation(b.values.rms[c], u_din_v=nominal_v),
        }
        kind = symbol[2:]
        if symbol[:2] in ("u_", "i_") and kind in plain:
            return plain[kind]()
        if symbol.startswith("crest"):
            return crest_factor(b.values.peak[c], b.values.rms[c])
        return self._of_spectrum(symbol, c)

    def _of_spectrum(self, symbol: str, c: int) -> F64 | None:
        spectra = self._blocks.spectra
        if spectra is None or symbol in ("pst", "plt"):
            return None
        harmonics = spectra.harmonics[c].astype(np.float64)
        if symbol[1] == "h" and symbol[2:].isdigit():
            order = int(symbol[2:])
            if order > min(harmonics.shape[1], HIGHEST_ORDER):
                return None
            of_order: F64 = harmonics[:, order - 1]
            return of_order
        first = harmonics[:, 0]
        demand = self._setup.demand_current_a
        if symbol == "tdd":
            return None if demand is None else 100 * total_demand_distortion(harmonics, demand_current_a=demand)
        work: dict[str, Callable[[], F64]] = {
            "thd_u": lambda: 100 * total_harmonic_distortion(harmonics),
            "thd_i": lambda: 100 * total_harmonic_distortion(harmonics),
            "thd_r_u": lambda: 100 * distortion_of_rms(harmonics),
            "tihd_u": lambda: 100 * interharmonic_distortion(spectra.interharmonics[c], first),
            "k_factor": lambda: k_factor(harmonics),
            "f_hl": lambda: harmonic_loss_factor(harmonics),
        }
        values = work[symbol]()
        told: F64 = np.where(np.isfinite(values), values, np.nan)
        return told

    def _conductors(self) -> list[tuple[str, PhasePower]]:
        """Power of each conductor that has a voltage to neutral and a current."""
        spectra = self._blocks.spectra
        if spectra is None or self._setup.hookup.line_to_line:
            return []
        if self._power is None:
            self._power = []
            for k, phase in enumerate(self._setup.current_phases):
                if phase in self._setup.phases:
                    u, i = self._setup.phases.index(phase), self._n_u + k
                    power = phase_power(
                        p=self._blocks.values.mean_product(u, i), u_rms=self._blocks.values.rms[u],
                        i_rms=self._blocks.values.rms[i], u1=_phasor(spectra, u), i1=_phasor(spectra, i),
                    )  # fmt: skip
                    self._power.append((phase, power))
        return self._power

    def _of_point(self, symbol: str) -> F64 | None:
        if symbol == "f":
            return self._blocks.frequency_hz
        if symbol in ("u2", "u0", "i2"):
            return self._unbalance(symbol)
        if symbol in ("p_total", "energy_in", "energy_out"):
            p = self._total()
            if p is None or symbol == "p_total":
                return p
            sign = 1.0 if symbol == "energy_in" else -1.0
            starts = self._blocks.starts_ns
            to_tick = TEN_MINUTES_NS - starts % TEN_MINUTES_NS  # beyond it the next block begins: none counts twice
            return np.asarray(np.maximum(sign * p, 0.0) * np.minimum(self._blocks.lengths_ns, to_tick) / _NS_PER_H)
        if symbol == "q1_total":
            powers = self._conductors()
            return np.sum([power.q1 for _, power in powers], axis=0) if powers else None
        return self._effective(symbol)

    def _unbalance(self, symbol: str) -> F64 | None:
        spectra, setup = self._blocks.spectra, self._setup
        phases, first = (setup.current_phases, self._n_u) if symbol == "i2" else (setup.phases, 0)
        if spectra is None or len(phases) != 3 or (symbol == "u0" and setup.hookup.line_to_line):
            return None
        phasors = np.stack([_phasor(spectra, first + k) for k in range(3)])
        if setup.hookup.line_to_line and symbol == "u2":
            return 100 * unbalance_of_line_voltages(np.abs(phasors))
        return 100 * unbalance_of_phasors(phasors)[1 if symbol == "u0" else 0]

    def _total(self) -> F64 | None:
        """Active power of all conductors; without a neutral that of two elements, UAC with IA and UBC with IB."""
        setup, values = self._setup, self._blocks.values
        if not setup.hookup.line_to_line:
            pairs = [
                (setup.phases.index(phase), self._n_u + k)
                for k, phase in enumerate(setup.current_phases)
                if phase in setup.phases
            ]
            return np.sum([values.mean_product(u, i) for u, i in pairs], axis=0) if pairs else None
        if not {"BC", "CA"} <= set(setup.phases) or not {"A", "B"} <= set(setup.current_phases):
            return None
        u_bc, u_ca = (setup.phases.index(pair) for pair in ("BC", "CA"))
        i_a, i_b = (self._n_u + setup.current_phases.index(phase) for phase in "AB")
        return values.mean_product(u_bc, i_b) - values.mean_product(u_ca, i_a)

    def _effective(self, symbol: str) -> F64 | None:
        setup, values, spectra, p = self._setup, self._blocks.values, self._blocks.spectra, self._total()
        if spectra is None or p is None or len(setup.phases) != 3 or len(setup.current_phases) != 3:
            return None
        n = 2 * 3
        u1 = np.stack([_phasor(spectra, c) for c in range(3)])
        i1 = np.stack([_phasor(spectra, 3 + c) for c in range(3)])
        if setup.hookup.line_to_line:
            power = effective_power_three_wire(p=p, u_line_rms=values.rms[:3], i_rms=values.rms[3:n], u1_line=u1, i1=i1)
        else:
            lines = [values.rms_of_sum(_weights(n, {a: 1.0, b: -1.0})) for a, b in _LINE_PAIRS]
            neutral = values.rms_of_sum(_weights(n, {3: 1.0, 4: 1.0, 5: 1.0}))
            power = effective_power_four_wire(
                p=p, u_rms=values.rms[:3], u_line_rms=np.stack(lines), i_rms=values.rms[3:n], i_neutral_rms=neutral,
                u1=u1, i1=i1,
            )  # fmt: skip
        return power.s_e if symbol == "s_e" else power.pf_e


def _phasor(spectra: HarmonicSpectra, c: int) -> C128:
    """Of the fundamental of a channel, each block."""
    return spectra.phasors[c, :, 0].astype(np.complex128)


def _weights(n: int, of_channel: dict[int, float]) -> F64:
    weights = np.zeros(n)
    for c, weight in of_channel.items():
        weights[c] = weight
    return weights
