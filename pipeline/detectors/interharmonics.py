"""Interharmonics beyond a limit that last."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from pydantic import Field

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.spans import F64
from halfcycle.pipeline.detectors.steady import (
    LastingExcursion,
    SteadySettings,
    lasting_excursions,
    shares_of,
    unmarked,
)
from halfcycle.pipeline.measures.spectra import Spectra

_MOST_NAMED = 6


class InterharmonicSettings(SteadySettings):
    """Limit of interharmonics.

    limit_pct : of the fundamental, for each group. IEEE Std 1159-2019 Table 2, row 5.3, ends its typical range there
        (from memory); EN 50160 sets no limit.
    least_fundamental_pu : of nominal; windows with a smaller fundamental are not judged.
    """

    limit_pct: float = Field(2.0, gt=0)
    least_fundamental_pu: float = Field(0.5, gt=0)


def find_interharmonics(
    spectra: Spectra, *, nominal: float, settings: InterharmonicSettings, flags: npt.ArrayLike | None = None
) -> list[Finding]:
    """Spans in which an interharmonic group stays beyond a limit.

    Parameters
    ----------
    spectra : of the judged voltages of one measuring point.
    nominal : what 1 pu stands for. [unit of the spectra]
    settings : the limit, what makes it last, and the least fundamental.
    flags : uint8, shape (n_channels, n_windows). Marks of `measures.quality`; a window with one is not judged. None: no
        marks.

    Returns
    -------
    Findings of kind ``interharmonics`` in order of start. Magnitude is the largest group, in % of the fundamental; the
    notes name the groups beyond the limit by the orders between which they lie and by their frequencies.

    Source: groups as the spectra have them.  Departs: the power of broadband noise in a group does not count.
    """
    first = spectra.harmonics[..., 0]
    judged = unmarked(flags, first.shape) & (first >= settings.least_fundamental_pu * nominal)
    shares = shares_of(spectra.interharmonics_above_noise(), first, judged)
    largest = shares.max(axis=2)
    found = lasting_excursions(
        largest, judged, starts=spectra.starts, lengths=spectra.lengths, rate_hz=spectra.rate_hz,
        limit=settings.limit_pct, settings=settings,
    )  # fmt: skip
    return [
        Finding(
            kind="interharmonics",
            category="interharmonics",
            start=excursion.start,
            stop=excursion.stop,
            magnitude=float(largest[excursion.peak(largest)]),
            magnitude_unit="%",
            parts=excursion.parts(largest),
            open_start=excursion.open_start,
            open_stop=excursion.open_stop,
            notes=_named(excursion, shares, largest, spectra, settings.limit_pct),
        )
        for excursion in found
    ]


def _named(excursion: LastingExcursion, shares: F64, largest: F64, spectra: Spectra, limit_pct: float) -> str:
    """The groups beyond the limit, the largest first."""
    worst = np.array([shares[..., i][excursion.peak(shares[..., i])] for i in range(shares.shape[2])])
    order = np.argsort(-worst, kind="stable")
    beyond = order[worst[order] > limit_pct].tolist()
    hertz = spectra.rate_hz * spectra.n_cycles / float(spectra.lengths[excursion.peak(largest)[1]])
    words = [
        f"{worst[i]:.3g} % between orders {i} and {i + 1} ({i * hertz:.0f} to {(i + 1) * hertz:.0f} Hz)"
        for i in beyond[:_MOST_NAMED]
    ]
    if len(beyond) > _MOST_NAMED:
        words.append(f"{len(beyond) - _MOST_NAMED} more")
    return ", ".join(words)
