"""Indices made of harmonics: distortion against the fundamental, the RMS and the demand; K-factor, transformer losses.

The harmonics are RMS values of orders 1, 2, … along the last axis: subgroups of `spectra` or `harmonic_spectra`, or
means of them over any interval. THD against the fundamental is `spectra.total_harmonic_distortion`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.spectra import total_harmonic_distortion

F64 = npt.NDArray[np.float64]


def distortion_of_rms(harmonics: npt.ArrayLike, *, highest_order: int = 40) -> F64:
    """Harmonics beyond the fundamental against all of them together, THD-R; never above 1.

    Parameters
    ----------
    harmonics : shape (..., n_orders). RMS of orders 1, 2, … [any unit]
    highest_order : the last that counts.

    Returns
    -------
    float64, shape (...). [pu of the RMS]  1 where there is no fundamental, 0 where there is nothing.

    Source: derived from THD: THD-R = THD-F / sqrt(1 + THD-F²); THD-F is `spectra.total_harmonic_distortion`.
    """
    of_fundamental = total_harmonic_distortion(harmonics, highest_order=highest_order)
    with np.errstate(invalid="ignore"):
        of_rms = of_fundamental / np.sqrt(1 + of_fundamental**2)
    return np.where(np.isinf(of_fundamental), 1.0, of_rms)


def interharmonic_distortion(interharmonics: npt.ArrayLike, fundamental: npt.ArrayLike) -> F64:
    """All interharmonic groups together against the fundamental.

    Parameters
    ----------
    interharmonics : shape (..., n_orders). RMS of the (centred sub)groups. [any unit]
    fundamental : shape (...). RMS. [same unit]

    Returns
    -------
    float64, shape (...). [pu of the fundamental]  NaN without a fundamental.

    Source: IEC 61000-4-7:2002, annex A (from memory).
    """
    return _ratio(np.linalg.norm(np.asarray(interharmonics, np.float64), axis=-1), fundamental)


def total_demand_distortion(harmonics: npt.ArrayLike, *, demand_current_a: float, highest_order: int = 50) -> F64:
    """Harmonic current against the greatest demand current, TDD.

    Parameters
    ----------
    harmonics : shape (..., n_orders). RMS of orders 1, 2, … [A]
    demand_current_a : float > 0. Fundamental of the greatest demand, IL. [A]
    highest_order : the last that counts.

    Returns
    -------
    float64, shape (...). [pu of IL]

    Raises
    ------
    SignalError : a demand current that is not above zero.

    Source: IEEE Std 519-2022, 3.1.
    """
    if not demand_current_a > 0:
        raise SignalError(f"the demand current is {demand_current_a:g} A; it must be above zero")
    values = np.asarray(harmonics, np.float64)[..., 1:highest_order]
    return np.asarray(np.linalg.norm(values, axis=-1) / demand_current_a, np.float64)


def k_factor(harmonics: npt.ArrayLike) -> F64:
    """K-factor of a current, referred to its RMS.

    Parameters
    ----------
    harmonics : shape (..., n_orders). RMS of orders 1, 2, … [A]

    Returns
    -------
    float64, shape (...). [1]  1 for a sine; NaN without a current.

    Source: UL 1561: sum of h² Ih² over sum of Ih².
    """
    return _weighted(harmonics, 2.0, np.s_[:])


def harmonic_loss_factor(harmonics: npt.ArrayLike) -> F64:
    """Harmonic loss factor for winding eddy currents, F_HL: h² weighs each order.

    Parameters
    ----------
    harmonics : shape (..., n_orders). RMS of orders 1, 2, … [A]

    Returns
    -------
    float64, shape (...). [1]  1 for a sine; NaN without a current.

    Source: IEEE Std C57.110-2018, 5; the same sum as the K-factor when that is referred to the RMS.
    """
    return _weighted(harmonics, 2.0, np.s_[:])


def smoothed_groups(groups: npt.ArrayLike, *, window_s: float, before: npt.ArrayLike | None = None) -> F64:
    """Groups under the 1.5 s first-order low-pass of emission measurements.

    Parameters
    ----------
    groups : shape (n_windows, ...). Of windows that follow one another. [any unit]
    window_s : float > 0. Length of a window: 0.2 nominally. [s]
    before : shape (...). Last smoothed value before these; None: the first value.

    Returns
    -------
    float64, shape of groups. [same unit]

    Raises
    ------
    SignalError : a window without length.

    Source: IEC 61000-4-7:2002, 5.5.1 and Figure 3 (from memory); the factors are those of exp(-window / 1.5 s).
    """
    from scipy.signal import lfilter

    values = np.asarray(groups, np.float64)
    if not window_s > 0:
        raise SignalError(f"a window of {window_s:g} s; it must be above zero")
    if not values.shape[0]:
        return values
    memory = float(np.exp(-window_s / 1.5))
    last = values[0] if before is None else np.asarray(before, np.float64)
    smooth, _ = lfilter([1 - memory], [1.0, -memory], values, axis=0, zi=memory * last[None])
    return np.asarray(smooth, np.float64)


def _weighted(harmonics: npt.ArrayLike, exponent: float, referred_to: slice) -> F64:
    power = np.asarray(harmonics, np.float64) ** 2
    h = np.arange(1, power.shape[-1] + 1)
    return _ratio((power * h**exponent).sum(axis=-1), power[..., referred_to].sum(axis=-1))


def _ratio(part: npt.ArrayLike, whole: npt.ArrayLike) -> F64:
    above, below = np.broadcast_arrays(np.asarray(part, np.float64), np.asarray(whole, np.float64))
    quotient: F64 = np.divide(above, below, out=np.full(below.shape, np.nan), where=below > 0)
    return quotient
