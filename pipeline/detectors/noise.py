"""Broadband noise on the voltage that lasts."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from pydantic import Field

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.steady import SteadySettings, lasting_excursions, unmarked
from halfcycle.pipeline.measures.spectra import Spectra


class NoiseSettings(SteadySettings):
    """Limit of broadband noise.

    limit_pct : RMS, of nominal. IEEE Std 1159-2019 Table 2, row 5.5, ends its typical range there (from memory).
    """

    limit_pct: float = Field(1.0, gt=0)


def find_noise(
    spectra: Spectra, *, nominal: float, settings: NoiseSettings, flags: npt.ArrayLike | None = None
) -> list[Finding]:
    """Spans in which broadband noise stays beyond a limit.

    Parameters
    ----------
    spectra : of the judged voltages of one measuring point; their noise has harmonics and single tones left out.
    nominal : what 1 pu stands for. [unit of the spectra]
    settings : the limit, and what makes it last.
    flags : uint8, shape (n_channels, n_windows). Marks of `measures.quality`; a window with one is not judged. None: no
        marks.

    Returns
    -------
    Findings of kind ``noise`` in order of start. Magnitude is the largest RMS of the noise from dc to half the sampling
    rate, in % of nominal; the notes name that band.

    Source: category of IEEE 1159-2019, Table 2, 5.5 [memory].
    """
    judged = unmarked(flags, spectra.noise.shape)
    shares = np.where(judged, 100.0 * spectra.noise.astype(np.float64) / nominal, 0.0)
    found = lasting_excursions(
        shares, judged, starts=spectra.starts, lengths=spectra.lengths, rate_hz=spectra.rate_hz,
        limit=settings.limit_pct, settings=settings,
    )  # fmt: skip
    return [
        Finding(
            kind="noise",
            category="noise",
            start=excursion.start,
            stop=excursion.stop,
            magnitude=float(shares[excursion.peak(shares)]),
            magnitude_unit="%",
            parts=excursion.parts(shares),
            open_start=excursion.open_start,
            open_stop=excursion.open_stop,
            reference_v=nominal,
            notes=f"RMS up to {spectra.rate_hz / 2000:.3g} kHz",
        )
        for excursion in found
    ]
