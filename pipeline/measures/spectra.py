"""Spectra of 10/12-cycle windows that are synchronised to the fundamental: IEC 61000-4-7 groups, distortion, noise.

Each window is resampled, so that it holds a whole number of points however the frequency lies, and transformed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures import resampling
from halfcycle.pipeline.measures.half_cycle import HalfCycles

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

MARGIN_SAMPLES: Final = resampling.MARGIN_SAMPLES  # beyond each end of a window that its resampling looks at
SMOOTH_ORDERS: Final = 25  # that a wave without edges has
_FEWEST_ORDERS = 80  # that samples hold, to tell edges by those above the smooth ones
_WINDOW_S = 0.2  # nominal length: 10 cycles of 50 Hz, 12 of 60 Hz
_HIGHEST = 0.46  # of the sampling rate: beyond, the weights let too little through to make up for it
_FREQUENCY_RANGE = 1.15  # of nominal up to which all orders stay below that; EN 50160 allows +15 % to islands
_QUIET = 0.42  # of the sampling rate, up to which noise is measured: beyond, much of what is seen there is mirrored
_GAPS_IN_BAND = 10  # neighbouring gaps between harmonics that share one noise level
_CLEAR = 4.0  # times the power of the noise in its lines, above which a group stands out; by chance 1 in 2000 does
_LENGTH_TOLERANCE = 0.003  # by which a window may differ from what its frequency says, before it holds a phase jump


@dataclass(frozen=True, slots=True)
class SpectrumWindows:
    """Windows of a whole number of cycles, the same for all channels.

    Attributes
    ----------
    starts, lengths : float64, shape (n_windows,). [samples]
    flags : uint8, shape (n_channels, n_windows). Marks of `measures.quality` in each.
    n_cycles : in each.
    """

    starts: F64
    lengths: F64
    flags: npt.NDArray[np.uint8]
    n_cycles: int


@dataclass(frozen=True, slots=True)
class Spectra:
    """What the spectra of some windows say; all values are RMS.

    Attributes
    ----------
    starts, lengths : float64, shape (n_windows,). [samples]
    rate_hz : of the samples. [Hz]
    n_cycles : in each window.
    dc : float32, shape (n_channels, n_windows). Mean, with its sign. [unit of the samples]
    rms : float32, shape (n_channels, n_windows). Of all lines up to 0.46 of the sampling rate. [unit of the samples]
    harmonics : float32, shape (n_channels, n_windows, n_orders). Harmonic (sub)groups of orders 1, 2, …
    angles_deg : float32, shape as `harmonics`. Angle at the rising zero crossing of the channel's own fundamental, as
        in sin(h θ + angle); -180 to 180. [degrees]
    interharmonics : float32, shape as `harmonics`. Interharmonic (centred sub)groups; the first lies below the
        fundamental, number i between orders i and i + 1.
    floor : float32, shape as `harmonics`. Broadband noise in one line of the transform, around each of those gaps.
    noise : float32, shape (n_channels, n_windows). Broadband noise up to half the sampling rate.
    lines : of the transform, in a harmonic and in an interharmonic (sub)group.
    abrupt : float32, shape (n_channels, n_windows). Peak of what lies above order 25 in the averaged cycle, where edges
        show; None where the sampling rate holds under 80 orders. [unit of the samples]

    Examples
    --------
    >>> u = np.sin(2 * np.pi * 50 * np.arange(6400) / 6400)
    >>> spectra = hc.synchronised_spectra(u, rate_hz=6400, starts=[640], lengths=[1280], n_cycles=10)
    >>> spectra.harmonics.shape
    (1, 1, 50)
    """

    starts: F64
    lengths: F64
    rate_hz: float
    n_cycles: int
    dc: F32
    rms: F32
    harmonics: F32
    angles_deg: F32
    interharmonics: F32
    floor: F32
    noise: F32
    lines: tuple[int, int]
    abrupt: F32 | None = None

    def harmonics_above_noise(self) -> F32:
        """Harmonics less the power of the noise in their lines, 0 where they do not stand out; shape as `harmonics`."""
        return _above(self.harmonics, self.floor, self.lines[0])

    def interharmonics_above_noise(self) -> F32:
        """Interharmonics less the power of the noise in their lines, 0 where they do not stand out; shape likewise."""
        return _above(self.interharmonics, self.floor, self.lines[1])


def windows_of(
    series: HalfCycles, *, n_cycles: int | None = None, every: int = 1, usable: npt.ArrayLike | None = None
) -> SpectrumWindows:
    """Windows that follow one another from the start of a half-cycle series.

    Parameters
    ----------
    series : half cycles of a record.
    n_cycles : in a window; None: 10 at a nominal 50 Hz, 12 at 60 Hz.
    every : takes only each such window of the row; 1: without a gap.
    usable : bool, shape (n,). Half cycles that windows may hold; None: all.

    Returns
    -------
    SpectrumWindows. Those in which the frequency was not measured, the phase jumped, or a half cycle was not usable are
    left out; those with marks stay.

    Raises
    ------
    SignalError : every or n_cycles below 1, or a mask that does not fit.

    Source: IEC 61000-4-7:2002, 4.4.1 (window of 10 or 12 cycles).  Departs: windows are not aligned to the clock.
    """
    cycles = round(_WINDOW_S * series.nominal_hz) if n_cycles is None else n_cycles
    if every < 1 or cycles < 1:
        raise SignalError(f"every is {every} and n_cycles {cycles}; both must be 1 or more")
    allowed = series.tracked if usable is None else np.asarray(usable, np.bool_)
    if allowed.shape != (series.n,):
        raise SignalError(f"usable has shape {allowed.shape}; there are {series.n} half cycles")
    good = series.tracked & allowed
    starts, step = series.starts[0], 2 * cycles
    first = int(np.searchsorted(starts, MARGIN_SAMPLES))
    i = np.arange(first, max(series.n - step, first), step * every)
    held = i[:, None] + np.arange(step)
    lengths = starts[i + step] - starts[i]
    hertz = series.frequency_hz[held].astype(np.float64).mean(axis=1)
    take = good[held].all(axis=1) & (np.abs(lengths * hertz / (series.rate_hz * cycles) - 1.0) < _LENGTH_TOLERANCE)
    flags = np.bitwise_or.reduce(series.flags[:, held[take]], axis=2)
    return SpectrumWindows(starts[i[take]], lengths[take], flags, cycles)


def synchronised_spectra(
    u: npt.ArrayLike,
    *,
    rate_hz: float,
    starts: npt.ArrayLike,
    lengths: npt.ArrayLike,
    n_cycles: int,
    highest_order: int = 50,
    grouping: Literal["subgroups", "groups"] = "subgroups",
) -> Spectra:
    """Spectra of windows that begin and end at given places between the samples.

    Parameters
    ----------
    u : shape (n_channels, n_samples) or (n_samples,). Voltage or current, finite. [any unit]
    rate_hz : float > 0. Sampling rate. [Hz]
    starts : shape (n_windows,). Start of each window, at a crossing of the fundamental or anywhere. [samples]
    lengths : shape (n_windows,). `n_cycles` of the fundamental that each window has. [samples]
    n_cycles : cycles in a window, even: 10 at 50 Hz, 12 at 60 Hz.
    highest_order : the last one wanted; there are fewer where a frequency 15 % above nominal would put it beyond 0.46
        of the sampling rate.
    grouping : ``subgroups`` (IEC 61000-4-30 class A) or ``groups``.

    Returns
    -------
    Spectra. Each window's values depend on its own samples alone.

    Raises
    ------
    SignalError : a window that comes within `MARGIN_SAMPLES` of the ends of u, has too few samples for one order, or
        holds samples that are not finite; shapes that do not fit; n_cycles odd or below 8.

    Source: IEC 61000-4-7:2002 + A1:2008, 4.4 and 5.5 (windows, groups, subgroups) [memory]. Noise: of each ten
    neighbouring gaps between harmonics the middle one stands for the noise, its median taken to the mean by Wilson and
    Hilferty (1931), PNAS 17, 684.  Departs: the window is as long as the tracked cycles, to a fraction of a sample. A
    tone's value is right to 3e-4 of it below 0.35 of the sampling rate, to 1e-2 up to 0.45, and to 3e-5 of the largest;
    what leaks from tones between lines counts up to seven times as much, at 0.4, as in an ideal spectrum.

    Examples
    --------
    >>> t = np.arange(6400) / 6400
    >>> u = np.sqrt(2) * (230 * np.sin(2 * np.pi * 50 * t) + 11.5 * np.sin(2 * np.pi * 250 * t))
    >>> spectra = hc.synchronised_spectra(u, rate_hz=6400, starts=[640], lengths=[1280], n_cycles=10)
    >>> np.round(spectra.harmonics[0, 0, :5], 2).tolist()
    [230.0, 0.0, 0.0, 0.0, 11.5]
    """
    values = np.atleast_2d(np.asarray(u))
    begin, length = (np.atleast_1d(np.asarray(places, np.float64)) for places in (starts, lengths))
    _check(values, begin, length, n_cycles, rate_hz)
    n_orders = min(highest_order, int(_HIGHEST * rate_hz * _WINDOW_S / n_cycles / _FREQUENCY_RANGE))
    if n_orders < 1 or (length.size and length.min() < 2 * (n_orders * n_cycles + n_cycles // 2 + 1)):
        raise SignalError(f"windows of {n_cycles} cycles have too few samples for a harmonic of order {n_orders}")
    shape = (values.shape[0], begin.size, n_orders)
    lines = (3, n_cycles - 3) if grouping == "subgroups" else (n_cycles, n_cycles - 1)
    dc, rms, noise = (np.empty(shape[:2], np.float32) for _ in range(3))
    reaches = _HIGHEST * rate_hz * _WINDOW_S / n_cycles >= _FEWEST_ORDERS
    abrupt = np.empty(shape[:2], np.float32) if reaches else None
    harmonics, angles, gaps, floor = (np.empty(shape, np.float32) for _ in range(4))
    found = Spectra(begin, length, rate_hz, n_cycles, dc, rms, harmonics, angles, gaps, floor, noise, lines, abrupt)
    for rows, resampled in resampling.resampled_windows(values, begin, length):
        _summarise(resampled.reshape(-1, resampled.shape[2]), length[rows], found, rows, grouping)
    return found


def total_harmonic_distortion(harmonics: npt.ArrayLike, *, highest_order: int = 40) -> F64:
    """Harmonics beyond the fundamental against the fundamental, THD.

    Parameters
    ----------
    harmonics : shape (..., n_orders). RMS of orders 1, 2, … [any unit]
    highest_order : the last that counts: 40 (EN 50160, IEC 61000-2-2) or 50 (IEEE 519, IEC 61000-4-30).

    Returns
    -------
    float64, shape (...). [pu of the fundamental]  Infinite where there is no fundamental, 0 where there is nothing.

    Source: IEC 61000-4-7:2002, 3.3 [memory].

    Examples
    --------
    >>> round(float(hc.total_harmonic_distortion([230.0, 0.0, 6.9, 0.0, 9.2])), 3)
    0.05
    """
    values = np.asarray(harmonics, np.float64)
    return _ratio(np.linalg.norm(values[..., 1:highest_order], axis=-1), values[..., 0])


def _ratio(part: F64, whole: F64) -> F64:
    part, whole = np.broadcast_arrays(part, whole)
    return np.asarray(np.divide(part, whole, out=np.where(part > 0, np.inf, 0.0), where=whole > 0))


def _above(rms: F32, floor: F32, lines: int) -> F32:
    power, noise = rms**2, lines * floor**2
    above: F32 = np.sqrt(np.where(power > _CLEAR * noise, power - noise, np.float32(0)))
    return above


def _check(values: npt.NDArray[np.generic], starts: F64, lengths: F64, n_cycles: int, rate_hz: float) -> None:
    if values.ndim != 2 or starts.ndim != 1 or starts.shape != lengths.shape:
        raise SignalError(
            f"u has shape {values.shape}, starts {starts.shape}, lengths {lengths.shape}; they must agree"
        )
    if n_cycles < 8 or n_cycles % 2 or not rate_hz > 0:
        raise SignalError(f"n_cycles is {n_cycles}, rate_hz {rate_hz:g}; expected an even number from 8 on, and a rate")
    last = values.shape[1] - MARGIN_SAMPLES
    if not ((lengths > 0).all() and (starts >= MARGIN_SAMPLES).all() and (starts + lengths <= last).all()):
        raise SignalError(f"windows must have a length and lie between samples {MARGIN_SAMPLES} and {last}")


@dataclass(frozen=True, slots=True)
class _Layout:
    """How many lines of a transform of so many points are looked at."""

    n_lines: int
    n_gaps: int  # between harmonics, in which noise is measured
    band: int  # gaps that share a noise level; those left over go with the last band


@cache
def _layout(points: int, n_cycles: int, n_orders: int) -> _Layout:
    fewest = resampling.fewest_samples(points)
    n_gaps = max(int(_QUIET * fewest / n_cycles), 1)
    n_lines = max(int(_HIGHEST * fewest), n_orders * n_cycles + n_cycles // 2 + 1)
    return _Layout(n_lines, n_gaps, n_gaps // max(n_gaps // _GAPS_IN_BAND, 1))


def _summarise(resampled: F32, lengths: F64, found: Spectra, rows: I64, grouping: str) -> None:
    """Fills in some windows of the same number of points, given channel by channel and window by window."""
    from scipy.fft import rfft

    points, n, n_orders = resampled.shape[1], found.n_cycles, found.harmonics.shape[2]
    layout = _layout(points, n, n_orders)
    shape = (-1, rows.size)
    lengths = np.tile(lengths, resampled.shape[0] // rows.size)
    lines = rfft(resampled, axis=1)[:, : layout.n_lines]
    make_up = resampling.power_make_up(lengths, points=points, n_lines=layout.n_lines) * np.float32(2 / points**2)
    power = (lines.real**2 + lines.imag**2) * make_up
    power[:, 0] /= 2
    found.dc[:, rows] = (lines[:, 0].real * np.sqrt(make_up[:, 0] / 2)).reshape(shape)
    found.rms[:, rows] = np.sqrt(power.sum(axis=1)).reshape(shape)
    harmonics, gaps = (
        np.sqrt(part).reshape(*shape, n_orders)
        for part in group_powers(power, n_cycles=n, n_orders=n_orders, grouping=grouping)
    )
    found.harmonics[:, rows], found.interharmonics[:, rows] = harmonics, gaps
    turns = np.angle(lines[:, n : n_orders * n + 1 : n].astype(np.complex128), deg=True) + 90.0
    turns -= np.arange(1, n_orders + 1) * turns[:, :1]
    found.angles_deg[:, rows] = (turns - 360.0 * np.ceil(turns / 360.0 - 0.5)).reshape(*shape, n_orders)
    tapered = lines[:, 1:-1] - (lines[:, :-2] + lines[:, 2:]) / 2  # a Hann window: tones between lines do not spread
    quiet = (tapered.real**2 + tapered.imag**2)[:, : layout.n_gaps * n] * make_up[:, 1 : layout.n_gaps * n + 1] / 1.5
    floor, noise = _noise(quiet, lengths, layout, n, n_orders)
    if found.abrupt is not None:
        found.abrupt[:, rows] = _abrupt(lines[:, ::n], make_up[:, ::n]).reshape(shape)
    found.floor[:, rows], found.noise[:, rows] = floor.reshape(*shape, n_orders), noise.reshape(shape)


def group_powers(power: F32, *, n_cycles: int, n_orders: int, grouping: str) -> tuple[F32, F32]:
    """Power of harmonic and of interharmonic groups.

    Parameters
    ----------
    power : shape (n_windows, n_lines), n_lines > n_cycles * (n_orders + 1/2). Of the lines of a transform over
        `n_cycles`. [unit²]
    n_cycles, n_orders : even, and from order 1 to which.
    grouping : ``subgroups`` or ``groups``.

    Returns
    -------
    (harmonic, interharmonic), each of shape (n_windows, n_orders); the first interharmonic one lies below order 1.

    Source: IEC 61000-4-7:2002 + A1:2008, 5.5 [memory].
    """
    n, last = n_cycles, n_orders * n_cycles
    gaps = power[:, :last].reshape(power.shape[0], n_orders, n)
    if grouping == "subgroups":
        harmonics = power[:, n - 1 : last : n] + power[:, n : last + 1 : n] + power[:, n + 1 : last + 2 : n]
        return harmonics, _summed(gaps[:, :, 2:-1])
    around = power[:, n // 2 : n // 2 + last].reshape(power.shape[0], n_orders, n)
    ends = power[:, n // 2 + n : n // 2 + last + 1 : n] - around[:, :, 0]
    harmonics = _summed(around)
    harmonics += ends / 2
    return harmonics, _summed(gaps[:, :, 1:])


def _abrupt(lines: npt.NDArray[np.complex64], make_up: F32) -> F32:
    """Peak of the averaged cycle above the orders of a smooth wave, from the lines of the harmonics, the mean first."""
    from scipy.fft import irfft

    points = 2 << (lines.shape[1] - 1).bit_length()
    above = lines * np.sqrt(make_up * np.float32(points**2 / 2))
    above[:, : SMOOTH_ORDERS + 1] = 0
    peak: F32 = np.abs(irfft(above, points, axis=1)).max(axis=1)
    return peak


def _summed(rows: F32) -> F32:
    """Sums of short rows, shape (..., k) to (...): column by column, as NumPy is slow at the sums of short rows."""
    total: F32 = rows[..., 0].copy()
    for k in range(1, rows.shape[-1]):
        total += rows[..., k]
    return total


def _noise(power: F32, lengths: F64, layout: _Layout, n: int, n_orders: int) -> tuple[F32, F32]:
    """Noise in one line around each gap, and in all up to half the rate; from tapered lines, the first number 1."""
    n_used, band = n - 5, layout.band
    gaps = _summed(power.reshape(-1, layout.n_gaps, n)[:, :, 2 : n - 3])
    n_bands = layout.n_gaps // band
    ordered = np.sort(gaps[:, : n_bands * band].reshape(-1, n_bands, band), axis=2)
    # Powers of neighbouring tapered lines correlate by 4/9 and 1/36; so many of them are independent.
    independent = n_used**2 / (n_used + 2 * (n_used - 1) * 4 / 9 + 2 * (n_used - 2) / 36)
    middle = (1.0 - 1.0 / (9.0 * independent)) ** 3  # median of a gap's power against its mean, of white noise
    levels = (ordered[:, :, (band - 1) // 2] + ordered[:, :, band // 2]) / (2.0 * n_used * middle)
    total = band * n * levels.sum(axis=1) + levels[:, -1] * (lengths / 2 - n_bands * band * n)
    which = np.minimum(np.arange(n_orders) // band, n_bands - 1)
    return np.sqrt(levels[:, which]).astype(np.float32), np.sqrt(total).astype(np.float32)
