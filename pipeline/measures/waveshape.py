"""The waveshape of a record, sampled: spectra and notches of a 10/12-cycle window every few seconds.

What is steady shows in a few windows as well as in all of them, at a twentieth of the cost.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Final, TypeVar

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.capture import SampleArray as Raw
from halfcycle.pipeline.measures.half_cycle import HalfCycles, Stretch, joined
from halfcycle.pipeline.measures.notches import EDGES, NotchSeries, measure_notches, no_notches
from halfcycle.pipeline.measures.quality import MISSING
from halfcycle.pipeline.measures.spectra import MARGIN_SAMPLES, Spectra, synchronised_spectra, windows_of

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
U8 = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

EVERY: Final = 25  # windows, one is measured: every five seconds; common practice, no source
_FEWEST_WINDOWS: Final = 12  # of a record, before windows are left out: what is steady shows in a short one too
_FEWEST_SAMPLES_A_CYCLE: Final = 24  # for notches and more than a few orders
_AT_ONCE = 16  # windows that are measured at one go
_IN_UNITS: Final = {"dc", "rms", "harmonics", "interharmonics", "floor", "noise", "abrupt", "depth", "area"}

Series = TypeVar("Series", Spectra, NotchSeries)


@dataclass(frozen=True, slots=True)
class Waveshape:
    """Spectra and notches of some windows of a record, positions in it.

    Attributes
    ----------
    spectra : of the windows.
    notches : of the same windows.
    flags : uint8, shape (n_channels, n_windows). Marks of `measures.quality` in each.
    """

    spectra: Spectra
    notches: NotchSeries
    flags: U8

    def of_channels(self, channels: Sequence[int]) -> Waveshape:
        """The measures of some of the channels."""
        chosen = list(channels)
        return Waveshape(_rows(self.spectra, chosen), _rows(self.notches, chosen), self.flags[chosen])

    def outside(self, spans: F64) -> Waveshape:
        """Without the windows that share a sample with any of some spans, shape (k, 2). [samples]"""
        starts, stops = self.spectra.starts, self.spectra.starts + self.spectra.lengths
        keep = np.ones(starts.size, np.bool_)
        for first, stop in spans.tolist():
            keep &= (stops <= first) | (starts >= stop)
        return Waveshape(_windows(self.spectra, keep), _windows(self.notches, keep), self.flags[:, keep])


@dataclass(frozen=True, slots=True)
class _Cut:
    """A window's samples with `MARGIN_SAMPLES` before it and beyond, and where the record has it. [samples]"""

    samples: Raw
    start: float
    length: float
    flags: U8
    n_cycles: int
    rate_hz: float


def sparse_every(duration_s: float) -> int:
    """Of how many windows one is measured in a record of this length; all of them in one of a few seconds."""
    return min(max(int(duration_s / 0.2) // _FEWEST_WINDOWS, 1), EVERY)


class WaveshapeMeter:
    """Follows a `HalfCycleMeter` and measures a window every few seconds.

    Parameters
    ----------
    channels : of the stretches' first rows, that are measured: the voltages.
    rate_hz, nominal_hz : of the samples and of the fundamental. [Hz]
    every : the first of each so many windows is measured.
    """

    def __init__(self, channels: Sequence[Channel], *, rate_hz: float, nominal_hz: float, every: int = EVERY) -> None:
        self._channels = tuple(channels)
        self._able = rate_hz >= _FEWEST_SAMPLES_A_CYCLE * nominal_hz
        self._every = every
        self._known: HalfCycles | None = None  # from the first half cycle of the next window on, or what there is
        self._ahead = 0  # half cycles to come before that window
        self._found: list[Waveshape] = []
        self._cut: list[_Cut] = []

    def follow(self, stretch: Stretch) -> None:
        """Measures the windows that the stretch completes."""
        if not self._able or not stretch.series.n:
            return
        n_cycles = round(0.2 * stretch.series.nominal_hz)
        series = stretch.series.of_channels(range(len(self._channels)))
        known = series if self._known is None else joined([self._known, series])
        if self._known is None:
            self._ahead = int(np.searchsorted(known.starts.min(axis=0), MARGIN_SAMPLES))
        size, stride = 2 * n_cycles, 2 * n_cycles * self._every
        n_windows = max(-(-(known.n - self._ahead - size) // stride), 0)
        if n_windows:
            whole = known.part(self._ahead, self._ahead + (n_windows - 1) * stride + size + 1)
            self._measure(stretch, whole, n_cycles)
            self._ahead += n_windows * stride
        drop = min(self._ahead, known.n)
        self._known, self._ahead = known.part(drop, known.n), self._ahead - drop

    def _measure(self, stretch: Stretch, series: HalfCycles, n_cycles: int) -> None:
        usable = ~(series.flags & MISSING).any(axis=0)
        windows = windows_of(series, n_cycles=n_cycles, every=self._every, usable=usable)
        n_samples = stretch.raw.shape[1]
        for i, (start, length) in enumerate(zip(windows.starts.tolist(), windows.lengths.tolist(), strict=True)):
            first = int(start) - stretch.start - MARGIN_SAMPLES
            stop = int(np.ceil(start + length)) - stretch.start + MARGIN_SAMPLES
            marks = (row for row in stretch.flags[: len(self._channels)] if row is not None)
            if first < 0 or stop > n_samples or any((row[first:stop] & MISSING).any() for row in marks):
                continue
            samples = stretch.raw[: len(self._channels), first:stop].copy()
            self._cut.append(_Cut(samples, start, length, windows.flags[:, i], n_cycles, series.rate_hz))
            if len(self._cut) == _AT_ONCE:
                self._measure_cut()

    def _measure_cut(self) -> None:
        """Measure the windows that were cut out, side by side."""
        if not self._cut:
            return
        cut, self._cut = self._cut, []
        u = _in_counts(np.concatenate([one.samples for one in cut], axis=1), self._channels)
        before = np.cumsum([0] + [one.samples.shape[1] for one in cut[:-1]])
        starts, lengths = np.array([one.start for one in cut]), np.array([one.length for one in cut])
        place: dict[str, Any] = {
            "rate_hz": cut[0].rate_hz,
            "n_cycles": cut[0].n_cycles,
            "starts": before + MARGIN_SAMPLES + (starts - np.floor(starts)),
            "lengths": lengths,
        }
        spectra = synchronised_spectra(u, **place)
        notches = _notches(u, spectra, place)
        self._found.append(
            Waveshape(
                replace(_in_units(spectra, self._channels), starts=starts),
                replace(_in_units(notches, self._channels), starts=starts),
                np.stack([one.flags for one in cut], axis=1),
            )
        )

    def finish(self) -> Waveshape | None:
        """All windows of the record; None where none was measured."""
        self._measure_cut()
        if not self._found:
            return None
        return Waveshape(
            _joined([one.spectra for one in self._found]),
            _joined([one.notches for one in self._found]),
            np.concatenate([one.flags for one in self._found], axis=1),
        )


def may_be_notched(abrupt: F32, fundamental: F32, *, least_depth_pu: float = 0.05) -> Mask:
    """Windows in which `measure_notches` may find something, with a factor of two to spare.

    Parameters
    ----------
    abrupt : peak of what lies above order 25 in the averaged cycle, as `spectra` gives it. [any unit]
    fundamental : RMS, shape as abrupt. [unit of abrupt]
    least_depth_pu : shallower ones are not looked for. [pu of the fundamental's peak]

    Source: derived; the factor of two is tried.
    """
    may: Mask = abrupt > 0.5 * EDGES * least_depth_pu * np.sqrt(2.0) * fundamental
    return may


def _notches(u: Raw, spectra: Spectra, place: dict[str, Any]) -> NotchSeries:
    """Notches of windows with spectra; only those are searched that have something abrupt about them."""
    whole = no_notches(
        spectra.starts, spectra.lengths, rate_hz=spectra.rate_hz, n_cycles=spectra.n_cycles, n_channels=u.shape[0]
    )
    if spectra.abrupt is None:
        return measure_notches(u, **place)
    rows = np.flatnonzero(may_be_notched(spectra.abrupt, spectra.harmonics[..., 0]).any(axis=0))
    if rows.size:
        searched = {**place, "starts": spectra.starts[rows], "lengths": spectra.lengths[rows]}
        found = measure_notches(u, **searched)
        for name, values in _of_windows(whole).items():
            values[:, rows] = getattr(found, name)
    return whole


def _in_counts(raw: Raw, channels: Sequence[Channel]) -> Raw:
    """Samples less the offset that they are stored with, the right way up; the raw ones where that changes nothing."""
    values = raw[: len(channels)]
    if all(not channel.offset and channel.scale >= 0 for channel in channels):
        return values
    offset = np.array([channel.offset / channel.scale if channel.scale else 0.0 for channel in channels], np.float32)
    sign = np.array([-1.0 if channel.scale < 0 else 1.0 for channel in channels], np.float32)
    return (values + offset[:, None]) * sign[:, None]


def _in_units(series: Series, channels: Sequence[Channel]) -> Series:
    """Measures of counts as those of what the counts stand for."""
    scale = np.array([abs(channel.scale) for channel in channels], np.float32)
    changed: dict[str, Any] = {}
    for name in _IN_UNITS & _of_windows(series).keys():
        values = getattr(series, name)
        changed[name] = values * scale.reshape(-1, *[1] * (values.ndim - 1))
    return replace(series, **changed)


def _of_windows(series: Spectra | NotchSeries) -> dict[str, Any]:
    """The arrays of a series that have channels and windows, by name."""
    values = {field.name: getattr(series, field.name) for field in fields(series)}
    return {name: value for name, value in values.items() if isinstance(value, np.ndarray) and value.ndim > 1}


def _rows(series: Series, channels: list[int]) -> Series:
    return replace(series, **{name: value[channels] for name, value in _of_windows(series).items()})


def _windows(series: Series, keep: Mask) -> Series:
    changed: dict[str, Any] = {name: value[:, keep] for name, value in _of_windows(series).items()}
    return replace(series, starts=series.starts[keep], lengths=series.lengths[keep], **changed)


def _joined(parts: Sequence[Series]) -> Series:
    names = _of_windows(parts[0])
    changed: dict[str, Any] = {name: np.concatenate([getattr(part, name) for part in parts], axis=1) for name in names}
    return replace(
        parts[0],
        starts=np.concatenate([part.starts for part in parts]),
        lengths=np.concatenate([part.lengths for part in parts]),
        **changed,
    )
