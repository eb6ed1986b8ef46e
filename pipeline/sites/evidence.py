"""What the beginning of a record shows about its site: the steady level, live channels, and what the file states."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from statistics import median
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel, Header
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.calm import half_window
from halfcycle.pipeline.measures.squares import FEWEST_SAMPLES_A_CYCLE
from halfcycle.pipeline.order_statistics import row_medians
from halfcycle.pipeline.quick_pickle import by_position
from halfcycle.pipeline.records.look import frequency_of, nominal_frequency
from halfcycle.pipeline.records.points import Point, judged_channels, points_of
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.records.waves import are_waves
from halfcycle.pipeline.sites.same_voltages import identical_voltages
from halfcycle.pipeline.sites.wiring_correction import Wiring, told_wiring

F64 = npt.NDArray[np.float64]

_APART: Final = 0.1  # 50 and 60 Hz are 17 % apart
LEAST_V: Final = 30.0
"""No system or transformer secondary in use lies lower: common practice, no source. [V]"""
DEAD: Final = 0.02
"""Of the highest voltage of a point: a channel that never rises above it shows no voltage."""

_CYCLE_NS: Final = 20_000_000
_WIRING_CYCLES: Final = 3.0  # steady, that tell phasors
_LOOKED_AT_S: Final = 2.0
_OTHER_PLACES: Final = 8  # of a record that does not begin steadily, evenly spread
_FEWEST_WINDOWS: Final = 3  # half a cycle apart: two cycles
_STEADY: Final = 0.03  # of the level, by which windows of a steady beginning may differ
_PHASES_APART: Final = 0.1  # of the level, by which the phases may
_SPREAD_APART: Final = 0.02  # what a beginning of three windows may scatter by


@by_position
@dataclass(frozen=True, slots=True)
class PointEvidence:
    """What a record's beginning shows of one measuring point.

    Attributes
    ----------
    name : of the point, "" where the file holds one only.
    phases : of the judged voltages.
    line_to_line : whether they are between phases.
    nominal_ratio : of their nominal voltage to that of the hookup.
    shows_voltage : by phase, whether there is voltage at all.
    is_wave : by phase, whether it is a waveform at the power frequency.
    level_v : of the steady beginning, over `nominal_ratio`; None where it does not begin steadily. [V]
    steady_cycles : for how long it is steady.
    elsewhere_v : level at which most of what was looked at lies, where that differs from how it begins. [V]
    stated_v : rated voltage that the file states for the channels. [V]
    triggered : the file states a trigger, and it lies a cycle or more after the first sample.
    wiring : what a steady beginning says of leads and clamps; None: it has no currents, or is too short.
    same_as : the first point that has these very voltages, such as those of a busbar under another feeder's name.
    """

    name: str
    phases: tuple[str, ...]
    line_to_line: bool
    nominal_ratio: float
    shows_voltage: tuple[bool, ...] = ()
    is_wave: tuple[bool, ...] = ()
    level_v: float | None = None
    steady_cycles: float = 0.0
    elsewhere_v: float | None = None
    stated_v: float | None = None
    triggered: bool = False
    wiring: Wiring | None = None
    same_as: str | None = None


@by_position
@dataclass(frozen=True, slots=True)
class RecordEvidence:
    """What one record shows about its site.

    Attributes
    ----------
    header : of the record's first capture.
    frequency_hz : nominal, by the waveform or else by the file; None: not told. [Hz]
    points : its measuring points.
    problem : why there are none, or nothing is steady, in words.
    other_frequency : the voltages have another frequency than the declared one; `problem` says which.
    """

    header: Header
    frequency_hz: float | None = None
    points: tuple[PointEvidence, ...] = ()
    problem: str = ""
    other_frequency: bool = False


def evidence_of(
    record: Record,
    *,
    hookup: str | None = None,
    frequency_hz: float | None = None,
    clamps_checked: bool = False,
    judged_next: bool = False,
) -> RecordEvidence:
    """Look at the beginning of a record.

    Parameters
    ----------
    record : captures that follow one another; the first one is loaded, and others where it does not begin steadily.
    hookup : declared, or None: told from the channels.
    frequency_hz : declared nominal frequency, or None. [Hz]
    clamps_checked : declared, see `wiring_correction.wiring_of`.
    judged_next : the record is judged next, so that its first piece is loaded as it will be needed.

    Returns
    -------
    Evidence. What cannot be told is None; that is no error.

    Raises
    ------
    ReadError : a capture cannot be read.
    """
    header = record.header
    try:
        points = points_of(header, hookup=hookup)
    except SignalError as error:
        return RecordEvidence(header, frequency_hz, problem=str(error))
    if not points:
        return RecordEvidence(header, frequency_hz, problem="no voltage channel")
    first = [_beginning(record, point, 0, whole=judged_next) for point in points]
    hertz = frequency_hz or _frequency(record, first)
    if hertz is None:
        stated = tuple(_stated_only(header, point) for point in points)
        return RecordEvidence(header, None, stated, "no fundamental between 40 and 70 Hz in the voltages")
    found = [_of_point(record, point, values, hertz) for point, values in zip(points, first, strict=True)]
    same = _same_as(points, first)
    told = [
        replace(
            one,
            wiring=_wiring(record, point, values, one, hertz, clamps_checked=clamps_checked, whole=judged_next),
            same_as=same.get(one.name),
        )
        for one, point, values in zip(found, points, first, strict=True)
    ]
    other = _other_frequency(record, first, told, frequency_hz)
    return RecordEvidence(header, hertz, tuple(told), other, other_frequency=bool(other))


def _other_frequency(
    record: Record, beginnings: Sequence[F64], told: Sequence[PointEvidence], declared_hz: float | None
) -> str:
    """Why nothing is steady at a declared frequency, where the voltages have another one; "" where they do not."""
    if declared_hz is None or any(one.level_v is not None for one in told):
        return ""
    shown = _frequency(record, beginnings)
    if shown is None or abs(shown / declared_hz - 1) < _APART:
        return ""
    return f"the voltages have a fundamental of {shown:g} Hz, not the {declared_hz:g} Hz given"


def _beginning(record: Record, point: Point, k: int, *, whole: bool = False) -> F64:
    """A point's voltages over the first seconds of a record's k-th capture, missing samples as NaN. [V]"""
    return record.beginning(point, k, max(1, round(_LOOKED_AT_S * record.header.rate_hz)), whole=whole)


def _same_as(points: Sequence[Point], beginnings: Sequence[F64]) -> dict[str, str]:
    """Points that have the voltages of one before them, by their names, and that one's name."""
    if len(points) < 2:
        return {}
    rows = np.cumsum([0, *(len(values) for values in beginnings)]).tolist()
    sets = [range(first, stop) for first, stop in pairwise(rows)]
    groups = identical_voltages(np.concatenate(beginnings), sets)
    names = [[points[n].name or "" for n in group if points[n].phases == points[group[0]].phases] for group in groups]
    return {other: first for first, *others in names for other in others}


def _frequency(record: Record, beginnings: Sequence[F64]) -> float | None:
    for values in beginnings:
        try:
            if np.isfinite(values).all():
                return nominal_frequency(record.header, values)
            return frequency_of(record, values, [Channel("", "voltage", "", "V")] * len(values))
        except SignalError:
            continue
    return None


def _wiring(
    record: Record, point: Point, u: F64, seen: PointEvidence, hertz: float, *, clamps_checked: bool, whole: bool
) -> Wiring | None:
    """What the steady beginning of a record says of leads and clamps."""
    header = record.header
    if len(point.currents) < len(point.voltages) or seen.level_v is None or seen.steady_cycles < _WIRING_CYCLES:
        return None
    n = int(seen.steady_cycles * header.rate_hz / hertz)
    i = record.beginning_of_currents(point, 0, u.shape[1], whole=whole)[:, :n]
    calm = u[:, :n]
    if not (np.isfinite(calm).all() and np.isfinite(i).all()):
        return None
    try:
        return told_wiring(
            calm,
            i,
            phases=(point.phases, tuple(phase for phase, _ in point.currents)),
            rate_hz=header.rate_hz,
            frequency_hz=measured_frequency(calm, rate_hz=header.rate_hz, nominal_hz=hertz),
            hookup=point.hookup,
            clamps_declared=clamps_checked,
        )
    except SignalError:  # too little to tell
        return None


def _stated_only(header: Header, point: Point) -> PointEvidence:
    return PointEvidence(
        point.name or "", point.phases, point.hookup.line_to_line, point.nominal_ratio,
        stated_v=rated_v(header, point), triggered=is_triggered(header),
    )  # fmt: skip


def is_triggered(header: Header) -> bool:
    """Whether a file states a trigger that leaves a cycle or more before it."""
    return header.trigger_ns is not None and header.trigger_ns - header.start_ns >= _CYCLE_NS


def _of_point(record: Record, point: Point, values: F64, hertz: float) -> PointEvidence:
    header = record.header
    plain = _stated_only(header, point)
    seen = _seen(values, header.rate_hz, hertz, point, plain)
    if seen.level_v is not None or len(record.pieces) == 1:
        return seen
    places = np.unique(np.linspace(1, len(record.pieces) - 1, _OTHER_PLACES).astype(int)).tolist()
    others = [_seen(_beginning(record, point, k), header.rate_hz, hertz, point, plain) for k in places]
    levels = [other.level_v for other in others if other.level_v is not None]
    if not levels:
        return seen
    best = max(others, key=lambda other: sum(other.shows_voltage))
    return replace(plain, shows_voltage=best.shows_voltage, is_wave=best.is_wave, elsewhere_v=float(np.median(levels)))


def _seen(values: F64, rate_hz: float, hertz: float, point: Point, plain: PointEvidence) -> PointEvidence:
    if rate_hz < FEWEST_SAMPLES_A_CYCLE * hertz:
        return plain
    rms = windowed_rms(values, rate_hz=rate_hz, frequency_hz=hertz)
    if not rms.shape[1]:
        return plain
    top = np.where(np.isfinite(rms), rms, 0.0).max(axis=1)
    shows = top > max(DEAD * float(top.max()), 0.0)
    channels = tuple(Channel(phase, "voltage", phase, "V") for phase in point.phases)
    waves = are_waves(values, channels, samples_per_cycle=rate_hz / hertz)
    live = shows & waves
    level, steady_cycles, elsewhere = None, 0.0, None
    if live.any():
        level, n_windows = steady_beginning(rms[live])
        steady_cycles = (n_windows + 1) / 2 if level is not None else 0.0
        middle = _middles(rms[live])
        usual = median(middle.tolist())
        if level is None or abs(usual / level - 1) > _STEADY:
            near = np.abs(rms[live] / np.maximum(middle, 1e-30)[:, None] - 1) <= _STEADY
            even = float(np.ptp(middle)) <= _PHASES_APART * usual
            elsewhere = usual if usual > 0 and even and near.all(axis=0).mean() > 0.5 else None
    ratio = point.nominal_ratio
    return replace(
        plain,
        shows_voltage=tuple(shows.tolist()),
        is_wave=tuple(waves.tolist()),
        level_v=None if level is None else level / ratio,
        steady_cycles=steady_cycles,
        elsewhere_v=None if elsewhere is None else elsewhere / ratio,
    )


def _middles(rms: F64) -> F64:
    """The median of each channel's windows, as far as they are measured; zero where none is."""
    if np.isfinite(rms).all():
        return row_medians(rms)
    measured = [row[np.isfinite(row)] for row in rms]
    return np.array([np.median(row) if row.size else 0.0 for row in measured])


def windowed_rms(values: F64, *, rate_hz: float, frequency_hz: float) -> F64:
    """RMS over windows of one cycle, half a cycle apart, from the first sample on.

    Parameters
    ----------
    values : shape (n_channels, n). NaN where there is no measurement. [V]
    rate_hz, frequency_hz : of the samples, and nominal: the windows follow the fundamental within 15 % of it. [Hz]

    Returns
    -------
    shape (n_channels, n_windows), NaN where a window holds NaN. [V]
    """
    half = half_window(rate_hz, measured_frequency(values, rate_hz=rate_hz, nominal_hz=frequency_hz))
    n_halves = values.shape[1] // half
    if n_halves < 2:
        return np.zeros((values.shape[0], 0))
    halves = values[:, : n_halves * half].reshape(values.shape[0], n_halves, half)
    squares = np.einsum("cnh,cnh->cn", halves, halves)
    rms: F64 = np.sqrt((squares[:, 1:] + squares[:, :-1]) / (2 * half))
    return rms


def measured_frequency(values: F64, *, rate_hz: float, nominal_hz: float) -> float:
    """The fundamental by the phase that it gains from one cycle to the next over the first two cycles. [Hz]

    The nominal frequency where there is too little to tell.
    """
    n = round(rate_hz / nominal_hz)
    if values.shape[1] < 2 * n or n < 4:
        return nominal_hz
    turns = _windowed_turns(n, nominal_hz / rate_hz)
    first, second = values[:, :n] @ turns[:n], values[:, n : 2 * n] @ turns[n:]
    products = second * first.conj()
    product = products.sum() if np.isfinite(products).all() else np.nansum(products)
    if not abs(product) > 0:
        return nominal_hz
    gained = float(np.angle(product))
    found = nominal_hz + gained * rate_hz / (2 * math.pi * n)
    return found if abs(found / nominal_hz - 1) < 0.15 else nominal_hz


@lru_cache(maxsize=16)
def _windowed_turns(n: int, cycles_a_sample: float) -> npt.NDArray[np.complex128]:
    """What takes two cycles of n samples, each in a Hann window, to their phasors at a frequency; shape (2 n,)."""
    turns: npt.NDArray[np.complex128] = np.exp(-2j * np.pi * cycles_a_sample * np.arange(2 * n))
    turns *= np.tile(np.hanning(n), 2)
    return turns


def steady_beginning(rms: F64) -> tuple[float | None, int]:
    """The level at which some voltages begin, and for how many windows; see `steady_levels`.

    Returns
    -------
    (root mean square of the levels, windows), or (None, 0).
    """
    levels, n_windows = steady_levels(rms)
    return None if levels is None else float(np.sqrt(np.mean(levels**2))), n_windows


def steady_levels(rms: F64) -> tuple[F64 | None, int]:
    """The levels at which some voltages begin, where they begin steadily and alike, and for how many windows they do.

    Parameters
    ----------
    rms : shape (n_channels, n_windows). Of windows half a cycle apart. [V]

    Returns
    -------
    (level of each channel, windows); (None, 0) where two cycles at least are not steady within 3 %, or the phases
    differ by over 10 %.
    """
    n = rms.shape[1]
    if n < _FEWEST_WINDOWS or not rms.shape[0]:
        return None, 0
    first = np.sort(rms[:, :_FEWEST_WINDOWS], axis=1)
    if not np.isfinite(first).all():
        return None, 0
    levels = first[:, _FEWEST_WINDOWS // 2]
    level = median(levels.tolist())
    if not level > 0 or float((first[:, -1] - first[:, 0]).max()) > _SPREAD_APART * level:
        return None, 0
    if float(np.abs(levels - level).max()) > _PHASES_APART * level:
        return None, 0
    off = ~(np.abs(rms / levels[:, None] - 1) <= _STEADY).all(axis=0)
    changes = bool(off.any())
    n_steady = int(off.argmax()) if changes else n
    if n_steady < _FEWEST_WINDOWS:
        return None, 0
    kept = rms[:, : max(_FEWEST_WINDOWS, n_steady - 2 * changes)]  # the last windows may hold part of a change
    return row_medians(kept), n_steady


def rated_v(header: Header, point: Point) -> float | None:
    """The rated voltage that the file states for a point's channels, where it is one. [V]"""
    rated = {channel.rated for channel in judged_channels(header, point)}
    return rated.pop() if len(rated) == 1 else None
