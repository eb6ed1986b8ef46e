"""Least errors between two classes: against normal tails, simulation, and likelihoods summed sample by sample."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from scipy import stats

from halfcycle.pipeline.benchmark import pair_bounds
from halfcycle.pipeline.benchmark.pair_bounds import mistaken, pair_bound
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.synthesis.parametric import FLICKER_DEPTH, FLICKER_HZ, JOINED, Parameters, draw, evaluate
from halfcycle.pipeline.synthesis.recording import Conditions

SOURCE = (
    "derived: of two known signals in white noise the better decision errs in Q(d/2), d = |s1 - s0| / sigma, at even "
    "odds (H. L. Van Trees, Detection, Estimation, and Modulation Theory, Part I, 1968, from memory); normal tails and "
    "densities of scipy.stats"
)
SLOW = {"rate_hz": 3_200.0}  # a fifth of the samples: five times the errors, and quick


def at(snr_db: float, **others: float) -> Conditions:
    return Conditions(snr_db=(snr_db, snr_db), **{**SLOW, **others})  # type: ignore[arg-type]


def test_two_known_signals_are_confused_in_q_of_half_their_distance() -> None:
    t = np.arange(64)
    signals = np.stack([np.sin(t / 5.0), np.sin(t / 5.0) + 0.3 * (t > 40)])
    sigma, n = 0.9, 40_000
    got = mistaken(signals[:1], signals[1:], sigma=np.array([sigma]))[0]
    d = 0.3 * np.sqrt(np.sum(t > 40)) / sigma
    assert got == pytest.approx(stats.norm.sf(d / 2), rel=1e-12)
    received = signals[0] + sigma * np.random.default_rng(4).standard_normal((n, len(t)))
    log_density = np.sum(stats.norm.logpdf(received[None], signals[:, None], sigma), axis=2)
    wrong = np.mean(log_density[1] > log_density[0])
    assert wrong == pytest.approx(got, abs=4 * np.sqrt(got * (1 - got) / n))  # four standard errors


def test_odds_move_the_threshold_and_weigh_the_two_errors() -> None:
    d, odds, n = 1.3, 3.0, 200_000
    zero, one = np.zeros((1, 1)), np.full((1, 1), d)
    missed = mistaken(zero, one, sigma=np.ones(1), odds=np.array([odds]))[0]
    x = np.random.default_rng(5).standard_normal(n)
    wrong = np.mean(odds * stats.norm.pdf(x, d) > stats.norm.pdf(x))
    assert missed == pytest.approx(wrong, abs=4 * np.sqrt(0.25 / n))
    assert mistaken(zero, one, sigma=np.ones(1), odds=np.zeros(1))[0] == 0.0
    assert mistaken(zero, zero, sigma=np.ones(1))[0] == 0.5


@pytest.mark.slow
@pytest.mark.parametrize("pair", [*JOINED, (2, 11), (24, 26)])
def test_who_is_told_less_errs_at_least_as_often(pair: tuple[int, int]) -> None:
    bound = pair_bound(*pair, conditions=at(14.0), n=150, seed=1)
    assert bound.least_error is not None
    assert bound.standard_error is not None
    assert 0.0 < bound.least_error_known < 0.3
    assert bound.least_error_known - 3 * bound.standard_error < bound.least_error < 0.45
    assert 0.0 < bound.standard_error < 0.05


def test_a_sine_and_a_sag_or_harmonics_are_confused_as_their_energies_say() -> None:
    """Of N samples a sag alpha over a share w differs by N w alpha^2 / 2, harmonics by N (a3^2 + a5^2 + a7^2) / 2."""
    rng, n, samples = np.random.default_rng(8), 100_000, 640
    alpha, share = rng.uniform(0.1, 0.9, n), rng.uniform(0.1, 0.9, n)
    harmonic = np.sum(rng.uniform(0.05, 0.15, (3, n)) ** 2, axis=0)
    cases = (
        (2, -6.0, share * alpha**2, 1 - share * (1 - (1 - alpha) ** 2)),
        (7, -3.0, harmonic, 1 + harmonic),
    )
    for other, snr_db, apart, power in cases:
        to_noise = samples * 10 ** (snr_db / 10)
        errors = stats.norm.sf(np.sqrt(apart * to_noise) / 2), stats.norm.sf(np.sqrt(apart / power * to_noise) / 2)
        bound = pair_bound(1, other, conditions=at(snr_db), n=1_000, seed=1)
        # four standard errors of the mean of 2000 windows
        assert bound.least_error_known == pytest.approx(np.mean(errors), abs=4 * np.std(errors) / np.sqrt(2_000))


@pytest.mark.parametrize("pair", [(15, 20), (2, 11), (1, 5), (13, 28)])
def test_without_noise_nothing_need_be_confused(pair: tuple[int, int]) -> None:
    bound = pair_bound(*pair, conditions=Conditions(**SLOW), n=20, seed=1)  # type: ignore[arg-type]
    assert bound.least_error_known == 0.0
    assert bound.least_error in (0.0, None)
    assert bound.standard_error in (0.0, None)


@pytest.mark.parametrize("pair", [(15, 20), (8, 18), (1, 5), (7, 8)])
def test_in_very_heavy_noise_half_are_confused(pair: tuple[int, int]) -> None:
    bound = pair_bound(*pair, conditions=at(-70.0), n=200, seed=1)
    assert bound.least_error_known == pytest.approx(0.5, abs=0.01)
    if bound.least_error is not None and bound.standard_error is not None:
        assert bound.least_error == pytest.approx(0.5, abs=4 * bound.standard_error)


def test_the_order_of_the_pair_does_not_matter() -> None:
    one = pair_bound(16, 21, conditions=at(8.0), n=200, seed=1)
    other = pair_bound(21, 16, conditions=at(8.0), n=200, seed=2)
    assert None not in (one.least_error, other.least_error, one.standard_error, other.standard_error)
    assert abs(one.least_error - other.least_error) < 4 * np.hypot(one.standard_error, other.standard_error)  # type: ignore
    assert one.least_error_known == pytest.approx(other.least_error_known, rel=0.3)  # mean of 400 drawn windows


@pytest.mark.parametrize("pair", [(2, 4), (2, 3), (4, 12)])
def test_told_how_deep_an_event_is_nobody_confuses_classes_whose_depths_do_not_overlap(pair: tuple[int, int]) -> None:
    bound = pair_bound(*pair, conditions=at(-20.0), n=20, seed=1)
    assert (bound.least_error_known, bound.least_error, bound.standard_error) == (0.0, None, None)


@pytest.mark.parametrize("flickering", [11, 20, 26, 28])
def test_the_averaged_likelihood_is_that_of_many_drawn_flickers(flickering: int) -> None:
    conditions, rng = at(6.0, rate_hz=1_600.0), np.random.default_rng(7)
    t_s = np.arange(conditions.n_samples) / conditions.rate_hz
    p = draw(flickering, 1, rng=rng, conditions=conditions)
    still = evaluate(flickering, replace(p, flicker=np.zeros(1)), t_s)[0]
    received, sigma = evaluate(flickering, p, t_s)[0] + 0.4 * rng.standard_normal(len(t_s)), 0.4
    n = 4_000
    many = Parameters(*(np.repeat(getattr(p, field.name), n, axis=-1) for field in fields(Parameters)))
    many = replace(many, flicker=rng.uniform(*FLICKER_DEPTH, n), flicker_hz=rng.uniform(*FLICKER_HZ, n))
    log_each = np.sum(stats.norm.logpdf(received, evaluate(flickering, many, t_s), sigma), axis=1)
    each = np.exp(log_each - np.sum(stats.norm.logpdf(received, still, sigma)))
    carrier = pair_bounds._carrier(flickering, p, t_s)
    got = np.exp(pair_bounds._log_ratio((received - still)[None], carrier, t_s, sigma=np.array([sigma])))[0]
    assert got == pytest.approx(np.mean(each), abs=4 * np.std(each) / np.sqrt(n))  # four standard errors
    assert np.std(each) / np.sqrt(n) < 0.05 * np.mean(each)


@pytest.mark.parametrize("pair", [(22, 24), (6, 13)])
def test_the_odds_of_a_transients_place_average_to_the_share_that_both_classes_draw(pair: tuple[int, int]) -> None:
    """The mean of q/p over draws of p is the share of q where p is not 0; drawn from q, that of 1/(q/p) likewise."""
    conditions, n = at(20.0), 40_000
    for own, other in (pair, pair[::-1]):
        odds = pair_bounds._odds(
            own, other, pair_bounds._told(own, other, conditions=conditions, n=n, seed=3), conditions=conditions
        )
        back = pair_bounds._odds(
            other, own, pair_bounds._told(other, own, conditions=conditions, n=n, seed=3), conditions=conditions
        )
        share, error = np.mean(back > 0), np.std(odds) / np.sqrt(n) + 0.5 / np.sqrt(n)
        assert 0.1 < share < 1.0
        assert np.mean(odds) == pytest.approx(share, abs=4 * error)


def test_windows_of_the_supply_with_harmonics_are_bounded_too() -> None:
    """Harmonics that both classes have cancel, and only the noise grows with them, by 0.5 % of the power at 7 % THD."""
    plain = pair_bound(2, 11, conditions=at(5.0), n=300, seed=1)
    dirty = pair_bound(2, 11, conditions=replace(at(5.0), background_thd=(0.07, 0.07)), n=300, seed=1)
    assert plain.least_error_known < dirty.least_error_known < 1.05 * plain.least_error_known


@pytest.mark.parametrize(
    ("pair", "conditions", "n"),
    [
        ((2, 2), at(20.0), 5),
        ((2, 30), at(20.0), 5),
        ((2, 11), at(20.0), 0),
        ((2, 11), Conditions(snr_db=(20.0, 30.0)), 5),
        ((2, 11), Conditions(snr_db=(20.0, 20.0), clean_share=0.5), 5),
    ],
)
def test_what_is_no_pair_at_one_level_is_refused(pair: tuple[int, int], conditions: Conditions, n: int) -> None:
    with pytest.raises(ConfigError):
        pair_bound(*pair, conditions=conditions, n=n, seed=1)
