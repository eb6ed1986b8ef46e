"""Records: captures that follow one another without a gap are one, whatever files they came in."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import accumulate

import numpy as np
import numpy.typing as npt

from pipeline.capture import Capture, Channel, Header, SampleArray
from pipeline.catalogue.points import Point, judged_channels, judged_samples, measured_channels, measured_samples
from pipeline.catalogue.seams import CLOCK_TOLERANCE_NS, runs_on

_TOLERANCE_NS = 2_000  # time stamps are often rounded to the microsecond
_CLOCK_SAMPLES = 3  # by which the stamps of overlapping captures may be off


@dataclass(frozen=True, slots=True)
class Piece:
    """A capture of a record that need not be in memory.

    Attributes
    ----------
    header : of the capture.
    load : gives the capture; called when its samples are needed.
    digest : gives the digest of its source; called when an event lies in it.
    origin : the piece as it was given, where this one has it in units; else None.
    path : of its file as it was given, or relative to the store; "" where it came from no file.
    """

    header: Header
    load: Callable[[], Capture]
    digest: Callable[[], str]
    origin: Piece | None = None
    path: str = ""


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


@dataclass(frozen=True, slots=True)
class Record:
    """Captures that follow one another, with the record position of each one's first sample used.

    Attributes
    ----------
    pieces : in order of time.
    skips : samples at the start of each piece that repeat the end of the one before.
    positions : record position of each piece's first sample used, and of the record's end. [samples]
    """

    pieces: tuple[Piece, ...]
    skips: tuple[int, ...]
    positions: tuple[int, ...]

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
        paths = dict.fromkeys(piece.path for piece in self.pieces[low : high + 1] if piece.path)
        return Place(
            source="+".join(paths) or None,
            first_sample=begin - self.positions[low] + self.skips[low],
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

    def physical(self, point: Point, first: int, stop: int, *, currents: bool = False) -> npt.NDArray[np.float64]:
        """A point's judged voltages at record positions [first, stop), cut to the record, in their unit.

        Parameters
        ----------
        point : whose judged voltages.
        first, stop : record positions. [samples]
        currents : give the point's currents too, after the voltages.

        Returns
        -------
        shape (n_voltages [+ n_currents], n). What stands for a missing sample is scaled like any other: where there are
        some, the look's marks say. [V], [A]
        """
        raw = np.concatenate(list(self.blocks(point, first=max(first, 0), stop=stop, currents=currents)), axis=1)
        channels = (measured_channels if currents else judged_channels)(self.header, point)
        with np.errstate(invalid="ignore"):  # a signalling NaN is a missing sample like any other
            rows = [row.astype(np.float64) * c.scale + c.offset for row, c in zip(raw, channels, strict=True)]
        return np.stack(rows)

    def part(self, first: int, stop: int) -> Record:
        """The record that its pieces [first, stop) make, positions anew from the first of them."""
        origin = self.positions[first]
        positions = tuple(position - origin for position in self.positions[first : stop + 1])
        return Record(self.pieces[first:stop], self.skips[first:stop], positions)

    def start_ns(self, k: int) -> int:
        """Time of the first sample used of piece k. [ns since 1970-01-01]"""
        return self.pieces[k].header.time_ns(self.skips[k])

    def _piece_at(self, position: float) -> int:
        return min(max(bisect_right(self.positions, position) - 1, 0), len(self.pieces) - 1)


def records_of(pieces: Iterable[Piece]) -> list[Record]:
    """Pieces of one site joined into records.

    Two captures follow one another where they have the same station, rate and channels and the second begins
    where the first ends, to within half a sample and two microseconds; where another file's stamp is off by up to
    10 ms, they do if the voltage runs on without a step of phase, see `seams.runs_on`. One that begins before the end
    of the one before and repeats its samples (overlapping triggers, a file that is there twice) is joined after what it
    repeats; one that adds nothing is left out. So no sample counts twice. Captures whose scales differ go together in
    units, as float32.

    Parameters
    ----------
    pieces : captures of one site, in any order.

    Returns
    -------
    Records in order of their start.
    """
    lines: dict[tuple[object, ...], list[Piece]] = {}
    for piece in pieces:
        header = piece.header
        what = tuple((one.name, one.quantity, one.phase, one.unit, one.point) for one in header.channels)
        lines.setdefault((header.station, header.rate_hz, what), []).append(piece)
    records = []
    for alike in lines.values():
        line = _in_common(alike)
        line.sort(key=lambda piece: (piece.header.start_ns, -piece.header.n_samples, piece.header.source))
        chains: list[list[tuple[Piece, int]]] = []
        growing: list[list[tuple[Piece, int]]] = []  # chains that a later capture may still continue
        for piece in line:
            growing = [chain for chain in growing if _reaches(chain[-1][0].header, piece.header)]
            for chain in growing:
                skip = _samples_repeated(chain[-1][0], piece)
                if skip is not None:
                    if skip < piece.header.n_samples:
                        chain.append((piece, skip))
                    break
            else:
                growing.append([(piece, 0)])
                chains.append(growing[-1])
        records += [_record(chain) for chain in chains]
    return sorted(records, key=lambda record: (record.header.start_ns, record.header.source))


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
        rows = [capture.physical(i).astype(np.float32) for i in range(len(channels))]
        empty = np.zeros((0, header.n_samples), np.float32)
        return Capture(replace(header, notes=capture.header.notes), np.stack(rows) if rows else empty)

    return Piece(header, load, piece.digest, piece, piece.path)


def _reaches(before: Header, after: Header) -> bool:
    """Whether no gap lies between two captures, or one so short that it may be the clock's."""
    return after.start_ns - before.end_ns <= max(0.5e9 / before.rate_hz + _TOLERANCE_NS, CLOCK_TOLERANCE_NS)


def _samples_repeated(before: Piece, after: Piece) -> int | None:
    """Samples at the start of `after` that `before` holds too; None where `after` does not follow `before`.

    Recorders of one station may have the same channels at the same time: only equal samples are a repetition.
    """
    sample_ns = 1e9 / before.header.rate_hz
    gap_ns = after.header.start_ns - before.header.end_ns
    overlap = round(-gap_ns / sample_ns)
    if overlap <= 0 and gap_ns <= 0.5 * sample_ns + _TOLERANCE_NS:
        return 0
    if overlap <= 0:
        return 0 if _runs_on(before, after) else None
    earlier, later = before.load().samples, after.load().samples
    for shift in sorted(range(-_CLOCK_SAMPLES, _CLOCK_SAMPLES + 1), key=abs):
        skip = overlap + shift
        common = min(skip, later.shape[1])
        first = earlier.shape[1] - skip
        if skip <= 0 or first < 0:
            continue
        if np.array_equal(earlier[:, first : first + common], later[:, :common]):
            return min(skip, after.header.n_samples)
    return 0 if overlap * sample_ns <= CLOCK_TOLERANCE_NS and _runs_on(before, after) else None


def _runs_on(before: Piece, after: Piece) -> bool:
    """Whether two captures of different files follow one another by their waveform, whatever their stamps say.

    Captures of one file are stamped by one clock: there a gap is a gap.
    """
    return before.header.source != after.header.source and runs_on(before.load(), after.load())


def _record(chain: list[tuple[Piece, int]]) -> Record:
    lengths = [piece.header.n_samples - skip for piece, skip in chain]
    positions = (0, *accumulate(lengths))
    return Record(tuple(piece for piece, _ in chain), tuple(skip for _, skip in chain), positions)
