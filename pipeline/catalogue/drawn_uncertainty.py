"""The uncertainties of a sag, swell or interruption by drawing, where the GUM's linear way is only near (JCGM 101)."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.events import Event, Uncertainty
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.uncertainty.decisions import verdict
from halfcycle.pipeline.uncertainty.drawing import N_DRAWS, draw_edge, draw_level, draw_worst, interval_of
from halfcycle.pipeline.uncertainty.variation import Physical

F64 = npt.NDArray[np.float64]
_EVERY: Final = frozenset({"interruption"})  # kinds whose threshold all phases have to cross


def seed_of(event: Event) -> int:
    """The seed of a row's draws: from the digest of its samples and what the row is."""
    words = (event.capture, event.point or "", event.kind, event.phases, str(event.start))
    return int.from_bytes(hashlib.sha256("\x1f".join(words).encode()).digest()[:8], "big")


def with_drawn(
    event: Event,
    sure: Uncertainty,
    found: Physical,
    record: Record,
    low: int,
    *,
    limits_pu: tuple[float, float],
    lengths_s: Callable[[], tuple[float, float]],
    class_pct: float | None,
    clock_u_s: float,
) -> Uncertainty:
    """What is known by closed forms, with instants, level and probabilities drawn.

    Parameters
    ----------
    event : the row.
    sure : by closed forms; what is not drawn stays.
    found : what the event was on the waveform.
    record, low : that it lies in, and where the waveform began. [samples]
    limits_pu : between which the level has to be for the threshold to have been crossed. [pu]
    lengths_s : the durations of the row's category; asked only where there is a duration. [s]
    class_pct : accuracy class of the transducers, where it counts. [%]
    clock_u_s : of the recorder's clock; normal. [s]

    Returns
    -------
    Uncertainty. The same record gives the same.
    """
    rng = np.random.default_rng(seed_of(event))
    rate_hz = record.header.rate_hz
    begins = None if found.begins is None else draw_edge(found.begins, rng)
    ends = None if found.ends is None else draw_edge(found.ends, rng)
    sure = _instants(event, sure, begins, record, low, clock_u_s=clock_u_s, rng=rng)
    lasted = None
    if ends is not None:
        end = interval_of(ends / rate_hz + clock_u_s * rng.standard_normal(N_DRAWS))
        sure = replace(sure, end_u_s=end.u)
    if begins is not None and ends is not None:
        lasted = (ends - begins) / rate_hz
        length = interval_of(lasted)
        sure = replace(sure, duration_corrected_s=length.at, duration_s_u=length.u)
    elif event.duration_s is not None and sure.duration_s_u is not None:
        lasted = event.duration_s + sure.duration_s_u * _triangular(rng)  # two instants on a grid
    return _size(event, sure, found, lasted, rng, limits_pu=limits_pu, lengths_s=lengths_s, class_pct=class_pct)


def _instants(
    event: Event, sure: Uncertainty, begins: F64 | None, record: Record, low: int, *, clock_u_s: float,
    rng: np.random.Generator,
) -> Uncertainty:  # fmt: skip
    if begins is None:
        return sure
    clock = clock_u_s * rng.standard_normal(N_DRAWS)
    start = interval_of(begins / record.header.rate_hz + clock)
    corrected = record.time_ns(low + start.at * record.header.rate_hz)
    refined_u_s = None
    if event.refined_start is not None:
        # The column is not corrected, so what is known of its bias is in its uncertainty (JCGM 100, F.2.4.5).
        refined_u_s = float(np.hypot(start.u, (event.refined_start - corrected) / 1e9))
    return replace(sure, start_corrected=corrected, start_u_s=start.u, refined_start_u_s=refined_u_s)


def _size(
    event: Event, sure: Uncertainty, found: Physical, lasted: F64 | None, rng: np.random.Generator, *,
    limits_pu: tuple[float, float], lengths_s: Callable[[], tuple[float, float]], class_pct: float | None,
) -> Uncertainty:  # fmt: skip
    highest = event.kind in ("swell", "overvoltage")
    draws = [
        draw_level(values, noise, rng, highest=highest)
        for values, noise in zip(found.inside, found.noise, strict=True)
    ]  # fmt: skip
    worst = draw_worst(found.levels, draws, highest=highest)
    deciding = draw_worst(found.levels, draws, highest=highest, every=True) if event.kind in _EVERY else worst
    if worst is None or deciding is None:
        return sure
    gain = 1 + (0.0 if class_pct is None else class_pct / 100) * rng.uniform(-1, 1, N_DRAWS)
    level = interval_of(worst * gain / event.reference_v)
    least, most = limits_pu
    pu = deciding * gain / event.reference_v
    crossed = (pu > least) & (pu < most)
    event_p = float(crossed.mean())
    category_p = None
    if lasted is not None:
        shortest, longest = lengths_s()
        category_p = float((crossed & (lasted > shortest) & (lasted <= longest)).mean())
    return replace(
        sure, magnitude_corrected=level.at, magnitude_u=level.u, event_p=event_p, event_verdict=verdict(event_p),
        category_p=category_p,
    )  # fmt: skip


def _triangular(rng: np.random.Generator) -> F64:
    """Of unit standard deviation: the difference of two instants that are uniform on a grid."""
    return np.asarray((rng.random(N_DRAWS) - rng.random(N_DRAWS)) * np.sqrt(6), np.float64)
