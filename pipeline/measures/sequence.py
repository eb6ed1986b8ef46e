"""Symmetrical components of three phasors, and unbalance: from phasors, or from three line-to-line magnitudes alone."""

from __future__ import annotations

import cmath
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

_TURN: Final = cmath.exp(2j * cmath.pi / 3)
_BACK: Final = _TURN.conjugate()
_ROUNDING: Final = 1e-12  # by which a triangle that is flat may seem to be none


def symmetrical_components(phasors: npt.ArrayLike) -> tuple[C128, C128, C128]:
    """Zero, positive and negative sequence of three phasors.

    Parameters
    ----------
    phasors : complex, shape (3, ...). Fundamental of phases A, B, C, or of AB, BC, CA; NaN where not measured. [any]

    Returns
    -------
    (u0, u1, u2), each of shape (...). [unit of phasors]

    Raises
    ------
    SignalError : other than three phasors.

    Source: C. L. Fortescue, "Method of Symmetrical Co-ordinates Applied to the Solution of Polyphase Networks", Trans.
    AIEE 37 (1918), 1027-1140 (from memory).

    Examples
    --------
    >>> a = np.exp(2j * np.pi / 3)
    >>> [round(float(abs(u)), 3) for u in hc.symmetrical_components([230, 230 * a**2, 230 * a])]
    [0.0, 230.0, 0.0]
    """
    values = np.asarray(phasors, np.complex128)
    _check_three(values.shape, "phasors")
    a, b, c = values
    return (a + b + c) / 3, (a + _TURN * b + _BACK * c) / 3, (a + _BACK * b + _TURN * c) / 3


def unbalance_of_phasors(phasors: npt.ArrayLike) -> tuple[F64, F64]:
    """Negative- and zero-sequence unbalance, |U-| / |U+| and |U0| / |U+|.

    Parameters
    ----------
    phasors : complex, shape (3, ...). Fundamental of phases A, B, C; NaN where not measured. [any]

    Returns
    -------
    (negative, zero), each float64 of shape (...); NaN where not measured or where U+ is zero. [pu of U+]

    Raises
    ------
    SignalError : other than three phasors.

    Source: IEC 61000-4-30 Ed. 3, 5.7 (from memory).

    Examples
    --------
    >>> a = np.exp(2j * np.pi / 3)
    >>> negative, zero = hc.unbalance_of_phasors([220, 230 * a**2, 230 * a])
    >>> round(100 * float(negative), 2)  # per cent
    1.47
    """
    zero, positive, negative = (np.abs(component) for component in symmetrical_components(phasors))
    return _ratio(negative, positive), _ratio(zero, positive)


def unbalance_of_line_voltages(magnitudes: npt.ArrayLike) -> F64:
    """Negative-sequence unbalance from the magnitudes of three line-to-line voltages.

    Line-to-line voltages add up to zero, so that three magnitudes fix the triangle; phase-to-neutral ones do not.

    Parameters
    ----------
    magnitudes : shape (3, ...), >= 0. RMS of AB, BC, CA, in any order; NaN where not measured. [V]

    Returns
    -------
    float64, shape (...). NaN where not measured, where all are zero, or where no triangle has such sides. [pu of U+]

    Raises
    ------
    SignalError : other than three magnitudes, or a negative one.

    Source: IEC 61000-4-30 Ed. 3, 5.7 (from memory): b = sum U^4 / (sum U^2)^2, u2^2 = (1 - r) / (1 + r), r^2 = 3 - 6 b.
    Departs: worked out without the differences that lose digits near balance; 1 - r^2 is twice the sum of the squared
    differences of U^2 over (sum U^2)^2.
    """
    sides = np.asarray(magnitudes, np.float64)
    _check_three(sides.shape, "magnitudes")
    if (sides < 0).any():
        raise SignalError("magnitudes must not be negative")
    squares = sides**2
    differences = squares - np.roll(squares, 1, axis=0)
    unequal = _ratio(2 * (differences**2).sum(axis=0), squares.sum(axis=0) ** 2)
    root = np.sqrt(np.where(unequal <= 1 + _ROUNDING, (1 - unequal).clip(0), np.nan))
    unbalance: F64 = np.sqrt(unequal) / (1 + root)
    return unbalance


def _check_three(shape: tuple[int, ...], name: str) -> None:
    if not shape or shape[0] != 3:
        raise SignalError(f"{name} have shape {shape}; expected (3, ...)")


def _ratio(numerator: F64, denominator: F64) -> F64:
    out = np.full(np.shape(numerator), np.nan)
    np.divide(numerator, denominator, out=out, where=denominator > 0)
    return out
