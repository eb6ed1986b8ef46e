"""Looks at records that were kept: what a record shows does not hang on what it is judged by, so it is looked at once.

A memory holds bytes by key. A key names all that the bytes follow from: the content of the record's captures, how they
lie in it, and what was asked; so a memory needs to forget nothing but what another version of the code has written.
"""

from __future__ import annotations

import hashlib
import json
import math
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.records.look import Look, take_look
from halfcycle.pipeline.records.points import Point
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.records.suspects import Suspects

DAMAGED: Final = (ValueError, KeyError, TypeError)
"""What bytes of a memory that are not as they were kept may raise: then they are worked out again."""


def key_of(what: str, record: Record, *asked: object) -> str:
    """The key of something that a record shows.

    Parameters
    ----------
    what : its name.
    record : whose.
    asked : all else that it depends on, as values whose `repr` says all of them.
    """
    return f"{what} {hashlib.sha256(repr((_content(record), asked)).encode()).hexdigest()}"


def _content(record: Record) -> tuple[object, ...]:
    """Values that say which samples a record has and how they are scaled."""
    header = record.header
    of_all = (header.rate_hz, header.nominal_frequency_hz, header.sample_type, header.trigger_ns, header.channels)
    places = [
        (piece.digest(), piece.n_before, piece.header.n_samples, skip)
        for piece, skip in zip(record.pieces, record.skips, strict=True)
    ]
    return *of_all, places


def look_kept(record: Record, point: Point, *, nominal_hz: float | None, least_transient_pu: float | None) -> Look:
    """As `look.take_look`, from the record's memory where that has it; else it is kept there.

    Raises
    ------
    SignalError : as `take_look`.
    """
    memory = record.memory
    if memory is None:
        return take_look(record, point, nominal_hz=nominal_hz, least_transient_pu=least_transient_pu)
    key = key_of("look", record, point, nominal_hz, least_transient_pu)
    kept = memory.get(key)
    if kept is not None:
        try:
            return _look_of(kept)
        except DAMAGED:
            pass
    look = take_look(record, point, nominal_hz=nominal_hz, least_transient_pu=least_transient_pu)
    memory[key] = _bytes_of(look)
    return look


def _bytes_of(look: Look) -> bytes:
    suspects = look.suspects
    return _packed(
        rms=look.rms,
        marked=np.packbits(look.marked, axis=1),
        unmeasured=look.unmeasured.astype(np.min_scalar_type(int(look.unmeasured.max(initial=0)))),
        numbers=np.array([look.nominal_hz, look.rate_hz]),
        counts=np.array([look.half, look.n_samples]),
        bits=np.array(look.bits, np.int64),
        is_wave=np.array(look.is_wave, np.bool_),
        suspects=np.array([] if suspects is None else suspects.found, np.int64).reshape(-1, 2),
        of_suspects=np.array([] if suspects is None else [suspects.per_cycle, suspects.least_v]),
    )


def _look_of(content: bytes) -> Look:
    held = _unpacked(content)
    nominal_hz, rate_hz = held["numbers"].tolist()
    half, n_samples = held["counts"].tolist()
    suspects = None
    if held["of_suspects"].size:
        per_cycle, least_v = held["of_suspects"].tolist()
        suspects = Suspects((), per_cycle, least_v, [(first, stop) for first, stop in held["suspects"].tolist()])
    rms, unmeasured = held["rms"], held["unmeasured"].astype(np.int64)
    marked = np.unpackbits(held["marked"], axis=1, count=rms.shape[1]).astype(np.bool_)
    bits, is_wave = tuple(held["bits"].tolist()), tuple(held["is_wave"].tolist())
    return Look(nominal_hz, rms, half, marked, n_samples, unmeasured, bits, rate_hz, is_wave, suspects)


def _packed(**arrays: npt.NDArray[Any]) -> bytes:
    """Arrays as a line of JSON, which says what they are, and their values one after the other."""
    said = [(name, array.dtype.str, array.shape) for name, array in arrays.items()]
    return b"".join([json.dumps(said).encode(), b"\n", *(array.tobytes() for array in arrays.values())])


def _unpacked(content: bytes) -> dict[str, npt.NDArray[Any]]:
    said, _, values = content.partition(b"\n")
    held: dict[str, npt.NDArray[Any]] = {}
    first = 0
    for name, kind, shape in json.loads(said):
        n = math.prod(shape)
        held[name] = (np.frombuffer(values, kind, n, first) if n else np.empty(0, kind)).reshape(shape).copy()
        first += held[name].nbytes
    return held
