"""The gate between readers and everything else: what passes is finite and bounded, and nothing but a ReadError stops.

Every capture goes through it, whichever reader it comes from. A header with a value that no recording can have makes
the file a malformed one; a sample that no channel can have measured becomes a missing one, never a number.

The bounds are far beyond the largest of each that power systems have, so that they part the absurd from the rare.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, get_args

import numpy as np

from halfcycle.pipeline.capture import SAMPLE_TYPES, Capture, Channel, Header
from halfcycle.pipeline.errors import ConfigError, HalfcycleError, MalformedRecord, ReaderFault, ReadError
from halfcycle.pipeline.terms import LINE_PHASES, LINE_TO_LINE_PHASES, NEUTRAL, Quantity

# Derived: sums of the squares of 100,000 such samples are still numbers in float32. What is possible ends much lower;
# `measures.quality` marks the rest, of whole numbers too, as no measurement.
LARGEST_VALUE: Final = 1e15  # of a sample of voltage or current [V], [A]
LARGEST_OTHER: Final = 1e30  # of a sample of any other quantity; float32 holds its products with small numbers
LEAST_SCALE: Final = 1e-15  # of a voltage or current that is not 0 [V or A a count]
LEAST_OTHER_SCALE: Final = 1e-30
LARGEST_OFFSET_COUNTS: Final = 1e10  # an offset that is larger leaves nothing of the samples
LEAST_RATE_HZ: Final = 1e-6
LARGEST_RATE_HZ: Final = 1e10
LARGEST_FREQUENCY_HZ: Final = 1e6  # nominal
LONGEST_S: Final = 100 * 366 * 86_400.0  # of a capture
MOST_CHANNELS: Final = 10_000
LONGEST_TEXT: Final = 10_000  # of a name or note [characters]

_LARGEST_NS: Final = 2**63 - 1
_PHASES: Final = ("", *LINE_PHASES, *LINE_TO_LINE_PHASES, NEUTRAL)


@contextmanager
def reading(path: Path, *, format_name: str = "") -> Iterator[None]:
    """Let nothing but a ReadError out of a reader.

    Raises
    ------
    ConfigError : a setting of reading is wrong, which is the fault of no file.
    ReadError : as the reader raised it, or naming the file, the format and what else went wrong in it.
    """
    name = f"the reader of {format_name}" if format_name else "its reader"
    try:
        yield
    except (ReadError, ConfigError):
        raise
    except MemoryError as error:
        raise ReadError(path, "", "needs more memory than is available") from error
    except HalfcycleError as error:
        raise MalformedRecord(path, "", str(error)) from error
    except Exception as error:  # whatever a reader, also one of another distribution, fails to foresee
        reason = f"{name} failed unexpectedly ({type(error).__name__}: {error})"
        raise ReaderFault(path, "", reason) from error


def passed(capture: Capture, path: Path, *, as_note: Callable[[str], str] = str) -> Capture:
    """A capture as everything else may rely on it.

    Parameters
    ----------
    capture : as its reader gave it.
    path : of the file that it was read from.
    as_note : makes a note of what was put right.

    Returns
    -------
    The same capture; where a float sample is infinite or beyond what its channel can have, a copy in which it is
    missing, with a note that says how many there are.

    Raises
    ------
    MalformedRecord : a value of the header is none that a recording can have.
    """
    check_header(capture.header, path)
    if capture.samples.dtype.kind != "f" or not capture.samples.size:
        return capture
    notes: list[str] = []
    samples: np.ndarray[Any, Any] | None = None
    for i, (channel, row) in enumerate(zip(capture.header.channels, capture.samples, strict=True)):
        low, high = _bounds(channel)
        least, largest = float(row.min()), float(row.max())  # no numbers where one sample is none
        if low <= least and largest <= high:
            continue
        with np.errstate(invalid="ignore"):
            impossible = (row < low) | (row > high)
        if n := int(np.count_nonzero(impossible)):
            samples = capture.samples.copy() if samples is None else samples
            samples[i, impossible] = np.nan
            label = channel.name or f"channel {i + 1}"
            notes.append(as_note(f"{n} samples of {label} are physically impossible; read as missing"))
    if samples is None:
        return capture
    header = replace(capture.header, notes=(*capture.header.notes, *notes))
    return Capture(header, samples)


def _bounds(channel: Channel) -> tuple[float, float]:
    """Least and largest raw sample that a channel can have; finite, so that an infinite one is beyond them."""
    limit = LARGEST_OTHER if channel.quantity == "other" else LARGEST_VALUE
    reach = limit / abs(channel.scale) if channel.scale else math.inf
    zero = -channel.offset / channel.scale if channel.scale else 0.0
    most = float(np.finfo(np.float32).max)
    return max(zero - reach, -most), min(zero + reach, most)


def check_header(header: Header, path: Path) -> None:
    """Refuse a header with a value that no recording can have.

    Raises
    ------
    MalformedRecord : naming the file, the value and what is allowed.
    """
    try:
        _check_recording(header)
        for i, channel in enumerate(header.channels):
            if _PASSED.get(id(channel)) is not channel:
                _check_channel(channel, i + 1)
                _remember(channel)
    except _Refused as error:
        raise MalformedRecord(path, error.place, error.reason) from None


_PASSED: dict[int, Channel] = {}  # channels that were looked at, by their identity: the files of a recorder share them
_MOST_PASSED: Final = 1 << 12


def _remember(channel: Channel) -> None:
    if len(_PASSED) >= _MOST_PASSED:
        _PASSED.clear()
    _PASSED[id(channel)] = channel


class _Refused(Exception):
    """A value that is not allowed."""

    def __init__(self, place: str, value: object, allowed: str) -> None:
        self.place = place
        self.reason = f"{_short(value)}, which no recording can have; allowed: {allowed}"
        super().__init__(place, self.reason)


def _check_recording(header: Header) -> None:
    if not isinstance(header.channels, tuple) or not all(isinstance(one, Channel) for one in header.channels):
        raise _Refused("channels", header.channels, "a list of channels")
    if len(header.channels) > MOST_CHANNELS:
        raise _Refused("number of channels", len(header.channels), f"up to {MOST_CHANNELS}")
    if header.sample_type not in SAMPLE_TYPES:
        raise _Refused("sample type", header.sample_type, ", ".join(SAMPLE_TYPES))
    _check_whole("number of samples", header.n_samples, 0, _LARGEST_NS)
    _check_whole("time of the first sample [ns since 1970]", header.start_ns, -_LARGEST_NS, _LARGEST_NS)
    _check_number("sampling rate [Hz]", header.rate_hz, LEAST_RATE_HZ, LARGEST_RATE_HZ)
    if header.n_samples / header.rate_hz > LONGEST_S:
        raise _Refused("duration [s]", header.n_samples / header.rate_hz, f"up to {LONGEST_S:g}")
    if header.end_ns > _LARGEST_NS:
        raise _Refused("time of the last sample [ns since 1970]", header.end_ns, f"up to {_LARGEST_NS}")
    if header.trigger_ns is not None:
        _check_whole("time of the trigger [ns since 1970]", header.trigger_ns, -_LARGEST_NS, _LARGEST_NS)
    if header.nominal_frequency_hz is not None:
        _check_number("nominal frequency [Hz]", header.nominal_frequency_hz, 0.0, LARGEST_FREQUENCY_HZ)
    _check_texts({"station": header.station, "source": header.source})
    if not isinstance(header.notes, tuple):
        raise _Refused("notes", header.notes, "a list of texts")
    _check_texts({f"note {i + 1}": note for i, note in enumerate(header.notes)}, longest=1 << 20)


def _check_channel(channel: Channel, number: int) -> None:
    label = f"channel {number}"
    if channel.quantity not in get_args(Quantity):
        raise _Refused(f"{label}, quantity", channel.quantity, ", ".join(get_args(Quantity)))
    if channel.phase not in _PHASES:
        raise _Refused(f"{label}, phase", channel.phase, ", ".join(_PHASES[1:]))
    _check_texts({f"{label}, name": channel.name, f"{label}, unit": channel.unit, f"{label}, point": channel.point})
    is_other = channel.quantity == "other"
    largest = LARGEST_OTHER if is_other else LARGEST_VALUE
    _check_number(f"{label}, scale", channel.scale, -largest, largest)
    _check_number(f"{label}, offset", channel.offset, -largest, largest)
    least = LEAST_OTHER_SCALE if is_other else LEAST_SCALE
    if 0 < abs(channel.scale) < least:
        raise _Refused(f"{label}, scale", channel.scale, f"0, or at least {least:g}")
    if not is_other and abs(channel.offset) > LARGEST_OFFSET_COUNTS * abs(channel.scale) > 0:
        raise _Refused(f"{label}, offset", channel.offset, f"up to {LARGEST_OFFSET_COUNTS:g} times the scale")
    if channel.rated is not None:
        _check_number(f"{label}, rated value", channel.rated, 0.0, LARGEST_OTHER)
    for what in ("missing_code", "rail_low", "rail_high"):
        if (code := getattr(channel, what)) is not None:
            _check_whole(f"{label}, {what}", code, -_LARGEST_NS, _LARGEST_NS)


def _check_number(place: str, value: object, low: float, high: float) -> None:
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not (is_number and low <= value <= high):  # type: ignore[operator]
        raise _Refused(place, value, f"a number from {low:g} to {high:g}")


def _check_whole(place: str, value: object, low: int, high: int) -> None:
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise _Refused(place, value, f"a whole number from {low} to {high}")


def _check_texts(texts: dict[str, str], *, longest: int = LONGEST_TEXT) -> None:
    for place, text in texts.items():
        if not isinstance(text, str) or len(text) > longest:
            raise _Refused(place, text, f"a text of up to {longest} characters")


def _short(value: object) -> str:
    shown: str | Sequence[Any] = f"is {value!r}"
    return str(shown if len(shown) <= 80 else f"{shown[:77]}...")
