"""Flat-topped voltage: crests flattened by what many rectifiers draw there; told apart from a recorder's clipping.

A recorder cuts the crest off: equal samples in counts, which `measures.quality` marks. A load flattens it: its samples
still differ, and harmonics of low order at the right angles make it up.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt
from pydantic import Field

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.steady import SteadySettings, lasting_excursions, shares_of, unmarked
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.spectra import Spectra

F64 = npt.NDArray[np.float64]

_ORDERS: Final = 25  # that make up the crest
_POINTS: Final = 256  # of a cycle in which the crest is looked for
_FLATTENING_ORDERS: Final = (3, 5, 7)
_THD_ORDERS: Final = 40


class FlatToppingSettings(SteadySettings):
    """Limit of flat-topping.

    limit_pct : of the peak that the fundamental would have, lost. IEC 61000-4-13, class 2, flat curve: the crest cut at
        90 % (from memory), by which equipment is tested.
    least_fundamental_pu : of nominal; windows with a smaller fundamental are not judged.
    """

    limit_pct: float = Field(10.0, gt=0)
    least_fundamental_pu: float = Field(0.5, gt=0)


@dataclass(frozen=True, slots=True)
class CrestShape:
    """Crest of a wave as its harmonics make it up; float64 arrays, shape as the harmonics less their last axis.

    Attributes
    ----------
    crest_factor : peak over RMS; of a sine 1.414.
    loss : share by which the peak stays below that of the fundamental; below zero where it is above. [pu]
    from_low_orders : what orders 3, 5 and 7 take away at the fundamental's crest, of its peak. [pu]
    """

    crest_factor: F64
    loss: F64
    from_low_orders: F64


def flat_topping(harmonics: npt.ArrayLike, angles_deg: npt.ArrayLike) -> CrestShape:
    """How flat the crest of a voltage is, from its harmonics.

    Parameters
    ----------
    harmonics : shape (..., n_orders). RMS of orders 1, 2, …; the first 25 count. [any unit]
    angles_deg : shape as harmonics. Angle at the fundamental's rising zero crossing, as in sin(h θ + angle). [degrees]

    Returns
    -------
    CrestShape. Where there is no fundamental, crest factor, loss and contribution are 0.

    Raises
    ------
    SignalError : shapes that differ, or no order.

    Source: derived. At θ = 90° order 3 stands at -cos(angle), order 5 at +cos(angle), and so on in turn.
    """
    rms, angles = np.asarray(harmonics, np.float64), np.radians(np.asarray(angles_deg, np.float64))
    if rms.shape != angles.shape or not rms.ndim or not rms.shape[-1]:
        raise SignalError(f"harmonics have shape {rms.shape}, angles_deg {angles.shape}; they must agree")
    rms, angles = rms[..., :_ORDERS], angles[..., :_ORDERS]
    sines, cosines = _waves(rms.shape[-1])
    wave = (rms * np.cos(angles)) @ sines + (rms * np.sin(angles)) @ cosines  # over sqrt 2
    peak = np.sqrt(2.0) * np.abs(wave).max(axis=-1)
    first, total = rms[..., 0], np.sqrt((rms**2).sum(axis=-1))
    alive = first > 0
    lost = np.zeros(first.shape)
    for order in _FLATTENING_ORDERS:
        if order <= rms.shape[-1]:
            lost -= rms[..., order - 1] * np.sin(order * np.pi / 2 + angles[..., order - 1])
    return CrestShape(
        np.divide(peak, total, out=np.zeros(first.shape), where=alive),
        np.where(alive, 1.0 - np.divide(peak, np.sqrt(2.0) * first, out=np.zeros(first.shape), where=alive), 0.0),
        np.divide(lost, first, out=np.zeros(first.shape), where=alive),
    )


@cache
def _waves(n_orders: int) -> tuple[F64, F64]:
    """One cycle of the sines and of the cosines of orders 1, 2, …, shape (n_orders, _POINTS)."""
    turned = 2.0 * np.pi * np.arange(_POINTS) / _POINTS * np.arange(1, n_orders + 1)[:, None]
    return np.sin(turned), np.cos(turned)


def find_flat_topping(
    spectra: Spectra, *, nominal: float, settings: FlatToppingSettings, flags: npt.ArrayLike | None = None
) -> list[Finding]:
    """Spans in which loads flatten the voltage's crest by more than a limit, whatever the limits of harmonics say.

    Parameters
    ----------
    spectra : of the judged voltages of one measuring point.
    nominal : what 1 pu stands for. [unit of the spectra]
    settings : the limit, what makes it last, and the least fundamental.
    flags : uint8, shape (n_channels, n_windows). Marks of `measures.quality`; a window with one, a clipped one before
        all, is not judged, so that a recorder's rails are not taken for a load. None: no marks.

    Returns
    -------
    Findings of kind ``harmonics`` in order of start, with the total harmonic distortion in % as their magnitude; the
    notes give the loss, the crest factor and the orders 3, 5 and 7. A lower crest counts only where these make up at
    least half of the loss.

    Source: common practice, no source.
    """
    shape = flat_topping(spectra.harmonics, spectra.angles_deg)
    first = spectra.harmonics[..., 0]
    judged = unmarked(flags, first.shape) & (first >= settings.least_fundamental_pu * nominal)
    loss = np.where(judged & (shape.from_low_orders >= 0.5 * shape.loss), 100.0 * shape.loss, 0.0)
    found = lasting_excursions(
        loss, judged, starts=spectra.starts, lengths=spectra.lengths, rate_hz=spectra.rate_hz,
        limit=settings.limit_pct, settings=settings,
    )  # fmt: skip
    shares = shares_of(spectra.harmonics_above_noise(), first, judged)
    total = np.sqrt((shares[..., 1:_THD_ORDERS] ** 2).sum(axis=2))
    findings = []
    for excursion in found:
        worst = excursion.peak(loss)
        orders = [f"h{h} {shares[worst][h - 1]:.2g} %" for h in _FLATTENING_ORDERS if h <= shares.shape[2]]
        findings.append(
            Finding(
                kind="harmonics",
                category="harmonics",
                start=excursion.start,
                stop=excursion.stop,
                magnitude=float(total[excursion.peak(total)]),
                magnitude_unit="%",
                parts=excursion.parts(total),
                open_start=excursion.open_start,
                open_stop=excursion.open_stop,
                notes=(
                    f"flat-topped: crest {loss[worst]:.3g} % below the fundamental's, "
                    f"crest factor {shape.crest_factor[worst]:.3f}; {', '.join(orders)}"
                ),
            )
        )
    return findings
