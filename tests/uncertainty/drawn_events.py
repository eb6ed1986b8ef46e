"""Sags drawn from their definition, with the truth beside them; written without `pipeline`.

A sinusoid with a fifth harmonic falls to a residual voltage at one instant and is back at another; white noise is
added and the sum is rounded to the counts of a recorder whose range is twice the nominal peak to each side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

NOMINAL_V = 230.0


@dataclass(frozen=True)
class Drawn:
    """One recording: counts, shape (n_phases, n), and what is true of it."""

    counts: npt.NDArray[np.int16]
    step_v: float
    rate_hz: float
    nominal_hz: float
    frequency_hz: float
    start_s: float
    stop_s: float
    residual_pu: float
    per_cycle: int
    bits: int
    snr_db: float

    @property
    def n_phases(self) -> int:
        return int(self.counts.shape[0])

    @property
    def cycles(self) -> float:
        return (self.stop_s - self.start_s) * self.frequency_hz


def drawn(
    rng: np.random.Generator,
    *,
    snr_db: float | None = None,
    residual_pu: float | None = None,
    cycles: float | None = None,
    length_s: float | None = None,
    per_cycle: int | None = None,
    bits: int | None = None,
    n_phases: int | None = None,
) -> Drawn:
    """One of the family; what is given is not drawn."""
    per_cycle = per_cycle or int(rng.choice([32, 64, 128, 256]))
    bits = bits or int(rng.choice([8, 10, 12, 14, 16]))
    n_phases = n_phases or int(rng.choice([1, 3]))
    snr = float(rng.uniform(30, 70)) if snr_db is None else snr_db
    nominal = float(rng.choice([50.0, 60.0]))
    frequency = nominal * (1 + float(rng.uniform(-0.01, 0.01)))
    rate = per_cycle * nominal
    lasted = float(np.exp(rng.uniform(np.log(1.6), np.log(40.0)))) if cycles is None else cycles
    start = float(rng.uniform(14, 20)) / frequency
    stop = start + (lasted / frequency if length_s is None else length_s)
    t = np.arange(int((stop + float(rng.uniform(12, 16)) / frequency) * rate)) / rate
    residuals = np.full(n_phases, float(rng.uniform(0.02, 0.87)))
    if n_phases > 1 and rng.random() < 0.6:
        residuals = rng.uniform(0.02, 0.87, n_phases)
    if residual_pu is not None:
        residuals = np.full(n_phases, residual_pu)
    first, fifth = float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(0, 0.04))
    inside = (t >= start) & (t < stop)
    rows = []
    for phase in range(n_phases):
        angle = 2 * np.pi * frequency * t + first - 2 * np.pi * phase / 3
        wave = (np.sin(angle) + fifth * np.sin(5 * angle)) / np.sqrt(1 + fifth**2)
        rows.append(np.sqrt(2) * np.where(inside, residuals[phase], 1.0) * wave)
    u = NOMINAL_V * (np.stack(rows) + rng.normal(0, 10 ** (-snr / 20), (n_phases, t.size)))
    step = 4 * np.sqrt(2) * NOMINAL_V / 2**bits
    most = 2 ** (bits - 1)
    counts = np.clip(np.rint(u / step), -most, most - 1).astype(np.int16)
    return Drawn(
        counts, float(step), rate, nominal, frequency, start, stop, float(residuals.min()), per_cycle, bits, snr
    )
