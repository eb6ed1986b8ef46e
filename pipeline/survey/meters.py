"""The meters of a point along a record, once for all surveys: half cycles, blocks, events, rapid changes, flicker."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.flicker_severity import Severity, SeverityMeter
from halfcycle.pipeline.measures.flickermeter import LOWEST_RATE_HZ, Flickermeter, Lamp
from halfcycle.pipeline.measures.half_cycle import HalfCycleMeter, Stretch
from halfcycle.pipeline.records.points import Point, judged_channels, measured_channels
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.sites.account import Account, PointAccount
from halfcycle.pipeline.survey.blocks import BlockMeter, Blocks, Wanted, together
from halfcycle.pipeline.survey.event_flags import EventFlags
from halfcycle.pipeline.survey.lamps import lamp_of
from halfcycle.pipeline.survey.rapid_changes import RapidChanges

_BLOCKS_AT_ONCE: Final = 1500  # five minutes: a few MiB


class Taker(Protocol):
    """Who takes the blocks of a record, in order."""

    def take(self, blocks: Blocks) -> None:
        """Takes further blocks; does not raise SignalError."""

    def fail(self, error: SignalError) -> None:
        """There will be no further blocks."""


@dataclass(frozen=True, slots=True)
class Metered:
    """What is to be measured of a point, for all surveys that share it.

    Attributes
    ----------
    thresholds : of sags, swells and interruptions.
    lamp_v : of the flickermeter; None: see `lamps.lamp_of`. [V]
    signal_hz : of a mains signal; None: none is measured. [Hz]
    flicker, changes : whether flicker, and rapid voltage changes, are measured.
    """

    thresholds: Thresholds
    lamp_v: Lamp | None
    signal_hz: float | None
    flicker: bool
    changes: bool


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a point before its first sample.

    Attributes
    ----------
    point : which.
    of_account : what the account of its site says of it.
    live : voltages that are judged for events, by number.
    hertz : of the system; None: not told. [Hz]
    rate_hz : of the samples. [Hz]
    """

    point: Point
    of_account: PointAccount
    live: tuple[int, ...]
    hertz: float | None
    rate_hz: float

    @property
    def reference_v(self) -> float:
        """The nominal voltage, else what is usual there; 0 where neither is told. [V]"""
        return self.of_account.nominal_v or self.of_account.usual_v or 0.0

    def frequency_hz(self) -> float:
        """Of the system. [Hz]

        Raises
        ------
        SignalError : it is not told.
        """
        if self.hertz is None:
            raise SignalError("no fundamental between 40 and 70 Hz in the voltages; give the nominal frequency")
        return self.hertz


def known_of(record: Record, point: Point, account: Account) -> Known:
    """What is known of a point of a record."""
    of_account = account.point(point.name) or PointAccount("", point.phases, point.hookup.line_to_line)
    live = tuple(of_account.live(declared_hookup=account.hookup is not None))
    return Known(point, of_account, live, account.nominal_frequency_hz, record.header.rate_hz)


class Meters:
    """Takes the samples of a record and hands blocks of 10/12 cycles on, so many at a time that each is worth a call.

    Parameters
    ----------
    record, known : whose samples come, and what is known of the point.
    metered : what is to be measured beside blocks.
    takers : what of spectra each wants, and who takes the blocks. What two want alike is measured once.

    Raises
    ------
    SignalError : the frequency is not told, or there are too few samples a cycle.
    """

    def __init__(self, record: Record, known: Known, metered: Metered, takers: Sequence[tuple[Wanted, Taker]]) -> None:
        self._record, self._known, self._metered = record, known, metered
        header, point, hertz = record.header, known.point, known.frequency_hz()
        channels = measured_channels(header, point) if point.currents else judged_channels(header, point)
        self._n_u = len(point.voltages)
        self._nominal_hz = float(round(hertz))
        self._branches = [
            _Branch(
                BlockMeter(
                    channels, rate_hz=header.rate_hz, nominal_hz=hertz, start_ns=record.start_ns(0), wanted=wanted
                ),
                of_them,
            )
            for wanted, of_them in _shared(takers)
        ]
        nominal_v = known.of_account.nominal_v
        self.events = EventFlags(metered.thresholds, reference_v=known.reference_v) if known.reference_v else None
        self.changes = (
            RapidChanges(reference_v=nominal_v, nominal_hz=self._nominal_hz)
            if metered.changes and nominal_v is not None else None
        )  # fmt: skip
        self.severities: list[Severity] = []
        self.lamp = ""  # of the flickermeter, and why
        self._flicker: SeverityMeter | None = None
        self._position = 0  # of the next samples in the record
        self._half_cycles: HalfCycleMeter | None = HalfCycleMeter(
            channels, rate_hz=header.rate_hz, nominal_hz=hertz, n_leading=self._n_u,
            followers=[*(branch.follow for branch in self._branches), self._follow_events], keeps_series=False,
        )  # fmt: skip

    def push(self, raw: npt.NDArray[np.generic]) -> None:
        """Takes the next samples of the record."""
        if self._half_cycles is not None:
            self._half_cycles.push(raw)
            self._push_flicker(raw[: self._n_u])
            for branch in self._branches:
                branch.hand_on(last=False)

    def finish(self) -> None:
        """All was pushed: what is left is handed on. Of the record nothing is held from here on."""
        half_cycles, self._half_cycles = self._half_cycles, None  # which holds these meters as its followers
        branches, self._branches = self._branches, []  # which hold those who take their blocks
        if half_cycles is None:
            return
        half_cycles.finish()
        for branch in branches:
            branch.hand_on(last=True)
        if self._flicker is not None:
            self.severities += self._flicker.finish()

    def _follow_events(self, stretch: Stretch) -> None:
        """Finds the sags, swells, interruptions and rapid changes of a stretch."""
        voltages = stretch.series.of_channels(self._known.live)
        if self.events is not None:
            self.events.push(voltages)
        if self.changes is not None and voltages.n:
            self.changes.push(voltages)

    def _push_flicker(self, raw: npt.NDArray[np.generic]) -> None:
        """Gives the flickermeter the next voltages; one that meets missing samples is done, and another begins anew."""
        position, self._position = self._position, self._position + raw.shape[1]
        rate_hz = self._known.rate_hz
        if not self._metered.flicker or rate_hz < LOWEST_RATE_HZ:
            return
        if raw.dtype.kind == "f" and not np.isfinite(raw).all():
            self.severities += self._flicker.finish() if self._flicker is not None else []
            self._flicker = None
            return
        if self._flicker is None:
            lamp, why = lamp_of(
                self._metered.lamp_v, nominal_v=self._known.reference_v,
                line_to_line=self._known.point.hookup.line_to_line, nominal_hz=self._nominal_hz,
            )  # fmt: skip
            self.lamp = f"{lamp} V, {why}"
            meter = Flickermeter(n_channels=self._n_u, rate_hz=rate_hz, lamp_v=lamp, nominal_hz=self._nominal_hz)
            self._flicker = SeverityMeter(meter, start_ns=self._record.time_ns(position))
        self.severities += self._flicker.push(raw)


class _Branch:
    """Blocks of one kind on their way from the meter to those who take them."""

    def __init__(self, meter: BlockMeter, takers: Sequence[Taker]) -> None:
        self._meter, self._takers = meter, takers
        self._waiting: list[Blocks] = []  # until there are enough
        self._failed = False

    def follow(self, stretch: Stretch) -> None:
        """Measures the blocks of a stretch; where that cannot be done, those who take them are told."""
        if self._failed:
            return
        try:
            self._meter.follow(stretch)
        except SignalError as error:
            self._failed = True
            for taker in self._takers:
                taker.fail(error)

    def hand_on(self, *, last: bool) -> None:
        """Hands on what waits, if it is the last of it or worth a call."""
        self._waiting += self._meter.take()
        if self._waiting and (last or sum(blocks.starts_ns.size for blocks in self._waiting) >= _BLOCKS_AT_ONCE):
            blocks, self._waiting = together(self._waiting), []
            for taker in self._takers:
                taker.take(blocks)


def _shared(takers: Sequence[tuple[Wanted, Taker]]) -> list[tuple[Wanted, list[Taker]]]:
    """Those together for whom the same blocks do: those with spectra keep clear of a record's ends, others do not."""
    alike: dict[tuple[bool, bool], tuple[Wanted, list[Taker]]] = {}
    for wanted, take in takers:
        key = (wanted.spectra, wanted.run_on)
        if key not in alike:
            alike[key] = (wanted, [take])
            continue
        held, of_them = alike[key]
        both = replace(
            held, groups=held.groups or wanted.groups, bands=held.bands or wanted.bands,
            signal_hz=held.signal_hz if wanted.signal_hz is None else wanted.signal_hz,
        )  # fmt: skip
        alike[key] = (both, [*of_them, take])
    return list(alike.values())
