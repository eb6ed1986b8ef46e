"""Which lamp a flickermeter stands for: stated, or inferred from the nominal voltage of the service."""

from __future__ import annotations

from typing import Final

from halfcycle.pipeline.locales import scaled
from halfcycle.pipeline.measures.flickermeter import Lamp

LAMPS: Final[dict[int, Lamp]] = {120: 120, 230: 230}
_FEEDS: Final[tuple[tuple[Lamp, float, float], ...]] = ((120, 90.0, 160.0), (230, 190.0, 260.0))
"""Lamp, and the phase-to-neutral voltages of services that feed it. [V] Common practice, no source."""


def lamp_of(stated: Lamp | None, *, nominal_v: float, line_to_line: bool, nominal_hz: float) -> tuple[Lamp, str]:
    """The lamp, and by what it was chosen.

    Parameters
    ----------
    stated : None: it is told from the others. [V]
    nominal_v, line_to_line : of the judged voltages. [V]
    nominal_hz : of the fundamental; decides only where no lamp is fed by such a voltage (medium voltage, 277 V, 347 V).
        [Hz]

    Source: IEC 61000-4-15:2010 has a lamp of 120 V and one of 230 V, each at 50 Hz and at 60 Hz; which of them a
    service has is common practice, no source.
    """
    if stated is not None:
        return stated, "stated"
    to_neutral = nominal_v / 3**0.5 if line_to_line else nominal_v
    for lamp, lowest, highest in _FEEDS:
        if lowest <= to_neutral <= highest:
            return lamp, f"inferred from the nominal voltage of {scaled(nominal_v, 'V')}"
    return (120 if nominal_hz == 60 else 230), (
        f"inferred from {nominal_hz:g} Hz, as no lamp runs on {scaled(nominal_v, 'V')}"
    )
