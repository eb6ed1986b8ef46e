"""Jumps, points on wave, dip-type voltages and transients: stated intervals against drawn truths.

    pytest -m exam tests/uncertainty/test_angles_exam.py

SOURCE of every expected number: as `test_uncertainty_exam`.
"""

from __future__ import annotations

import os

import numpy as np
import numpy.typing as npt
import pytest
from uncertainty.judged import coverage
from uncertainty.judged_angles import Off, family_of, off_ringing, off_sag

N_EXAM, N_PLAIN = 3000, 60
COVERED, WITHIN = 0.95, 0.02
SAG, RINGING = ("jump", "start", "recovery", "characteristic", "pn_factor"), ("peak", "ringing_hz", "decay")


def z_of(found: list[Off], quantity: str) -> npt.NDArray[np.float64]:
    return np.array([one[quantity][0] / one[quantity][1] for one in found if quantity in one])


@pytest.fixture(scope="module")
def thousands() -> dict[str, list[Off]]:
    n = len(os.sched_getaffinity(0))
    sags, ringing = (family_of(off, N_EXAM, processes=n) for off in (off_sag, off_ringing))
    found = {"sag": [one[0] for one in sags if one], "ringing": [one[0] for one in ringing if one]}
    assert all(len(part) >= 0.99 * N_EXAM for part in found.values())
    return found


@pytest.mark.exam
@pytest.mark.parametrize("quantity", [*SAG, *RINGING])
def test_intervals_hold_the_truth_in_95_of_100(thousands: dict[str, list[Off]], quantity: str) -> None:
    z = z_of(thousands["sag" if quantity in SAG else "ringing"], quantity)
    print(
        f"{quantity}: {coverage(z):.4f} of {z.size}, mean {z.mean():+.3f}, 68 % within {np.quantile(abs(z), 0.68):.2f}"
    )
    assert z.size >= 0.9 * N_EXAM
    assert abs(coverage(z) - COVERED) <= WITHIN


@pytest.mark.long
def test_intervals_of_a_few_hold_the_truth() -> None:
    # Of 60 95 % ± 8.5 %: three standard deviations of a binomial share, above which there is no more than all.
    for off, quantities in ((off_sag, SAG), (off_ringing, RINGING)):
        found = [one[0] for one in family_of(off, N_PLAIN, first=100_000) if one]
        assert len(found) >= N_PLAIN - 2
        for quantity in quantities:
            z = z_of(found, quantity)
            assert z.size >= 0.9 * N_PLAIN, quantity
            assert coverage(z) >= COVERED - 0.085, (quantity, coverage(z))
