"""Three-phase types of sags, A to G, with characteristic voltage and PN factor, by two algorithms."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

C128 = npt.NDArray[np.complex128]

_TURN: Final = cmath.exp(2j * math.pi / 3)
_POSITIVE: Final = np.array([1.0, _TURN**2, _TURN])  # A, B, C of a symmetrical set
_STEP_DEG: Final = 60.0
# By the nearest multiple of 60 degrees: the family (C: two phases lost most, D: one) and the symmetrical phase.
_OF_ANGLE: Final = (("C", "A"), ("D", "C"), ("C", "B"), ("D", "A"), ("C", "C"), ("D", "B"))
_FURTHER: Final = {"C": ("E", "G"), "D": ("B", "F")}  # with zero sequence; with a PN factor clearly below 1
_UNBALANCED_SHARE: Final = 0.25  # |V2| / |1 - V1|: 0 for type A, 1/2 for E, F and G, 1 for B, C and D
_UNEQUAL_SHARE: Final = 1 / 3  # (|F| - |V|) / (1 - |V|): 0 for type A, 2/3 for E, F and G, 1 for B, C and D
_LEAST_V2: Final = 0.02  # pu: what errors of the instrument make
_LEAST_DROP: Final = 0.02  # pu, of V1, V2 taken together
_HIGHEST_LOW_PN: Final = 0.95  # a PN factor below it may be that of type F or G
_ZERO_SHARE: Final = 0.5  # |V0| / |V2|: 1 for B and E, 0 for the others
_MOST_UNBALANCED_BEFORE: Final = 0.2  # a phase this far from the mean has no angle to start from


@dataclass(frozen=True, slots=True)
class DipReading:
    """What one algorithm says.

    Attributes
    ----------
    dip_type : ``A`` to ``G``; ``A``, ``C`` or ``D`` where only line-to-line voltages are known.
    phase : the symmetrical phase, ``A``, ``B`` or ``C``; ``""`` for type A.
    characteristic_voltage : complex from phasors, its magnitude (angle zero) from the six voltages. For types B to G
        that of the sag without its zero sequence, so that B's is (1 + 2 V) / 3 of the faulted phase's V. [pu]
    pn_factor : likewise. [pu]
    margin : 1 in the middle of what the type is, 0 where another one begins.
    """

    dip_type: str
    phase: str
    characteristic_voltage: complex
    pn_factor: complex
    margin: float


@dataclass(frozen=True, slots=True)
class DipType:
    """What both algorithms together say.

    Attributes
    ----------
    dip_type : as in `DipReading`; None where no type can be told.
    phase : likewise.
    characteristic_voltage, pn_factor : by the symmetrical components; None where no type can be told. [pu]
    agrees : whether both algorithms say the same type and phase.
    confidence : 0 to 1; derived from how far the sag is from the next type, no source.
    reason : in words.

    Examples
    --------
    >>> a = np.exp(2j * np.pi / 3)
    >>> hc.classify_dip([1, a**2, a], [0.5, 0.5 * a**2, 0.5 * a]).dip_type
    'A'
    """

    dip_type: str | None
    phase: str
    characteristic_voltage: complex | None
    pn_factor: complex | None
    agrees: bool
    confidence: float
    reason: str


@dataclass(frozen=True, slots=True)
class _Sag:
    """Phase voltages during a sag, without zero sequence, V1 before it being 1; None: zero sequence not known."""

    phases: C128
    zero: float | None
    positive: complex
    negative: complex


def classify_dip(before: npt.ArrayLike, during: npt.ArrayLike, *, line_to_line: bool = False) -> DipType:
    """The type of a three-phase sag, by both algorithms.

    Parameters
    ----------
    before, during : complex, shape (3,). Phasors of A, B, C to neutral, or of AB, BC, CA, before and during the sag,
        against the same reference of time (a phasor that turned between them by a deviation of the frequency is to be
        turned back). [any unit]
    line_to_line : whether they are line to line; then only A, C and D can be told, and E and G read as C, B and F as D.

    Returns
    -------
    DipType. Where the algorithms disagree the type is that of the symmetrical components, which knows the angles, with
    half the confidence.

    Raises
    ------
    ValueError : other than three finite phasors.

    Source: see `symmetrical_component_dip` and `six_voltage_dip`; how they are put together is derived.

    Examples
    --------
    >>> a = np.exp(2j * np.pi / 3)
    >>> dip = hc.classify_dip([1, a**2, a], [0.4, a**2, a])  # phase A to earth
    >>> dip.dip_type, dip.phase, dip.agrees
    ('B', 'A', True)
    """
    sag = _sag(before, during, line_to_line)
    if isinstance(sag, str):
        return DipType(None, "", None, None, False, 0.0, sag)
    first, second = _by_components(sag), _by_six_voltages(sag)
    agrees = (first.dip_type, first.phase) == (second.dip_type, second.phase)
    confidence = 0.5 + 0.5 * min(first.margin, second.margin) if agrees else 0.5 * first.margin
    v, f = first.characteristic_voltage, first.pn_factor
    words = (
        f"{_named(first)}: characteristic voltage {abs(v):.2f} pu at {math.degrees(cmath.phase(v)):+.0f}°, "
        f"PN factor {abs(f):.2f} pu"
    )
    if sag.zero is None:
        words += "; line-to-line voltages distinguish only types A, C and D"
    if not agrees:
        words += f"; the six-voltage method gives {_named(second)}"
    return DipType(first.dip_type, first.phase, v, f, agrees, confidence, words)


def symmetrical_component_dip(
    before: npt.ArrayLike, during: npt.ArrayLike, *, line_to_line: bool = False
) -> DipReading | None:
    """The type of a sag by the angle between its negative sequence and its loss of positive sequence.

    Parameters, errors : as of `classify_dip`. None where no type can be told.

    Source: M. H. J. Bollen, L. D. Zhang, "Different methods for classification of three-phase unbalanced voltage dips
    due to faults", Electric Power Systems Research 66 (2003), 59-69 (from memory; angles and limits calculated anew).
    Departs: each phase is measured against itself before the sag, which takes constant errors of the channels out;
    type A, zero sequence and PN factor are judged relative to the depth, halfway between what the types have.
    """
    sag = _sag(before, during, line_to_line)
    return None if isinstance(sag, str) else _by_components(sag)


def six_voltage_dip(before: npt.ArrayLike, during: npt.ArrayLike, *, line_to_line: bool = False) -> DipReading | None:
    """The type of a sag by which is the lowest of three phase and three line-to-line voltages, zero sequence removed.

    Parameters, errors : as of `classify_dip`. None where no type can be told.

    Source: as of `symmetrical_component_dip`, the six-phase algorithm; the lowest voltage is the characteristic
    voltage, the highest the PN factor. Departs: as there.
    """
    sag = _sag(before, during, line_to_line)
    return None if isinstance(sag, str) else _by_six_voltages(sag)


def _named(reading: DipReading) -> str:
    return f"type {reading.dip_type}" + (f", phase {reading.phase}" if reading.phase else "")


def _sag(before: npt.ArrayLike, during: npt.ArrayLike, line_to_line: bool) -> _Sag | str:
    """The sag in symmetrical components, or why there is none."""
    start, now = (np.asarray(one, np.complex128) for one in (before, during))
    if start.shape != (3,) or now.shape != (3,) or not (np.isfinite(start).all() and np.isfinite(now).all()):
        raise ValueError(f"phasors have shapes {start.shape} and {now.shape}; both must be (3,) and finite")
    positive = (start * _POSITIVE.conj()).mean()
    if not abs(positive) > 0 or (np.abs(start / (positive * _POSITIVE) - 1) > _MOST_UNBALANCED_BEFORE).any():
        return "the voltages before the sag are not a balanced set with rotation A-B-C"
    relative = now / start * _POSITIVE
    v1, v2 = (relative * _POSITIVE.conj()).mean(), (relative * _POSITIVE).mean()
    if line_to_line:  # V1 of AB, BC, CA leads that of A, B, C by 30 degrees, V2 lags it by as much
        v2 *= cmath.exp(1j * math.pi / 3)
    if abs(1 - v1) + abs(v2) < _LEAST_DROP:
        return "neither the positive nor the negative sequence has changed"
    if abs(v1) > 1 and abs(v2) < _UNBALANCED_SHARE * abs(1 - v1):
        return "the positive sequence has risen"
    zero = None if line_to_line else float(abs(relative.mean()))
    return _Sag(v1 * _POSITIVE + v2 * _POSITIVE.conj(), zero, complex(v1), complex(v2))


def _by_components(sag: _Sag) -> DipReading:
    v1, v2 = sag.positive, sag.negative
    share = abs(v2) / max(abs(1 - v1), 1e-12)
    if share < _UNBALANCED_SHARE or abs(v2) < _LEAST_V2:
        return DipReading("A", "", v1, v1, 1 - min(share / _UNBALANCED_SHARE, 1.0))
    angle = math.degrees(cmath.phase(v2 / (1 - v1))) if abs(1 - v1) > 0 else 0.0
    nearest = round(angle / _STEP_DEG)
    family, phase = _OF_ANGLE[nearest % 6]
    turned = v2 * cmath.exp(-1j * math.radians(_STEP_DEG * nearest))
    v, f = v1 - turned, v1 + turned
    margins = [1 - abs(angle - _STEP_DEG * nearest) / (_STEP_DEG / 2), min(share / _UNBALANCED_SHARE - 1, 1.0)]
    dip_type, margin = _refined(family, abs(v), abs(f), sag.zero)
    return DipReading(dip_type, phase, v, f, max(min(*margins, margin), 0.0))


def _by_six_voltages(sag: _Sag) -> DipReading:
    lines = np.abs(sag.phases[[1, 2, 0]] - sag.phases[[2, 0, 1]]) / math.sqrt(3)  # BC, CA, AB
    six = np.concatenate([np.abs(sag.phases), lines])
    lowest, v, f = int(six.argmin()), float(six.min()), float(six.max())
    share = (f - v) / max(1 - v, 1e-12)
    if share < _UNEQUAL_SHARE or f - v < 2 * _LEAST_V2:
        return DipReading("A", "", complex(v), complex(f), 1 - min(share / _UNEQUAL_SHARE, 1.0))
    family, phase = ("D" if lowest < 3 else "C"), "ABC"[lowest % 3]
    second = float(np.sort(six)[1])
    margins = [min((second - v) / (0.25 * (f - v)), 1.0), min(share / _UNEQUAL_SHARE - 1, 1.0)]
    dip_type, margin = _refined(family, v, f, sag.zero)
    return DipReading(dip_type, phase, complex(v), complex(f), max(min(*margins, margin), 0.0))


def _refined(family: str, v: float, f: float, zero: float | None) -> tuple[str, float]:
    """The type within a family (C, E, G or D, B, F), and its margin."""
    if zero is None:
        return family, 1.0
    grounded, two_phases = _FURTHER[family]
    share = zero / max((f - v) / 2, 1e-12)
    margin = min(abs(share / _ZERO_SHARE - 1), 1.0)
    if share > _ZERO_SHARE:
        return grounded, margin
    # The PN factor of F and G is (2 + V) / 3, of C and D 1: the limit lies halfway, if not lower than usual.
    limit = min(_HIGHEST_LOW_PN, (5 + v) / 6)
    margin = min(margin, abs(f - limit) / max(1 - limit, 1e-12), 1.0)
    return (two_phases if f < limit else family), margin
