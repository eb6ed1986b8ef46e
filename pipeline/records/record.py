"""Records: captures that follow one another without a gap are one, whatever files they came in."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from itertools import accumulate
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Capture, Channel, Header, SampleArray
from halfcycle.pipeline.measures.quality import missing_samples, without_missing
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.points import (
    Point,
    judged_channels,
    judged_samples,
    measured_channels,
    measured_samples,
)
from halfcycle.pipeline.records.seams import CLOCK_TOLERANCE_NS, STAMP_TOLERANCE_NS, reaches, runs_on, samples_looked_at

_LONG = 8  # times what is asked of its beginning: a shorter piece is loaded, as it will be needed
PART_SAMPLES: Final = 1 << 19  # of each channel; a multiple of the store's row groups
_KEPT_PARTS: Final = 2  # in memory: what is looked at may lie over a seam
_ABOUT_HZ = 55.0  # nominal frequency as near as it is known before anything is measured
_CLOCK_SAMPLES = 3  # by which the stamps of overlapping captures may be off


@dataclass(frozen=True, slots=True)
class Place:
    """Where samples of a record lie.

    Attributes
    ----------
    source : paths of the files, joined by ``+``; None where they came from no file.
    first_sample : the first of them, in its capture of the first file.
    n_samples : how many.
    """

    source: str | None
    first_sample: int
    n_samples: int


class Memory(Protocol):
    """Keeps bytes by key; see `records.kept`."""

    def get(self, key: str, /) -> bytes | None: ...
    def __setitem__(self, key: str, content: bytes, /) -> None: ...


@dataclass(frozen=True, slots=True)
class Record:
    """Captures that follow one another, with the record position of each one's first sample used.

    Attributes
    ----------
    pieces : in order of time.
    skips : samples at the start of each piece that repeat the end of the one before.
    positions : record position of each piece's first sample used, and of the record's end. [samples]
    memory : of what was worked out of it before; None: nothing is kept.
    """

    pieces: tuple[Piece, ...]
    skips: tuple[int, ...]
    positions: tuple[int, ...]
    memory: Memory | None = field(default=None, compare=False, repr=False)

    @property
    def header(self) -> Header:
        """Header of the first capture; all have the same channels and rate."""
        return self.pieces[0].header

    @property
    def n_samples(self) -> int:
        """Samples of each channel."""
        return self.positions[-1]

    @property
    def duration_s(self) -> float:
        """Length of the record. [s]"""
        return self.n_samples / self.header.rate_hz

    def time_ns(self, position: float) -> int:
        """Time of a (fractional) record position, by the clock of the capture that it lies in. [ns since 1970-01-01]"""
        k = self._piece_at(position)
        return self.pieces[k].header.time_ns(position - self.positions[k] + self.skips[k])

    def position_of(self, ns: int) -> int:
        """The first record position at or after a time, within the record. [samples]"""
        for k, piece in enumerate(self.pieces):
            header = piece.header
            i = -(-(ns - header.start_ns) * header.rate_hz // 1e9) - self.skips[k]
            if i < self.positions[k + 1] - self.positions[k] or k == len(self.pieces) - 1:
                return int(min(max(self.positions[k] + i, self.positions[k]), self.n_samples))
        return self.n_samples

    def digests(self, first: float, stop: float) -> str:
        """Digests of the sources between two record positions, joined by ``+``."""
        low, high = self._piece_at(first), self._piece_at(max(stop - 1e-6, first))
        return "+".join(dict.fromkeys(piece.digest() for piece in self.pieces[low : high + 1]))

    def place(self, first: float, stop: float) -> Place:
        """Where the samples between two record positions lie in the files that they came from."""
        low, high = self._piece_at(first), self._piece_at(max(stop - 1e-6, first))
        begin = min(max(int(first), 0), max(self.n_samples - 1, 0))
        paths = dict.fromkeys(piece.given.path for piece in self.pieces[low : high + 1] if piece.given.path)
        return Place(
            source="+".join(paths) or None,
            first_sample=begin - self.positions[low] + self.skips[low] + self.pieces[low].n_before,
            n_samples=max(min(math.ceil(stop), self.n_samples) - begin, 1),
        )

    def blocks(
        self, point: Point, *, first: int = 0, stop: int | None = None, currents: bool = False
    ) -> Iterator[SampleArray]:
        """Raw samples of a point's judged voltages at record positions [first, stop), capture by capture.

        Parameters
        ----------
        point : whose judged voltages.
        first, stop : record positions; None: to the end. [samples]
        currents : give the point's currents too, after the voltages.
        """
        samples = measured_samples if currents else judged_samples
        stop = self.n_samples if stop is None else min(stop, self.n_samples)
        for k in range(self._piece_at(first), self._piece_at(stop - 1) + 1):
            block = samples(self.pieces[k].load(), point, first=self.skips[k])
            yield block[:, max(first - self.positions[k], 0) : stop - self.positions[k]]

    def samples(self, point: Point, first: int, stop: int) -> SampleArray:
        """Raw samples of a point's judged voltages at record positions [first, stop), cut to the record."""
        return np.concatenate(list(self.blocks(point, first=max(first, 0), stop=stop)), axis=1)

    def physical(
        self, point: Point, first: int, stop: int, *, currents: bool = False, per_cycle: float | None = None
    ) -> npt.NDArray[np.float64]:
        """A point's judged voltages at record positions [first, stop), cut to the record, in their unit.

        Parameters
        ----------
        point : whose judged voltages.
        first, stop : record positions. [samples]
        currents : give the point's currents too, after the voltages.
        per_cycle : samples in a nominal cycle: bridge what is missing or impossible; None: give all as it is.

        Returns
        -------
        shape (n_voltages [+ n_currents], n). Without `per_cycle` what stands for a missing sample is scaled
        like any other: where there are some, the look's marks say. [V], [A]
        """
        raw = np.concatenate(list(self.blocks(point, first=max(first, 0), stop=stop, currents=currents)), axis=1)
        channels = (measured_channels if currents else judged_channels)(self.header, point)
        if per_cycle is not None:
            raw = without_missing(raw, channels, samples_per_cycle=per_cycle)
        with np.errstate(invalid="ignore"):  # a signalling NaN is a missing sample like any other
            rows = [row.astype(np.float64) * c.scale + c.offset for row, c in zip(raw, channels, strict=True)]
        return np.stack(rows)

    def beginning(self, point: Point, k: int, n: int, *, whole: bool = False) -> npt.NDArray[np.float64]:
        """The first samples of piece k of a point's judged voltages, missing ones as NaN.

        Parameters
        ----------
        point : whose judged voltages.
        k : which piece.
        n : so many samples, or what there is of them. A long piece is not loaded for them,
        whole : unless it is needed next anyway.

        Returns
        -------
        shape (n_voltages, at most n). [V]
        """
        channels = judged_channels(self.header, point)
        return self._measured_beginning(k, n, channels, lambda capture: judged_samples(capture, point), whole=whole)

    def beginning_of_currents(self, point: Point, k: int, n: int, *, whole: bool = False) -> npt.NDArray[np.float64]:
        """As `beginning`, of a point's currents; shape (n_currents, at most n). [A]"""
        rows = [i for _, i in point.currents]
        channels = tuple(self.header.channels[i] for i in rows)
        return self._measured_beginning(k, n, channels, lambda capture: capture.samples[rows], whole=whole)

    def _measured_beginning(
        self,
        k: int,
        n: int,
        channels: Sequence[Channel],
        rows_of: Callable[[Capture], SampleArray],
        *,
        whole: bool,
    ) -> npt.NDArray[np.float64]:
        piece, first = self.pieces[k], self.skips[k]
        stop = min(first + n, piece.header.n_samples)
        whole = whole or piece.header.n_samples <= _LONG * n
        begun = replace(piece, samples=None) if whole else piece
        raw = rows_of(begun.part(first, stop))
        rows = np.empty(raw.shape)
        for row, samples, channel in zip(rows, raw, channels, strict=True):
            with np.errstate(invalid="ignore"):
                np.multiply(samples, channel.scale, out=row, dtype=np.float64)
                np.add(row, channel.offset, out=row)
            missing = missing_samples(samples, channel, samples_per_cycle=self.header.rate_hz / _ABOUT_HZ)
            if missing is not None:
                row[missing] = np.nan
        if raw.dtype.kind == "f":
            rows[~np.isfinite(rows)] = np.nan
        return rows

    def part(self, first: int, stop: int) -> Record:
        """The record that its pieces [first, stop) make, positions anew from the first of them."""
        origin = self.positions[first]
        positions = tuple(position - origin for position in self.positions[first : stop + 1])
        return Record(self.pieces[first:stop], self.skips[first:stop], positions, self.memory)

    def start_ns(self, k: int) -> int:
        """Time of the first sample used of piece k. [ns since 1970-01-01]"""
        return self.pieces[k].header.time_ns(self.skips[k])

    def _piece_at(self, position: float) -> int:
        return min(max(bisect_right(self.positions, position) - 1, 0), len(self.pieces) - 1)


def records_of(pieces: Iterable[Piece], *, memory: Memory | None = None) -> list[Record]:
    """Pieces of one site joined into records.

    Two captures follow one another where they have the same station, rate and channels and the second begins
    where the first ends, to within half a sample and two microseconds; where another file's stamp is off by up to
    10 ms, they do if the voltage runs on without a step of phase, see `seams.runs_on`. One that begins before the end
    of the one before and repeats its samples (overlapping triggers, a file that is there twice) is joined after what it
    repeats; one that adds nothing is left out. So no sample counts twice. Captures of a record whose scales differ go
    together in units, as float32. A long capture that can give some of its samples comes in parts of `PART_SAMPLES`,
    so that as little of it is in memory as of a short one.

    Parameters
    ----------
    pieces : captures of one site, in any order.
    memory : that the records are to have.

    Returns
    -------
    Records in order of their start.
    """
    load = lru_cache(maxsize=_KEPT_PARTS)(Piece.part)
    lines: dict[tuple[object, ...], list[Piece]] = {}
    for piece in pieces:
        header = piece.header
        what = tuple((one.name, one.quantity, one.phase, one.unit, _point_of(one)) for one in header.channels)
        lines.setdefault((header.station, header.rate_hz, what), []).append(piece)
    records = []
    for line in lines.values():
        line.sort(key=lambda piece: (piece.header.start_ns, -piece.header.n_samples, piece.header.source))
        chains: list[list[tuple[Piece, int]]] = []
        growing: list[list[tuple[Piece, int]]] = []  # chains that a later capture may still continue
        for piece in line:
            growing = [chain for chain in growing if reaches(chain[-1][0].header, piece.header)]
            for chain in growing:
                skip = _samples_repeated(*_in_common([chain[-1][0], piece]))
                if skip is not None:
                    if skip < piece.header.n_samples:
                        chain.append((piece, skip))
                    break
            else:
                growing.append([(piece, 0)])
                chains.append(growing[-1])
        for chain in chains:
            joined = _in_common([piece for piece, _ in chain])
            record = _record(list(zip(joined, (skip for _, skip in chain), strict=True)), load)
            records.append(record if memory is None else replace(record, memory=memory))
    return sorted(records, key=lambda record: (record.header.start_ns, record.header.source))


def _point_of(channel: Channel) -> str:
    """The point that a channel must have in common with those of captures that it follows: of voltages alone."""
    return channel.point if channel.quantity == "voltage" else ""


def _in_common(line: list[Piece]) -> list[Piece]:
    """Pieces of the same channels; in units, where they are scaled or stored in different ways."""
    if len({(piece.header.sample_type, piece.header.channels) for piece in line}) == 1:
        return line
    rated = [one.rated for one in line[0].header.channels]
    return [_in_units(piece, rated) for piece in line]


def _in_units(piece: Piece, rated: list[float | None]) -> Piece:
    channels = tuple(
        Channel(one.name, one.quantity, one.phase, one.unit, point=one.point, rated=of_first)
        for one, of_first in zip(piece.header.channels, rated, strict=True)
    )
    header = replace(piece.header, channels=channels, sample_type="float32")

    def load() -> Capture:
        capture = piece.load()
        return Capture(replace(header, notes=capture.header.notes), _samples_in_units(capture))

    return Piece(header, load, piece.digest, piece, lambda start, stop: _samples_in_units(piece.part(start, stop)))


def _samples_in_units(capture: Capture) -> SampleArray:
    rows = [capture.physical(i).astype(np.float32) for i in range(len(capture.header.channels))]
    return np.stack(rows) if rows else np.zeros((0, capture.header.n_samples), np.float32)


def _samples_repeated(before: Piece, after: Piece) -> int | None:
    """Samples at the start of `after` that `before` holds too; None where `after` does not follow `before`.

    Recorders of one station may have the same channels at the same time: only equal samples are a repetition.
    """
    sample_ns = 1e9 / before.header.rate_hz
    gap_ns = after.header.start_ns - before.header.end_ns
    overlap = round(-gap_ns / sample_ns)
    if overlap <= 0 and gap_ns <= 0.5 * sample_ns + STAMP_TOLERANCE_NS:
        return 0
    if overlap <= 0:
        return 0 if _runs_on(before, after) else None
    n_before, longest = before.header.n_samples, overlap + _CLOCK_SAMPLES
    begin = max(n_before - longest, 0)  # of what is looked at of the one before: only what the other may repeat
    later = after.part(0, longest).samples
    earlier = before.part(begin, n_before - overlap + _CLOCK_SAMPLES + later.shape[1]).samples
    for shift in sorted(range(-_CLOCK_SAMPLES, _CLOCK_SAMPLES + 1), key=abs):
        skip = overlap + shift
        common = min(skip, after.header.n_samples)
        first = n_before - skip - begin
        if skip <= 0 or first < 0:
            continue
        if np.array_equal(earlier[:, first : first + common], later[:, :common], equal_nan=True):
            return common
    return 0 if overlap * sample_ns <= CLOCK_TOLERANCE_NS and _runs_on(before, after) else None


def _runs_on(before: Piece, after: Piece) -> bool:
    """Whether two captures of different files follow one another by their waveform, whatever their stamps say.

    Captures of one file are stamped by one clock: there a gap is a gap.
    """
    if before.header.source == after.header.source:
        return False
    n, reach = before.header.n_samples, samples_looked_at(before.header.rate_hz)
    gap_ns = after.header.start_ns - before.header.end_ns
    return runs_on(before.part(n - reach, n), after.part(0, reach), gap_ns=gap_ns)


def _record(chain: list[tuple[Piece, int]], load: Callable[[Piece, int, int], Capture]) -> Record:
    parts = [part for piece, skip in chain for part in _in_parts(piece, skip, load)]
    positions = (0, *accumulate(piece.header.n_samples - skip for piece, skip in parts))
    return Record(tuple(piece for piece, _ in parts), tuple(skip for _, skip in parts), positions)


def _in_parts(piece: Piece, skip: int, load: Callable[[Piece, int, int], Capture]) -> list[tuple[Piece, int]]:
    """A long piece as parts that are loaded one by one, the samples skipped at its start as those of its first part."""
    header, samples = piece.header, piece.samples
    if samples is None or header.n_samples <= PART_SAMPLES:
        return [(piece, skip)]
    parts = []
    for first in range(skip // PART_SAMPLES * PART_SAMPLES, header.n_samples, PART_SAMPLES):
        stop = min(first + PART_SAMPLES, header.n_samples)
        of_part = replace(header, start_ns=header.time_ns(first), n_samples=stop - first)
        shifted = partial(_shifted, samples, first)
        part = Piece(of_part, partial(load, piece, first, stop), piece.digest, piece, shifted)
        parts.append((part, max(skip - first, 0)))
    return parts


def _shifted(samples: Callable[[int, int], SampleArray], by: int, start: int, stop: int) -> SampleArray:
    return samples(by + start, by + stop)
