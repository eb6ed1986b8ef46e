"""COMTRADE: recordings of protection relays and fault recorders, as .cfg and .dat beside one another or as one .cff.

Source: IEEE C37.111-1991, -1999 (IEC 60255-24:2001) and -2013 (IEC 60255-24:2013), from memory, and files in use.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import MAX_CAPTURE_SAMPLES, Capture, Channel, Header, SampleArray
from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.readers.comtrade.ascii_rows import ascii_rows
from halfcycle.pipeline.readers.comtrade.binary_rows import binary_rows
from halfcycle.pipeline.readers.comtrade.configuration import AnalogChannel, Configuration, parse_configuration
from halfcycle.pipeline.readers.comtrade.gaps import cut_at_gaps
from halfcycle.pipeline.readers.comtrade.sources import SECTION, Sources, locate, sibling
from halfcycle.pipeline.readers.comtrade.stamps import NS_PER_S, NS_PER_YEAR
from halfcycle.pipeline.readers.comtrade.states import states_of
from halfcycle.pipeline.readers.comtrade.timing import RecordingTiming, stamp_note, timing_of_rates, timing_of_stamps
from halfcycle.pipeline.readers.contract import Reader, Repair, StatusChange, reading
from halfcycle.pipeline.readers.kept import has_gone
from halfcycle.pipeline.terms import Quantity

_LAST_NS: Final = np.iinfo(np.int64).max
_COMPANION_ENDINGS: Final = ("hdr", "inf")
_COUNTS: Final = re.compile(rb"\s*\d+\s*,\s*\d+\s*A\s*,\s*\d+\s*D[\s,]*", re.IGNORECASE)
_COUNTS_OF_A_CFG: Final = re.compile(rb"\s*\d+\s*,[^,]*,.*")


def recognises(path: Path, head: bytes) -> bool:
    """Whether the first lines are those of a configuration, or the first one is a section line of a .cff.

    A file named .cfg need not have its numbers of channels in order: then reading it says what is wrong with them.
    """
    head = head.removeprefix(b"\xef\xbb\xbf")
    if SECTION.match(head):
        return True
    lines = [line for line in head.splitlines() if line.strip()][:2]
    if len(lines) < 2 or b"," not in lines[0]:
        return False
    counts = _COUNTS_OF_A_CFG if path.suffix.lower() == ".cfg" else _COUNTS
    return counts.fullmatch(lines[1]) is not None


_COMPANIONS: dict[Path, tuple[int, tuple[Path, ...]]] = {}  # with the time at which their folder last changed
_SETTLED_NS: Final = 4 * 10**9  # after which a change of the folder shows in its time, however coarse that is


def companions(path: Path) -> tuple[Path, ...]:
    """The .dat, .hdr and .inf files of a .cfg."""
    if path.suffix.lower() == ".cff":
        return ()
    try:
        changed_ns = os.stat(os.path.dirname(path) or os.curdir).st_mtime_ns
        known = _COMPANIONS.get(path)
        if known is not None and known[0] == changed_ns:
            return known[1]
        found = (sibling(path, "dat", search=True), *(sibling(path, end, search=False) for end in _COMPANION_ENDINGS))
    except OSError:  # the folder cannot be listed; reading the file will say so
        return ()
    companions = tuple(companion for companion in found if companion is not None)
    if time.time_ns() - changed_ns > _SETTLED_NS and len(_COMPANIONS) < _MOST_LOOKED_AT:
        _COMPANIONS[path] = changed_ns, companions
    return companions


class ComtradeRecording:
    """A recording opened for its captures: one for each stretch of one sampling rate, longer ones cut.

    Its configuration and its time stamps are looked at once; rows of binary data are read where they lie, those of text
    are in memory. Values are in primary volts and amperes.

    Parameters
    ----------
    path : of its .cfg or .cff file.
    quantities : only channels of these quantities; None: all.
    told : its files and configuration, where they were looked at before; None: they are looked at now.

    Attributes
    ----------
    headers : of all captures, in order of time.
    data_path : the file that holds the samples.

    Raises
    ------
    MalformedRecord : the configuration is broken, the data are missing, cut or do not fit it.
    ReadError : a file cannot be read.
    """

    def __init__(
        self, path: Path, quantities: frozenset[Quantity] | None, told: tuple[Sources, Configuration] | None = None
    ) -> None:
        recording, configuration = told or _configured(path)
        if recording.data.kind not in ("", configuration.data_kind):
            raise MalformedRecord(path, "", f"the configuration states {configuration.data_kind} data, "
                                            f"the section line {recording.data.kind}")  # fmt: skip
        analog = configuration.analog
        columns = [i for i, channel in enumerate(analog) if quantities is None or channel.quantity in quantities]
        decode = ascii_rows if configuration.data_kind == "ASCII" else binary_rows
        rows: _Rows = decode(recording.data, columns, configuration=configuration)
        n_samples, notes = _declared_rows(rows.n_rows, configuration.n_samples, recording.data.path)
        timing, timing_notes = _timing(rows, n_samples, configuration, recording.data.path)
        last = timing.stretches[-1]
        if configuration.start_ns + last.offset_ns + last.n_samples / last.rate_hz * NS_PER_S > _LAST_NS:
            raise MalformedRecord(path, "", "according to its sampling rates the recording ends after the year 2262")
        self._path, self._rows, self.data_path = path, rows, recording.data.path
        self._data, self._configuration = recording.data, configuration
        self._pieces = list(_pieces(timing, configuration.start_ns))
        header = Header(
            station=configuration.station,
            start_ns=configuration.start_ns,
            rate_hz=last.rate_hz,
            n_samples=n_samples,
            channels=tuple(_channel(analog[column], rows.missing_code, *rows.rails) for column in columns),
            sample_type=rows.sample_type,
            nominal_frequency_hz=configuration.line_frequency_hz,
            trigger_ns=configuration.trigger_ns,
            source=path.name,
            notes=(
                *recording.notes,
                *configuration.notes,
                *rows.notes,
                *notes,
                *timing_notes,
                *_clock_notes(configuration, timing),
            ),
        )
        self.headers = [
            replace(header, start_ns=start_ns, rate_hz=rate_hz, n_samples=size)
            for _, size, start_ns, rate_hz in self._pieces
        ]

    def captures(self, first: int = 0) -> Iterator[Capture]:
        """The captures from the one at `first` on."""
        for (first_row, size, _, _), header in zip(self._pieces[first:], self.headers[first:], strict=True):
            yield Capture(header, self._rows.values(first_row=first_row, n_rows=size))

    def samples(self, index: int, start: int, stop: int) -> SampleArray:
        """Samples [start, stop) of a capture."""
        if index >= len(self._pieces):
            raise has_gone(self._path, index)
        return self._rows.values(first_row=self._pieces[index][0] + start, n_rows=stop - start)

    def status_changes(self) -> Iterator[StatusChange]:
        """What changes in the status channels, one channel after the other."""
        states = states_of(self._data, self._configuration)
        for name, own in zip(self._configuration.digital, states, strict=True):
            for first_row, size, start_ns, rate_hz in self._pieces:
                first = max(first_row, 1)
                now = own[first : first_row + size]
                for k in np.flatnonzero(now != own[first - 1 : first_row + size - 1]):
                    yield StatusChange(
                        name, start_ns + round((first + k - first_row) / rate_hz * NS_PER_S), bool(now[k])
                    )

    def close(self) -> None:
        """Nothing is open."""


def status_of(path: Path) -> tuple[StatusChange, ...]:
    """What changes in the status channels of a recording, in order of time."""
    recording = ComtradeRecording(path, frozenset())
    return tuple(sorted(recording.status_changes(), key=lambda change: change.at_ns))


_State = tuple[tuple[int, int, int], ...]  # of a recording's files: which they are, their lengths and times
_LOOKED_AT: dict[tuple[Path, frozenset[Quantity] | None], tuple[_State, ComtradeRecording]] = {}
_MOST_LOOKED_AT: Final = 1 << 13  # recordings: of each its headers and where its rows lie are in memory


def read_headers(path: Path, quantities: frozenset[Quantity]) -> list[Header] | None:
    """The headers of a recording with binary data; None where they are text, of which each row must be read.

    What was told for them is at hand when the recording is opened next: it is not parsed again.
    """
    of_configuration = _state(path)
    told = _configured(path)
    if told[1].data_kind == "ASCII":
        return None
    of_data = _state(told[0].data.path)
    recording = ComtradeRecording(path, quantities, told)
    state = None if of_configuration is None or of_data is None else (*of_configuration, *of_data)
    if state is not None and len(_LOOKED_AT) < _MOST_LOOKED_AT:
        _LOOKED_AT[path, quantities] = state, recording
    return recording.headers


def _opened(path: Path, quantities: frozenset[Quantity] | None) -> ComtradeRecording:
    """A recording: as it was looked at for its headers, where its files are as they were then."""
    state, recording = _LOOKED_AT.pop((path, quantities), (None, None))
    if recording is not None and state == _state(path, recording.data_path):
        return recording
    return ComtradeRecording(path, quantities)


def _state(*paths: Path) -> _State | None:
    """None where a file cannot be looked at."""
    try:
        found = [path.stat() for path in paths]
    except OSError:
        return None
    return tuple((one.st_ino, one.st_size, one.st_mtime_ns) for one in found)


def _configured(path: Path) -> tuple[Sources, Configuration]:
    """The files of a recording, and its configuration."""
    sources = locate(path)
    return sources, parse_configuration(sources.configuration, path=path, first_line=sources.first_line)


class _Rows(Protocol):
    """What the two kinds of data have in common; see `BinaryRows`."""

    @property
    def n_rows(self) -> int: ...
    @property
    def stamps_wrap(self) -> bool: ...
    @property
    def notes(self) -> tuple[str, ...]: ...
    @property
    def missing_code(self) -> int | None: ...
    @property
    def rails(self) -> tuple[int | None, int | None]: ...
    @property
    def sample_type(self) -> str: ...
    def values(self, *, first_row: int, n_rows: int) -> SampleArray: ...
    def stamps(self, *, first_row: int, n_rows: int, every: int = 1) -> npt.NDArray[np.float64]: ...
    def ends(self, n_rows: int) -> tuple[tuple[float, float], tuple[float, float]]: ...


def _declared_rows(n_rows: int, n_declared: int | None, path: Path) -> tuple[int, tuple[str, ...]]:
    """How many rows to use: those declared.

    Fewer rows than declared are refused, although what is there could be read: they are how a file looks while it
    is still being copied, and a night's run must not take a part for the whole.
    """
    if n_rows == 0:
        raise MalformedRecord(path, "", "the data hold no samples")
    if n_declared is None or n_rows == n_declared:
        return n_rows, ()
    if n_rows < n_declared:
        raise MalformedRecord(path, "", f"the configuration declares {n_declared} samples, the data hold {n_rows}: "
                                        f"the file is truncated")  # fmt: skip
    return n_declared, (Repair(f"the data hold {n_rows} rows, {n_declared} are declared; the excess rows are ignored"),)


def _timing(
    rows: _Rows, n_samples: int, configuration: Configuration, path: Path
) -> tuple[RecordingTiming, tuple[str, ...]]:
    """The stretches of the recording, and what is to be noted of its sample numbers and time stamps."""
    tick_ns = configuration.stamp_unit_ns * configuration.time_multiplier
    if not configuration.rates:
        timing = timing_of_stamps(
            rows.stamps(first_row=0, n_rows=n_samples), tick_ns=tick_ns, wraps=rows.stamps_wrap, path=path
        )
        return timing, timing.notes
    timing = cut_at_gaps(timing_of_rates(configuration.rates), rows, tick_ns=tick_ns)
    notes = timing.notes
    (first_number, first_stamp), (last_number, last_stamp) = rows.ends(n_samples)
    if np.isfinite([first_number, last_number]).all() and last_number - first_number != n_samples - 1:
        notes += (Repair(
            f"{n_samples} samples are numbered from {first_number:.0f} to {last_number:.0f}; the numbers are ignored"
        ),)  # fmt: skip
    if timing.is_stamped:
        return timing, notes
    note = stamp_note(timing, first_stamp=first_stamp, last_stamp=last_stamp, tick_ns=tick_ns, wraps=rows.stamps_wrap)
    return timing, notes if note is None else (*notes, note)


def _clock_notes(configuration: Configuration, timing: RecordingTiming) -> tuple[str, ...]:
    """What is odd in the times of a recording whose samples are all in order."""
    notes: list[str] = []
    last, start_ns, trigger_ns = timing.stretches[-1], configuration.start_ns, configuration.trigger_ns
    end_ns = start_ns + last.offset_ns + last.n_samples / last.rate_hz * NS_PER_S
    if 0 <= start_ns < NS_PER_YEAR:
        notes.append("the times are of 1970: the recorder's clock was not set")
    if trigger_ns is not None and trigger_ns < start_ns:
        notes.append(f"the trigger is stamped {(start_ns - trigger_ns) / NS_PER_S:g} s before the first sample")
    if trigger_ns is not None and trigger_ns > end_ns:
        notes.append(f"the trigger is stamped {(trigger_ns - end_ns) / NS_PER_S:g} s after the last sample")
    return tuple(notes)


@lru_cache(maxsize=1 << 10)  # the files of a recorder have the same
def _channel(channel: AnalogChannel, missing_code: int | None, rail_low: int | None, rail_high: int | None) -> Channel:
    return Channel(
        name=channel.name,
        quantity=channel.quantity,
        phase=channel.phase,
        unit=channel.unit,
        scale=channel.scale,
        offset=channel.offset,
        point=channel.point,
        missing_code=missing_code,
        rail_low=rail_low,
        rail_high=rail_high,
        rated=channel.rated,
    )


def _pieces(timing: RecordingTiming, start_ns: int) -> Iterator[tuple[int, int, int, float]]:
    """First row, number of rows, start [ns since 1970-01-01] and rate [Hz] of each capture."""
    for stretch in timing.stretches:
        for i in range(0, stretch.n_samples, MAX_CAPTURE_SAMPLES):
            piece_start_ns = start_ns + stretch.offset_ns + round(i * NS_PER_S / stretch.rate_hz)
            size = min(MAX_CAPTURE_SAMPLES, stretch.n_samples - i)
            yield stretch.first_row + i, size, piece_start_ns, stretch.rate_hz


READER = Reader("COMTRADE", recognises, reading(_opened), companions, read_headers, opens=_opened, status=status_of)
