"""How bad one sag was: energy that was missing, severity against a curve, voltage that was lost."""

from __future__ import annotations

from collections.abc import Sequence

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.indices.curves import Curve


def sag_energy_s(residual_pu: float, duration_s: float) -> float:
    """Sag energy index of a rectangular sag of one phase: (1 - V²) times its duration, never below zero. [s]

    Parameters
    ----------
    residual_pu : V >= 0. [pu]
    duration_s : [s]

    Source: IEEE 1564-2014 (from memory).
    """
    return max(1 - residual_pu**2, 0.0) * duration_s


def event_energy_s(residuals_pu: Sequence[float], durations_s: Sequence[float]) -> float:
    """Sag energy index of an event: the sum over its phases. [s]

    Parameters
    ----------
    residuals_pu, durations_s : of each phase. [pu], [s]

    Source: IEEE 1564-2014 (from memory).
    """
    return sum(sag_energy_s(v, d) for v, d in zip(residuals_pu, durations_s, strict=True))


def severity(residual_pu: float, duration_s: float, curve: Curve) -> float:
    """Severity index Se: the depth over that of the curve at the same duration; 1 on the curve, more is worse.

    Parameters
    ----------
    residual_pu, duration_s : of the sag. [pu], [s]
    curve : its lower part must lie below 1 pu.

    Raises
    ------
    SignalError : the curve bears no depth at this duration.

    Source: IEEE 1564-2014 (from memory).
    """
    borne = 1 - curve.lower_pu(duration_s)
    if not borne > 0:
        raise SignalError(f"curve {curve.name} is not defined for a sag of {duration_s:g} s")
    return (1 - residual_pu) / borne


def lost_voltage_s(residual_pu: float, duration_s: float) -> float:
    """Voltage lost in a rectangular sag: depth times duration. [pu s]

    Parameters
    ----------
    residual_pu, duration_s : of the sag. [pu], [s]

    Source: IEEE 1564-2014 (from memory).
    """
    return (1 - residual_pu) * duration_s


def sag_score(residuals_pu: Sequence[float]) -> float:
    """Mean depth of three phases: 1 - (Va + Vb + Vc) / 3. residuals_pu: of each of the three. [pu]

    Raises
    ------
    SignalError : not three phases.

    Source: as quoted in IEEE 1564-2014 (from memory).
    """
    if len(residuals_pu) != 3:
        raise SignalError(f"{len(residuals_pu)} phases; a sag score needs three")
    return 1 - sum(residuals_pu) / 3
