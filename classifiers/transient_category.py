"""IEEE 1159 categories of transients, from spectral content, rise and duration."""

from __future__ import annotations

from typing import Final

LOW_FREQUENCY_HZ: Final = 5e3
MEDIUM_FREQUENCY_HZ: Final = 500e3
NANOSECOND_S: Final = 50e-9
MICROSECOND_S: Final = 1e-3
NANOSECOND_RISE_S: Final = 5e-9
MILLISECOND_RISE_S: Final = 0.1e-3


def transient_category(
    kind: str, *, oscillation_hz: float | None = None, rise_s: float | None = None, duration_s: float | None = None
) -> str:
    """The IEEE 1159 category of a transient, in words.

    Parameters
    ----------
    kind : ``oscillatory_transient`` or ``impulsive_transient``.
    oscillation_hz : float > 0. Dominating frequency of an oscillation. [Hz]
    rise_s : float >= 0. Rise of an impulse, where its duration is not known. [s]
    duration_s : float >= 0. Duration of an impulse. [s]

    Returns
    -------
    ``low-frequency oscillatory transient`` (below 5 kHz), ``medium-frequency …`` (to 500 kHz), ``high-frequency …``;
    ``nanosecond impulsive transient`` (below 50 ns), ``microsecond …`` (to 1 ms), ``millisecond …``.

    Raises
    ------
    ValueError : another kind, a number out of range, or none to judge by.

    Source: IEEE Std 1159-2019, Table 2, rows 1.1.1 to 1.2.3 (durations and rises of impulses from memory). The table
    ends at 5 MHz; a faster oscillation stays in the last row. Departs: where only the rise is known, the rise that the
    table calls typical of the first row, and of the last one, bounds it.

    Examples
    --------
    >>> hc.transient_category("oscillatory_transient", oscillation_hz=720)
    'low-frequency oscillatory transient'
    """
    if kind == "oscillatory_transient":
        if oscillation_hz is None or not oscillation_hz > 0:
            raise ValueError(f"oscillation_hz is {oscillation_hz}; it must be above zero")
        if oscillation_hz < LOW_FREQUENCY_HZ:
            return "low-frequency oscillatory transient"
        band = "medium" if oscillation_hz <= MEDIUM_FREQUENCY_HZ else "high"
        return f"{band}-frequency oscillatory transient"
    if kind != "impulsive_transient":
        raise ValueError(f"kind {kind!r} is not a transient")
    if duration_s is not None and duration_s >= 0:
        nanosecond, microsecond = duration_s < NANOSECOND_S, duration_s <= MICROSECOND_S
    elif duration_s is None and rise_s is not None and rise_s >= 0:
        nanosecond, microsecond = rise_s <= NANOSECOND_RISE_S, rise_s < MILLISECOND_RISE_S
    else:
        raise ValueError(f"duration_s is {duration_s} and rise_s {rise_s}; one must be zero or more")
    if nanosecond:
        return "nanosecond impulsive transient"
    return "microsecond impulsive transient" if microsecond else "millisecond impulsive transient"
