"""The side of an earth fault in a network whose neutral is not solidly earthed, by the zero sequence.

There the positive sequence hardly knows of the fault: triangle and loads stay as they were, the star point moves.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.direction import Direction
from halfcycle.classifiers.direction_methods import DOWNSTREAM, UPSTREAM, Answer, Course, ratio, rms

C128 = npt.NDArray[np.complex128]
Bools = npt.NDArray[np.bool_]

# Common practice, no source.
_DISPLACED: Final = 0.1  # of V1: the least change of V0
_KEPT: Final = 0.1  # of V1: its largest change; beyond it the methods of the positive sequence are asked
_LATEST: Final = 3  # half cycles after the start in which V0 must have moved
_LEAST: Final = 2  # half cycles that it must stay so
_SETTLING: Final = 4  # half cycles left out where there are as many more: charges and coils swing first
_MOST: Final = 24  # half cycles that are looked at
_IN_SCATTER: Final = 5.0  # times what I0 scatters by before
_LEAST_CURRENT: Final = 0.002  # of I1: less is an error of the transformers
_INSIDE_FIT: Final = 0.3  # of dI0 that one admittance may leave
# Cosines of the admittance's angle; transformers turn it by a degree or two, 0.02 to 0.04.
_FEEDS: Final = -0.08  # and below: active power comes from there
_DRAWS: Final = 0.1  # and above: it goes there
_CHARGING: Final = 0.035  # about zero: none that can be told
_SURE: Final = 0.9


def earth_fault_direction(
    v0: npt.ArrayLike, i0: npt.ArrayLike, v1: npt.ArrayLike, i1: npt.ArrayLike, *,
    n_before: int, i_start: int, i_stop: int,
) -> Direction | None:  # fmt: skip
    """The side of the monitor on which an earth fault lies that moves the star point and leaves the triangle.

    Parameters
    ----------
    v0, i0, v1, i1 : complex, shape (n,). Zero- and positive-sequence phasors at each half cycle, against one reference
        of time; voltages to earth, currents positive towards downstream. [V], [A]
    n_before : so many half cycles at the beginning lie wholly before the event; the last ten of them count.
    i_start, i_stop : half-open range of half cycles whose windows lie within the event.

    Returns
    -------
    Direction; None where this is no such fault, or its currents do not tell.

    Source: the admittance dI0 / dV0 as earth-fault protection judges it, common practice, no source. What lies behind
    the monitor draws active power and charging current where the fault is upstream; where it is downstream, the
    network in front feeds it: active power comes back by its losses, resistor or coil, and charging current where no
    coil makes up for it. So active power decides, and where there is none, whether the current charges or not.

    Raises
    ------
    ValueError : shapes or ranges that do not agree.
    """
    u0, j0, u1, j1 = (np.asarray(x, np.complex128) for x in (v0, i0, v1, i1))
    shapes = [x.shape for x in (u0, j0, u1, j1)]
    if len(set(shapes)) != 1 or u0.ndim != 1 or not 0 < n_before <= i_start < i_stop <= u0.size:
        raise ValueError(f"shapes {shapes}, {n_before} before and {i_start} to {i_stop} do not agree")
    span = {"n_before": n_before, "i_start": i_start, "i_stop": min(i_stop, i_start + _LATEST + _MOST)}
    v_zero, i_zero, v_positive, i_positive = (Course.of(x, **span) for x in (u0, j0, u1, j1))
    level = v_positive.size
    there = _first_run((np.abs(v_zero.change) >= _DISPLACED * level) & (np.abs(v_positive.change) <= _KEPT * level))
    if there is None or level == 0:
        return None
    dv, di = v_zero.change[there], i_zero.change[there]
    least = max(_IN_SCATTER * i_zero.scatter, _LEAST_CURRENT * i_positive.size)
    admittance = ratio(di, dv)
    if not rms(di) > least or rms(di - admittance * dv) ** 2 > _INSIDE_FIT * rms(di) ** 2:
        return None
    side = _side(admittance)
    if side is None:
        return None
    answer = Answer("zero sequence", side, admittance.real)
    return Direction(side, _SURE, (answer,), f"{answer.method}: {side}")


def _side(admittance: complex) -> str | None:
    active = admittance.real / abs(admittance)
    if active <= _FEEDS:
        return DOWNSTREAM
    if active >= _DRAWS:
        return UPSTREAM
    if abs(active) > _CHARGING:
        return None
    return UPSTREAM if admittance.imag > 0 else DOWNSTREAM


def _first_run(there: Bools) -> slice | None:
    """The first run of half cycles, without those in which it settles; None: it begins too late, or is too short."""
    at = np.flatnonzero(there)
    if not at.size or at[0] > _LATEST:
        return None
    first = int(at[0])
    ends = np.flatnonzero(~there[first:])
    stop = first + (int(ends[0]) if ends.size else there.size - first)
    stop = min(stop, first + _MOST)
    if stop - first < _LEAST:
        return None
    return slice(first + _SETTLING if stop - first >= 2 * _SETTLING else first, stop)
