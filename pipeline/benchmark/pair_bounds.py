"""How often any classifier must at least confuse two classes of the parametric family in white noise.

Of two known signals s0 and s1 one is there, in white Gaussian noise of standard deviation sigma. The log of the
likelihood ratio is normal with mean -d^2/2 under s0 and d^2/2 under s1 and variance d^2, d = |s1 - s0| / sigma. At even
odds whoever decides by its sign errs least, in a share Q(d/2). A classifier that is told less than every parameter errs
at least as often, so the mean over drawn parameters is a lower bound. Where both classes use a parameter but draw it
differently, what is told says something by itself: its odds move the threshold, and the bound is 0 for sag against
swell or interruption, whose ranges do not overlap. Tighter: the likelihood is averaged over the ranges of what only one
class uses.

Source: derived; likelihood ratios and composite hypotheses after H. L. Van Trees, Detection, Estimation, and Modulation
Theory, Part I, 1968, chapter 2 (from memory). Departs: sigma follows from a window's own power at the given SNR, yet is
taken as told and the same under both classes. The level of the noise would add a share of at most about 10^(-SNR/10) to
d, 1 % at 20 dB: of N samples |dsigma| / sigma <= d 10^(-SNR/20) / sqrt(N), which they tell with sqrt(2 N) |dsigma| /
sigma. Quantisation is left out: it can only add errors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.synthesis import parametric
from halfcycle.pipeline.synthesis.parametric import FORMS, Parameters, draw, envelope_of, evaluate
from halfcycle.pipeline.synthesis.recording import Conditions, noise_sigma, supply_background

FloatArray = npt.NDArray[np.float64]

DEPTHS: Final = 24  # steps of the grid over the flicker's depth
STEPS_PER_LOBE: Final = 32  # of the grid over its frequency, in 1 / length of the window; twice as many change nothing
_CHUNK_VALUES, _CHUNK_ROWS = 2**18, 128  # at most, so that some 20 arrays of this size stay small


@dataclass(frozen=True, slots=True)
class PairBound:
    """Least share of windows that are taken for the other class of a pair, as many of each class.

    Attributes
    ----------
    first, second : classes, 1 to 29.
    snr_db : signal to noise; infinite: no noise. [dB]
    least_error_known : of a classifier that is told everything but the class.
    least_error : of one not told the flicker's depth and frequency; None: the pair differs in more than flicker.
    standard_error : of least_error, which is counted on drawn noise.
    """

    first: int
    second: int
    snr_db: float
    least_error_known: float
    least_error: float | None
    standard_error: float | None


def pair_bound(first: int, second: int, *, conditions: Conditions, n: int, seed: int) -> PairBound:
    """Least error between two classes at one level of noise.

    Parameters
    ----------
    first, second : two classes of 1 to 29; their order does not matter.
    conditions : how the windows are recorded, with one level of noise or none.
    n : windows of each class.
    seed : the parameters that the windows' own class uses are those of `parametric_windows` with this seed.

    Returns
    -------
    PairBound. `least_error` is None unless one class is the other with flicker: only there does a grid over two
    parameters, in one of which the signal is linear, hold all that is not told.

    Raises
    ------
    ConfigError : not two classes of the family, no window, or more than one level of noise.
    """
    if first == second or not {first, second} <= set(FORMS) or n < 1:
        raise ConfigError(f"classes {first} and {second}, {n} windows; two of classes 1 to 29 and a window are needed")
    low_db, high_db = conditions.snr_db or (math.inf, math.inf)
    if low_db != high_db or conditions.clean_share:
        raise ConfigError(f"SNR {low_db} to {high_db} dB, clean_share {conditions.clean_share}: one level is needed")
    pairs = ((first, second), (second, first))
    sides = [_side(*pair, conditions=conditions, snr_db=low_db, n=n, seed=seed) for pair in pairs]
    known, least = (float(np.mean([side[i] for side in sides])) for i in (0, 1))
    if _flickering(first, second) is None:
        return PairBound(first, second, low_db, known, None, None)
    # Laplace's rule of succession, so that no error at all still has a standard error
    shares = [(np.sum(wrong) + 1.0) / (n + 2) for _, wrong in sides]
    error = 0.0 if math.isinf(low_db) else math.sqrt(sum(share * (1 - share) for share in shares) / n) / 2
    return PairBound(first, second, low_db, known, least, error)


def mistaken(true: FloatArray, rival: FloatArray, *, sigma: FloatArray, odds: FloatArray | None = None) -> FloatArray:
    """Probability that the better decision between two known signals in white noise takes one for the other.

    Parameters
    ----------
    true, rival : shape (n, n_samples). The signal that is there, and the other one. [pu]
    sigma : shape (n,). Of the noise; 0: none. [pu]
    odds : shape (n,). Of the rival, before looking; None: even.

    Returns
    -------
    float64, shape (n,). Q(d/2) at even odds; 1/2 for the same signal twice.

    Source: derived, see above.
    """
    from scipy.special import ndtr

    apart = np.linalg.norm(rival - true, axis=1)
    d = np.divide(apart, sigma, out=np.where(apart > 0, np.inf, 0.0), where=sigma > 0)
    odds = np.ones(len(d)) if odds is None else odds
    chance = np.where(d == 0, np.heaviside(odds - 1.0, 0.5), 0.0)
    usual = (d > 0) & np.isfinite(d) & (odds > 0)
    chance[usual] = ndtr(np.log(odds[usual]) / d[usual] - d[usual] / 2)
    return chance


def _side(
    own: int, other: int, *, conditions: Conditions, snr_db: float, n: int, seed: int
) -> tuple[FloatArray, FloatArray]:
    """Windows of class `own`: the chance that each is mistaken, all told; whether it was, flicker untold."""
    t_s = np.arange(conditions.n_samples) / conditions.rate_hz
    told = _told(own, other, conditions=conditions, n=n, seed=seed)
    odds = _odds(own, other, told, conditions=conditions)
    flickering = _flickering(own, other)
    known, wrong = np.empty(n), np.empty(n)
    rng = np.random.default_rng([seed, own, other, 1])
    step = min(_CHUNK_ROWS, max(1, _CHUNK_VALUES // len(t_s)))
    for i in range(0, n, step):
        rows = slice(i, i + step)
        p = Parameters(*(getattr(told, field.name)[..., rows] for field in fields(Parameters)))
        # the same generator twice: both classes on the same supply
        true, rival = (_clean(c, p, t_s, conditions=conditions, seed=[seed, own, other, 2, i]) for c in (own, other))
        sigma = noise_sigma(true, snr_db)
        known[rows] = mistaken(true, rival, sigma=sigma, odds=odds[rows])
        wrong[rows] = known[rows]
        if flickering is not None and sigma.all():
            rest = sigma[:, None] * rng.standard_normal(true.shape)  # from the signal without flicker
            rest += true - rival if own == flickering else 0.0
            ratio = _log_ratio(rest, _carrier(flickering, p, t_s), t_s, sigma=sigma)
            wrong[rows] = np.heaviside(-ratio if own == flickering else ratio, 0.5)
    return known, wrong


def _told(own: int, other: int, *, conditions: Conditions, n: int, seed: int) -> Parameters:
    """Parameters of windows of class `own`, and beside them those that only `other` uses."""
    p = draw(own, n, rng=np.random.default_rng([seed, own]), conditions=conditions)
    q = draw(other, n, rng=np.random.default_rng([seed, own, other]), conditions=conditions)
    mine, its = FORMS[own], FORMS[other]
    p = replace(p, harmonics=np.where(p.harmonics > 0, p.harmonics, q.harmonics))
    if mine.change is None:
        p = replace(p, change=q.change, jump=q.jump)
    if mine.transient == "none" and its.transient == "inside":
        p = replace(p, t1_s=q.t1_s, t2_s=q.t2_s, start_s=q.start_s, end_s=q.end_s)
    return p


def _odds(own: int, other: int, p: Parameters, *, conditions: Conditions) -> FloatArray:
    """Density of the told parameters under `other` over that under `own`, of which they were drawn."""
    mine, its = FORMS[own], FORMS[other]
    if None not in (mine.change, its.change) and mine.change != its.change:
        return np.zeros(len(p.change))
    if {mine.transient, its.transient} != {"inside", "anywhere"}:
        return np.ones(len(p.change))
    # a start lies evenly in what the event leaves, or the window; who is cut at the event's end is inside for certain
    last_s = p.t2_s - parametric.LEAST_INSIDE_CYCLES / conditions.nominal_hz
    either = (p.start_s >= p.t1_s) & (p.start_s <= last_s) & (p.end_s < p.t2_s)
    anywhere_s = conditions.n_cycles / conditions.nominal_hz - (p.end_s - p.start_s)
    ratio = (last_s - p.t1_s) / anywhere_s
    return np.where(either, ratio if mine.transient == "inside" else 1.0 / ratio, 0.0)


def _clean(number: int, p: Parameters, t_s: FloatArray, *, conditions: Conditions, seed: list[int]) -> FloatArray:
    if FORMS[number].change is None:
        p = replace(p, change=np.zeros_like(p.change), jump=np.zeros_like(p.jump))
    envelope = envelope_of(p, t_s)
    rng = np.random.default_rng(seed)
    return evaluate(number, p, t_s) + supply_background(p.frequency_hz, envelope, t_s, rng=rng, conditions=conditions)


def _flickering(one: int, other: int) -> int | None:
    """The class with flicker of two that differ in nothing else."""
    flickers = [number for number in (one, other) if FORMS[number].flicker != "none"]
    rest_one, rest_other = (replace(FORMS[number], name="", flicker="none") for number in (one, other))
    return flickers[0] if len(flickers) == 1 and rest_one == rest_other else None


def _carrier(flickering: int, p: Parameters, t_s: FloatArray) -> FloatArray:
    """What the flicker's sine multiplies; any value at t = 0, where it is 0.

    Found from a sine of a quarter period over the window, as it vanishes at t = 0 only.
    """
    slow_hz = 1.0 / (4.0 * len(t_s) * t_s[1])
    slow = replace(p, flicker_hz=np.full_like(p.flicker, slow_hz))
    still, full = (evaluate(flickering, replace(slow, flicker=np.full_like(p.flicker, k)), t_s) for k in (0.0, 1.0))
    sine = np.sin(2 * np.pi * slow_hz * t_s)
    carrier: FloatArray = np.divide(full - still, sine, out=np.zeros_like(full), where=sine > 0)
    return carrier


def _log_ratio(rest: FloatArray, carrier: FloatArray, t_s: FloatArray, *, sigma: FloatArray) -> FloatArray:
    """Log of the likelihood with flicker, averaged over its depth and frequency, over that without; shape (n,)."""
    from scipy.special import logsumexp

    low_hz, high_hz = parametric.FLICKER_HZ
    n_steps = math.ceil((high_hz - low_hz) * len(t_s) * t_s[1] * STEPS_PER_LOBE)
    depths = _middles(*parametric.FLICKER_DEPTH, DEPTHS)
    sines = np.sin(2 * np.pi * np.outer(t_s, _middles(low_hz, high_hz, n_steps)))
    match = (rest * carrier) @ sines / sigma[:, None] ** 2
    power = carrier**2 @ sines**2 / sigma[:, None] ** 2
    exponents = depths * match[:, :, None] - depths**2 / 2 * power[:, :, None]
    total: FloatArray = logsumexp(exponents, axis=(1, 2))
    return total - math.log(exponents[0].size)


def _middles(low: float, high: float, n: int) -> FloatArray:
    return low + (high - low) * (np.arange(n) + 0.5) / n
