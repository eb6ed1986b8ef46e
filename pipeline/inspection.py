"""What a capture file holds: captures, channels, measuring points, their phasors, and signs of wrong wiring."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.half_cycle_arrays import measure_half_cycles
from halfcycle.pipeline.measures.squares import FEWEST_SAMPLES_A_CYCLE
from halfcycle.pipeline.readers import reader_of, remarks_on
from halfcycle.pipeline.records.archive import FileLook, Reading, records_of_captures, site_of
from halfcycle.pipeline.records.points import Point, points_of
from halfcycle.pipeline.report.phasor_diagram import Phasor
from halfcycle.pipeline.sites.account import Account, Declared
from halfcycle.pipeline.sites.evidence import DEAD, LEAST_V, steady_beginning, windowed_rms
from halfcycle.pipeline.sites.phasors import MeanPhasors, mean_phasors
from halfcycle.pipeline.sites.recorders import Seen, accounts_of
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.sites.wiring import check_wiring, fundamental_power
from halfcycle.pipeline.sites.wiring_words import WiringFinding, words_of
from halfcycle.pipeline.terms import NEUTRAL, USUAL_FREQUENCIES_HZ, Hookup

F64 = npt.NDArray[np.float64]

_LOOK_SAMPLES: Final = 1 << 19  # of a capture, for frequency and phasors
_STEADY: Final = 0.7  # of a mean phasor: below it is noise, or a channel whose angle wanders
_SHORT_S: Final = 2.0  # a longer capture has calm enough for the phasors, whatever happens in it
_FEWEST_CALM_CYCLES: Final = 1.0
_KEEP_BYTES: Final = 256 << 20  # of captures that stay in memory while the file is looked at


@dataclass(frozen=True, slots=True)
class ChannelView:
    """A channel, with what its samples are; None where it has no sample that was measured.

    Attributes
    ----------
    channel : as the file describes it.
    lowest, highest, rms : over all captures with these channels. [unit of the channel]
    n_missing : samples without a value.
    """

    channel: Channel
    lowest: float | None
    highest: float | None
    rms: float | None
    n_missing: int

    @property
    def range(self) -> tuple[float, float] | None:
        """What the recorder can hold, where the file states it. [unit of the channel]"""
        low, high = self.channel.rail_low, self.channel.rail_high
        if low is None or high is None:
            return None
        ends = [rail * self.channel.scale + self.channel.offset for rail in (low, high)]
        return min(ends), max(ends)


@dataclass(frozen=True, slots=True)
class PointView:
    """A measuring point and how it seems to be connected.

    Attributes
    ----------
    name : where the file holds several, else None.
    hookup : how the recorder is connected there.
    notes : what was taken for granted, and what could not be told.
    nominal_v : of the judged voltages, given or found, or None. [V]
    frequency_hz : measured, or None. [Hz]
    phasors : of its voltages and currents, the first voltage at zero degrees.
    power : P + jQ of the fundamental, or None. [W, var]
    findings : signs of wrong wiring, the surest first.
    looked_s : length of the calm part that phasors were told from. [s]
    """

    name: str | None
    hookup: Hookup
    notes: tuple[str, ...] = ()
    nominal_v: float | None = None
    frequency_hz: float | None = None
    phasors: tuple[Phasor, ...] = ()
    power: complex | None = None
    findings: tuple[WiringFinding, ...] = ()
    looked_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Inspection:
    """What a file holds.

    Attributes
    ----------
    path : of the file.
    format : name of its reader.
    headers : of its captures, in order of time; none where it holds no waveform.
    shown : the capture whose channels and points are shown; its index.
    channels : of that capture, with statistics of all captures that have the same channels.
    points : its measuring points.
    notes : what was odd in the file and what was decided, in plain words; of a file without waveforms, what it holds
        instead.
    """

    path: Path
    format: str
    headers: tuple[Header, ...]
    shown: int = 0
    channels: tuple[ChannelView, ...] = ()
    points: tuple[PointView, ...] = ()
    notes: tuple[str, ...] = ()


def inspect(
    path: Path,
    *,
    hookup: str | None = None,
    nominal_voltage_v: float | None = None,
    strict: bool = False,
    sites: SiteTable | None = None,
) -> Inspection:
    """Look at a capture file.

    Parameters
    ----------
    path : of the file.
    hookup : a name of `terms.HOOKUPS`, or None: as the site's table says, or told from the channels.
    nominal_voltage_v : of the judged voltages, or None: as the site's table says, or inferred. [V]
    strict : refuse a file in which something had to be put right or guessed.
    sites : what a person declares of sites.

    Returns
    -------
    Inspection. All captures are read; the points are those of the longest one that is fast enough to be measured.

    Raises
    ------
    ReadError : the file cannot be read.
    SignalError : the hookup needs a voltage that the file does not have.
    """
    table = sites or SiteTable()
    reading = Reading(("voltage", "current", "other"), strict, table.described if table.sites else None)
    name = reader_of(path).name
    headers: list[Header] = []
    totals: dict[tuple[Channel, ...], _Totals] = {}
    kept: dict[int, Capture] = {}
    longest: Capture | None = None
    shown = n_bytes = 0
    for i, capture in enumerate(reading.captures(path)):
        headers.append(capture.header)
        n_bytes += capture.samples.nbytes
        if n_bytes <= _KEEP_BYTES:
            kept[i] = capture
        totals.setdefault(capture.header.channels, _Totals(len(capture.header.channels))).add(capture)
        if longest is None or _worth(capture.header) > _worth(headers[shown]):
            longest, shown = _first_part(capture), i
    notes = tuple(dict.fromkeys(str(note) for header in headers for note in header.notes))
    if longest is None:
        return Inspection(path, name, (), notes=remarks_on(path, strict=strict))
    channels = tuple(totals[longest.header.channels].views(longest.header.channels))
    declared = table.declared(
        table.name_of(longest.header, path), Declared(nominal_voltage_v=nominal_voltage_v, hookup=hookup)
    )
    account, problem = _account(path, headers, kept, reading, shown, declared)
    try:
        points = points_of(longest.header, hookup=declared.hookup)
    except SignalError:
        if declared.hookup is not None:
            raise
        points, notes = (), (*notes, problem)
    views = tuple(_view(longest, group, account) for group in _by_installation(points))
    return Inspection(path, name, tuple(headers), shown, channels, views, notes)


def _account(
    path: Path, headers: Sequence[Header], kept: dict[int, Capture], reading: Reading, shown: int, declared: Declared
) -> tuple[Account, str]:
    """The account that all records of the file make for the capture shown, and why it has no points, if so."""
    parts = FileLook(path, headers=tuple(headers)).parts
    records = records_of_captures(parts, kept, reading)
    seen = [Seen(site_of(record.header, path), path, declared.evidence_of(record)) for record, _ in records]
    accounts = accounts_of(seen, lambda site: declared)
    k = next((k for k, (_, of_record) in enumerate(records) if parts[shown] in of_record), 0)
    return accounts[k], seen[k].evidence.problem


def _worth(header: Header) -> tuple[bool, int]:
    """Captures that can be measured before those that cannot, long ones before short ones."""
    fast = header.rate_hz >= FEWEST_SAMPLES_A_CYCLE * max(USUAL_FREQUENCIES_HZ)
    return fast and any(channel.quantity == "voltage" for channel in header.channels), header.n_samples


def _first_part(capture: Capture) -> Capture:
    n = min(capture.header.n_samples, _LOOK_SAMPLES)
    return Capture(replace(capture.header, n_samples=n), capture.samples[:, :n].copy())


@dataclass(slots=True)
class _Totals:
    """Sums over the captures of the same channels."""

    n_channels: int
    lowest: F64 = field(init=False)
    highest: F64 = field(init=False)
    squares: F64 = field(init=False)
    n: npt.NDArray[np.int64] = field(init=False)
    n_missing: npt.NDArray[np.int64] = field(init=False)

    def __post_init__(self) -> None:
        self.lowest = np.full(self.n_channels, np.inf)
        self.highest = np.full(self.n_channels, -np.inf)
        self.squares = np.zeros(self.n_channels)
        self.n = np.zeros(self.n_channels, np.int64)
        self.n_missing = np.zeros(self.n_channels, np.int64)

    def add(self, capture: Capture) -> None:
        for c in range(self.n_channels):
            values = capture.physical(c)
            good = values[np.isfinite(values)]
            self.n_missing[c] += values.size - good.size
            if good.size:
                self.lowest[c] = min(self.lowest[c], good.min())
                self.highest[c] = max(self.highest[c], good.max())
                self.squares[c] += float(np.dot(good, good))
                self.n[c] += good.size

    def views(self, channels: Sequence[Channel]) -> list[ChannelView]:
        return [
            ChannelView(channel, float(low), float(high), float(np.sqrt(square / n)), int(missing))
            if n
            else ChannelView(channel, None, None, None, int(missing))
            for channel, low, high, square, n, missing in zip(
                channels, self.lowest, self.highest, self.squares, self.n, self.n_missing, strict=True
            )
        ]


def _by_installation(points: Sequence[Point]) -> list[tuple[Point, ...]]:
    """Points that are judged apart but wired together, the legs of a high-leg delta, side by side."""
    groups: list[tuple[Point, ...]] = []
    for point in points:
        if point.nominal_ratio != 1 and groups:
            groups[-1] = (*groups[-1], point)
        else:
            groups.append((point,))
    return groups


def _view(capture: Capture, group: Sequence[Point], account: Account) -> PointView:
    point = group[0]
    many = len(group) > 1
    name = (point.name or "").removesuffix(" ".join(["legs", *point.phases])).strip() if many else point.name
    notes = list(dict.fromkeys(note for part in group for note in part.notes))
    if many:
        notes.append(f"judged as {len(group)} points: {', '.join(str(part.name) for part in group)}")
    view = PointView(name or None, point.hookup)
    try:
        return _measured(capture, group, view, account, notes)
    except SignalError as error:
        known = account.point(point.name)
        declared = known is not None and known.nominal_kind == "declared"
        return replace(
            view, notes=(f"not measured: {error}",), nominal_v=known.nominal_v if known and declared else None
        )


def _measured(
    capture: Capture, group: Sequence[Point], view: PointView, account: Account, notes: list[str]
) -> PointView:
    header = capture.header
    judged = [(voltage, point) for point in group for voltage in point.voltages]
    u = np.stack([_values(capture, voltage.terms) for voltage, _ in judged])
    nominal_hz = _nominal_frequency(account, header, notes)
    series = measure_half_cycles(u, rate_hz=header.rate_hz, nominal_frequency_hz=nominal_hz)
    if not series.n:
        raise SignalError("less than one cycle of samples")
    tracked = series.frequency_hz[series.tracked]
    frequency_hz = float(np.median(tracked)) if tracked.size else nominal_hz
    if not tracked.size:
        notes.append(f"the frequency could not be measured; assumed {nominal_hz:g} Hz")
    ratios = np.array([point.nominal_ratio for _, point in judged])
    known = account.point(group[0].name)
    nominal_v = None if known is None else known.nominal_v
    highest = float(np.median(series.u_half, axis=1).max())
    if nominal_v is None and highest < LEAST_V:
        raise SignalError(f"no voltage above {LEAST_V:g} V: channels not in use, or give the nominal voltage")
    if known is not None and known.nominal_kind != "declared":
        notes.append(known.told)
    rows, names = _rows(capture, group, u)
    strongest = int(np.argmax(np.median(series.u_half, axis=1) / ratios))
    mean = mean_phasors(
        rows[:, : _calm_samples(u, header.rate_hz, frequency_hz)],
        rate_hz=header.rate_hz,
        frequency_hz=frequency_hz,
        reference=strongest,
        voltages=range(len(judged)),
        currents=[k for k, (quantity, phase) in enumerate(names) if quantity == "current" and phase != NEUTRAL],
    )
    phasors = _phasors(mean, names)
    derived = {voltage.phase for voltage, _ in judged if _is_derived(voltage.terms)}
    used = {p.phase: p.value if p.steady else 0j for p in phasors if p.quantity == "voltage" and p.phase not in derived}
    currents = {
        p.phase: p.value if p.steady else 0j
        for p in phasors
        if p.quantity == "current" and (p.phase != NEUTRAL or NEUTRAL in view.hookup.currents)
    }
    found = check_wiring(used, currents, hookup=view.hookup, nominal_v=nominal_v)
    return replace(
        view,
        notes=tuple(notes),
        nominal_v=nominal_v,
        frequency_hz=frequency_hz,
        phasors=phasors,
        power=fundamental_power(used, currents, hookup=view.hookup),
        findings=tuple(words_of(diagnosis) for diagnosis in found),
        looked_s=mean.n_windows * mean.window_s,
    )


def _values(capture: Capture, terms: Sequence[tuple[int, int]]) -> F64:
    total = np.zeros(capture.header.n_samples)
    for i, sign in terms:
        total += sign * capture.physical(i)
    return total


def _is_derived(terms: Sequence[tuple[int, int]]) -> bool:
    """Whether a voltage is what two line-to-line voltages lack to zero, and so tells nothing that they do not."""
    return len(terms) > 1 and all(sign < 0 for _, sign in terms)


def _nominal_frequency(account: Account, header: Header, notes: list[str]) -> float:
    stated, found = header.nominal_frequency_hz, account.nominal_frequency_hz
    if found is None:
        raise SignalError("no fundamental between 40 and 70 Hz in the voltages; give the nominal frequency")
    if stated is not None and stated != found:
        notes.append(f"the file states {stated:g} Hz; the voltages have {found:g} Hz")
    return found


def _calm_samples(u: F64, rate_hz: float, frequency_hz: float) -> int:
    """Samples of a short capture before anything happens in it; all of one that is long, or begins otherwise."""
    if u.shape[1] > _SHORT_S * rate_hz:
        return int(u.shape[1])
    rms = windowed_rms(u, rate_hz=rate_hz, frequency_hz=frequency_hz)
    top = rms.max(axis=1, initial=0.0)
    level, n_windows = steady_beginning(rms[top > DEAD * top.max(initial=0.0)])
    cycles = (n_windows - 1) / 2
    if level is None or n_windows == rms.shape[1] or cycles < _FEWEST_CALM_CYCLES:
        return int(u.shape[1])
    return int(cycles * rate_hz / frequency_hz)


def _rows(capture: Capture, group: Sequence[Point], u: F64) -> tuple[F64, list[tuple[str, str]]]:
    """Judged voltages, then currents, then neutral channels, and (quantity, phase) of each."""
    header = capture.header
    names = [("voltage", voltage.phase) for point in group for voltage in point.voltages]
    rows: list[Any] = list(u)
    for phase, i in sorted(current for point in group for current in point.currents):
        names.append(("current", phase))
        rows.append(capture.physical(i))
    own = header.channels[group[0].voltages[0].terms[0][0]].point
    for quantity in ("voltage", "current") if NEUTRAL in group[0].hookup.voltages else ("current",):
        of_neutral = (quantity, NEUTRAL, own)
        found = [i for i, one in enumerate(header.channels) if (one.quantity, one.phase, one.point) == of_neutral]
        if found and (quantity, NEUTRAL) not in names:
            names.append((quantity, NEUTRAL))
            rows.append(capture.physical(found[0]))
    return np.stack(rows), names


def _phasors(mean: MeanPhasors, names: Sequence[tuple[str, str]]) -> tuple[Phasor, ...]:
    """Phasors with the first voltage that is steady at zero degrees."""
    steady = mean.steadiness >= _STEADY
    lead = next((c for c in range(len(names)) if steady[c] and names[c][0] == "voltage" and abs(mean.values[c]) > 0), 0)
    size = abs(mean.values[lead])
    turn = mean.values[lead].conjugate() / size if size > 0 else 1.0
    return tuple(
        Phasor(quantity, phase, complex(value * turn), bool(kept))
        for (quantity, phase), value, kept in zip(names, mean.values, steady, strict=True)
    )
