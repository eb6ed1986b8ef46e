"""Power of each phase and of a three-phase system after IEEE Std 1459-2010.

Sign convention, everywhere: currents flow from the source into the load. Active power is positive where the load takes
it, and reactive power of the fundamental is positive where the current lags (inductive load). Quadrants go round from
there: I takes power and lags, II gives power and lags, III gives power and leads, IV takes power and leads.
Phasors are RMS values against one common reference, as a cosine has them: u = sqrt(2) |U| cos(wt + arg U).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.sequence import symmetrical_components

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
C128 = npt.NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class PhasePower:
    """Power of one voltage and its current; every value has the shape of what it was made from.

    Attributes
    ----------
    p, p1, p_h : active power, of the fundamental, of all else. [W]
    q1 : reactive power of the fundamental. [var]
    s, s1 : apparent power, of the fundamental. [VA]
    s_n : non-fundamental apparent power, made of `d_i`, `d_v` and `s_h`. [VA]
    d_i, d_v : current and voltage distortion power. [var]
    s_h, d_h : harmonic apparent power, and what of it is not active. [VA], [var]
    n : non-active power. [var]
    pf, dpf : power factor P/S and displacement power factor P1/S1; negative where power flows back, NaN without any.

    Examples
    --------
    >>> power = hc.phase_power(p=1000.0, u_rms=230.0, i_rms=5.0, u1=230 + 0j, i1=4.3478 - 2.4693j)
    >>> round(float(power.pf), 2)
    0.87
    """

    p: F64
    p1: F64
    p_h: F64
    q1: F64
    s: F64
    s1: F64
    s_n: F64
    d_i: F64
    d_v: F64
    s_h: F64
    d_h: F64
    n: F64
    pf: F64
    dpf: F64


def phase_power(
    *, p: npt.ArrayLike, u_rms: npt.ArrayLike, i_rms: npt.ArrayLike, u1: npt.ArrayLike, i1: npt.ArrayLike
) -> PhasePower:
    """Power of one voltage and its current, or of many side by side.

    Parameters
    ----------
    p : mean of u * i over whole cycles; any shape, which the others have too. [W]
    u_rms, i_rms : true RMS over the same cycles. [V], [A]
    u1, i1 : complex RMS phasors of the fundamental. [V], [A]

    Returns
    -------
    PhasePower.

    Source: IEEE Std 1459-2010, 3.1.2.

    Examples
    --------
    >>> power = hc.phase_power(p=1150.0, u_rms=230.0, i_rms=5.0, u1=230 + 0j, i1=5 + 0j)
    >>> float(power.s), float(power.q1), float(power.pf)
    (1150.0, 0.0, 1.0)
    """
    active, u, i = (np.asarray(x, np.float64) for x in (p, u_rms, i_rms))
    u_1, i_1 = np.asarray(u1, np.complex128), np.asarray(i1, np.complex128)
    complex_1 = u_1 * i_1.conj()
    u_h, i_h = _rest(u, np.abs(u_1)), _rest(i, np.abs(i_1))
    s, s1, s_h = u * i, np.abs(u_1) * np.abs(i_1), u_h * i_h
    p_h = active - complex_1.real
    return PhasePower(
        active, complex_1.real, p_h, complex_1.imag, s, s1, _rest(s, s1), np.abs(u_1) * i_h, u_h * np.abs(i_1), s_h,
        _rest(s_h, p_h), _rest(s, active), _ratio(active, s), _ratio(complex_1.real, s1),
    )  # fmt: skip


def harmonic_powers(u: npt.ArrayLike, i: npt.ArrayLike) -> tuple[F64, F64]:
    """Active and reactive power of each harmonic; where its active power is negative, the load is its source.

    Parameters
    ----------
    u, i : complex RMS phasors of the orders, shapes that fit. [V], [A]

    Returns
    -------
    (p, q), in the precision of the phasors. [W], [var]

    Source: IEEE Std 1459-2010, 3.1.2 and Annex B. The sum of q has no meaning of its own there.
    """
    product = np.asarray(u) * np.asarray(i).conj()
    return np.asarray(product.real), np.asarray(product.imag)


def quadrant(p: npt.ArrayLike, q: npt.ArrayLike) -> I64:
    """Quadrant of active and reactive power, 1 to 4 as the module states; 0 counts as positive.

    Parameters
    ----------
    p, q : of fitting shapes. [W], [var]

    Returns
    -------
    int64.

    Source: common practice (load convention), no source.
    """
    gives, leads = np.asarray(p, np.float64) < 0, np.asarray(q, np.float64) < 0
    return np.where(leads, np.where(gives, 3, 4), np.where(gives, 2, 1)).astype(np.int64)


def arithmetic_apparent_power(s: npt.ArrayLike) -> F64:
    """Sum of the phases' apparent powers, SA.

    Parameters
    ----------
    s : shape (n_phases, ...). [VA]

    Returns
    -------
    float64, shape (...). [VA]

    Source: IEEE Std 1459-2010, 3.2.2.5.
    """
    total: F64 = np.asarray(s, np.float64).sum(axis=0)
    return total


@dataclass(frozen=True, slots=True)
class EffectivePower:
    """Effective power of a three-phase system; every value has shape (...).

    Attributes
    ----------
    p : active power of all phases. [W]
    u_e, i_e : effective voltage and current. [V], [A]
    s_e, s_e1, s_en : effective apparent power, of the fundamental, of all else. [VA]
    d_ei, d_ev : effective current and voltage distortion power. [var]
    s_eh : effective harmonic apparent power. [VA]
    s1_plus, p1_plus, q1_plus : of the fundamental's positive sequence. [VA], [W], [var]
    s_u1 : unbalance power of the fundamental. [VA]
    pf_e, pf1_plus : effective power factor, and that of the positive sequence; NaN without any power. [1]
    thd_eu, thd_ei : effective distortion of voltage and current. [pu of the fundamental]
    """

    p: F64
    u_e: F64
    i_e: F64
    s_e: F64
    s_e1: F64
    s_en: F64
    d_ei: F64
    d_ev: F64
    s_eh: F64
    s1_plus: F64
    p1_plus: F64
    q1_plus: F64
    s_u1: F64
    pf_e: F64
    pf1_plus: F64
    thd_eu: F64
    thd_ei: F64


def effective_power_four_wire(
    *,
    p: npt.ArrayLike,
    u_rms: npt.ArrayLike,
    u_line_rms: npt.ArrayLike,
    i_rms: npt.ArrayLike,
    i_neutral_rms: npt.ArrayLike,
    u1: npt.ArrayLike,
    i1: npt.ArrayLike,
) -> EffectivePower:
    """Effective power of three phases with a neutral.

    Parameters
    ----------
    p : shape (...). Active power of all phases. [W]
    u_rms, u_line_rms : shape (3, ...). True RMS of A, B, C to neutral, and of AB, BC, CA. [V]
    i_rms : shape (3, ...). True RMS. [A]
    i_neutral_rms : shape (...). True RMS of the neutral current. [A]
    u1, i1 : complex, shape (3, ...). RMS phasors of the fundamental of A, B, C; the neutral's is minus their sum.

    Returns
    -------
    EffectivePower.

    Raises
    ------
    SignalError : other than three phases.

    Source: IEEE Std 1459-2010, 3.2.2.8 and 3.2.3.
    """
    u_1, i_1 = _three(u1, "u1"), _three(i1, "i1")
    line_1 = u_1 - np.roll(u_1, -1, axis=0)
    u_e = np.sqrt((3 * _squares(u_rms, "u_rms") + _squares(u_line_rms, "u_line_rms")) / 18)
    u_e1 = np.sqrt((3 * _squares(u_1, "u1") + _squares(line_1, "u1")) / 18)
    i_e = np.sqrt((_squares(i_rms, "i_rms") + np.abs(np.asarray(i_neutral_rms, np.float64)) ** 2) / 3)
    i_e1 = np.sqrt((_squares(i_1, "i1") + np.abs(i_1.sum(axis=0)) ** 2) / 3)
    return _effective(np.asarray(p, np.float64), u_e, i_e, u_e1, i_e1, u_1, i_1)


def effective_power_three_wire(
    *, p: npt.ArrayLike, u_line_rms: npt.ArrayLike, i_rms: npt.ArrayLike, u1_line: npt.ArrayLike, i1: npt.ArrayLike
) -> EffectivePower:
    """Effective power of three phases without a neutral.

    Parameters
    ----------
    p : shape (...). Active power, of two elements or three. [W]
    u_line_rms : shape (3, ...). True RMS of AB, BC, CA. [V]
    i_rms : shape (3, ...). True RMS of A, B, C. [A]
    u1_line, i1 : complex, shape (3, ...). RMS phasors of the fundamental of AB, BC, CA and of A, B, C.

    Returns
    -------
    EffectivePower.

    Raises
    ------
    SignalError : other than three phases.

    Source: IEEE Std 1459-2010, 3.2.2.8 and 3.2.3.
    """
    line_1, i_1 = _three(u1_line, "u1_line"), _three(i1, "i1")
    u_1 = (line_1 - np.roll(line_1, 1, axis=0)) / 3  # to a neutral of no zero sequence
    u_e, u_e1 = np.sqrt(_squares(u_line_rms, "u_line_rms") / 9), np.sqrt(_squares(line_1, "u1_line") / 9)
    i_e, i_e1 = np.sqrt(_squares(i_rms, "i_rms") / 3), np.sqrt(_squares(i_1, "i1") / 3)
    return _effective(np.asarray(p, np.float64), u_e, i_e, u_e1, i_e1, u_1, i_1)


def _effective(p: F64, u_e: F64, i_e: F64, u_e1: F64, i_e1: F64, u1: C128, i1: C128) -> EffectivePower:
    u_eh, i_eh = _rest(u_e, u_e1), _rest(i_e, i_e1)
    s_e, s_e1 = 3 * u_e * i_e, 3 * u_e1 * i_e1
    plus = 3 * symmetrical_components(u1)[1] * symmetrical_components(i1)[1].conj()
    s1_plus = np.abs(plus)
    return EffectivePower(
        p, u_e, i_e, s_e, s_e1, _rest(s_e, s_e1), 3 * u_e1 * i_eh, 3 * u_eh * i_e1, 3 * u_eh * i_eh, s1_plus,
        plus.real, plus.imag, _rest(s_e1, s1_plus), _ratio(p, s_e), _ratio(plus.real, s1_plus), _ratio(u_eh, u_e1),
        _ratio(i_eh, i_e1),
    )  # fmt: skip


def _three(phasors: npt.ArrayLike, name: str) -> C128:
    values = np.asarray(phasors, np.complex128)
    if values.shape[:1] != (3,):
        raise SignalError(f"{name} has shape {values.shape}; expected (3, ...)")
    return values


def _squares(values: npt.ArrayLike, name: str) -> F64:
    total: F64 = (np.abs(_three(values, name)) ** 2).sum(axis=0)
    return total


def _rest(whole: F64, part: F64) -> F64:
    """What is left of a whole when a part at right angles is taken away; 0 where rounding makes the part larger."""
    left: F64 = np.sqrt((whole**2 - part**2).clip(0.0))
    return left


def _ratio(part: F64, whole: F64) -> F64:
    above, below = np.broadcast_arrays(part, whole)
    quotient: F64 = np.divide(above, below, out=np.full(below.shape, np.nan), where=below > 0)
    return quotient
