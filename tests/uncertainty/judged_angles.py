"""Drawn sags with jumps and drawn ringing judged as a screening judges them: how far each number is off, and its u."""

from __future__ import annotations

from collections.abc import Callable
from multiprocessing import get_context

import numpy as np
from uncertainty.drawn_angles import HZ, NOMINAL_V, DrawnRinging, DrawnSag, drawn_ringing, drawn_sag

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.detectors.registry import choose
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.settings import Thresholds

Off = dict[str, tuple[float, float]]
"""By quantity: estimate less truth, and the standard uncertainty that is stated."""


def _rows(one: DrawnSag | DrawnRinging, terms: Terms) -> list[Event]:
    phases = "ABC"[: one.counts.shape[0]]
    channels = tuple(Channel(f"U{phase}", "voltage", phase, "V", scale=one.step_v) for phase in phases)
    header = Header("drawn", 0, one.rate_hz, one.counts.shape[1], channels, "int16")
    capture = Capture(header, one.counts)
    (record,) = records_of([Piece(header, lambda: capture, lambda: "0")])
    return list(judge(record, site="drawn", terms=terms).events)


def off_sag(seed: int) -> tuple[Off, dict[str, float]] | None:
    """Of a drawn sag; None where there is not exactly one row."""
    one = drawn_sag(np.random.default_rng(seed))
    terms = Terms(Thresholds(), NOMINAL_V, HZ, "four-wire", explain=True, uncertainty="standard")
    rows = [row for row in _rows(one, terms) if row.kind == "sag"]
    if len(rows) != 1 or rows[0].uncertainty is None:
        return None
    (row,), sure = rows, rows[0].uncertainty
    turn = 120.0 if one.kind == "A" else 360.0  # of type A any phase may be taken for the one that lost most
    told = {
        "jump": (row.phase_jump_deg, one.jump_deg, sure.phase_jump_deg_u, 360.0),
        "start": (row.start_angle_deg, one.start_deg, sure.start_angle_deg_u, turn),
        "recovery": (row.recovery_angle_deg, one.recovery_deg, sure.recovery_angle_deg_u, turn),
        "characteristic": (row.characteristic_pu, one.characteristic, sure.characteristic_pu_u, np.inf),
        "pn_factor": (row.pn_factor, one.pn_factor, sure.pn_factor_u, np.inf),
    }
    return {
        name: (_turned(value - true, turn), u)
        for name, (value, true, u, turn) in told.items()
        if value is not None and u is not None
    }, one.keys


def off_ringing(seed: int) -> tuple[Off, dict[str, float]] | None:
    """Of a drawn transient; None where there is not exactly one row."""
    one = drawn_ringing(np.random.default_rng(seed))
    terms = Terms(
        Thresholds(), NOMINAL_V, HZ, "single-phase", detectors=choose({"transient": {}}), uncertainty="standard"
    )
    rows = [row for row in _rows(one, terms) if row.kind == "oscillatory_transient"]
    if len(rows) != 1 or rows[0].uncertainty is None:
        return None
    (row,), sure = rows, rows[0].uncertainty
    told = {
        "peak": (row.magnitude, one.keys["peak_pu"], sure.magnitude_u),
        "ringing_hz": (row.oscillation_hz, one.ringing_hz, sure.oscillation_hz_u),
        "decay": (row.decay_s, one.decay_s, sure.decay_s_u),
    }
    return {
        name: (value - true, u) for name, (value, true, u) in told.items() if value is not None and u is not None
    }, one.keys


def family_of(
    off: Callable[[int], tuple[Off, dict[str, float]] | None], n: int, *, first: int = 0, processes: int = 1
) -> list[tuple[Off, dict[str, float]] | None]:
    """n drawn ones, each with a seed of its own. off : `off_sag` or `off_ringing`."""
    seeds = range(first, first + n)
    if processes == 1:
        return [off(seed) for seed in seeds]
    with get_context("fork").Pool(processes) as pool:
        return pool.map(off, seeds, chunksize=20)


def _turned(difference: float, turn: float) -> float:
    return difference if np.isinf(turn) else (difference + turn / 2) % turn - turn / 2
