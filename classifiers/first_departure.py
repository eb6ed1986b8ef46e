"""The side of an event by the energy that its first departure carries past the monitor, within milliseconds.

Whatever happens is, to the rest of the network, a source that is switched on where it happens and was nothing before.
What it sends out flows into the passive network on the other side of the monitor.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.direction import Direction
from halfcycle.classifiers.direction_methods import DOWNSTREAM, UPSTREAM, Answer

F64 = npt.NDArray[np.float64]

# No source: set on drawn circuits.
_LEAST_SAMPLES_PER_CYCLE: Final = 48.0  # fewer do not follow a ringing of some hundred hertz
_SEEN_CYCLES: Final = (1 / 16, 1 / 8)  # after the start: in both the energy must have one sign
_LEAST_CALM_CYCLES: Final = 0.5
_LASTS: Final = 0.05  # squares of the second sixteenth of a cycle over the first's: a surge between samples has less
_IN_NOISE: Final = 10.0  # times what noise makes of the energy
_LEAST_SHARE: Final = 0.1  # of the energy, had voltage and current one shape: less swings to and fro
_KEPT: Final = 0.6  # of its largest, that the energy must end with
_SURE: Final = 0.8


def first_departure_direction(
    change_u: npt.ArrayLike, change_i: npt.ArrayLike, *, n_before: int, cycle: float
) -> Direction | None:
    """The side of the monitor from which an event's first departure comes.

    Parameters
    ----------
    change_u, change_i : shape (3, n). By how much voltages to neutral, and currents, positive towards downstream, are
        more than a cycle earlier. [V], [A]
    n_before : so many samples at the beginning lie before the event's start.
    cycle : samples in a cycle.

    Returns
    -------
    Direction; None where there are too few samples, where noise could make as much, where the energy swings, or where
    the departure is over within a few samples, as that of lightning: then what is sampled of it has any sign.

    Raises
    ------
    ValueError : shapes that do not agree.

    Source: superimposed quantities as directional protection has them, M. Chamia, S. Liberman, "Ultra high speed relay
    for EHV/UHV transmission lines", IEEE Trans. Power App. Syst. 97 (1978), 2104-2116 (from memory): voltage and
    current depart with one sign where the cause lies behind the relay, with opposite ones where it lies before it.
    Their product summed up is the energy that enters what lies downstream; into a passive network it is never below
    zero (Tellegen's theorem, from memory). The power that flowed before has no part in it. Limits: derived.
    """
    u, i = np.asarray(change_u, np.float64), np.asarray(change_i, np.float64)
    if u.shape != i.shape or u.ndim != 2 or not 0 <= n_before <= u.shape[1]:
        raise ValueError(f"shapes {u.shape} and {i.shape} with {n_before} samples before do not agree")
    lengths = [math.ceil(share * cycle) for share in _SEEN_CYCLES]
    if cycle < _LEAST_SAMPLES_PER_CYCLE or n_before < _LEAST_CALM_CYCLES * cycle or u.shape[1] < n_before + lengths[-1]:
        return None
    first, second = slice(n_before, n_before + lengths[0]), slice(n_before + lengths[0], n_before + lengths[1])
    if any(_squares(x[:, second]) < _LASTS * _squares(x[:, first]) for x in (u, i)):
        return None
    sides = {_side_within(u, i, n_before, n) for n in lengths}
    (side,) = sides if len(sides) == 1 else (None,)
    if side is None:
        return None
    answer = Answer("energy of the first departure", side, None)
    return Direction(side, _SURE, (answer,), f"{answer.method}: {side}")


def _side_within(u: F64, i: F64, n_before: int, n: int) -> str | None:
    """The side by some samples from the start on; None where they do not tell."""
    first = slice(n_before, n_before + n)
    energy = np.cumsum((u[:, first] * i[:, first]).sum(axis=0))
    squares = [_squares(x[:, first]) for x in (u, i)]
    noises = [_squares(x[:, :n_before]) / x[:, :n_before].size for x in (u, i)]
    noise = math.sqrt(noises[1] * squares[0] + noises[0] * squares[1] + noises[0] * noises[1] * 3 * n)
    most = max(
        _IN_NOISE * noise, _LEAST_SHARE * math.sqrt(squares[0] * squares[1]), _KEPT * float(np.abs(energy).max())
    )
    final = float(energy[-1])
    if final == 0 or not abs(final) >= most:
        return None
    return UPSTREAM if final > 0 else DOWNSTREAM


def _squares(x: F64) -> float:
    return float(np.vdot(x, x))
