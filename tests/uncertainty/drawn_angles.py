"""Three-phase sags with jumps of the phase, and ringing transients, drawn from their definitions with the truth.

Written without `pipeline`. A sag of type A, C or D (M. H. J. Bollen, "Understanding Power Quality Problems", 2000,
chapter 4; from memory) has a complex characteristic voltage V: its phasors are, with a = exp(j 2π/3),

    A: V, a² V, a V        C: 1, -1/2 - j √3/2 V, -1/2 + j √3/2 V        D: V, -V/2 - j √3/2, -V/2 + j √3/2

and may be turned from phase to phase. White noise is added; the sum is rounded to the counts of a recorder.
"""

from __future__ import annotations

import cmath
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

NOMINAL_V = 230.0
HZ = 50.0
_TURN = cmath.exp(2j * cmath.pi / 3)


@dataclass(frozen=True)
class DrawnSag:
    """Counts of three phases, and what is true: of the phase that lost most the jump and the points on wave."""

    counts: npt.NDArray[np.int16]
    step_v: float
    rate_hz: float
    kind: str
    jump_deg: float
    start_deg: float
    recovery_deg: float
    characteristic: float
    pn_factor: float
    keys: dict[str, float]


def _phasors(kind: str, v: complex) -> npt.NDArray[np.complex128]:
    half = np.sqrt(3) / 2
    if kind == "A":
        return np.array([v, _TURN**2 * v, _TURN * v])
    if kind == "C":
        return np.array([1, -0.5 - 1j * half * v, -0.5 + 1j * half * v])
    return np.array([v, -0.5 * v - 1j * half, -0.5 * v + 1j * half])


def drawn_sag(rng: np.random.Generator) -> DrawnSag:
    """One of the family."""
    per_cycle, bits = int(rng.choice([64, 128, 256])), int(rng.choice([12, 14, 16]))
    snr_db, hertz = float(rng.uniform(35, 65)), HZ * (1 + float(rng.uniform(-0.005, 0.005)))
    rate, cycles = per_cycle * HZ, float(np.exp(rng.uniform(np.log(3.0), np.log(20.0))))
    size, turned = float(rng.uniform(0.1, 0.75)), float(np.radians(rng.uniform(5, 30) * rng.choice([-1, 1])))
    kind, v = str(rng.choice(["A", "C", "D"])), size * cmath.exp(1j * turned)
    during = np.roll(_phasors(kind, v) * np.array([1, _TURN, _TURN**2]), int(rng.integers(3)))  # over what was before
    start = float(rng.uniform(12, 16)) / hertz
    stop = start + cycles / hertz
    t = np.arange(int((stop + 12 / hertz) * rate)) / rate
    first, fifth = float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(0, 0.03))
    inside = (t >= start) & (t < stop)
    rows = []
    for phase, change in enumerate(during):
        angle = 2 * np.pi * hertz * t + first - 2 * np.pi * phase / 3
        now = angle + np.where(inside, cmath.phase(change), 0.0)
        rows.append(np.where(inside, abs(change), 1.0) * (np.sin(now) + fifth * np.sin(5 * now)))
    u = np.sqrt(2) * NOMINAL_V * np.stack(rows) + rng.normal(0, 10 ** (-snr_db / 20) * NOMINAL_V, (3, t.size))
    step = 4 * np.sqrt(2) * NOMINAL_V / 2**bits
    worst = int(np.abs(during).argmin())
    of_worst = 2 * np.pi * hertz * np.array([start, stop]) + first - 2 * np.pi * worst / 3
    begins, ends = (float(one) for one in np.degrees(of_worst) % 360)
    keys = {"per_cycle": per_cycle, "snr_db": snr_db, "cycles": cycles, "residual_pu": float(np.abs(during).min())}
    return DrawnSag(
        np.rint(u / step).astype(np.int16), float(step), rate, kind, float(np.degrees(cmath.phase(during[worst]))),
        begins, ends, size, size if kind == "A" else 1.0, keys,
    )  # fmt: skip


@dataclass(frozen=True)
class DrawnRinging:
    """Counts of one phase with an oscillatory transient A exp(-t/τ) cos(2π f t + θ) from an instant on."""

    counts: npt.NDArray[np.int16]
    step_v: float
    rate_hz: float
    ringing_hz: float
    decay_s: float
    keys: dict[str, float]


def drawn_ringing(rng: np.random.Generator) -> DrawnRinging:
    """One of the family."""
    per_cycle, snr_db = int(rng.choice([256, 512])), float(rng.uniform(40, 65))
    rate = per_cycle * HZ
    hertz, decay = float(rng.uniform(500, rate / 12)), float(rng.uniform(1.5e-3, 5e-3))
    peak, theta = float(rng.uniform(0.4, 1.0)), float(rng.uniform(0, 2 * np.pi))
    at, first = float(rng.uniform(0.2, 0.22)), float(rng.uniform(0, 2 * np.pi))
    t = np.arange(int(0.45 * rate)) / rate
    since = np.maximum(t - at, 0.0)
    ringing = np.where(t >= at, peak * np.exp(-since / decay) * np.cos(2 * np.pi * hertz * since + theta), 0.0)
    u = np.sqrt(2) * NOMINAL_V * (np.sin(2 * np.pi * HZ * t + first) + ringing)
    u += rng.normal(0, 10 ** (-snr_db / 20) * NOMINAL_V, t.size)
    step = 8 * np.sqrt(2) * NOMINAL_V / 2**16
    fine = np.linspace(0, 1 / hertz, 2001)
    seen = float(np.abs(peak * np.exp(-fine / decay) * np.cos(2 * np.pi * hertz * fine + theta)).max())
    keys = {"per_cycle": per_cycle, "snr_db": snr_db, "peak_pu": seen, "ringing_hz": hertz, "decay_s": decay}
    return DrawnRinging(np.rint(u / step).astype(np.int16)[None], float(step), rate, hertz, decay, keys)
