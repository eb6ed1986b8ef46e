"""What a point of a record is judged against: its live channels and what 1 pu stands for, by the site's account."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.half_cycle import HalfCycles
from halfcycle.pipeline.measures.reference import pre_event_voltage, sliding_reference
from halfcycle.pipeline.order_statistics import median_of, row_quantiles
from halfcycle.pipeline.records.look import Look
from halfcycle.pipeline.records.points import Point
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.sites.account import Account, PointAccount, volts
from halfcycle.pipeline.sites.evidence import DEAD, LEAST_V, steady_levels

F64 = npt.NDArray[np.float64]

_ENOUGH: Final = 4000  # half cycles that a level is told from
_OFF_NOMINAL: Final = 0.1  # a steady voltage farther off its nominal is measured against itself
_OFF_USUAL: Final = 0.1  # a record that begins farther off the site's usual voltage begins within an event
_OPENING_S: Final = 2.0  # of a record, in which it is looked for a steady beginning
_RISES: Final = 1.25  # from its beginning, by which all phases may be higher later on and it still is a swell


class Contradiction(str):
    """A note that a recording contradicts what is declared of it: not to be overlooked among the others."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Reference:
    """What 1 pu stands for, and on which channels.

    Attributes
    ----------
    live : judged voltages of the point that are measured.
    volts : nominal voltage; where there is none, the voltage before each event. [V]
    kind : ``nominal``, ``sliding`` or ``pre-event``.
    nominal_kind : ``declared``, ``stated by the file`` or ``inferred``; None where there is no nominal voltage.
    thresholds : the profile by which to judge.
    initial_v : of each live channel, where the sliding reference begins with; None: with what the record begins. [V]
    words : what was decided.
    """

    live: list[int]
    volts: float
    kind: str
    nominal_kind: str | None
    thresholds: Thresholds
    initial_v: F64 | None = None
    words: tuple[str, ...] = ()

    @property
    def is_fixed(self) -> bool:
        """Whether 1 pu is one voltage for the whole record."""
        return self.kind == "nominal"

    @property
    def slides_from_v(self) -> list[float] | None:
        """Where a sliding reference begins on each live channel; empty: with the record; None: it is fixed. [V]"""
        if self.is_fixed:
            return None
        return [] if self.initial_v is None else [float(v) for v in self.initial_v]

    def over(self, series: HalfCycles) -> float | F64:
        """What 1 pu stands for: one voltage, or the sliding reference of each channel at each half cycle. [V]"""
        if self.is_fixed or not series.n:
            return self.volts
        initial = self.initial_v
        if initial is None:
            initial = pre_event_voltage(series.u_half, nominal_frequency_hz=series.nominal_hz)
        return sliding_reference(
            series.u_half,
            initial_v=initial,
            nominal_frequency_hz=series.nominal_hz,
            sag_pu=self.thresholds.sag_pu,
            swell_pu=self.thresholds.swell_pu,
            hysteresis_pu=self.thresholds.hysteresis_pu,
        )


def reference_of(
    point: Point, look: Look, thresholds: Thresholds, account: Account, *, triggered: bool = False
) -> Reference:
    """The reference of a point in one record.

    Parameters
    ----------
    point : of the record.
    look : at the record.
    thresholds : the profile asked for.
    account : of the site.
    triggered : the file states a trigger after the record's beginning.

    Raises
    ------
    SignalError : no voltage that can be judged, or nothing to judge it against; it says why.
    """
    known = account.point(point.name) or PointAccount(point.name or "", point.phases, point.hookup.line_to_line)
    declared = known.nominal_kind == "declared"
    if declared and account.hookup is not None and known.nominal_v is not None:
        every = list(range(len(point.voltages)))
        return _by_nominal(every, known, known.nominal_v, thresholds, None, ())
    rms = look.rms[:, :: max(1, look.rms.shape[1] // _ENOUGH)]  # a sample of them tells the level as well
    live, words = _live(point, look, rms, thresholds, known, account)
    opening = _opening(look, live)
    if known.nominal_v is None:
        return _before_events(look, live, opening, thresholds, known, words, triggered=triggered)
    if thresholds.reference == "nominal" and _steady_off(rms[live], opening, known.nominal_v):
        off = f"the steady voltage differs from the nominal {volts(known.nominal_v)}"
        words += (Contradiction(f"{off}; judged against the sliding reference"),)
        return Reference(live, known.nominal_v, "sliding", known.nominal_kind, thresholds, opening, words)
    return _by_nominal(live, known, known.nominal_v, thresholds, opening, words)


def _by_nominal(
    live: list[int],
    known: PointAccount,
    nominal_v: float,
    thresholds: Thresholds,
    opening: F64 | None,
    words: tuple[str, ...],
) -> Reference:
    initial = np.full(len(live), nominal_v) if thresholds.sliding_start == "nominal" else opening
    return Reference(live, nominal_v, thresholds.reference, known.nominal_kind, thresholds, initial, words)


def _live(
    point: Point,
    look: Look,
    rms: npt.NDArray[np.float32],
    thresholds: Thresholds,
    known: PointAccount,
    account: Account,
) -> tuple[list[int], tuple[str, ...]]:
    """The channels that are judged, and in words those that are not."""
    every = list(range(len(point.voltages)))
    top = row_quantiles(rms, 0.99)
    is_wave = look.is_wave
    in_use = known.in_use if len(known.in_use) == len(every) else (False,) * len(every)
    if not any(is_wave):
        _check_lost(float(top.max()), thresholds, known, account)
        is_wave = (True,) * len(every)  # lost voltages are events where the nominal is known
    dead = [c for c in every if top[c] <= DEAD * top.max() and not (in_use[c] and is_wave[c])]
    live = [c for c in every if c not in dead and is_wave[c]]
    words: tuple[str, ...] = ()
    if dead:
        words += (f"no voltage throughout, not judged: {', '.join(point.phases[c] for c in dead)}",)
    if odd := [point.phases[c] for c in every if c not in dead and not is_wave[c]]:
        words += (f"no waveform at power frequency, not judged: {', '.join(odd)}",)
    return live, words


def _check_lost(top_v: float, thresholds: Thresholds, known: PointAccount, account: Account) -> None:
    """Whether voltages without a waveform are lost ones: the nominal is known, and the inputs are in use.

    Raises
    ------
    SignalError : they are not.
    """
    others = [point for point in account.points if point.name != known.name]
    unused = not any(known.in_use) and any(any(point.in_use) for point in others)
    if known.nominal_v is None or unused or top_v > thresholds.interruption_pu * known.nominal_v:
        raise SignalError("no waveform at power frequency: only magnitudes, angles, DC voltages or noise")


def _opening(look: Look, live: list[int]) -> F64 | None:
    """The steady voltage of each live channel before anything happens; None where the record begins otherwise. [V]"""
    n = max(3, int(_OPENING_S * 2 * look.nominal_hz))
    return steady_levels(np.asarray(look.rms[live, :n], np.float64))[0]


def _before_events(
    look: Look,
    live: list[int],
    opening: F64 | None,
    thresholds: Thresholds,
    known: PointAccount,
    words: tuple[str, ...],
    *,
    triggered: bool,
) -> Reference:
    """The reference of a record whose nominal voltage is not told: the voltage before its events.

    Raises
    ------
    SignalError : the record does not begin before its events, or it cannot be told whether it does.
    """
    level = None if opening is None else float(np.sqrt(np.mean(opening**2)))
    usual = known.usual_v
    if usual is not None and (level is None or abs(level / usual - 1) > _OFF_USUAL):
        opening, level = np.full(len(live), usual), usual
    if opening is None or level is None:
        if known.other_frequency:
            raise SignalError(known.told)
        raise SignalError(
            f"{known.told or 'nominal voltage unknown'}; and the record does not begin with two steady cycles from "
            "which to take the voltage before its events; give the nominal voltage"
        )
    if level < LEAST_V:
        raise SignalError(f"no voltage above {LEAST_V:g} V: channels not in use, or give the nominal voltage")
    later = np.median(look.rms[live], axis=1) / opening
    if later.min() > _RISES and not (triggered or known.begins_before_events):
        raise SignalError(
            f"begins at {volts(level)} and goes on at {volts(level * float(np.median(later)))}: "
            "either a swell, or the end of a sag; give the nominal voltage"
        )
    words += (f"nominal voltage unknown; judged against the {volts(level)} before each event",)
    return Reference(live, level, "pre-event", None, thresholds, opening, words)


def _steady_off(rms: npt.NDArray[np.float32], opening: F64 | None, nominal_v: float) -> bool:
    """Whether a record both begins and mostly stays at a level that is not the nominal one."""
    if opening is None:
        return False
    level, begins = median_of(rms), median(opening.tolist())
    return abs(level - nominal_v) > _OFF_NOMINAL * nominal_v and abs(begins - level) < _OFF_NOMINAL * level
