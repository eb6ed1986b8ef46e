"""A dc component in the voltage that lasts."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from pydantic import Field

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.steady import SteadySettings, lasting_excursions, unmarked
from halfcycle.pipeline.measures.spectra import Spectra


class DcOffsetSettings(SteadySettings):
    """Limit of a dc component.

    limit_pct : of nominal, to either side. Common practice, no source. IEEE Std 1159-2019 Table 2, row 5.1, ends its
        typical range at 0.1 % (from memory); but a converter's own offset is often 0.1 % of its range, which is 0.3 %
        of nominal where the range is twice the peak, and field records show up to 0.8 %: so low a limit would find
        the recorder, not the network.
    """

    limit_pct: float = Field(1.0, gt=0)


def find_dc_offset(
    spectra: Spectra, *, nominal: float, settings: DcOffsetSettings, flags: npt.ArrayLike | None = None
) -> list[Finding]:
    """Spans in which the mean of whole cycles stays away from zero.

    Parameters
    ----------
    spectra : of the judged voltages of one measuring point.
    nominal : what 1 pu stands for. [unit of the spectra]
    settings : the limit, and what makes it last.
    flags : uint8, shape (n_channels, n_windows). Marks of `measures.quality`; a window with one is not judged. None: no
        marks.

    Returns
    -------
    Findings of kind ``dc_offset`` in order of start. Magnitude is the largest mean without its sign, in % of nominal;
    the notes say on which side it lies.

    Source: category of IEEE 1159-2019, Table 2, 5.1 [memory].
    """
    judged = unmarked(flags, spectra.dc.shape)
    signed = np.where(judged, 100.0 * spectra.dc.astype(np.float64) / nominal, 0.0)
    shares = np.abs(signed)
    found = lasting_excursions(
        shares, judged, starts=spectra.starts, lengths=spectra.lengths, rate_hz=spectra.rate_hz,
        limit=settings.limit_pct, settings=settings,
    )  # fmt: skip
    return [
        Finding(
            kind="dc_offset",
            category="dc offset",
            start=excursion.start,
            stop=excursion.stop,
            magnitude=float(shares[excursion.peak(shares)]),
            magnitude_unit="%",
            parts=excursion.parts(shares),
            open_start=excursion.open_start,
            open_stop=excursion.open_stop,
            reference_v=nominal,
            notes="positive" if signed[excursion.peak(shares)] > 0 else "negative",
        )
        for excursion in found
    ]
