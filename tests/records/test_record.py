"""Records: captures that follow one another are one, none counts twice and none is lost."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import partial
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.points import points_of
from halfcycle.pipeline.records.record import Record, records_of

SOURCE = "derived: a record is the union of its captures; a sample belongs to one instant and counts once"
RATE_HZ = 6400.0
SAMPLE_NS = 156_250  # 1 / 6400 Hz, a whole number of nanoseconds
T0 = 1_772_323_200_000_000_000
CHANNELS = tuple(Channel(f"U{p}", "voltage", p, "V") for p in "ABC")
Samples = npt.NDArray[np.int16]


def wave(n: int, seed: int = 0) -> Samples:
    """Samples that do not repeat, so that any mix-up shows."""
    return np.random.default_rng(seed).integers(-30000, 30000, (3, n), dtype=np.int16)


def capture(samples: Samples, first: int, stop: int, *, late_ns: int = 0, **more: object) -> Capture:
    header = Header("S", T0 + first * SAMPLE_NS + late_ns, RATE_HZ, stop - first, CHANNELS, "int16", source=f"{first}")
    return Capture(replace(header, **more), np.ascontiguousarray(samples[:, first:stop]))  # type: ignore[arg-type]


def records(captures: Iterable[Capture]) -> list[Record]:
    """Planned twice, from whole captures and from the parts that are asked for: the same records."""
    whole, parted = (records_of([_piece(one, in_parts=in_parts) for one in captures]) for in_parts in (False, True))
    assert [(record.skips, record.positions) for record in whole] == [(one.skips, one.positions) for one in parted]
    return whole


def _piece(one: Capture, *, in_parts: bool) -> Piece:
    samples = partial(_samples, one) if in_parts else None
    return Piece(one.header, lambda: one, one.digest, samples=samples)


def _samples(one: Capture, start: int, stop: int) -> Samples:
    assert 0 <= start <= stop <= one.header.n_samples
    part: Samples = one.samples[:, start:stop]
    return part


def joined(record: Record) -> Samples:
    (point,) = points_of(record.header)
    return np.concatenate(list(record.blocks(point)), axis=1)


@given(cuts=st.lists(st.integers(1, 399), unique=True, max_size=6), order=st.randoms(use_true_random=False))
def test_captures_that_follow_one_another_in_any_order_are_one_record(cuts: list[int], order: object) -> None:
    # SOURCE.
    samples = wave(400)
    edges = [0, *sorted(cuts), 400]
    parts = [capture(samples, a, b) for a, b in pairwise(edges)]
    order.shuffle(parts)  # type: ignore[attr-defined]
    (record,) = records(parts)
    assert np.array_equal(joined(record), samples)
    assert record.positions == tuple(edges)
    assert record.n_samples == 400
    assert record.duration_s == pytest.approx(400 / RATE_HZ)


@given(spans=st.lists(st.tuples(st.integers(0, 390), st.integers(10, 200)), min_size=1, max_size=7))
def test_captures_that_overlap_hold_each_sample_once(spans: list[tuple[int, int]]) -> None:
    # SOURCE: the samples covered by any capture, each once, in runs without a gap.
    samples = wave(600)
    parts = [capture(samples, first, first + n) for first, n in spans]
    covered = np.zeros(600, bool)
    for first, n in spans:
        covered[first : first + n] = True
    edges = np.flatnonzero(np.diff(np.concatenate(([0], covered.astype(int), [0]))))
    found = records(parts)
    assert [record.header.start_ns for record in found] == [T0 + int(first) * SAMPLE_NS for first in edges[::2]]
    for record, first, stop in zip(found, edges[::2], edges[1::2], strict=True):
        assert np.array_equal(joined(record), samples[:, first:stop])


def test_a_capture_that_is_there_twice_counts_once() -> None:
    samples = wave(100)
    same = [capture(samples, 0, 100), capture(samples, 0, 100, source="copy"), capture(samples, 20, 60)]
    (record,) = records(same)
    assert len(record.pieces) == 1
    assert np.array_equal(joined(record), samples)


def test_a_capture_with_missing_samples_that_is_there_twice_counts_once() -> None:
    whole = wave(3000).astype(np.float32)
    whole[1, 400:420] = np.nan
    spans = ((0, 2000), (0, 2000), (300, 3000))
    given = [capture(whole, *span, sample_type="float32", source=f"{k}") for k, span in enumerate(spans)]
    (record,) = records(given)
    assert record.n_samples == 3000


@given(
    cuts=st.lists(st.integers(1, 299), unique=True, min_size=1, max_size=4),
    others=st.lists(st.integers(1, 299), unique=True, max_size=4),
)
def test_two_recorders_of_one_layout_at_the_same_time_lose_nothing(cuts: list[int], others: list[int]) -> None:
    # SOURCE: samples that differ are no repetition, whatever the headers say.
    one, other = wave(300, 1), wave(300, 2)
    parts = []
    for samples, edges in ((one, [0, *sorted(cuts), 300]), (other, [0, *sorted(others), 300])):
        parts += [capture(samples, a, b) for a, b in pairwise(edges)]
    pieces = [piece for record in records(parts) for piece in record.pieces]
    assert sum(record.n_samples for record in records(parts)) == 600
    assert sorted(piece.digest() for piece in pieces) == sorted(part.digest() for part in parts)


def test_two_recorders_whose_captures_are_of_the_same_lengths_stay_two_records() -> None:
    one, other = wave(300, 1), wave(300, 2)
    parts = [
        capture(samples, a, a + 100, source=name) for a in (0, 100, 200) for samples, name in ((one, "1"), (other, "2"))
    ]
    first, second = records(parts)
    assert np.array_equal(joined(first), one)
    assert np.array_equal(joined(second), other)


@pytest.mark.parametrize("late_ns", [0, 1_000, -1_000, 1_900, SAMPLE_NS // 2, -SAMPLE_NS // 2])
def test_stamps_that_are_off_by_up_to_half_a_sample_and_two_microseconds_leave_no_gap(late_ns: int) -> None:
    samples = wave(200)
    (record,) = records([capture(samples, 0, 100), capture(samples, 100, 200, late_ns=late_ns)])
    assert np.array_equal(joined(record), samples)


@pytest.mark.parametrize("late_ns", [SAMPLE_NS, SAMPLE_NS // 2 + 3_000, 10**9])
def test_a_gap_ends_a_record(late_ns: int) -> None:
    samples = wave(200)
    first, second = records([capture(samples, 0, 100), capture(samples, 100, 200, late_ns=late_ns)])
    assert (first.n_samples, second.n_samples) == (100, 100)


@pytest.mark.parametrize("late", [-3, -1, 2])
def test_overlapping_captures_whose_clocks_differ_by_a_few_samples_are_fitted_by_their_samples(late: int) -> None:
    # The samples say by how many samples they overlap; the stamps are off by up to three.
    samples = wave(300)
    (record,) = records([capture(samples, 0, 200), capture(samples, 150, 300, late_ns=late * SAMPLE_NS)])
    assert np.array_equal(joined(record), samples)


@pytest.mark.parametrize(
    "difference",
    [
        {"station": "T"},
        {"rate_hz": 6400.5},
        {"channels": (*CHANNELS[:2], replace(CHANNELS[2], unit="kV"))},
        {"channels": (*CHANNELS[:2], replace(CHANNELS[2], name="U3"))},
    ],
    ids=["station", "rate", "unit", "name"],
)
def test_captures_that_are_not_of_one_recorder_are_not_joined(difference: dict[str, object]) -> None:
    samples = wave(200)
    assert len(records([capture(samples, 0, 100), capture(samples, 100, 200, **difference)])) == 2


def test_a_position_has_the_time_of_the_capture_it_lies_in() -> None:
    # SOURCE; the second capture's clock is a microsecond late.
    samples = wave(200)
    (record,) = records([capture(samples, 0, 100), capture(samples, 100, 200, late_ns=1_000)])
    assert record.time_ns(0) == T0
    assert record.time_ns(99.5) == T0 + 99 * SAMPLE_NS + SAMPLE_NS // 2
    assert record.time_ns(100) == T0 + 100 * SAMPLE_NS + 1_000
    assert record.time_ns(200) == T0 + 200 * SAMPLE_NS + 1_000
    assert record.start_ns(1) == T0 + 100 * SAMPLE_NS + 1_000


def test_a_position_after_a_repeated_stretch_has_its_own_captures_time() -> None:
    samples = wave(300)
    (record,) = records([capture(samples, 0, 200), capture(samples, 150, 300)])
    assert record.skips == (0, 50)
    assert record.positions == (0, 200, 300)
    for position in (0, 150, 199, 200, 250, 300):
        assert record.time_ns(position) == T0 + position * SAMPLE_NS


def test_samples_of_any_stretch_are_those_of_the_record() -> None:
    samples = wave(300)
    (record,) = records([capture(samples, 0, 120), capture(samples, 100, 200), capture(samples, 200, 300)])
    (point,) = points_of(record.header)
    for first, stop in ((0, 300), (110, 130), (119, 121), (120, 200), (250, 999), (-5, 10), (299, 300)):
        assert np.array_equal(record.samples(point, first, stop), samples[:, max(first, 0) : stop])


@pytest.mark.parametrize("sample_type", ["int16", "float32"])
def test_physical_values_are_the_raw_ones_times_scale_plus_offset_voltages_then_currents(sample_type: str) -> None:
    """COMTRADE, IEEE C37.111-2013, 7.4: a x + b, in double precision whatever the samples are stored as."""
    raw = np.random.default_rng(3).integers(-30000, 30000, (4, 200)).astype(sample_type)
    channels = tuple(
        Channel(name, "voltage" if name[0] == "U" else "current", name[1], "V", scale=scale, offset=offset)
        for name, scale, offset in (("IA", 0.1, 0.3), ("UA", 1 / 3, -0.7), ("UB", 0.01, 0.0), ("UC", -2.7, 5.0))
    )
    header = Header("S", T0, RATE_HZ, 200, channels, sample_type)
    (record,) = records([Capture(header, raw)])
    (point,) = points_of(header)
    expected = [[float(x) * channels[c].scale + channels[c].offset for x in raw[c]] for c in (1, 2, 3, 0)]
    both = record.physical(point, 20, 90, currents=True)
    assert both.dtype == np.float64
    assert np.array_equal(both, np.array(expected)[:, 20:90])
    assert np.array_equal(record.physical(point, -5, 999), np.array(expected)[:3])


def test_digests_name_the_sources_of_a_stretch_once_and_in_order() -> None:
    samples = wave(300)
    parts = [capture(samples, 0, 100), capture(samples, 100, 200), capture(samples, 200, 300)]
    (record,) = records(parts)
    first, second, third = (part.digest() for part in parts)
    assert record.digests(10, 20) == first
    assert record.digests(50, 150) == f"{first}+{second}"
    assert record.digests(0, 300) == f"{first}+{second}+{third}"
    assert record.digests(0, 100) == first  # up to, not into, the second


def test_a_part_of_a_record_is_the_record_of_its_pieces() -> None:
    samples = wave(300)
    (record,) = records([capture(samples, 0, 120), capture(samples, 100, 200), capture(samples, 200, 300)])
    part = record.part(1, 3)
    assert np.array_equal(joined(part), samples[:, 120:])
    assert part.n_samples == 180
    assert part.time_ns(0) == record.time_ns(120)


def test_no_capture_makes_no_record() -> None:
    assert records([]) == []


def test_samples_are_not_loaded_where_headers_tell_enough() -> None:
    samples = wave(200)
    parts = [capture(samples, 0, 100), capture(samples, 100, 200)]
    loaded: list[int] = []

    def piece(i: int) -> Piece:
        def load() -> Capture:
            loaded.append(i)
            return parts[i]

        return Piece(parts[i].header, load, parts[i].digest)

    records_of([piece(0), piece(1)])
    assert loaded == []


def test_of_captures_that_overlap_only_what_overlaps_is_read_to_plan_a_record() -> None:
    # SOURCE; three samples more, by which clocks may differ.
    samples = wave(3000)
    read: list[int] = []

    def piece(first: int, stop: int) -> Piece:
        one = capture(samples, first, stop)

        def part(start: int, end: int) -> Samples:
            read.append(end - start)
            return _samples(one, start, end)

        return Piece(one.header, partial(pytest.fail, "the whole capture was loaded"), one.digest, samples=part)

    (record,) = records_of([piece(0, 1000), piece(1000, 2000), piece(1900, 3000)])
    assert record.skips == (0, 0, 100)
    assert sum(read) <= 2 * 103


def test_captures_whose_scales_differ_are_one_record_in_units_and_remember_what_they_came_from() -> None:
    """Common practice, no source: software that converts records fits each file's scale to its own largest sample."""
    angle = 2 * np.pi * 50 * np.arange(6400) / 3200.0
    volts = 325.0 * np.sin(angle)
    pieces = []
    for k, scale in enumerate((0.05, 0.0123)):
        part = volts[3200 * k : 3200 * (k + 1)]
        header = Header(
            "s", T0 + k * 1_000_000_000, 3200.0, 3200, (Channel("UA", "voltage", "A", "V", scale),), "int16",
            source=f"{k}.cfg",
        )  # fmt: skip
        made = Capture(header, np.round(part / scale).astype(np.int16)[None])
        pieces.append(Piece(header, lambda made=made: made, str))  # type: ignore[misc]
    (record,) = records_of(pieces)
    (point,) = points_of(record.header)
    joined = np.concatenate(list(record.blocks(point)), axis=1)
    assert np.abs(joined[0] - volts).max() < 0.026
    assert record.header.sample_type == "float32"
    assert [piece.origin for piece in record.pieces] == pieces


def test_a_capture_in_another_scale_elsewhere_changes_nothing_of_a_record() -> None:
    # SOURCE: float32 units would change the last digits of what is measured of the others.
    samples = wave(400)
    alone = records([capture(samples, 0, 200), capture(samples, 200, 400)])
    other = capture(samples, 0, 100, late_ns=3_600_000_000_000)
    scaled = Capture(replace(other.header, sample_type="float32"), other.samples.astype(np.float32))
    first, second = records([capture(samples, 0, 200), scaled, capture(samples, 200, 400)])
    assert (first.header, first.positions) == (alone[0].header, alone[0].positions)
    assert first.header.sample_type == "int16"
    assert second.header.sample_type == "float32"
