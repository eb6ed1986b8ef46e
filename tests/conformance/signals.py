"""Test signals with their truth, drawn so that every window of 10/12 cycles holds the same: no result depends on where
the windows lie. The truth is worked out on one such window, sampled synchronously, by the definitions.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

F64 = npt.NDArray[np.float64]
START_NS = 1_772_409_660_000_000_000  # 2026-03-02T00:01:00Z
FINE = 16_384  # points of the window on which the truth is worked out
UDIN_V, CURRENT_A = 230.0, 10.0


@dataclass(frozen=True)
class Wave:
    """One channel: RMS and angle of each component, by its frequency as a multiple of the fundamental.

    depth : of a sinusoidal modulation of all of it, peak to peak, at `cycles` periods in 10/12 cycles. [1]
    """

    parts: Mapping[float, tuple[float, float]]  # multiple → RMS, angle in degrees, as a sine has it
    dc: float = 0.0
    depth: float = 0.0
    periods: int = 1

    def at(self, turns: F64, n_cycles: int) -> F64:
        """Its value where the fundamental has made so many turns."""
        wave = np.full(turns.shape, self.dc)
        for multiple, (rms, angle) in self.parts.items():
            wave += np.sqrt(2) * rms * np.sin(2 * np.pi * multiple * turns + np.radians(angle))
        return wave * (1 + self.depth / 2 * np.sin(2 * np.pi * self.periods * turns / n_cycles))


@dataclass(frozen=True)
class Signal:
    """A record of some channels (``UA``, ``IB``, …), and what it is called in the table."""

    name: str
    state: str
    f_hz: float
    nominal_hz: int
    rate_hz: float
    waves: Mapping[str, Wave]
    seconds: float = 6.0
    extra_hz: Mapping[str, tuple[float, float]] = field(default_factory=dict)  # channel → RMS, frequency [Hz]

    @property
    def n_cycles(self) -> int:
        """In a window."""
        return 10 if self.nominal_hz == 50 else 12

    def write(self, folder: Path) -> None:
        """As a capture file whose station is the signal's name."""
        t = np.arange(round(self.rate_hz * self.seconds)) / self.rate_hz
        rows = {name: wave.at(self.f_hz * t, self.n_cycles) for name, wave in self.waves.items()}
        for name, (rms, hertz) in self.extra_hz.items():
            rows[name] = rows[name] + np.sqrt(2) * rms * np.sin(2 * np.pi * hertz * t)
        write_rows(folder, self.name, rows, rate_hz=self.rate_hz)

    def window(self) -> dict[str, F64]:
        """One window of 10/12 cycles of each channel, sampled synchronously."""
        turns = np.arange(FINE) * self.n_cycles / FINE
        return {name: wave.at(turns, self.n_cycles) for name, wave in self.waves.items()}


def write_rows(folder: Path, name: str, rows: Mapping[str, F64], *, rate_hz: float, start_ns: int = START_NS) -> None:
    """Channels as a capture file, samples of 32 bits."""
    channels = tuple(
        Channel(key, "voltage" if key[0] == "U" else "current", key[1:], "V" if key[0] == "U" else "A") for key in rows
    )
    samples = np.stack(list(rows.values())).astype(np.float32)
    header = Header(
        station=name, start_ns=start_ns, rate_hz=rate_hz, n_samples=samples.shape[1], channels=channels,
        sample_type="float32",
    )  # fmt: skip
    folder.mkdir(parents=True, exist_ok=True)
    write_waveform_parquet(Capture(header, samples), folder / f"{name}.parquet")


@dataclass(frozen=True)
class Lines:
    """Complex RMS lines of a window's transform, and sums over them by the definitions of IEC 61000-4-7."""

    lines: npt.NDArray[np.complex128]
    n: int

    @classmethod
    def of(cls, window: F64, n_cycles: int) -> Lines:
        """Of one window."""
        lines = np.fft.rfft(window) / window.size * np.sqrt(2)
        lines[0] /= np.sqrt(2)
        return cls(lines, n_cycles)

    def rms(self, first: int, last: int) -> float:
        """Of the lines from first to last, both included."""
        return float(np.sqrt((np.abs(self.lines[first : last + 1]) ** 2).sum()))

    def subgroup(self, order: int) -> float:
        """Gsg: the order's line and its two neighbours."""
        return self.rms(self.n * order - 1, self.n * order + 1)

    def gap(self, order: int) -> float:
        """Gisg: the lines between order and order + 1 but for the two at either end."""
        return self.rms(self.n * order + 2, self.n * (order + 1) - 2)

    def group(self, order: int) -> float:
        """Gg: half a gap to either side, of the lines at its ends half the power."""
        k, half = self.n * order, self.n // 2
        ends = (np.abs(self.lines[[k - half, k + half]]) ** 2).sum() / 2
        return float(np.sqrt(self.rms(k - half + 1, k + half - 1) ** 2 + ends))

    @property
    def first(self) -> complex:
        """The fundamental."""
        return complex(self.lines[self.n])


def three_phase(
    levels: Sequence[float], harmonics: Mapping[float, tuple[float, float]], *, depth: float = 0.0
) -> dict[str, Wave]:
    """Voltages of some levels, and currents that lag by 30 degrees and hold twice the harmonics.

    levels : of A, B, C. [pu of Udin]
    harmonics : share of the fundamental and angle, by multiple of its frequency; they turn with the phases.
    """
    waves = {}
    for k, phase in enumerate("ABC"):
        u, turn = levels[k] * UDIN_V, -120.0 * k
        parts = {m: (u * share, angle + m * turn) for m, (share, angle) in harmonics.items()}
        waves[f"U{phase}"] = Wave({1.0: (u, turn), **parts}, depth=depth)
    for k, phase in enumerate("ABC"):
        i, turn = CURRENT_A * (1.0 - 0.1 * k), -120.0 * k - 30.0
        parts = {m: (2 * i * share, angle + 20.0 + m * turn) for m, (share, angle) in harmonics.items()}
        waves[f"I{phase}"] = Wave({1.0: (i, turn), **parts}, depth=depth)
    return waves
