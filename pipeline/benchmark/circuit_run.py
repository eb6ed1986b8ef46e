"""A benchmark of explanations: solved circuits through the whole line, from samples to rows with cause and side."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np

from halfcycle.pipeline.benchmark.circuits import CircuitSuite, circuits_of, side_of
from halfcycle.pipeline.benchmark.results import markdown_table, number
from halfcycle.pipeline.benchmark.scores import wilson
from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.detectors.registry import choose
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.learning.scores import calibration_error, macro_f1, reliability_bins
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.spread import Progress, Spread, each_outcome, in_this_process
from halfcycle.pipeline.synthesis.circuit.family import CircuitCase

_BATCH: Final = 4
_NEAR_CYCLES: Final = 2.0  # by which a row may begin apart from what happened
_DETECTORS: Final = ("transient", "voltage_step", "inrush", "current_transient")
_SURE: Final = 0.95
_CHANNELS: Final = {True: "with currents", False: "voltages alone"}
UNSEEN: Final = "no row"
UNKNOWN: Final = "unknown"


@dataclass(frozen=True, slots=True)
class Answer:
    """What the rows say of the first thing that happens in a circuit.

    Attributes
    ----------
    with_currents : or by voltages alone.
    cause, side : true; side "" by voltages alone, and where it is not known.
    named : cause; `UNKNOWN`, or `UNSEEN` where no row begins there.
    confidence : of the cause; 0 where there is none.
    told : side: ``upstream``, ``downstream``, `UNKNOWN` or `UNSEEN`.
    """

    with_currents: bool
    cause: str
    side: str
    named: str
    confidence: float
    told: str


def run_circuits(
    suite: CircuitSuite, *, seed: int | None = None, spread: Spread = in_this_process,
    progress: Progress | None = None,
) -> list[Answer]:  # fmt: skip
    """Judge and explain the circuits of a suite, with currents and without.

    Parameters
    ----------
    suite : the cases.
    seed : instead of the suite's.
    spread : how batches of cases are worked on.
    progress : called with (done, all) cases.

    Raises
    ------
    SignalError : a case cannot be judged.
    """
    answers: list[Answer] = []
    n = suite.circuits
    batches = [range(k, min(k + _BATCH, n)) for k in range(0, n, _BATCH)]
    work = partial(_answered, suite=suite, seed=seed)
    for of_case in each_outcome(spread, work, batches, lost=_lost, tell=progress):
        if isinstance(of_case, str):
            raise SignalError(of_case)
        answers += of_case
    return answers


def _answered(numbers: Sequence[int], *, suite: CircuitSuite, seed: int | None) -> list[list[Answer] | str]:
    return [_of_case(case) for case in circuits_of(suite, seed=seed, numbers=numbers)]


def _lost(k: int, reason: str) -> list[Answer] | str:
    return f"circuit {k}: {reason}"


def _of_case(case: CircuitCase) -> list[Answer]:
    first = case.events[0]
    found = [_answer(case, with_currents=True, cause=first.cause, side=side_of(case))]
    if first.cause_by_voltage is not None:
        found.append(_answer(case, with_currents=False, cause=first.cause_by_voltage, side=""))
    return found


def _answer(case: CircuitCase, *, with_currents: bool, cause: str, side: str) -> Answer:
    samples = np.concatenate((case.u_v, case.i_a)) if with_currents else case.u_v
    names = [f"{letter}{phase}" for letter in "UI" for phase in "ABC"][: len(samples)]
    channels = tuple(
        Channel(name, "voltage", name[1], "V") if name[0] == "U" else Channel(name, "current", name[1], "A")
        for name in names
    )
    header = Header("circuit", 0, case.rate_hz, samples.shape[1], channels, "float32", case.nominal_hz)
    capture = Capture(header, samples.astype(np.float32))
    (record,) = records_of([Piece(header, lambda: capture, lambda: "")])
    terms = Terms(
        Thresholds(), case.nominal_v / math.sqrt(3), case.nominal_hz, "four-wire",
        choose({name: {} for name in _DETECTORS}), explain=True, clamps_checked=True,
    )  # fmt: skip
    at_ns = case.events[0].start_s * 1e9
    near = [
        event for event in judge(record, site="circuit", terms=terms).events
        if abs(event.start - at_ns) <= _NEAR_CYCLES / case.nominal_hz * 1e9
    ]  # fmt: skip
    if not near:
        return Answer(with_currents, cause, side, UNSEEN, 0.0, UNSEEN)
    best = max(near, key=lambda event: event.cause_confidence or 0.0)
    sided = max(near, key=lambda event: event.direction_confidence or 0.0)
    return Answer(
        with_currents, cause, side, best.cause or UNKNOWN, best.cause_confidence or 0.0, sided.direction or UNKNOWN
    )


def columns_of(answers: Sequence[Answer]) -> dict[str, list[object]]:
    """The answers as columns, by name."""
    names = ("with_currents", "cause", "side", "named", "confidence", "told")
    return {name: [getattr(one, name) for one in answers] for name in names}


def sections_of(answers: Sequence[Answer]) -> Iterator[str]:
    """The result as Markdown: scores with currents and without, each cause, and sides."""
    yield (
        "## Causes\n\nWhat happens first in each circuit, of those of which a row begins within two cycles of "
        "it. Not named: the answer is *unknown*. Right where sure: of answers with a confidence of 0.95 and more. The "
        "grids are of the family that the model was trained on, none of them among those.\n"
    )
    header = ("", "circuits", "with a row", "macro F1", "not named", "right where sure", "calibration error")
    yield markdown_table(header, [
        (words, *_scores([one for one in answers if one.with_currents is known]))
        for known, words in _CHANNELS.items()
    ])  # fmt: skip
    yield "## By cause\n"
    rows = []
    for known, words in _CHANNELS.items():
        mine = [one for one in answers if one.with_currents is known and one.named != UNSEEN]
        for cause in sorted({one.cause for one in mine}):
            of_cause = [one for one in mine if one.cause == cause]
            right = sum(one.named == cause for one in of_cause)
            low, high = wilson(right, len(of_cause))
            others = sorted({one.named for one in of_cause if one.named != cause})
            share = f"{number(right / len(of_cause))} ({number(low)} to {number(high)})"
            rows.append((words, cause, str(len(of_cause)), share, ", ".join(others) or "–"))
    yield markdown_table(("", "cause", "circuits", "named", "other answers"), rows)
    yield "## Sides\n"
    right, told, n_sides = _sides(answers)
    yield markdown_table(("circuits", "told", "right", "wrong"), [
        (str(n_sides), str(told), str(right), str(told - right))
    ])  # fmt: skip


def summary_of(answers: Sequence[Answer]) -> Iterator[str]:
    """The result in a few lines."""
    for known, words in _CHANNELS.items():
        n, seen, f1, unnamed, sure, error = _scores([one for one in answers if one.with_currents is known])
        yield (
            f"{words}: {seen} of {n} circuits with a row, macro F1 {f1}, not named {unnamed}, right where sure {sure}, "
            f"calibration error {error}"
        )
    right, told, n_sides = _sides(answers)
    yield f"sides: {right} right of {told} told, {n_sides} in all"


def _sides(answers: Sequence[Answer]) -> tuple[int, int, int]:
    """How many sides are right, told, and known to the truth, of circuits with a row."""
    sides = [one for one in answers if one.side in ("upstream", "downstream") and one.told != UNSEEN]
    right, told = sum(one.told == one.side for one in sides), sum(one.told != UNKNOWN for one in sides)
    return right, told, len(sides)


def _scores(answers: Sequence[Answer]) -> tuple[str, ...]:
    seen = [one for one in answers if one.named != UNSEEN]
    if not seen:
        return str(len(answers)), "0", "–", "–", "–", "–"
    f1 = macro_f1([one.cause for one in seen], [one.named for one in seen])
    named = [one for one in seen if one.named != UNKNOWN]
    sure = [one.named == one.cause for one in named if one.confidence >= _SURE]
    right = np.array([one.named == one.cause for one in named], np.bool_)
    error = calibration_error(reliability_bins(np.array([one.confidence for one in named]), right))
    not_named = number(1 - len(named) / len(seen))
    return str(len(answers)), str(len(seen)), number(f1), not_named, f"{sum(sure)} of {len(sure)}", number(error)
