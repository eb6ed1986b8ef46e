"""IEEE 1159 categories of RMS variations, from kind and duration."""

from __future__ import annotations

from typing import Final, Literal

RmsKind = Literal["sag", "swell", "interruption", "undervoltage", "overvoltage"]

INSTANTANEOUS_CYCLES: Final = 30.0
MOMENTARY_S: Final = 3.0
TEMPORARY_S: Final = 60.0

_LONG_KIND: Final[dict[str, RmsKind]] = {"sag": "undervoltage", "swell": "overvoltage"}
_TYPICAL_PU: Final = {
    "instantaneous sag": (0.1, 0.9),
    "momentary sag": (0.1, 0.9),
    "temporary sag": (0.1, 0.9),
    "instantaneous swell": (1.1, 1.8),
    "momentary swell": (1.1, 1.4),
    "temporary swell": (1.1, 1.2),
    "momentary interruption": (0.0, 0.1),
    "temporary interruption": (0.0, 0.1),
    "sustained interruption": (0.0, 0.1),
    "undervoltage": (0.8, 0.9),
    "overvoltage": (1.1, 1.2),
}


def long_duration_kind(kind: str, duration_s: float) -> str:
    """The kind a variation has by its duration: a sag or swell of over one minute is an under- or overvoltage.

    Parameters
    ----------
    kind : ``sag``, ``swell``, ``interruption`` or another, which is left as it is.
    duration_s : float >= 0. [s]

    Source: IEEE Std 1159-2019, Table 2, rows 2.3 and 3 (as cited in the project's reference figures).
    """
    return _LONG_KIND.get(kind, kind) if duration_s > TEMPORARY_S else kind


def classify_category(kind: str, duration_s: float, *, nominal_frequency_hz: float) -> str:
    """The IEEE 1159 category of an RMS variation, in words.

    Parameters
    ----------
    kind : ``sag``, ``swell``, ``interruption``, ``undervoltage`` or ``overvoltage``.
    duration_s : float >= 0. Duration of the variation; for one that is open at an end, the time it was seen. [s]
    nominal_frequency_hz : float > 0. Turns 30 cycles into time; the nominal, not the measured one. [Hz]

    Returns
    -------
    ``instantaneous sag``, ``momentary interruption``, ``undervoltage`` … Boundaries belong to the shorter row:
    30 cycles is instantaneous, 3 s momentary, one minute temporary. The table has no instantaneous interruption.

    Raises
    ------
    ValueError : another kind, or a duration or frequency out of range.

    Source: IEEE Std 1159-2019, Table 2. The table puts 30 cycles into two rows; here it is the shorter one's.

    Examples
    --------
    >>> hc.classify_category("sag", 0.4, nominal_frequency_hz=50)
    'instantaneous sag'
    >>> hc.classify_category("interruption", 90, nominal_frequency_hz=50)
    'sustained interruption'
    """
    if kind not in ("sag", "swell", "interruption", "undervoltage", "overvoltage"):
        raise ValueError(f"kind {kind!r} is not an RMS variation")
    if not (duration_s >= 0 and nominal_frequency_hz > 0):
        raise ValueError(f"duration {duration_s} s must be >= 0 and frequency {nominal_frequency_hz} Hz > 0")
    if kind in ("undervoltage", "overvoltage"):
        return kind
    if duration_s > TEMPORARY_S:
        return _LONG_KIND.get(kind) or "sustained interruption"
    if duration_s > MOMENTARY_S:
        return f"temporary {kind}"
    if kind == "interruption" or duration_s * nominal_frequency_hz > INSTANTANEOUS_CYCLES * (1 + 1e-9):
        return f"momentary {kind}"
    return f"instantaneous {kind}"


def duration_range_s(category: str, *, nominal_frequency_hz: float) -> tuple[float, float]:
    """The durations that a category of `classify_category` is for, from above one to another. [s]

    Source: as `classify_category`.
    """
    brief_s = 0.0 if "interruption" in category else INSTANTANEOUS_CYCLES / nominal_frequency_hz
    ranges = {
        "instantaneous": (0.0, brief_s), "momentary": (brief_s, MOMENTARY_S), "temporary": (MOMENTARY_S, TEMPORARY_S),
    }  # fmt: skip
    return ranges.get(category.partition(" ")[0], (TEMPORARY_S, float("inf")))


def is_typical_magnitude(category: str, magnitude_pu: float) -> bool:
    """Whether a magnitude is what the table calls typical for the category; an untypical one stays in it.

    Source: IEEE Std 1159-2019, Table 2, column of typical magnitudes (values partly from memory).
    """
    low, high = _TYPICAL_PU.get(category, (0.0, float("inf")))
    return low <= magnitude_pu <= high
