"""Drawn sags judged as a screening judges them, and by how many standard uncertainties each number is off."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context

import numpy as np
import numpy.typing as npt
from uncertainty.drawn_events import NOMINAL_V, Drawn, drawn

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.catalogue.uncertainty import Wanted
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.settings import Thresholds

QUANTITIES = ("magnitude", "start", "duration", "frequency")
SLICES = {
    "samples a cycle": ("per_cycle", (32, 64, 128, 256, 512)),
    "bits": ("bits", (8, 10, 12, 14, 16, 18)),
    "noise [dB]": ("snr_db", (30, 40, 50, 60, 70)),
    "cycles": ("cycles", (1.6, 2.5, 4, 8, 16, 41)),
    "residual [pu]": ("residual_pu", (0.02, 0.2, 0.4, 0.6, 0.88)),
    "phases": ("n_phases", (1, 3, 5)),
    "nominal [Hz]": ("nominal_hz", (50, 60, 70)),
}


@dataclass(frozen=True)
class Off:
    """By how much a row is off the truth, in standard uncertainties, and the same of its voltage in pu."""

    z: dict[str, float]
    bias_pu: float
    keys: dict[str, float]
    row: Event


def sags_of(one: Drawn, *, how: Wanted = "standard") -> list[Event]:
    """The rows of sags in a drawn recording."""
    phases = "ABC"[: one.n_phases]
    channels = tuple(Channel(f"U{phase}", "voltage", phase, "V", scale=one.step_v) for phase in phases)
    header = Header("drawn", 0, one.rate_hz, one.counts.shape[1], channels, "int16")
    capture = Capture(header, one.counts)
    (record,) = records_of([Piece(header, lambda: capture, lambda: "0")])
    hookup = "four-wire" if one.n_phases == 3 else "single-phase"
    terms = Terms(Thresholds(), NOMINAL_V, one.nominal_hz, hookup, uncertainty=how)
    return [event for event in judge(record, site="drawn", terms=terms).events if event.kind == "sag"]


def off_by(one: Drawn, *, how: Wanted = "standard") -> Off | None:
    """How far the row of a drawn sag is off; None where there is not exactly one."""
    rows = sags_of(one, how=how)
    if len(rows) != 1:
        return None
    (row,) = rows
    sure = row.uncertainty
    keys = {name: float(getattr(one, name)) for name, _ in SLICES.values()}
    z = dict.fromkeys(QUANTITIES, np.nan)
    if sure is None or row.frequency_hz is None:
        return Off(z, np.nan, keys, row)
    if sure.magnitude_corrected is not None and sure.magnitude_u:
        z["magnitude"] = (sure.magnitude_corrected - one.residual_pu) / sure.magnitude_u
    if sure.start_corrected is not None and sure.start_u_s:
        z["start"] = (sure.start_corrected / 1e9 - one.start_s) / sure.start_u_s
    if sure.duration_corrected_s is not None and sure.duration_s_u:
        z["duration"] = (sure.duration_corrected_s - (one.stop_s - one.start_s)) / sure.duration_s_u
    if sure.frequency_hz_u:
        z["frequency"] = (row.frequency_hz - one.frequency_hz) / sure.frequency_hz_u
    bias = np.nan if sure.magnitude_corrected is None else sure.magnitude_corrected - one.residual_pu
    return Off(z, float(bias), keys, row)


def _drawn_off(seed: int, how: Wanted) -> Off | None:
    return off_by(drawn(np.random.default_rng(seed)), how=how)


def family(n: int, *, seed: int, processes: int = 1, how: Wanted = "standard") -> list[Off | None]:
    """n drawn sags, each with a seed of its own."""
    seeds = [seed * 1_000_000 + k for k in range(n)]
    one = partial(_drawn_off, how=how)
    if processes == 1:
        return [one(seed) for seed in seeds]
    with get_context("fork").Pool(processes) as pool:
        return pool.map(one, seeds, chunksize=50)


def coverage(z: npt.NDArray[np.float64]) -> float:
    """The share of truths within two standard uncertainties."""
    return float((np.abs(z) <= 2).mean())
