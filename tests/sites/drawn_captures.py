"""Captures with an event each, drawn from definitions alone, whose nominal voltage nobody tells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import Record, records_of

# (nominal voltage of the judged channels, frequency, line to line): IEC 60038 and common practice (from memory).
USUAL = (
    (230.0, 50.0, False), (120.0, 60.0, False), (277.0, 60.0, False), (400.0, 50.0, True), (480.0, 60.0, True),
    (4160.0, 60.0, True), (11000 / 3**0.5, 50.0, False), (11000.0, 50.0, True), (13800.0, 60.0, True),
    (33000.0, 50.0, True), (110_000 / 3**0.5, 50.0, False), (132_000.0, 50.0, True),
)  # fmt: skip


@dataclass(frozen=True)
class Drawn:
    """A capture, and what was put into it."""

    capture: Capture
    nominal_v: float
    level_v: float
    kind: str
    residual_pu: float
    before_cycles: float

    @property
    def record(self) -> Record:
        (record,) = records_of([Piece(self.capture.header, lambda: self.capture, lambda: "d")])
        return record


def waves(
    t: np.ndarray, *, level_v: float, hertz: float, phase: float, factor: np.ndarray | float, phases: tuple[int, ...]
) -> np.ndarray:
    """Three sines, of which some have a factor of time."""
    return np.stack(
        [
            level_v * np.sqrt(2) * np.sin(2 * np.pi * (hertz * t - k / 3) + phase) * (factor if k in phases else 1.0)
            for k in range(3)
        ]
    )


def capture_of(
    u: np.ndarray, *, rate_hz: float, line_to_line: bool, scale: float, station: str = "S", start_ns: int = 0
) -> Capture:
    """Three voltages as counts of a recorder of 16 bits."""
    names = ("AB", "BC", "CA") if line_to_line else ("A", "B", "C")
    channels = tuple(Channel(f"U{name}", "voltage", name, "V", scale=scale) for name in names)
    header = Header(station, start_ns, rate_hz, u.shape[1], channels, "int16")
    return Capture(header, np.clip(np.rint(u / scale), -32_000, 32_000).astype(np.int16))


def to_the_end(rng: np.random.Generator, *, off_nominal: float) -> Drawn:
    """An event of one phase or of three that begins 2 to 50 cycles in and lasts to the end of the capture."""
    nominal_v, hertz, line_to_line = USUAL[int(rng.integers(len(USUAL)))]
    level_v = nominal_v * (1 + rng.uniform(-off_nominal, off_nominal))
    per_cycle, n_cycles = int(rng.choice([32, 64, 128, 256])), int(rng.choice([30, 60]))
    before = float(rng.uniform(2, min(50, n_cycles - 6)))
    t = np.arange(n_cycles * per_cycle) / (hertz * per_cycle)
    single = bool(rng.random() < 0.5)
    drawn = str(rng.choice(["sag", "swell", "interruption"], p=[0.7, 0.15, 0.15]))
    residual = {
        "sag": rng.uniform(0.15, 0.86), "swell": rng.uniform(1.14, 1.7 if single else 1.4),
        "interruption": rng.uniform(0.0, 0.06),
    }[drawn]  # fmt: skip
    kind = "sag" if drawn == "interruption" and single else drawn
    factor = np.where(t >= before / hertz, residual, 1.0)
    u = waves(
        t, level_v=level_v, hertz=hertz, phase=float(rng.uniform(0, 6.28)), factor=factor,
        phases=(0,) if single else (0, 1, 2),
    )  # fmt: skip
    u += rng.normal(0, 0.003 * level_v, u.shape)
    capture = capture_of(u, rate_hz=hertz * per_cycle, line_to_line=line_to_line, scale=level_v * 4 / 32_000)
    return Drawn(capture, nominal_v, level_v, kind, float(residual), before)


def archive(rng: np.random.Generator, *, steady_off: bool) -> tuple[list[Drawn], float]:
    """3 to 30 captures of one recorder between 0.94 and 1.06 of nominal, an event of any place and length in each."""
    nominal_v, hertz, line_to_line = USUAL[int(rng.integers(len(USUAL)))]
    site = rng.uniform(0.94, 1.06)
    drawn = []
    for k in range(int(rng.integers(3, 31))):
        level_v = nominal_v * (site * (1 + rng.normal(0, 0.008)) if steady_off else rng.uniform(0.94, 1.06))
        t = np.arange(30 * 64) / (hertz * 64)
        before, length = float(rng.uniform(0, 25)), float(rng.uniform(1, 30))
        factor = float(rng.uniform(0.05, 0.88) if rng.random() < 0.8 else rng.uniform(1.12, 1.5))
        during = (t >= before / hertz) & (t < (before + length) / hertz)
        u = waves(
            t, level_v=level_v, hertz=hertz, phase=float(rng.uniform(0, 6.28)), factor=np.where(during, factor, 1.0),
            phases=(0,) if rng.random() < 0.5 else (0, 1, 2),
        )  # fmt: skip
        capture = capture_of(
            u, rate_hz=hertz * 64, line_to_line=line_to_line, scale=nominal_v * 4 / 32_000, start_ns=k * 10**12
        )
        drawn.append(Drawn(capture, nominal_v, level_v, "", factor, before))
    return drawn, nominal_v
