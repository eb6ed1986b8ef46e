"""A look that was kept is the look that is taken, to the bit."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from made_fleet import made_capture

from halfcycle.pipeline.records.kept import look_kept
from halfcycle.pipeline.records.look import take_look
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.points import points_of
from halfcycle.pipeline.records.record import records_of

SOURCE = "derived: what is kept of a pure function is what it gives"


@pytest.mark.parametrize("least_transient_pu", [None, 0.1])
@pytest.mark.parametrize("missing", [(), [(0.4, 0.05), (1.2, 0.3)]])
def test_a_look_comes_back_as_it_was_taken(
    least_transient_pu: float | None, missing: list[tuple[float, float]]
) -> None:
    capture = made_capture("2026-03-01T12:00:00", hookup="four-wire", sags=[(0.8, 0.2, 0.5)], missing=missing)
    memory: dict[str, bytes] = {}
    (record,) = records_of([Piece(capture.header, lambda: capture, lambda: "digest")], memory=memory)
    (point,) = points_of(record.header)
    taken = take_look(record, point, nominal_hz=50.0, least_transient_pu=least_transient_pu)
    for _ in range(2):
        kept = look_kept(record, point, nominal_hz=50.0, least_transient_pu=least_transient_pu)
        for field in fields(taken):
            mine, other = getattr(kept, field.name), getattr(taken, field.name)
            if isinstance(other, np.ndarray):
                assert mine.dtype == other.dtype
                assert np.array_equal(mine, other)
            elif field.name == "suspects" and other is not None:
                spans = [one.spans(margin=100, n_samples=record.n_samples) for one in (mine, other)]
                assert spans[0] == spans[1]
            else:
                assert mine == other
    assert len(memory) == 1
    look_kept(record, point, nominal_hz=60.0, least_transient_pu=least_transient_pu)
    scaled = tuple(replace(one, scale=2 * one.scale) for one in record.header.channels)
    header = replace(capture.header, channels=scaled)
    (other_record,) = records_of(
        [Piece(header, lambda: replace(capture, header=header), lambda: "digest")], memory=memory
    )
    look_kept(other_record, point, nominal_hz=50.0, least_transient_pu=least_transient_pu)
    assert len(memory) == 3


@pytest.mark.parametrize(
    "content",
    [b"", b"no look", b"[]\n", b"PK\x03\x04", b"\xff\xfe", b'{"a": 1}\n', b'[["rms"]]\n', b'[["rms", "none", [1]]]\n',
     b'[["rms", "<f8", [9]]]\n123', b'[["rms", "|O", [1]]]\n12345678'],
)  # fmt: skip
def test_other_bytes_are_worked_out_again(content: bytes) -> None:
    # SOURCE.
    capture = made_capture("2026-03-01T12:00:00")
    memory: dict[str, bytes] = {}
    (record,) = records_of([Piece(capture.header, lambda: capture, lambda: "digest")], memory=memory)
    (point,) = points_of(record.header)
    taken = look_kept(record, point, nominal_hz=50.0, least_transient_pu=None)
    ((key, kept),) = memory.items()
    memory[key] = content
    assert np.array_equal(look_kept(record, point, nominal_hz=50.0, least_transient_pu=None).rms, taken.rms)
    assert memory == {key: kept}
