"""Windows of the 29-class parametric family, one sample at a time: drawing the parameters, then evaluating the formula.

Source: R. Igual, C. Medrano, F. J. Arcega, G. Mantescu, "Integral mathematical model of power quality disturbances",
ICHQP 2018: the equations and ranges of its table, A = 1 pu peak, ten cycles.

What the table leaves open, and how it is read here:

- every quantity is uniform between its limits, and independent of all others; the angles are uniform over a turn;
- an event of T to 9T lies anywhere in the window, whole; so does the impulse, and so does a transient in the classes
  6 and 24 to 27 (a transient of 0.5T to 10T/3.33);
- a transient inside an event lasts T/5 to 10T/3.33, or as long as the event if that is shorter, anywhere in it, whole;
- a rectangle is one on its two edges; the transient's decay counts from its own start;
- the flicker's sine starts with the window at zero, as printed;
- the first of the gated sum H of orders 1, 3, 5 has the angle of the carrier, so that the event is a sag or swell;
- the notches of a window are alike, evenly spread over the cycle, c a cycle, the first anywhere in the first T/c;
- T is the period of the frequency present, while the window lasts ten periods of the nominal one;
- in the classes 28 and 29 the flicker's factor stands at the gated sum alone, and the transient is added to it;
- the swell's rise and the transient's amplitude, one letter in the table, are drawn apart.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Parameters = dict[str, float]

N_CYCLES = 10
TURN = 2.0 * math.pi

NAMES: dict[int, str] = {
    1: "pure",
    2: "sag",
    3: "swell",
    4: "interruption",
    5: "impulse",
    6: "oscillatory transient",
    7: "harmonics",
    8: "harmonics with sag",
    9: "harmonics with swell",
    10: "flicker",
    11: "flicker with sag",
    12: "flicker with swell",
    13: "sag with oscillatory transient",
    14: "swell with oscillatory transient",
    15: "sag with harmonics inside",
    16: "swell with harmonics inside",
    17: "notch",
    18: "harmonics with sag and flicker",
    19: "harmonics with swell and flicker",
    20: "sag with harmonics and flicker inside",
    21: "swell with harmonics and flicker inside",
    22: "sag with harmonics and oscillatory transient inside",
    23: "swell with harmonics and oscillatory transient inside",
    24: "harmonics with sag and oscillatory transient",
    25: "harmonics with swell and oscillatory transient",
    26: "harmonics with sag, oscillatory transient and flicker",
    27: "harmonics with swell, oscillatory transient and flicker",
    28: "sag with harmonics, flicker and oscillatory transient inside",
    29: "swell with harmonics, flicker and oscillatory transient inside",
}

PRIMITIVES_OF: dict[int, frozenset[str]] = {
    1: frozenset(),
    2: frozenset({"sag"}),
    3: frozenset({"swell"}),
    4: frozenset({"interruption"}),
    5: frozenset({"impulse"}),
    6: frozenset({"oscillatory transient"}),
    7: frozenset({"harmonics"}),
    8: frozenset({"sag", "harmonics"}),
    9: frozenset({"swell", "harmonics"}),
    10: frozenset({"flicker"}),
    11: frozenset({"sag", "flicker"}),
    12: frozenset({"swell", "flicker"}),
    13: frozenset({"sag", "oscillatory transient"}),
    14: frozenset({"swell", "oscillatory transient"}),
    15: frozenset({"sag", "harmonics"}),
    16: frozenset({"swell", "harmonics"}),
    17: frozenset({"notch"}),
    18: frozenset({"sag", "harmonics", "flicker"}),
    19: frozenset({"swell", "harmonics", "flicker"}),
    20: frozenset({"sag", "harmonics", "flicker"}),
    21: frozenset({"swell", "harmonics", "flicker"}),
    22: frozenset({"sag", "harmonics", "oscillatory transient"}),
    23: frozenset({"swell", "harmonics", "oscillatory transient"}),
    24: frozenset({"sag", "harmonics", "oscillatory transient"}),
    25: frozenset({"swell", "harmonics", "oscillatory transient"}),
    26: frozenset({"sag", "harmonics", "oscillatory transient", "flicker"}),
    27: frozenset({"swell", "harmonics", "oscillatory transient", "flicker"}),
    28: frozenset({"sag", "harmonics", "oscillatory transient", "flicker"}),
    29: frozenset({"swell", "harmonics", "oscillatory transient", "flicker"}),
}

WITH_SAG = (2, 8, 11, 13, 15, 18, 20, 22, 24, 26, 28)
WITH_SWELL = (3, 9, 12, 14, 16, 19, 21, 23, 25, 27, 29)
WITH_FLICKER = (10, 11, 12, 18, 19, 20, 21, 26, 27, 28, 29)
WITH_HARMONICS = (7, 8, 9, 15, 16, 18, 19, 20, 21, 22, 23, 24, 25, 26, 27, 28, 29)
TRANSIENT_INSIDE = (13, 14, 22, 23, 28, 29)
TRANSIENT_ANYWHERE = (6, 24, 25, 26, 27)


def draw_parameters(
    number: int, *, rng: np.random.Generator, nominal_hz: float = 50.0, frequency_hz: float | None = None
) -> Parameters:
    """The parameters of one window of a class, as plain numbers.

    Parameters
    ----------
    number : class of the table, 1 to 29.
    rng : source of chance.
    nominal_hz : the window lasts ten of its periods. [Hz]
    frequency_hz : the frequency present; None: the nominal one. [Hz]

    Returns
    -------
    f [Hz], th1 (the carrier's angle, phi where it is alone) [rad], and of these what the class has: event t1, t2 [s],
    alpha, beta or rho [pu]; a3, a5, a7 [pu] with th3, th5, th7 [rad]; lam [pu], ff [Hz]; psi [pu], ta [s];
    ot_beta [pu], ot_f [Hz], ot_tau, ot_t1, ot_t2 [s], ot_theta [rad]; k [pu], per_cycle, width, first [s].
    """
    if number not in NAMES:
        raise ValueError(f"no class {number}")
    f = nominal_hz if frequency_hz is None else frequency_hz
    period = 1.0 / f
    end = N_CYCLES / nominal_hz
    p: Parameters = {"f": f, "th1": float(rng.uniform(-math.pi, math.pi))}
    if number in WITH_SAG or number in WITH_SWELL or number == 4:
        length = rng.uniform(period, (N_CYCLES - 1) * period)
        p["t1"] = float(rng.uniform(0.0, end - length))
        p["t2"] = p["t1"] + float(length)
    if number in WITH_SAG:
        p["alpha"] = float(rng.uniform(0.1, 0.9))
    if number in WITH_SWELL:
        p["beta"] = float(rng.uniform(0.1, 0.8))
    if number == 4:
        p["rho"] = float(rng.uniform(0.9, 1.0))
    if number == 5:
        p["psi"] = float(rng.uniform(0.222, 1.11))
        p["ta"] = float(rng.uniform(0.0, end - 1e-3))
    if number in WITH_HARMONICS:
        for order in (3, 5, 7) if number == 7 else (3, 5):
            p[f"a{order}"] = float(rng.uniform(0.05, 0.15))
            p[f"th{order}"] = float(rng.uniform(-math.pi, math.pi))
    if number in WITH_FLICKER:
        p["lam"] = float(rng.uniform(0.05, 0.10))
        p["ff"] = float(rng.uniform(8.0, 25.0))
    if number in TRANSIENT_INSIDE:
        longest = min(N_CYCLES * period / 3.33, p["t2"] - p["t1"])
        _draw_transient(p, rng, shortest=period / 5.0, longest=longest, start=p["t1"], end=p["t2"])
    if number in TRANSIENT_ANYWHERE:
        _draw_transient(p, rng, shortest=period / 2.0, longest=N_CYCLES * period / 3.33, start=0.0, end=end)
    if number == 17:
        p["k"] = float(rng.uniform(0.1, 0.4))
        p["width"] = float(rng.uniform(0.01 * period, 0.05 * period))
        p["per_cycle"] = float(rng.choice([1, 2, 4, 6]))
        p["first"] = float(rng.uniform(0.0, period / p["per_cycle"]))
    return p


def _draw_transient(
    p: Parameters, rng: np.random.Generator, *, shortest: float, longest: float, start: float, end: float
) -> None:
    """An oscillatory transient between two instants, into the parameters."""
    length = float(rng.uniform(shortest, longest))
    p["ot_t1"] = float(rng.uniform(start, end - length))
    p["ot_t2"] = p["ot_t1"] + length
    p["ot_beta"] = float(rng.uniform(0.1, 0.8))
    p["ot_f"] = float(rng.uniform(300.0, 900.0))
    p["ot_tau"] = float(rng.uniform(8e-3, 40e-3))
    p["ot_theta"] = float(rng.uniform(-math.pi, math.pi))


def _inside(t: float, start: float, end: float) -> float:
    """The rectangle u(t)."""
    return 1.0 if start <= t <= end else 0.0


def _carrier(p: Parameters, t: float) -> float:
    return math.sin(TURN * p["f"] * t - p["th1"])


def _sum_135(p: Parameters, t: float) -> float:
    """H: the carrier with its third and fifth."""
    w = TURN * p["f"]
    return _carrier(p, t) + p["a3"] * math.sin(3 * w * t - p["th3"]) + p["a5"] * math.sin(5 * w * t - p["th5"])


def _step(p: Parameters, t: float) -> float:
    """What the event adds to one: -alpha u, +beta u, or -rho u."""
    size = -p["alpha"] if "alpha" in p else p["beta"] if "beta" in p else -p["rho"]
    return size * _inside(t, p["t1"], p["t2"])


def _flicker(p: Parameters, t: float) -> float:
    return p["lam"] * math.sin(TURN * p["ff"] * t)


def _transient(p: Parameters, t: float) -> float:
    since = t - p["ot_t1"]
    if _inside(t, p["ot_t1"], p["ot_t2"]) == 0.0:
        return 0.0
    return p["ot_beta"] * math.exp(-since / p["ot_tau"]) * math.sin(TURN * p["ot_f"] * since - p["ot_theta"])


def _notches(p: Parameters, t: float) -> float:
    """The sum of rectangles: one where the time since the last notch's start is within the width."""
    spacing = 1.0 / (p["f"] * p["per_cycle"])
    return 1.0 if (t - p["first"]) % spacing <= p["width"] else 0.0


def value_at(number: int, p: Parameters, t: float) -> float:  # noqa: PLR0911, PLR0912 - a line a row
    """One row of the table at one instant. [pu of the sine's peak; t in s]"""
    if number == 1:
        return _carrier(p, t)
    if number in (2, 3, 4):
        return (1.0 + _step(p, t)) * _carrier(p, t)
    if number == 5:
        since = t - p["ta"]
        bump = math.exp(-750.0 * since) - math.exp(-344.0 * since) if 0.0 <= since <= 1e-3 else 0.0
        return _carrier(p, t) - p["psi"] * bump
    if number == 6:
        return _carrier(p, t) + _transient(p, t)
    if number == 7:
        return _sum_135(p, t) + p["a7"] * math.sin(7 * TURN * p["f"] * t - p["th7"])
    if number in (8, 9):
        return (1.0 + _step(p, t)) * _sum_135(p, t)
    if number == 10:
        return (1.0 + _flicker(p, t)) * _carrier(p, t)
    if number in (11, 12):
        return (_flicker(p, t) + 1.0 + _step(p, t)) * _carrier(p, t)
    if number in (13, 14):
        return (1.0 + _step(p, t)) * _carrier(p, t) + _transient(p, t)
    if number in (15, 16):
        return _carrier(p, t) + _step(p, t) * _sum_135(p, t)
    if number == 17:
        carrier = _carrier(p, t)
        return carrier - math.copysign(1.0, carrier) * p["k"] * _notches(p, t)
    if number in (18, 19):
        return (1.0 + _step(p, t)) * _sum_135(p, t) * (1.0 + _flicker(p, t))
    if number in (20, 21):
        return _carrier(p, t) + _step(p, t) * _sum_135(p, t) * (1.0 + _flicker(p, t))
    if number in (22, 23):
        return _carrier(p, t) + _step(p, t) * _sum_135(p, t) + _transient(p, t)
    if number in (24, 25):
        return (1.0 + _step(p, t)) * _sum_135(p, t) + _transient(p, t)
    if number in (26, 27):
        return ((1.0 + _step(p, t)) * _sum_135(p, t) + _transient(p, t)) * (1.0 + _flicker(p, t))
    if number in (28, 29):
        return _carrier(p, t) + _step(p, t) * _sum_135(p, t) * (1.0 + _flicker(p, t)) + _transient(p, t)
    raise ValueError(f"no class {number}")


def evaluate_window(number: int, p: Parameters, *, rate_hz: float = 16000.0, nominal_hz: float = 50.0) -> FloatArray:
    """Ten nominal cycles of the class with these parameters, shape (n_samples,). [pu of the sine's peak]"""
    n = round(N_CYCLES * rate_hz / nominal_hz)
    return np.array([value_at(number, p, i / rate_hz) for i in range(n)], dtype=np.float64)


def with_noise(values: FloatArray, *, snr_db: float, rng: np.random.Generator) -> FloatArray:
    """White Gaussian noise so that 10 log10 of the mean square over the noise's variance is the ratio asked. [dB]"""
    power = sum(float(v) ** 2 for v in values) / len(values)
    return values + rng.normal(0.0, math.sqrt(power / 10.0 ** (snr_db / 10.0)), len(values))


def draw_window(
    number: int,
    *,
    rng: np.random.Generator,
    rate_hz: float = 16000.0,
    nominal_hz: float = 50.0,
    frequency_hz: float | None = None,
    snr_db: float | None = None,
) -> FloatArray:
    """One window of a class, drawn and evaluated, shape (n_samples,). [pu of the sine's peak]"""
    p = draw_parameters(number, rng=rng, nominal_hz=nominal_hz, frequency_hz=frequency_hz)
    values = evaluate_window(number, p, rate_hz=rate_hz, nominal_hz=nominal_hz)
    return values if snr_db is None else with_noise(values, snr_db=snr_db, rng=rng)
