"""What is said with 95 % is right in 95 %: thousands of drawn sags, whole and by slices; a few hundred in plain runs.

    pytest -m exam tests/uncertainty

SOURCE of every expected number: the definition of a standard uncertainty (JCGM 100, 2.3.1) with a coverage factor of 2
(6.2.2, 95.45 % of a normal distribution), held against truths of a generator that shares no code with what is judged.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest
from scipy.stats import kstest
from uncertainty.drawn_events import drawn
from uncertainty.judged import QUANTITIES, SLICES, Off, coverage, family, sags_of

from halfcycle.pipeline.catalogue.uncertainty import Wanted

N_EXAM, N_PLAIN = 20_000, 240
COVERED, ALL, A_SLICE = 0.95, 0.01, 0.02
CALIBRATED = 0.02


def z_of(found: Sequence[Off], quantity: str) -> npt.NDArray[np.float64]:
    return np.array([one.z[quantity] for one in found])


def uncovered(found: Sequence[Off], quantity: str, *, most: float) -> list[str]:
    """The slices in which too many or too few truths lie in their intervals; those of under 500 sags left out."""
    wrong = []
    z = z_of(found, quantity)
    for name, (key, edges) in SLICES.items():
        keys = np.array([one.keys[key] for one in found])
        for low, high in pairwise(edges):
            part = z[(keys >= low) & (keys < high)]
            part = part[~np.isnan(part)]
            if part.size >= 500 and abs(coverage(part) - COVERED) > most:
                wrong.append(f"{quantity}, {name} from {low}: {coverage(part):.4f} of {part.size}")
    return wrong


def calibration(p: npt.NDArray[np.float64], true: npt.NDArray[np.bool_]) -> float:
    """By how much probabilities are off the shares that came true, over tenths, weighted by how often each was said."""
    tenth = np.minimum((p * 10).astype(int), 9)
    off = [abs(p[tenth == k].mean() - true[tenth == k].mean()) * (tenth == k).mean() for k in np.unique(tenth)]
    return float(np.sum(off))


@pytest.fixture(scope="module")
def twenty_thousand() -> list[Off]:
    found = family(N_EXAM, seed=1, processes=len(os.sched_getaffinity(0)))
    kept = [one for one in found if one is not None]
    assert len(kept) >= 0.999 * N_EXAM
    return kept


@pytest.mark.exam
@pytest.mark.parametrize("quantity", QUANTITIES)
def test_intervals_hold_the_truth_in_95_of_100(twenty_thousand: list[Off], quantity: str) -> None:
    z = z_of(twenty_thousand, quantity)
    told = ~np.isnan(z)
    print(f"{quantity}: {coverage(z[told]):.4f} of {told.sum()}, mean {z[told].mean():+.3f}")
    assert told.mean() > 0.99
    assert abs(coverage(z[told]) - COVERED) <= ALL


@pytest.mark.exam
@pytest.mark.parametrize("quantity", QUANTITIES)
def test_they_do_in_every_slice(twenty_thousand: list[Off], quantity: str) -> None:
    wrong = uncovered(twenty_thousand, quantity, most=A_SLICE)
    print("\n".join(wrong))
    assert not wrong


@pytest.mark.exam
def test_errors_of_the_voltage_are_normal_in_units_of_their_uncertainty(twenty_thousand: list[Off]) -> None:
    z = z_of(twenty_thousand, "magnitude")
    z = z[~np.isnan(z)]
    found = kstest(z, "norm")
    print(f"Kolmogorov-Smirnov distance {found.statistic:.4f}, p {found.pvalue:.3f}; std {z.std():.3f}")
    # Of instants none is asked for: within one sample they are uniform, and their u says so.
    assert found.pvalue >= 0.01


@pytest.mark.exam
def test_no_bias_of_the_voltage_is_left_at_40_db() -> None:
    rng = np.random.default_rng(40)
    bias, plain = [], []
    for _ in range(3000):
        one = drawn(rng, snr_db=40.0)
        for row in sags_of(one):
            if row.uncertainty is not None and row.uncertainty.magnitude_corrected is not None:
                bias.append(row.uncertainty.magnitude_corrected - one.residual_pu)
                plain.append(row.magnitude - one.residual_pu)
    print(f"bias {100 * np.mean(bias):+.4f} % of nominal, of the lowest value {100 * np.mean(plain):+.4f} %")
    assert abs(np.mean(bias)) <= 0.0002
    assert np.mean(plain) < -0.0005  # what is put right


@pytest.mark.exam
@pytest.mark.parametrize("how", ["standard", "full"])
def test_probabilities_of_having_crossed_a_threshold_come_true(how: Wanted) -> None:
    rng = np.random.default_rng(6)
    p, true = [], []
    for _ in range(4000):
        residual = float(rng.uniform(0.896, 0.904))
        one = drawn(rng, residual_pu=residual, snr_db=float(rng.uniform(30, 50)), n_phases=1, bits=16)
        for row in sags_of(one, how=how):
            if row.uncertainty is not None and row.uncertainty.event_p is not None:
                p.append(row.uncertainty.event_p)
                true.append(residual < 0.9)
    off = calibration(np.array(p), np.array(true))
    print(f"{how}: {len(p)} rows, off by {off:.4f}")
    assert len(p) > 1500
    assert off <= CALIBRATED


@pytest.mark.exam
def test_what_is_drawn_is_no_farther_off_than_closed_forms() -> None:
    n = len(os.sched_getaffinity(0))
    ways: tuple[Wanted, ...] = ("standard", "full")
    found = {how: family(3000, seed=5, processes=n, how=how) for how in ways}
    for quantity in ("magnitude", "start", "duration"):
        plain, drawn_ = (z_of([one for one in rows if one], quantity) for rows in found.values())
        plain, drawn_ = (coverage(z[~np.isnan(z)]) for z in (plain, drawn_))
        print(f"{quantity}: {plain:.4f} by closed forms, {drawn_:.4f} drawn")
        # Three standard deviations of a binomial share, 1.2 %.
        assert abs(drawn_ - COVERED) <= max(abs(plain - COVERED), 0.012)


@pytest.mark.exam
def test_probabilities_at_the_edge_of_a_category_come_true() -> None:
    rng = np.random.default_rng(7)
    p, true = [], []
    for _ in range(3000):
        per_cycle, edge = 32, 30.0
        cycles = edge + float(rng.uniform(-1.5, 1.5)) / per_cycle
        one = drawn(rng, per_cycle=per_cycle, length_s=0.5, n_phases=1)
        one = drawn(rng, per_cycle=per_cycle, length_s=cycles / one.nominal_hz, n_phases=1)
        for row in sags_of(one):
            if row.uncertainty is not None and row.uncertainty.category_p is not None:
                brief = one.stop_s - one.start_s <= edge / one.nominal_hz
                p.append(row.uncertainty.category_p)
                true.append(brief == row.category.startswith("instantaneous"))
    off = calibration(np.array(p), np.array(true))
    print(f"{len(p)} rows, off by {off:.4f}")
    assert len(p) > 2500
    assert off <= CALIBRATED


@pytest.mark.long
def test_intervals_of_a_few_hundred_sags_hold_the_truth() -> None:
    # Of 240 sags 95 % ± 4.5 %: three standard deviations of a binomial share.
    found = [one for one in family(N_PLAIN, seed=3) if one is not None]
    assert len(found) == N_PLAIN
    for quantity in QUANTITIES:
        z = z_of(found, quantity)
        z = z[~np.isnan(z)]
        assert z.size > 0.98 * N_PLAIN, quantity
        assert abs(coverage(z) - COVERED) <= 0.045, (quantity, coverage(z))
