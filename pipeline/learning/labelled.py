"""Windows of labelled events in one's own captures, and their features."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.learned.features import extract
from halfcycle.classifiers.learned.windows import LEAST_PER_CYCLE
from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.catalogue.event_windows import LEAD_CYCLES, ten_cycles
from halfcycle.pipeline.catalogue.tables import iso_utc
from halfcycle.pipeline.errors import ConfigError, ReadError, SignalError
from halfcycle.pipeline.learning.labels import Find, Label, read_labels
from halfcycle.pipeline.readers import keep_unpacked, remarks_on
from halfcycle.pipeline.records.archive import Reading
from halfcycle.pipeline.records.look import Look, take_look
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.points import Point, points_of
from halfcycle.pipeline.records.record import Record, records_of
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.synthesis.parametric import FORMS
from halfcycle.pipeline.terms import Quantity

F64 = npt.NDArray[np.float64]

LEAST_CLASSES: Final = 2
LEAST_EVENTS: Final = 5  # of a class: one in each of five folds
LEADS_CYCLES: Final = (LEAD_CYCLES, 1.5, 3.5)  # of the windows of an event; the first is that of the catalogue
_PURE: Final = FORMS[1].name
_CALM_CYCLES: Final = 2  # of a window, which all leads but the shortest leave free of the event
_TAKES_PART: Final = 0.5  # of the departure of the phase that departs most
_MOST_OFF: Final = 0.1  # of the frequency from nominal
_VOLTAGES: Final[tuple[Quantity, ...]] = ("voltage",)
_KEPT_CAPTURES: Final = 2  # in memory, of a file whose captures can be read one by one


@dataclass(frozen=True, slots=True)
class LabelledEvents:
    """Events with their windows' features.

    Attributes
    ----------
    features : float32, shape (n_windows, n_features).
    event : int64, shape (n_windows,). Index of the event.
    as_judged : bool, shape (n_windows,). Whether the window lies as that of the catalogue would.
    labels, sites, captures : text, shape (n_events,).
    recordings : sampling rates and nominal frequencies that occur. [Hz]
    digest : of the table: 32 hexadecimal digits.
    """

    features: npt.NDArray[np.float32]
    event: npt.NDArray[np.int64]
    as_judged: npt.NDArray[np.bool_]
    labels: npt.NDArray[np.str_]
    sites: npt.NDArray[np.str_]
    captures: npt.NDArray[np.str_]
    recordings: tuple[tuple[float, float], ...]
    digest: str

    @property
    def counts(self) -> dict[str, int]:
        """Events of each class, by name."""
        return dict(sorted(Counter(self.labels.tolist()).items()))


@dataclass(frozen=True, slots=True)
class _Place:
    """A point of a record in which events may lie."""

    record: Record
    point: Point

    def covers(self, ns: int) -> bool:
        return self.record.start_ns(0) <= ns < self.record.time_ns(self.record.n_samples)


@dataclass(frozen=True, slots=True)
class _File:
    """The points of a capture file, and what its rows need of it."""

    places: tuple[_Place, ...]
    looks: dict[int, Look]
    station: str
    first_ns: int

    def look(self, i: int) -> Look:
        if i not in self.looks:
            self.looks[i] = take_look(self.places[i].record, self.places[i].point, nominal_hz=None)
        return self.looks[i]


@dataclass(frozen=True, slots=True)
class _Event:
    """Features of an event's windows, the first of each phase as the catalogue's, and where it was recorded."""

    label: Label
    features: npt.NDArray[np.float32]
    n_phases: int
    site: str
    recording: tuple[float, float]


def labelled_events(table: Path, *, sites: SiteTable | None = None, find: Find | None = None) -> LabelledEvents:
    """Read a table of labelled events and take the features of their windows.

    Parameters
    ----------
    table : CSV with the columns capture, start, label, and where wanted site and phases; further ones are not read.
        Paths are relative to its folder. Or a catalogue with a column label, of which rows with a label count.
    find : finds the captures of a catalogue by their digests, see `labels.read_labels`.
    sites : what a person declares of the sites that the captures are of.

    Returns
    -------
    LabelledEvents. Each event has windows of every phase that takes part, with the leads `LEADS_CYCLES`. Phases that
    are not given are those whose window departs at least half as much as any from the continuation of its first two
    cycles, or all for the pure voltage. Where a file holds several points, the event is taken at the one that departs
    most. The nominal frequency is told as in a screening.

    Raises
    ------
    ConfigError : the table cannot be read, or rows of it cannot be used: each is named with the reason; or there are
        too few classes, or too few events of one.
    """
    data, rows, problems = read_labels(table, find)
    by_file: dict[Path, list[Label]] = {}
    for row in rows:
        by_file.setdefault(row.capture, []).append(row)
    found: list[_Event] = []
    reading = Reading(_VOLTAGES, describe=None if sites is None else sites.described)
    with keep_unpacked():
        for path, of_file in by_file.items():
            try:
                file = _opened(path, reading)
            except (ReadError, SignalError) as error:
                problems += [(row.line, str(error)) for row in of_file]
                continue
            for row in of_file:
                try:
                    found.append(_event(row, file))
                except (ReadError, SignalError, ConfigError) as error:
                    problems.append((row.line, str(error)))
    if problems:
        lines = [f"line {line}: {reason}" for line, reason in sorted(problems)]
        raise ConfigError("\n".join([f"{table}: {len(lines)} rows cannot be used; nothing was trained", *lines]))
    _check_counts(table, Counter(event.label.label for event in found))
    found.sort(key=lambda event: event.label.line)
    return _together(found, hashlib.sha256(data).hexdigest()[:32])


def _together(found: Sequence[_Event], digest: str) -> LabelledEvents:
    sizes = [len(event.features) for event in found]
    return LabelledEvents(
        features=np.concatenate([event.features for event in found]),
        event=np.repeat(np.arange(len(found), dtype=np.int64), sizes),
        as_judged=np.concatenate([np.arange(len(event.features)) < event.n_phases for event in found]),
        labels=np.array([event.label.label for event in found]),
        sites=np.array([event.site for event in found]),
        captures=np.array([str(event.label.capture) for event in found]),
        recordings=tuple(sorted({event.recording for event in found})),
        digest=digest,
    )


def _check_counts(table: Path, counts: Counter[str]) -> None:
    if len(counts) < LEAST_CLASSES or min(counts.values()) < LEAST_EVENTS:
        listed = ", ".join(f"{name} {n}" for name, n in sorted(counts.items())) or "no events"
        raise ConfigError(
            f"{table}: at least {LEAST_CLASSES} classes with {LEAST_EVENTS} events each are needed; there are: {listed}"
        )


def _opened(path: Path, reading: Reading) -> _File:
    """The points of a file.

    Raises
    ------
    ReadError, SignalError : it cannot be read, or holds no voltage that can be judged.
    """
    headers = reading.headers(path)
    if headers:
        load = lru_cache(maxsize=_KEPT_CAPTURES)(partial(reading.load, path))
        pieces = [Piece(header, partial(load, i), partial(str, path)) for i, header in enumerate(headers)]
    else:
        pieces = [
            Piece(capture.header, partial(_itself, capture), partial(str, path)) for capture in reading.captures(path)
        ]
    if not pieces:
        raise SignalError(f"{path.name}: {'; '.join(remarks_on(path))}")
    first = min((piece.header for piece in pieces), key=lambda header: header.start_ns)
    places = [_Place(record, point) for record in records_of(pieces) for point in points_of(record.header)]
    if not places:
        raise SignalError(f"{path.name}: no voltage that can be judged")
    return _File(tuple(places), {}, first.station, first.start_ns)


def _itself(capture: Capture) -> Capture:
    return capture


def _event(row: Label, file: _File) -> _Event:
    """An event's windows.

    Raises
    ------
    ConfigError, SignalError, ReadError : why it cannot be used.
    """
    start_ns = row.start_ns if row.start_ns is not None else file.first_ns + round(row.offset_s * 1e9)
    covering = [i for i, place in enumerate(file.places) if place.covers(start_ns)]
    if not covering:
        spans = dict.fromkeys((p.record.start_ns(0), p.record.time_ns(p.record.n_samples)) for p in file.places)
        words = ", ".join(f"{iso_utc(first)} to {iso_utc(stop)}" for first, stop in spans)
        raise ConfigError(f"start {row.start} lies outside {row.capture.name}, which holds {words}")
    i, rows = _phases_at(row, file, covering, start_ns)
    place, look = file.places[i], file.look(i)
    windows: dict[int, F64] = {}
    for lead_cycles in LEADS_CYCLES:
        first, values = _window(row, place, look, start_ns, lead_cycles)
        windows.setdefault(first, values[rows])  # near the ends of a record several leads give one window
    for first, values in windows.items():
        if look.is_marked(rows, first, first + values.shape[1]) or not np.isfinite(values).all():
            raise ConfigError(f"{row.capture.name}: samples around {row.start} are missing, stuck or clipped")
    rate_hz = place.record.header.rate_hz
    features = extract(np.concatenate(list(windows.values())), rate_hz=rate_hz, nominal_hz=look.nominal_hz)
    site = row.site or file.station or row.capture.resolve().parent.name
    return _Event(row, features, len(rows), site, (rate_hz, look.nominal_hz))


def _window(row: Label, place: _Place, look: Look, start_ns: int, lead_cycles: float) -> tuple[int, F64]:
    found = ten_cycles(place.record, place.point, start_ns, frequency_hz=look.nominal_hz, lead_cycles=lead_cycles)
    if found is None:
        cycles = place.record.duration_s * look.nominal_hz
        raise ConfigError(f"{row.capture.name}: {cycles:.1f} cycles around {row.start}; ten are needed")
    return found


def _phases_at(row: Label, file: _File, covering: Sequence[int], start_ns: int) -> tuple[int, list[int]]:
    """Which of the places the event is taken at, and which voltages there take part."""
    best: tuple[float, int, list[int]] | None = None
    for i in covering:
        place, look = file.places[i], file.look(i)
        per_cycle = place.record.header.rate_hz / look.nominal_hz
        if per_cycle < LEAST_PER_CYCLE:
            raise ConfigError(f"{row.capture.name}: {per_cycle:.1f} samples per cycle; {LEAST_PER_CYCLE} are needed")
        chosen = [c for c, phase in enumerate(place.point.phases) if takes_part(phase, row.phases)]
        if not chosen:
            continue
        off = departures(_window(row, place, look, start_ns, LEAD_CYCLES)[1][chosen], per_cycle)
        if not row.phases and row.label != _PURE:
            chosen = [c for c, size in zip(chosen, off, strict=True) if size >= _TAKES_PART * off.max()]
        if best is None or off.max() > best[0]:
            best = (float(off.max()), i, chosen)
    if best is None:
        there = sorted({phase for i in covering for phase in file.places[i].point.phases})
        raise ConfigError(f"{row.capture.name}: no voltage of phases {row.phases}; it has {', '.join(there)}")
    return best[1], best[2]


def takes_part(phase: str, phases: str) -> bool:
    """Whether a judged voltage, such as A or AB, is one of some phases, such as BC; none given: every one is.

    A line-to-line voltage takes part where both its phases do, or where the one phase that is given is one of its own.
    """
    return not phases or set(phase) <= set(phases) or (len(phases) == 1 and phases in phase)


def departures(windows: F64, per_cycle: float) -> F64:
    """How far windows depart at most from the continuation of their first two cycles.

    Parameters
    ----------
    windows : shape (n_voltages, n), of one point. [V]
    per_cycle : samples a nominal cycle; the frequency itself is told from the first two, for all voltages alike.

    Returns
    -------
    shape (n_voltages,). [V]; infinite where samples are not finite.

    Source: derived: the phase of the fundamental advances from cycle to cycle by the frequency's share off nominal.
    """
    whole = round(per_cycle)
    place = np.arange(windows.shape[1], dtype=np.float64)
    turned = windows[:, : _CALM_CYCLES * whole] * np.exp(-2j * np.pi * place[: _CALM_CYCLES * whole] / per_cycle)
    first, second = turned[:, :whole].sum(axis=1), turned[:, whole:].sum(axis=1)
    usable = np.isfinite(windows).all(axis=1)
    advance = np.angle(np.sum(np.conj(first[usable]) * second[usable]))
    cycle = per_cycle / (1 + np.clip(advance / (2 * np.pi) * per_cycle / whole, -_MOST_OFF, _MOST_OFF))
    folded = place % cycle
    off = np.full(len(windows), np.inf)
    for i in np.flatnonzero(usable):
        went_on = sum(np.interp(folded + k * cycle, place, windows[i]) for k in range(_CALM_CYCLES)) / _CALM_CYCLES
        off[i] = np.abs(windows[i] - went_on).max()
    return off
