"""The parametric family of 29 classes of disturbed sine waves, many windows at once, with labels and parameters.

Source: R. Igual, C. Medrano, F. J. Arcega, G. Mantescu, "Integral mathematical model of power quality disturbances",
ICHQP 2018: equations and ranges. Departs: where an event or a transient lies is drawn evenly over what fits the window,
as the ranges leave it open; the constants of the impulse are in 1/s at every frequency.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.synthesis.recording import Conditions, recorded, supply_background

FloatArray = npt.NDArray[np.float64]

OPEN_START_CYCLES: Final = (1.5, 4.0)  # of an event that runs on beyond the window
PRIMITIVES: Final = (
    "sag", "swell", "interruption", "harmonics", "flicker", "oscillatory transient", "impulse", "notch",
)  # fmt: skip

SAG: Final = (0.1, 0.9)  # pu
SWELL: Final = (0.1, 0.8)
INTERRUPTION: Final = (0.9, 1.0)
IMPULSE: Final = (0.222, 1.11)  # psi
IMPULSE_S: Final = 1e-3
IMPULSE_RATES: Final = (750.0, 344.0)  # 1/s
IMPULSE_PEAK: Final = math.exp(-IMPULSE_RATES[1] * IMPULSE_S) - math.exp(-IMPULSE_RATES[0] * IMPULSE_S)  # of psi
HARMONIC: Final = (0.05, 0.15)
FLICKER_DEPTH: Final = (0.05, 0.10)
FLICKER_HZ: Final = (8.0, 25.0)
TRANSIENT: Final = (0.1, 0.8)
TRANSIENT_HZ: Final = (300.0, 900.0)
TRANSIENT_DECAY_S: Final = (8e-3, 40e-3)
TRANSIENT_CYCLES: Final = (0.5, 1 / 3.33)  # shortest, cycles; longest, of the window
LEAST_INSIDE_CYCLES: Final = 0.2  # of a transient inside an event
NOTCH_DEPTH: Final = (0.1, 0.4)
NOTCHES: Final = (1, 2, 4, 6)  # per cycle
NOTCH_CYCLES: Final = (0.01, 0.05)


@dataclass(frozen=True, slots=True)
class Form:
    """What the equation of a class is made of.

    Attributes
    ----------
    name : in words.
    change : ``sag``, ``swell``, ``interruption`` or None.
    orders : harmonics, with the fundamental where there are any.
    gated : harmonics, and flicker with them, are those of the part that the event adds or takes.
    flicker : ``none``, ``added`` to the envelope or a ``factor`` (of what the event adds, where gated).
    transient : ``none``, ``inside`` the event or ``anywhere``.
    impulse, notch : whether there is one.
    """

    name: str
    change: str | None = None
    orders: tuple[int, ...] = (1,)
    gated: bool = False
    flicker: str = "none"
    transient: str = "none"
    impulse: bool = False
    notch: bool = False

    @property
    def primitives(self) -> frozenset[str]:
        """Which of `PRIMITIVES` are present."""
        present = {self.change} if self.change else set()
        named = {
            "harmonics": len(self.orders) > 1, "flicker": self.flicker != "none", "impulse": self.impulse,
            "oscillatory transient": self.transient != "none", "notch": self.notch,
        }  # fmt: skip
        return frozenset(present | {name for name, there in named.items() if there})


_H: Final = (1, 3, 5)
FORMS: Final[dict[int, Form]] = {
    1: Form("pure"),
    2: Form("sag", "sag"),
    3: Form("swell", "swell"),
    4: Form("interruption", "interruption"),
    5: Form("impulse", impulse=True),
    6: Form("oscillatory transient", transient="anywhere"),
    7: Form("harmonics", orders=(1, 3, 5, 7)),
    8: Form("harmonics with sag", "sag", _H),
    9: Form("harmonics with swell", "swell", _H),
    10: Form("flicker", flicker="added"),
    11: Form("flicker with sag", "sag", flicker="added"),
    12: Form("flicker with swell", "swell", flicker="added"),
    13: Form("sag with transient", "sag", transient="inside"),
    14: Form("swell with transient", "swell", transient="inside"),
    15: Form("sag with harmonics in it", "sag", _H, gated=True),
    16: Form("swell with harmonics in it", "swell", _H, gated=True),
    17: Form("notch", notch=True),
    18: Form("harmonics with sag and flicker", "sag", _H, flicker="factor"),
    19: Form("harmonics with swell and flicker", "swell", _H, flicker="factor"),
    20: Form("sag with harmonics and flicker in it", "sag", _H, gated=True, flicker="factor"),
    21: Form("swell with harmonics and flicker in it", "swell", _H, gated=True, flicker="factor"),
    22: Form("sag with harmonics and transient in it", "sag", _H, gated=True, transient="inside"),
    23: Form("swell with harmonics and transient in it", "swell", _H, gated=True, transient="inside"),
    24: Form("harmonics with sag and transient", "sag", _H, transient="anywhere"),
    25: Form("harmonics with swell and transient", "swell", _H, transient="anywhere"),
    26: Form("harmonics with sag, flicker and transient", "sag", _H, flicker="factor", transient="anywhere"),
    27: Form("harmonics with swell, flicker and transient", "swell", _H, flicker="factor", transient="anywhere"),
    28: Form("sag with harmonics, flicker and transient in it", "sag", _H, True, "factor", "inside"),
    29: Form("swell with harmonics, flicker and transient in it", "swell", _H, True, "factor", "inside"),
}
NUMBER_OF_NAME: Final = {form.name: number for number, form in FORMS.items()}
JOINED: Final = ((15, 20), (16, 21), (22, 28), (23, 29))  # differ by flicker inside the event alone


@dataclass(frozen=True, slots=True)
class Parameters:
    """Drawn parameters, one value a window: float64, shape (n,) each; what the class does not have is drawn, not used.

    Attributes
    ----------
    frequency_hz : of the fundamental. [Hz]
    change : what the event adds to the envelope: minus alpha, minus rho, or beta. [pu]
    t1_s, t2_s : start and end of the event. [s]
    jump : of the phase within the event. [rad]
    angles : shape (4, n), of orders 1, 3, 5, 7, lagging. [rad]
    harmonics : shape (4, n), a1 = 1, a3, a5, a7. [pu]
    flicker, flicker_hz : depth lambda and frequency. [pu], [Hz]
    transient, transient_hz, decay_s, theta : amplitude, frequency, decay and angle. [pu], [Hz], [s], [rad]
    start_s, end_s : of the transient. [s]
    psi, impulse_s : of the impulse, and its start ta. [pu], [s]
    notch, per_cycle, width_cycles, place_cycles : depth k, number, width and start of the first within the cycle.
    """

    frequency_hz: FloatArray
    change: FloatArray
    t1_s: FloatArray
    t2_s: FloatArray
    jump: FloatArray
    angles: FloatArray
    harmonics: FloatArray
    flicker: FloatArray
    flicker_hz: FloatArray
    transient: FloatArray
    transient_hz: FloatArray
    decay_s: FloatArray
    theta: FloatArray
    start_s: FloatArray
    end_s: FloatArray
    psi: FloatArray
    impulse_s: FloatArray
    notch: FloatArray
    per_cycle: FloatArray
    width_cycles: FloatArray
    place_cycles: FloatArray


@dataclass(frozen=True, slots=True)
class DrawnWindows:
    """Windows with what is true about them.

    Attributes
    ----------
    values : float32, shape (n, n_samples). [pu of the undisturbed peak]
    classes : int64, shape (n,). 1 to 29.
    primitives : bool, shape (n, 8), in the order of `PRIMITIVES`.
    snr_db : float64, shape (n,); infinite: no noise. [dB]
    parameters : one for each class, in the order of the windows.
    conditions : as given.
    """

    values: npt.NDArray[np.float32]
    classes: npt.NDArray[np.int64]
    primitives: npt.NDArray[np.bool_]
    snr_db: FloatArray
    parameters: tuple[Parameters, ...]
    conditions: Conditions


def parametric_windows(
    n_per_class: int, *, conditions: Conditions, seed: int, classes: Sequence[int] = tuple(FORMS)
) -> DrawnWindows:
    """Windows of some classes, as many of each, class after class.

    Parameters
    ----------
    n_per_class : at least 1.
    conditions : how they are recorded.
    seed : the same seed gives the same windows of a class, whatever other classes are asked for.
    classes : of 1 to 29.

    Returns
    -------
    Windows.

    Raises
    ------
    ConfigError : a class that is not in the family, or no window.
    """
    if n_per_class < 1 or not classes or not set(classes) <= set(FORMS):
        raise ConfigError(
            f"{n_per_class} windows of classes {tuple(classes)}; at least one of classes 1 to 29 is needed"
        )
    t_s = np.arange(conditions.n_samples) / conditions.rate_hz
    values = np.empty((n_per_class * len(classes), len(t_s)), dtype=np.float32)
    snr_db = np.empty(len(values))
    drawn = []
    for i, number in enumerate(classes):
        rng = np.random.default_rng([seed, number])
        parameters = draw(number, n_per_class, rng=rng, conditions=conditions)
        rows = slice(i * n_per_class, (i + 1) * n_per_class)
        clean = evaluate(number, parameters, t_s)
        clean += supply_background(
            parameters.frequency_hz, envelope_of(parameters, t_s), t_s, rng=rng, conditions=conditions
        )
        values[rows], snr_db[rows] = recorded(clean, rng=rng, conditions=conditions)
        drawn.append(parameters)
    numbers = np.repeat(np.array(classes, dtype=np.int64), n_per_class)
    return DrawnWindows(values, numbers, primitives_of(numbers), snr_db, tuple(drawn), conditions)


def primitives_of(classes: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Which primitives are present, bool, shape (n, 8), in windows of classes 1 to 29."""
    table = np.zeros((max(FORMS) + 1, len(PRIMITIVES)), dtype=bool)
    for number, form in FORMS.items():
        table[number] = [name in form.primitives for name in PRIMITIVES]
    return np.asarray(table[classes])


def draw(number: int, n: int, *, rng: np.random.Generator, conditions: Conditions) -> Parameters:
    """Parameters of windows of one class, each evenly over its range.

    Parameters
    ----------
    number : class, 1 to 29.
    n : windows.
    rng : drawn from.
    conditions : nominal frequency, length of the window and deviation of the frequency.
    """
    form = FORMS[number]
    cycle_s, length_s = 1 / conditions.nominal_hz, conditions.n_cycles / conditions.nominal_hz
    duration_s = rng.uniform(cycle_s, length_s - cycle_s, n)
    t1_s = rng.uniform(0, length_s - duration_s)
    t2_s = t1_s + duration_s
    jump = np.zeros(n)
    if conditions.open_share:
        runs_on = rng.uniform(size=n) < conditions.open_share
        t1_s = np.where(runs_on, cycle_s * rng.uniform(*OPEN_START_CYCLES, n), t1_s)
        t2_s = np.where(runs_on, length_s, t2_s)
    if conditions.jump_share and form.change is not None:
        jump = np.radians(rng.uniform(*conditions.jump_deg, n)) * (rng.uniform(size=n) < conditions.jump_share)
    change = {
        None: np.zeros(n), "sag": -rng.uniform(*SAG, n), "swell": rng.uniform(*SWELL, n),
        "interruption": -rng.uniform(*INTERRUPTION, n),
    }[form.change]  # fmt: skip
    harmonics = np.vstack([np.ones((1, n)), rng.uniform(*HARMONIC, (3, n))])
    harmonics[[order not in form.orders for order in (1, 3, 5, 7)]] = 0.0
    transient_s = rng.uniform(TRANSIENT_CYCLES[0] * cycle_s, TRANSIENT_CYCLES[1] * length_s, n)
    if form.transient == "inside":
        start_s = rng.uniform(t1_s, t2_s - LEAST_INSIDE_CYCLES * cycle_s)
        end_s = np.minimum(start_s + transient_s, t2_s)
    else:
        start_s = rng.uniform(0, length_s - transient_s)
        end_s = start_s + transient_s
    per_cycle = rng.choice(np.array(NOTCHES, dtype=np.float64), n)
    deviation = rng.uniform(*conditions.frequency_deviation, n)
    if conditions.nominal_share:
        deviation *= rng.uniform(size=n) >= conditions.nominal_share
    return Parameters(
        frequency_hz=conditions.nominal_hz * (1 + deviation),
        change=change, t1_s=t1_s, t2_s=t2_s, jump=jump,
        angles=rng.uniform(-math.pi, math.pi, (4, n)), harmonics=harmonics,
        flicker=rng.uniform(*FLICKER_DEPTH, n), flicker_hz=rng.uniform(*FLICKER_HZ, n),
        transient=rng.uniform(*TRANSIENT, n), transient_hz=rng.uniform(*TRANSIENT_HZ, n),
        decay_s=rng.uniform(*TRANSIENT_DECAY_S, n), theta=rng.uniform(-math.pi, math.pi, n),
        start_s=start_s, end_s=end_s,
        psi=rng.uniform(*IMPULSE, n), impulse_s=rng.uniform(0, length_s - IMPULSE_S, n),
        notch=rng.uniform(*NOTCH_DEPTH, n), per_cycle=per_cycle,
        width_cycles=rng.uniform(*NOTCH_CYCLES, n), place_cycles=rng.uniform(0, 1 / per_cycle),
    )  # fmt: skip


def evaluate(number: int, parameters: Parameters, t_s: FloatArray) -> FloatArray:
    """The equation of a class.

    Parameters
    ----------
    number : class, 1 to 29.
    parameters : of n windows.
    t_s : shape (n_samples,). [s]

    Returns
    -------
    float64, shape (n, n_samples). [pu]
    """
    form, p = FORMS[number], parameters
    gate = _within(t_s, p.t1_s, p.t2_s)
    phase = 2 * np.pi * p.frequency_hz[:, None] * t_s + p.jump[:, None] * gate
    sine = np.sin(phase - p.angles[0, :, None])
    wave = sine.copy()
    for i, order in enumerate((3, 5, 7), start=1):
        if order in form.orders:
            wave += p.harmonics[i, :, None] * np.sin(order * phase - p.angles[i, :, None])
    flicker = p.flicker[:, None] * np.sin(2 * np.pi * p.flicker_hz[:, None] * t_s) if form.flicker != "none" else 0.0
    added = p.change[:, None] * gate
    if form.gated:
        y = sine + added * wave * (1.0 + flicker)
    elif form.flicker == "factor":
        y = (1.0 + added) * wave
    else:
        y = (1.0 + added + flicker) * wave
    if form.transient != "none":
        y += _transient(p, t_s)
    if form.flicker == "factor" and not form.gated:
        y *= 1.0 + flicker
    if form.impulse:
        since_s = t_s - p.impulse_s[:, None]
        within = (since_s >= 0) & (since_s < IMPULSE_S)
        fast, slow = (np.exp(-rate * np.where(within, since_s, 0.0)) for rate in IMPULSE_RATES)
        y -= p.psi[:, None] * (fast - slow) * within
    if form.notch:
        cycles = phase / (2 * np.pi)
        into = np.mod(cycles - p.place_cycles[:, None], 1.0 / p.per_cycle[:, None])
        y -= np.sign(sine) * p.notch[:, None] * (into < p.width_cycles[:, None])
    return np.asarray(y)


def envelope_of(p: Parameters, t_s: FloatArray) -> FloatArray:
    """What the event makes of the supply's size, shape (n, n_samples). [pu]"""
    return np.asarray(1.0 + p.change[:, None] * _within(t_s, p.t1_s, p.t2_s))


def _within(t_s: FloatArray, start_s: FloatArray, end_s: FloatArray) -> npt.NDArray[np.bool_]:
    return (t_s >= start_s[:, None]) & (t_s < end_s[:, None])


def _transient(p: Parameters, t_s: FloatArray) -> FloatArray:
    since_s = np.maximum(t_s - p.start_s[:, None], 0.0)
    turning = np.sin(2 * np.pi * p.transient_hz[:, None] * since_s - p.theta[:, None])
    wave: FloatArray = p.transient[:, None] * np.exp(-since_s / p.decay_s[:, None]) * turning
    return wave * _within(t_s, p.start_s, p.end_s)
