"""The quantities of `halfcycle.pipeline.quantities` from blocks: a series for each channel, conductor or point."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.measures.harmonic_indices import (
    distortion_of_rms,
    harmonic_loss_factor,
    interharmonic_distortion,
    k_factor,
    total_demand_distortion,
)
from halfcycle.pipeline.measures.power import PhasePower, phase_power
from halfcycle.pipeline.measures.spectra import total_harmonic_distortion
from halfcycle.pipeline.measures.waveform_indices import crest_factor, overdeviation, underdeviation
from halfcycle.pipeline.quantities import BANDS_HZ, Quantity
from halfcycle.pipeline.survey.blocks import Blocks
from halfcycle.pipeline.survey.orders import Smoothing, orders_of_channel, powers_of_orders
from halfcycle.pipeline.survey.powers import Channels, rms_of
from halfcycle.pipeline.survey.totals import Totals
from halfcycle.pipeline.terms import NEUTRAL, Hookup

F64 = npt.NDArray[np.float64]
Values = npt.NDArray[np.floating]

_NO_SPECTRUM: Final = "sampling rate too low for harmonics: 16 samples per cycle are needed"
_PLACE_OF_BAND: Final = {(low + high) // 2: k for k, (low, high) in enumerate(BANDS_HZ)}
_FROM_LINES: Final = "minus the sum of the line currents"


@dataclass(frozen=True, slots=True)
class Setup:
    """What is measured at a point.

    Attributes
    ----------
    phases, current_phases : of the judged voltages and of the currents, in the order of the blocks' channels.
    hookup : of the point.
    nominal_v : nominal voltage, of each judged voltage; 0: not even a usual one is told. [V]
    demand_current_a : of the total demand distortion; None: it is not measured. [A]
    signal_hz : frequency of the mains signal; None: it is not told. [Hz]
    no_signal : why there is no mains signalling voltage; "" where there is one.
    """

    phases: tuple[str, ...]
    current_phases: tuple[str, ...]
    hookup: Hookup
    nominal_v: float
    demand_current_a: float | None = None
    signal_hz: float | None = None
    no_signal: str = ""

    @property
    def channels(self) -> Channels:
        """Them, as power needs them."""
        return Channels(self.phases, self.current_phases, self.hookup)


@dataclass(frozen=True, slots=True)
class Series:
    """Quantities of some blocks that differ by their number alone, or a single one.

    Attributes
    ----------
    quantities : which.
    names : of the columns, with the phase at their end but for the point's.
    values : shape (n_blocks, n_names); of ratios and angles two, shape (2, n_blocks, n_names). [see the quantity]
    notes : ``orders`` that they cover, how they were ``derived``, or the ``reason`` why there is no value.
    beyond : reason by name, of those that the sampling rate does not reach.
    """

    quantities: tuple[Quantity, ...]
    names: tuple[str, ...]
    values: Values
    notes: Mapping[str, str] = field(default_factory=dict)
    beyond: Mapping[str, str] = field(default_factory=dict)

    @property
    def quantity(self) -> Quantity:
        """The first of them; all are aggregated alike."""
        return self.quantities[0]

    def notes_of(self, name: str) -> dict[str, str]:
        """All that is to be noted of one column."""
        if name in self.beyond:
            return {"reason": self.beyond[name]}
        orders = self.quantities[self.names.index(name)].orders
        if not self.quantity.family or orders is None or "reason" in self.notes:
            return dict(self.notes)
        return {"orders": f"{orders[0]}-{orders[1]}", **self.notes}


class SeriesOfBlocks:
    """The chosen quantities of one point, of blocks as they come.

    Parameters
    ----------
    setup : names its channels.
    quantities : wanted. Those that the point cannot have (a current that is not measured) are left out; those that it
        could, but for a channel or a higher sampling rate, are NaN with the reason.
    """

    def __init__(self, setup: Setup, quantities: Sequence[Quantity]) -> None:
        self._setup = setup
        of_blocks = [one for one in quantities if not one.needs_whole_record]
        groups = groupby(of_blocks, key=lambda one: one.family or one.symbol)
        self._groups = [tuple(group) for _, group in groups]
        self._smoothing: dict[tuple[str, int], Smoothing] = {}

    def of(self, blocks: Blocks) -> list[Series]:
        """All series of some blocks, the same ones in the same order at each call. blocks : later than those before."""
        measured = _Measured(blocks, self._setup, self._smoothing)
        return [series for group in self._groups for series in measured.of(group)]


_OF_CHANNEL: Final[Mapping[str, Callable[[Blocks, Setup, int], F64]]] = {
    "u_rms": lambda b, s, c: b.values.rms[c],
    "u_half_min": lambda b, s, c: b.u_half_min[c],
    "u_half_max": lambda b, s, c: b.u_half_max[c],
    "u_peak": lambda b, s, c: b.values.peak[c],
    "crest_u": lambda b, s, c: crest_factor(b.values.peak[c], b.values.rms[c]),
    "u_dc": lambda b, s, c: b.values.mean[c],
    # In volts: the deviation in per cent follows from their root mean square over the interval.
    "u_under": lambda b, s, c: _deviating(underdeviation, b.values.rms[c], s),
    "u_over": lambda b, s, c: _deviating(overdeviation, b.values.rms[c], s),
    "i_rms": lambda b, s, c: b.values.rms[c],
    "i_half_max": lambda b, s, c: b.u_half_max[c],
    "i_peak": lambda b, s, c: b.values.peak[c],
    "crest_i": lambda b, s, c: crest_factor(b.values.peak[c], b.values.rms[c]),
    "i_dc": lambda b, s, c: b.values.mean[c],
}
_OF_HARMONICS: Final[Mapping[str, Callable[[F64, F64], F64]]] = {  # of harmonics and interharmonics of a channel
    "thd_u": lambda h, ih: 100 * total_harmonic_distortion(h),
    "thd_i": lambda h, ih: 100 * total_harmonic_distortion(h),
    "thd_r_u": lambda h, ih: 100 * distortion_of_rms(h),
    "u_hc": lambda h, ih: np.linalg.norm(h[:, 1:], axis=1),
    "i_hc": lambda h, ih: np.linalg.norm(h[:, 1:], axis=1),
    "tihd_u": lambda h, ih: 100 * interharmonic_distortion(ih, h[:, 0]),
    "tihd_i": lambda h, ih: 100 * interharmonic_distortion(ih, h[:, 0]),
    "k_factor": lambda h, ih: k_factor(h),
    "f_hl": lambda h, ih: harmonic_loss_factor(h),
}
_OF_CONDUCTOR: Final[Mapping[str, Callable[[PhasePower], F64]]] = {
    "p": lambda power: power.p,
    "s": lambda power: power.s,
    "q1": lambda power: power.q1,
    "s_n": lambda power: power.s_n,
    "d_i": lambda power: power.d_i,
    "d_v": lambda power: power.d_v,
    "d_h": lambda power: power.d_h,
    "d": lambda power: np.sqrt((power.n**2 - power.q1**2).clip(0.0)),
    "pf": lambda power: np.stack([power.p, power.s]),
    "dpf": lambda power: np.stack([power.p1, power.s1]),
}


def _deviating(of: Callable[..., F64], rms: F64, setup: Setup) -> F64:
    """How far a voltage is from its nominal one, where that is told."""
    return of(rms, u_din_v=setup.nominal_v) if setup.nominal_v else np.full(rms.shape, np.nan)


class _Measured:
    """Works each quantity out when it is asked for; what several need is worked out once."""

    def __init__(self, blocks: Blocks, setup: Setup, smoothing: dict[tuple[str, int], Smoothing]) -> None:
        self._blocks, self._setup, self._smoothing = blocks, setup, smoothing
        self._n_u = len(setup.phases)
        self._totals = Totals(blocks, setup.channels)
        self._powers: dict[int, PhasePower] = {}
        self._harmonics: dict[int, F64] = {}

    def of(self, group: tuple[Quantity, ...]) -> list[Series]:
        """The series of a quantity, or of a family's numbers: of each channel, each conductor, or the point."""
        first = group[0]
        if first.of == "voltage":
            found = [self._of_channel(group, phase, k) for k, phase in enumerate(self._setup.phases)]
        elif first.of == "current":
            phases = self._setup.current_phases
            found = [self._of_channel(group, phase, self._n_u + k) for k, phase in enumerate(phases)]
            found.append(self._of_neutral(group))
        elif first.of == "conductor":
            found = self._conductors(group)
        else:
            found = [self._of_point(first)]
        return [series for series in found if series is not None]

    def _of_channel(self, group: tuple[Quantity, ...], phase: str, c: int) -> Series | None:
        first, spectra, setup = group[0], self._blocks.spectra, self._setup
        if first.symbol in _OF_CHANNEL:
            return self._single(first, phase, _OF_CHANNEL[first.symbol](self._blocks, setup, c))
        if first.symbol == "tdd" and setup.demand_current_a is None:
            return None
        if first.needs in ("signal", "bands"):
            return self._signal(first, phase, c) if first.needs == "signal" else self._bands(group, phase, c)
        if spectra is None:
            return self._nothing(group, phase, _NO_SPECTRUM)
        if first.family:
            smoothing = self._smoothing.setdefault((first.family, c), Smoothing())
            return self._reached(group, phase, orders_of_channel(first.family, self._blocks, c, smoothing))
        harmonics = self._of_harmonics(c)
        if first.symbol == "tdd" and setup.demand_current_a is not None:
            values = 100 * total_demand_distortion(harmonics, demand_current_a=setup.demand_current_a)
        else:
            values = _OF_HARMONICS[first.symbol](harmonics, spectra.interharmonics[c].astype(np.float64))
        return self._single(first, phase, np.where(np.isfinite(values), values, np.nan))

    def _of_harmonics(self, c: int) -> F64:
        if c not in self._harmonics and self._blocks.spectra is not None:
            self._harmonics[c] = self._blocks.spectra.harmonics[c].astype(np.float64)
        return self._harmonics[c]

    def _signal(self, quantity: Quantity, phase: str, c: int) -> Series:
        spectra = self._blocks.spectra
        if self._setup.no_signal or spectra is None or spectra.signal is None:
            return self._nothing((quantity,), phase, self._setup.no_signal or _NO_SPECTRUM)
        return self._single(quantity, phase, spectra.signal[c], {"at": f"{self._setup.signal_hz:g} Hz"})

    def _bands(self, group: tuple[Quantity, ...], phase: str, c: int) -> Series:
        """The bands that are wanted, those that the sampling rate does not reach NaN."""
        bands = self._blocks.bands
        if bands is None:
            return self._nothing(group, phase, _NO_SPECTRUM)
        places = [_PLACE_OF_BAND[one.number] for one in group]
        return self._placed(group, phase, bands[c], np.array(places), "the sampling rate does not reach this band")

    def _of_neutral(self, group: tuple[Quantity, ...]) -> Series | None:
        """RMS and harmonics of a neutral's current that no channel has, from all line currents."""
        first, setup, spectra = group[0], self._setup, self._blocks.spectra
        lines = setup.channels.line_currents
        known = not setup.hookup.line_to_line and len(setup.hookup.judged_phases) > 1
        if NEUTRAL in setup.current_phases or not known or set(lines) != set(setup.hookup.judged_phases):
            return None
        weights = setup.channels.current(NEUTRAL)
        if first.symbol == "i_rms":
            return self._single(first, NEUTRAL, rms_of(self._blocks.values, weights), {"derived": _FROM_LINES})
        if first.family != "ih" or spectra is None:
            return None
        values = np.abs(np.tensordot(weights.astype(np.float32), spectra.phasors, axes=1))
        return self._reached(group, NEUTRAL, values, {"derived": f"{_FROM_LINES}, its lines at the orders alone"})

    def _conductors(self, group: tuple[Quantity, ...]) -> list[Series | None]:
        """Of each conductor that has a voltage to neutral and a current."""
        setup, first = self._setup, group[0]
        if setup.hookup.line_to_line:
            return []
        found: list[Series | None] = []
        for k, phase in enumerate(setup.current_phases):
            if phase not in setup.phases:
                continue
            u, i = setup.phases.index(phase), self._n_u + k
            if first.needs_spectrum and self._blocks.spectra is None:
                found.append(self._nothing(group, phase, _NO_SPECTRUM))
            elif first.family:
                found.append(self._reached(group, phase, powers_of_orders(first.family, self._blocks, u, i)))
            else:
                found.append(self._single(first, phase, _OF_CONDUCTOR[first.symbol](self._power(u, i))))
        return found

    def _power(self, u: int, i: int) -> PhasePower:
        if u not in self._powers:
            values, spectra = self._blocks.values, self._blocks.spectra
            nothing = np.zeros(self._blocks.starts_ns.shape, np.complex128)
            u1, i1 = (nothing if spectra is None else spectra.phasors[c, :, 0].astype(np.complex128) for c in (u, i))
            self._powers[u] = phase_power(
                p=values.mean_product(u, i), u_rms=values.rms[u], i_rms=values.rms[i], u1=u1, i1=i1
            )
        return self._powers[u]

    def _of_point(self, quantity: Quantity) -> Series | None:
        values = self._totals.of(quantity)
        if isinstance(values, str):
            return self._nothing((quantity,), "", values)
        return None if values is None else self._single(quantity, "", values)

    def _single(self, quantity: Quantity, phase: str, values: Values, notes: Mapping[str, str] | None = None) -> Series:
        """A quantity's values, with the orders that they cover where they are a sum over some."""
        told = dict(notes or {})
        if quantity.orders is not None and self._blocks.spectra is not None:
            first, last = quantity.orders
            told["orders"] = f"{first}-{min(last, self._blocks.spectra.harmonics.shape[2])}"
        return Series((quantity,), _names((quantity,), phase), values[..., None], told)

    def _reached(
        self, group: tuple[Quantity, ...], phase: str, values: Values, notes: Mapping[str, str] | None = None
    ) -> Series:
        """The numbers of a family that are wanted, those beyond reach NaN. values: (..., n_blocks, n_orders)."""
        shift = 0 if group[0].family[1:] in ("ih", "ig") else 1
        places = np.array([one.number - shift for one in group])
        return self._placed(
            group, phase, values, places, f"the sampling rate reaches only order {values.shape[-1]}", notes
        )

    def _placed(
        self, group: tuple[Quantity, ...], phase: str, values: Values, places: npt.NDArray[np.int64], reason: str,
        notes: Mapping[str, str] | None = None,
    ) -> Series:  # fmt: skip
        """Of a row of values those at some places; NaN with the reason where a place lies beyond."""
        names, inside = _names(group, phase), places < values.shape[-1]
        if inside.all() and np.array_equal(places, np.arange(values.shape[-1])):
            return Series(group, names, values, notes or {})
        chosen = np.full((*values.shape[:-1], places.size), np.nan, values.dtype)
        chosen[..., inside] = values[..., places[inside]]
        beyond = {name: reason for name, there in zip(names, inside, strict=True) if not there}
        return Series(group, names, chosen, notes or {}, beyond)

    def _nothing(self, group: tuple[Quantity, ...], phase: str, reason: str) -> Series:
        two = group[0].aggregation in ("ratio", "angle")
        shape = (*((2,) if two else ()), self._blocks.starts_ns.size, len(group))
        return Series(group, _names(group, phase), np.full(shape, np.nan), {"reason": reason})


def _names(group: tuple[Quantity, ...], phase: str) -> tuple[str, ...]:
    return tuple(f"{one.symbol}_{phase.lower()}" if phase else one.symbol for one in group)
