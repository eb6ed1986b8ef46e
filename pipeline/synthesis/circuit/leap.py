"""Many equal steps of a network at one go, while no switch moves and no core changes its piece."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from halfcycle.pipeline.synthesis.circuit.network import F64

LEAP_STEPS: Final = 32


@dataclass(frozen=True, slots=True)
class Leap:
    """`LEAP_STEPS` steps of z' = M z + N e as one product.

    Attributes
    ----------
    matrix : shape (LEAP_STEPS * n_out + n_state, n_state + LEAP_STEPS * n_emf).
    n_out : rows of the state that are given back at each step.
    """

    matrix: F64
    n_out: int

    @classmethod
    def of(cls, step: F64, rows: np.ndarray) -> Leap:
        """From the matrix of one step, and the places in the state that are watched."""
        n, k = step.shape[0], LEAP_STEPS
        own, by_emf = step[:, :n], step[:, n:]
        n_emf, n_out = by_emf.shape[1], rows.size
        matrix = np.zeros((k * n_out + n, n + k * n_emf))
        watched = matrix[: k * n_out].reshape(k, n_out, n + k * n_emf)
        after = np.eye(n)[rows]
        pushed = by_emf
        state = matrix[k * n_out :]
        for i in range(k):
            response = after @ by_emf  # of a source i steps earlier
            for j in range(i, k):
                first = n + (j - i) * n_emf
                watched[j, :, first : first + n_emf] = response
            after = after @ own
            watched[i, :, :n] = after
            first = n + (k - 1 - i) * n_emf
            state[:, first : first + n_emf] = pushed
            pushed = own @ pushed
        state[:, :n] = np.linalg.matrix_power(own, k)
        return cls(matrix, n_out)

    def __call__(self, z: F64, emf: F64) -> tuple[F64, F64]:
        """What is watched at each step, shape (LEAP_STEPS, n_out), and the state after the last."""
        both = self.matrix @ np.concatenate([z, emf.ravel()])
        cut = LEAP_STEPS * self.n_out
        return both[:cut].reshape(LEAP_STEPS, self.n_out), both[cut:]
