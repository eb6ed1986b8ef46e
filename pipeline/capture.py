"""Capture: one waveform record of one site, as raw samples with what turns them into volts and amperes."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.quick_pickle import by_position
from halfcycle.pipeline.terms import Quantity

SampleArray = npt.NDArray[Any]  # of one of the types below
SAMPLE_TYPES = ("int16", "int32", "float32")
_USUAL = {name: np.dtype(name) for name in SAMPLE_TYPES}

# Readers cut longer files into captures of at most this many samples a channel; the pieces follow one another
# without a gap, so they are one record again downstream, and memory stays bounded however long a file is.
MAX_CAPTURE_SAMPLES = 1 << 21


@by_position
@dataclass(frozen=True, slots=True)
class Channel:
    """One channel of a capture.

    Attributes
    ----------
    name : as the file has it.
    quantity : ``voltage``, ``current`` or ``other``.
    phase : ``A``, ``B``, ``C``, ``N``, ``AB``, ``BC``, ``CA`` or ``""``.
    unit : of a sample after scaling: ``V``, ``A``, or what the file says for other quantities.
    scale, offset : primary value = raw sample * scale + offset. [unit per count], [unit]
    point : the measuring point that the channel belongs to, where a file holds several; else ``""``.
    missing_code : the raw integer that stands for "no sample", if the format has one (float samples use NaN).
    rail_low, rail_high : the raw integers at which the recorder's range ends, where known.
    rated : the rated value that the file states for the channel, such as the primary side of a voltage
        transformer; the system's nominal voltage is often the same. [unit of the channel]

    Examples
    --------
    >>> v1 = hc.Channel("V1", "voltage", "A", "V", scale=0.02)
    >>> v1.scale * 11500  # volts of a raw sample
    230.0
    """

    name: str
    quantity: Quantity
    phase: str
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    point: str = ""
    missing_code: int | None = None
    rail_low: int | None = None
    rail_high: int | None = None
    rated: float | None = None


@by_position
@dataclass(frozen=True, slots=True)
class Header:
    """All of a capture but its samples.

    Attributes
    ----------
    station : station name in the file, or ``""``.
    start_ns : time of the first sample, UTC. [ns since 1970-01-01]
    rate_hz : exact sampling rate. [Hz]
    n_samples : samples of each channel.
    nominal_frequency_hz : what the file states, or None. [Hz]
    trigger_ns : time of the trigger, where the file states one. [ns since 1970-01-01]
    source : name of the file it came from.
    notes : what was odd in the file and what was decided, in plain words.

    Examples
    --------
    >>> header = hc.Header("Sorrel Mill", 0, 6400.0, 12800, (hc.Channel("V1", "voltage", "A", "V"),), "int16")
    >>> header.duration_s
    2.0
    """

    station: str
    start_ns: int
    rate_hz: float
    n_samples: int
    channels: tuple[Channel, ...]
    sample_type: str
    nominal_frequency_hz: float | None = None
    trigger_ns: int | None = None
    source: str = ""
    notes: tuple[str, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length of the capture, one sample interval a sample. [s]"""
        return self.n_samples / self.rate_hz

    @property
    def end_ns(self) -> int:
        """Time at which the next sample would follow. [ns since 1970-01-01]"""
        return self.time_ns(self.n_samples)

    def time_ns(self, i_sample: float) -> int:
        """Time of a (fractional) sample position. [ns since 1970-01-01]"""
        return self.start_ns + round(i_sample * 1e9 / self.rate_hz)


@dataclass(frozen=True, slots=True)
class Capture:
    """A header and its raw samples, shape (channels, samples), read-only.

    Raises
    ------
    SignalError : shape, sample type or rate do not fit the header.

    Examples
    --------
    >>> header = hc.Header("Sorrel Mill", 0, 6400.0, 3, (hc.Channel("V1", "voltage", "A", "V", scale=0.5),), "int16")
    >>> hc.Capture(header, np.array([[0, 10, -4]], np.int16)).physical(0)
    array([ 0.,  5., -2.])
    """

    header: Header
    samples: SampleArray = field(repr=False)

    def __post_init__(self) -> None:
        header, samples = self.header, self.samples
        shape = (len(header.channels), header.n_samples)
        if samples.shape != shape:
            raise SignalError(f"samples have shape {samples.shape}, the header says {shape}")
        usual = _USUAL.get(header.sample_type)
        is_usual = usual is not None and samples.dtype == usual  # the name of a type takes longer than all other checks
        if not is_usual and (samples.dtype.name not in SAMPLE_TYPES or samples.dtype.name != header.sample_type):
            raise SignalError(f"samples are {samples.dtype.name}; allowed are {', '.join(SAMPLE_TYPES)}, "
                              f"and the header says {header.sample_type}")  # fmt: skip
        if not 0 < header.rate_hz < math.inf:  # of whole numbers without end, too
            raise SignalError(f"sampling rate is {header.rate_hz} Hz; it must be above zero")
        samples.flags.writeable = False

    def physical(self, i_channel: int) -> npt.NDArray[np.float64]:
        """One channel in its unit, missing samples as NaN. [unit of the channel]"""
        channel, raw = self.header.channels[i_channel], self.samples[i_channel]
        with np.errstate(invalid="ignore"):  # a signalling NaN is a missing sample like any other
            values: npt.NDArray[np.float64] = raw.astype(np.float64) * channel.scale + channel.offset
        if channel.missing_code is not None:
            values[raw == channel.missing_code] = np.nan
        return values

    def digest(self) -> str:
        """Digest of the content: the same samples, channels and times give the same 32 hexadecimal digits."""
        return content_digest(self.header, self.samples)


def content_digest(header: Header, samples: Iterable[SampleArray]) -> str:
    """The digest of a capture's content; see `Capture.digest`.

    Parameters
    ----------
    header : of the capture.
    samples : of its channels, one after the other, each whole or piece by piece.
    """
    sha = hashlib.sha256(json.dumps(header_content(header), sort_keys=True).encode())
    for row in samples:
        sha.update(np.ascontiguousarray(row).data)
    return sha.hexdigest()[:32]


def header_content(header: Header) -> dict[str, Any]:
    """What a header says of the recording itself; the file's name and the reader's notes are left out."""
    return {
        "station": header.station,
        "start_ns": header.start_ns,
        "rate_hz": header.rate_hz,
        "n_samples": header.n_samples,
        "sample_type": header.sample_type,
        "nominal_frequency_hz": header.nominal_frequency_hz,
        "trigger_ns": header.trigger_ns,
        "channels": [
            {name: getattr(channel, name) for name in Channel.__dataclass_fields__} for channel in header.channels
        ],
    }
