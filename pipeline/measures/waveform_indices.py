"""Values of windows of whole cycles straight from the samples: RMS, mean, peaks, products, crest factor, deviations.

A window begins and ends between the samples. Its integral is the sum over the samples within and two terms at each
edge, so a window of any length leaves no ripple, and one pass gives the products of all pairs of channels: RMS values
of phases, lines and neutral, and active powers, are all among them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

EDGE_SAMPLES: Final = 3  # beyond each end of a window that its integral may look at
_FEWEST_SAMPLES = 8  # in a window
_PRODUCTS = 1 << 18  # at one go: lies in the cache, and is too small for a library to start threads for it
# Lagrange cubic through the samples at -1, 0, 1 and 2: coefficients of its powers of theta, by sample
_CUBIC: Final = np.array(
    [[0, 1, 0, 0], [-1 / 3, -1 / 2, 1, -1 / 6], [1 / 2, -1, 1 / 2, 0], [-1 / 6, 1 / 2, -1 / 2, 1 / 6]]
)


@dataclass(frozen=True, slots=True)
class WindowValues:
    """What the samples of some windows come to; the same windows for all channels.

    Attributes
    ----------
    products : float64, shape (n_windows, n_channels, n_channels). Mean of the product of each two channels.
        [product of their units]
    mean : float64, shape (n_channels, n_windows). [unit of the channel]
    lowest, highest : float64, shape (n_channels, n_windows). Sample. [unit of the channel]
    """

    products: F64
    mean: F64
    lowest: F64
    highest: F64

    @property
    def rms(self) -> F64:
        """True RMS, shape (n_channels, n_windows). [unit of the channel]"""
        values: F64 = np.sqrt(np.einsum("wcc->cw", self.products).clip(0.0))
        return values

    @property
    def peak(self) -> F64:
        """Largest distance from zero, shape (n_channels, n_windows). [unit of the channel]"""
        return np.maximum(self.highest, -self.lowest)

    def mean_product(self, first: int, second: int) -> F64:
        """Mean of the product of two channels, shape (n_windows,): of a voltage and its current, active power."""
        return self.products[:, first, second]

    def rms_of_sum(self, weights: npt.ArrayLike) -> F64:
        """True RMS of a weighted sum of channels, shape (n_windows,): of a line voltage (1, -1), of a neutral current.

        Parameters
        ----------
        weights : shape (n_channels,).
        """
        of_each = np.asarray(weights, np.float64)
        values: F64 = np.sqrt(np.einsum("c,wcd,d->w", of_each, self.products, of_each).clip(0.0))
        return values


def window_values(
    samples: npt.NDArray[np.generic],
    *,
    starts: npt.ArrayLike,
    lengths: npt.ArrayLike,
    scales: npt.ArrayLike | None = None,
    offsets: npt.ArrayLike | None = None,
) -> WindowValues:
    """RMS, mean, extremes and mean products of windows.

    Parameters
    ----------
    samples : shape (n_channels, n_samples). Raw samples, finite within the windows. [counts, or any unit]
    starts, lengths : shape (n_windows,). Fractional; of at least eight samples, and `EDGE_SAMPLES` from the ends.
        [samples]
    scales, offsets : shape (n_channels,). Unit = count * scale + offset; None: 1 and 0. All is 0 where a scale is.

    Returns
    -------
    WindowValues. Each window's depend on its own samples alone.

    Raises
    ------
    SignalError : windows that do not lie within the samples, shapes that do not fit, samples that are not finite.

    Source: IEC 61000-4-30 Ed. 3, 5.2.1 (RMS over 10/12 cycles); IEEE 1459-2010, 3.1.2.3 (P, the mean of the product).
    The edges' terms are derived: Euler-Maclaurin (DLMF 2.10(i)) on the cubic through the samples there.
    """
    begin, length = (np.atleast_1d(np.asarray(places, np.float64)) for places in (starts, lengths))
    _check(samples, begin, length)
    n_channels, n_windows = samples.shape[0], begin.size
    scale = np.ones(n_channels) if scales is None else np.asarray(scales, np.float64)
    offset = np.zeros(n_channels) if offsets is None else np.asarray(offsets, np.float64)
    if scale.shape != (n_channels,) or offset.shape != (n_channels,):
        raise SignalError(f"scales {scale.shape} and offsets {offset.shape} must have shape ({n_channels},)")
    stop = begin + length
    shift = np.divide(offset, scale, out=np.zeros(n_channels), where=scale != 0)  # in counts: small against sums
    first_edge, last_edge = _edge_of(samples, shift, begin), _edge_of(samples, shift, stop)
    sums, products = last_edge[1] - first_edge[1], last_edge[2] - first_edge[2]
    lowest, highest = np.empty((n_channels, n_windows)), np.empty((n_channels, n_windows))
    step = max(_PRODUCTS // n_channels**2, 1)
    size = min(step, int(length.max(initial=0.0)) + 2)
    once, again = np.empty((n_channels, size), np.float32), np.ones((n_channels + 1, size), np.float32)
    for w, (a, b) in enumerate(zip(first_edge[0].tolist(), last_edge[0].tolist(), strict=True)):
        part = samples[:, a:b]
        lowest[:, w], highest[:, w] = part.min(axis=1), part.max(axis=1)
        for low in range(0, part.shape[1], step):
            piece = part[:, low : low + step]
            values, with_ones = once[:, : piece.shape[1]], again[:, : piece.shape[1]]
            values[:] = piece
            if shift.any():
                values += shift[:, None].astype(np.float32)
            with_ones[:-1] = values  # a copy: of a matrix and itself the product takes a slow way
            found = values @ with_ones.T
            products[w] += found[:, :-1]
            sums[w] += found[:, -1]
    mean, mean_products = (sums / length[:, None]).T, products / length[:, None, None]
    if not (np.isfinite(mean).all() and np.isfinite(mean_products).all()):
        raise SignalError("a window holds samples that are not finite")
    both = (np.stack([lowest, highest]) + shift[:, None]) * scale[:, None]
    in_units = mean_products * np.outer(scale, scale)
    return WindowValues(in_units, mean * scale[:, None], both.min(axis=0), both.max(axis=0))


def _check(samples: npt.NDArray[np.generic], starts: F64, lengths: F64) -> None:
    if samples.ndim != 2 or starts.ndim != 1 or starts.shape != lengths.shape:
        raise SignalError(f"samples {samples.shape}, starts {starts.shape}, lengths {lengths.shape} must agree")
    inside = (starts >= EDGE_SAMPLES) & (starts + lengths <= samples.shape[1] - EDGE_SAMPLES)
    if not (inside & (lengths >= _FEWEST_SAMPLES)).all():
        raise SignalError(
            f"windows must hold {_FEWEST_SAMPLES} samples and lie {EDGE_SAMPLES} from the ends of {samples.shape[1]}"
        )


def _edge_of(samples: npt.NDArray[np.generic], shift: F64, at: F64) -> tuple[I64, F64, F64]:
    """First sample after some places, and what the sum over the samples before it lacks of the integral to the place.

    Returns the sample's number (n,), what lacks for each channel (n, c), and for each product of two (n, c, c).
    """
    i = np.floor(at).astype(np.int64)
    theta = at - i
    around = np.stack([samples[:, i + k] for k in (-1, 0, 1, 2)]).astype(np.float64) + shift[:, None]
    q, c, b, a = np.einsum("pk,kcn->pnc", _CUBIC, around)
    t = theta[:, None]
    value, slope = q + t * (c + t * (b + t * a)), c + t * (2 * b + 3 * t * a)
    level, ramp = theta - 0.5, 0.5 * theta * (theta - 1) + 1 / 12
    product = value[:, :, None] * value[:, None, :]
    change = value[:, :, None] * slope[:, None, :]
    change = change + change.transpose(0, 2, 1)
    lacking = level[:, None, None] * product - ramp[:, None, None] * change
    return i + 1, level[:, None] * value - ramp[:, None] * slope, lacking


def crest_factor(peak: npt.ArrayLike, rms: npt.ArrayLike) -> F64:
    """Peak over RMS.

    Parameters
    ----------
    peak, rms : >= 0, of the same or fitting shapes. [same unit]

    Returns
    -------
    float64. [1]  NaN where the RMS is zero.

    Source: derived; common practice.
    """
    above, below = np.broadcast_arrays(np.asarray(peak, np.float64), np.asarray(rms, np.float64))
    factor: F64 = np.divide(above, below, out=np.full(below.shape, np.nan), where=below > 0)
    return factor


def underdeviation(u_rms: npt.ArrayLike, *, u_din_v: float) -> F64:
    """The part of each 10/12-cycle RMS value that underdeviation is made of: Udin where it is above, itself elsewhere.

    Parameters
    ----------
    u_rms : RMS over 10/12 cycles. [V]
    u_din_v : float > 0. Declared voltage. [V]

    Returns
    -------
    float64, shape of u_rms. [V]  Aggregated like RMS values, then given to `deviation_pct`.

    Raises
    ------
    SignalError : a declared voltage that is not above zero.

    Source: IEC 61000-4-30 Ed. 3, 5.12 (from memory).
    """
    return np.minimum(np.asarray(u_rms, np.float64), _declared(u_din_v))


def overdeviation(u_rms: npt.ArrayLike, *, u_din_v: float) -> F64:
    """The part of each 10/12-cycle RMS value that overdeviation is made of: Udin where it is below, itself elsewhere.

    Parameters, errors and source as for `underdeviation`.
    """
    return np.maximum(np.asarray(u_rms, np.float64), _declared(u_din_v))


def deviation_pct(u_rms: npt.ArrayLike, *, u_din_v: float) -> F64:
    """How far a voltage is from the declared one; never negative for an under- or overdeviation.

    Parameters
    ----------
    u_rms : what `underdeviation` or `overdeviation` gave, one value or aggregated. [V]
    u_din_v : float > 0. Declared voltage. [V]

    Returns
    -------
    float64, shape of u_rms. [% of Udin]

    Raises
    ------
    SignalError : a declared voltage that is not above zero.

    Source: IEC 61000-4-30 Ed. 3, 5.12 (from memory).
    """
    return np.abs(np.asarray(u_rms, np.float64) - _declared(u_din_v)) * (100 / u_din_v)


def _declared(u_din_v: float) -> float:
    if not u_din_v > 0:
        raise SignalError(f"the declared voltage is {u_din_v:g} V; it must be above zero")
    return u_din_v
