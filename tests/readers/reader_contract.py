"""What every reader must do, whatever its format: two checks, called by each reader's own tests."""

from __future__ import annotations

import re
import shutil
import sys
import tempfile
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from halfcycle.pipeline.capture import MAX_CAPTURE_SAMPLES, Capture
from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.readers import (
    capture_at,
    capture_files,
    companions_of,
    known_headers,
    read_captures,
    reader_of,
    remarks_on,
    samples_at,
)
from halfcycle.pipeline.readers.contract import Repair
from halfcycle.pipeline.readers.kept import release
from halfcycle.pipeline.terms import Quantity

QUANTITIES: tuple[Quantity, ...] = ("voltage", "current", "other")
RTOL = 2e-7  # float32 holds 24 bits: half a step is 6e-8 of a value, and formats that scale twice round twice
ODD_FOLDERS = Path("Größe 2", "станция", "nested")
ODD_STEM = "Übergabe  東 1"


def check_reader_contract(
    path: Path, *captures_expected: Capture, rtol: float = RTOL, may_be_shorter: Collection[str] = ()
) -> None:
    """Check one good file against the promises of `halfcycle.pipeline.readers`.

    Parameters
    ----------
    path : of the file (for a file pair, the one that describes the data).
    captures_expected : what it holds, in order of time: mostly one capture. Raw samples may be of another type than
        the file's, as physical values are compared.
    rtol : of physical values, relative to the largest value of the channel.
    may_be_shorter : endings of files, such as ``.csv``, that cannot tell where they should have ended: a truncated copy
        of them may read as a shorter record. Of all others each truncation must be refused.

    Raises
    ------
    AssertionError : a promise is broken.
    """
    before = _contents(path)
    captures = list(read_captures(path))
    _check_equal(captures, captures_expected, rtol=rtol)
    _check_order(captures)
    assert all(capture.header.source == path.name for capture in captures)
    assert all(not capture.samples.flags.writeable for capture in captures), "samples can be written to"
    assert [capture.digest() for capture in read_captures(path)] == [capture.digest() for capture in captures]
    assert [capture.header for capture in read_captures(path)] == [capture.header for capture in captures]
    _check_quantities(path, captures_expected, rtol=rtol)
    _check_strict(path, captures)
    _check_any_order(path, captures)
    assert reader_of(path).remarks(path) == (), "there are remarks on a file that has captures"
    assert not set(companions_of(path)) & set(capture_files([path.parent])), "a companion counts as a capture file"
    with tempfile.TemporaryDirectory() as folder:
        copied = _copy(path, Path(folder) / ODD_FOLDERS, ODD_STEM)
        _check_equal(list(read_captures(copied)), captures_expected, rtol=rtol)
    _check_truncated(path, captures_expected, rtol=rtol, may_be_shorter=may_be_shorter)
    assert _contents(path) == before, "reading changed the file"


def _check_strict(path: Path, captures: Sequence[Capture]) -> None:
    """A strict reading gives the same, or refuses the file for a repair that is noted."""
    repairs = [note for capture in captures for note in capture.header.notes if isinstance(note, Repair)]
    if repairs:
        with pytest.raises(ReadError, match=re.escape(repairs[0])):
            list(read_captures(path, strict=True))
    else:
        strict = list(read_captures(path, strict=True))
        assert [capture.digest() for capture in strict] == [capture.digest() for capture in captures]


def _check_any_order(path: Path, captures: Sequence[Capture]) -> None:
    """Cut into many captures, each one alone is what reading all gives, in whatever order they are asked for."""
    whole = np.concatenate([capture.samples for capture in captures], axis=1)
    rng = np.random.default_rng(whole.shape[1])
    with at_most_samples(max(whole.shape[1] // 5, 1)):
        for quantities in (None, QUANTITIES[:1]):
            pieces = list(read_captures(path, quantities=quantities))
            assert len(pieces) >= min(whole.shape[1], 5)
            if quantities is None:
                assert np.array_equal(np.concatenate([p.samples for p in pieces], axis=1), whole, equal_nan=True)
            for index in (*range(len(pieces)), *rng.permutation(len(pieces)).tolist(), len(pieces) - 1, 0, 0):
                found, want = capture_at(path, index, quantities=quantities), pieces[index]
                assert found.header == want.header
                assert found.samples.tobytes() == want.samples.tobytes()
                start, stop = sorted(rng.integers(0, want.header.n_samples + 1, 2).tolist())
                if start < stop:
                    part = samples_at(path, index, start, stop, quantities=quantities)
                    assert part.tobytes() == want.samples[:, start:stop].tobytes()
            with pytest.raises(ReadError, match="has gone"):
                capture_at(path, len(pieces), quantities=quantities)
            with pytest.raises(ReadError, match="has gone"):
                samples_at(path, len(pieces), 0, 1, quantities=quantities)
            known = known_headers(path, quantities=quantities or QUANTITIES)
            assert known in (None, [piece.header for piece in pieces])


@contextmanager
def at_most_samples(n: int) -> Iterator[None]:
    """While this lasts, readers cut captures at so many samples."""
    release()
    with pytest.MonkeyPatch.context() as patch:
        for module in list(sys.modules.values()):
            ours = module.__name__.startswith("halfcycle.pipeline.readers")
            if (ours or "READER" in vars(module)) and hasattr(module, "MAX_CAPTURE_SAMPLES"):
                patch.setattr(module, "MAX_CAPTURE_SAMPLES", n)
        yield
    release()


def check_broken_copies(path: Path, *, n_copies: int = 150, seed: int = 1) -> None:
    """Read copies of a good file with some bytes changed, removed or repeated: each is read or refused, nothing else.

    Parameters
    ----------
    path : of the file; what belongs to it is changed too, one file a copy.
    n_copies : to try.
    seed : of the changes.

    Raises
    ------
    AssertionError : copies are all refused or all read, so that the check would say nothing.
    Exception : whatever a reader lets out besides `ReadError`.
    """
    rng = np.random.default_rng(seed)
    files = (path, *companions_of(path))
    n_refused = 0
    with tempfile.TemporaryDirectory() as folder:
        copied = _copy(path, Path(folder), path.stem)
        for _ in range(n_copies):
            file = files[rng.integers(len(files))]
            (copied.parent / file.name).write_bytes(_damaged(file.read_bytes(), rng))
            n_captures = 0
            try:
                for n_captures, capture in enumerate(read_captures(copied), start=1):  # noqa: B007
                    assert capture.samples.shape == (len(capture.header.channels), capture.header.n_samples)
                assert n_captures or remarks_on(copied)
            except ReadError:
                n_refused += 1
            shutil.copyfile(file, copied.parent / file.name)
    assert n_refused > 0, f"none of {n_copies} copies was refused: take a shorter file, so that its header is hit, too"
    assert n_refused < n_copies, f"all {n_copies} copies were refused: take a longer file, so that its samples are hit"


def _damaged(content: bytes, rng: np.random.Generator) -> bytes:
    damaged = bytearray(content)
    for _ in range(rng.choice([1, 1, 1, 2, 8])):
        at, n = rng.integers(len(damaged)), int(rng.choice([1, 1, 4, 30]))
        match rng.integers(4):
            case 0:
                damaged[at] ^= 1 << rng.integers(8)
            case 1:
                damaged[at : at + n] = rng.bytes(n)
            case 2:
                del damaged[at : min(at + n, len(damaged) - 1)]
            case _:
                damaged[at:at] = damaged[at : at + n]
    return bytes(damaged)


def _contents(path: Path) -> list[tuple[Path, bytes, int]]:
    files = (path, *companions_of(path))
    return [(file, file.read_bytes(), file.stat().st_mtime_ns) for file in files]


def _check_equal(captures: Sequence[Capture], expected: Sequence[Capture], *, rtol: float) -> None:
    assert len(captures) == len(expected)
    for got, want in zip(captures, expected, strict=True):
        assert got.header.n_samples == want.header.n_samples <= MAX_CAPTURE_SAMPLES
        assert got.header.rate_hz == want.header.rate_hz
        assert got.header.start_ns == want.header.start_ns
        assert got.header.station == want.header.station
        assert got.header.nominal_frequency_hz == want.header.nominal_frequency_hz
        assert got.header.trigger_ns == want.header.trigger_ns
        assert [channel.name for channel in got.header.channels] == [channel.name for channel in want.header.channels]
        for i, (channel, wanted) in enumerate(zip(got.header.channels, want.header.channels, strict=True)):
            assert (channel.quantity, channel.phase, channel.unit, channel.point) == (
                wanted.quantity,
                wanted.phase,
                wanted.unit,
                wanted.point,
            )
            _check_values(got.physical(i), want.physical(i), rtol=rtol)


def _check_values(got: np.ndarray, want: np.ndarray, *, rtol: float) -> None:
    largest = float(np.nanmax(np.abs(want))) if np.isfinite(want).any() else 0.0
    np.testing.assert_allclose(got, want, rtol=0, atol=rtol * largest, equal_nan=True)


def _check_order(captures: Sequence[Capture]) -> None:
    for earlier, later in pairwise(captures):
        assert later.header.start_ns >= earlier.header.end_ns - 1e9 / earlier.header.rate_hz


def _check_quantities(path: Path, expected: Sequence[Capture], *, rtol: float) -> None:
    for quantity in QUANTITIES:
        captures = list(read_captures(path, quantities=[quantity]))
        assert len(captures) == len(expected)
        for got, want in zip(captures, expected, strict=True):
            chosen = [i for i, channel in enumerate(want.header.channels) if channel.quantity == quantity]
            assert [channel.name for channel in got.header.channels] == [want.header.channels[i].name for i in chosen]
            assert (got.header.n_samples, got.header.start_ns) == (want.header.n_samples, want.header.start_ns)
            for i, i_want in enumerate(chosen):
                _check_values(got.physical(i), want.physical(i_want), rtol=rtol)


def _copy(path: Path, folder: Path, stem: str) -> Path:
    """Copy a file and what belongs to it under another name."""
    folder.mkdir(parents=True, exist_ok=True)
    for file in (*companions_of(path), path):
        copied = folder / (stem + file.name.removeprefix(path.stem))
        shutil.copyfile(file, copied)
    return copied


def _check_truncated(path: Path, expected: Sequence[Capture], *, rtol: float, may_be_shorter: Collection[str]) -> None:
    for file in (path, *companions_of(path)):
        if file.suffix == ".toml":  # a shorter description is another description, not a broken file
            continue
        content = file.read_bytes()
        lengths = sorted({0, 1, *(len(content) * k // 8 for k in range(1, 8)), len(content) - 3, len(content) - 1})
        for length in lengths:
            with tempfile.TemporaryDirectory() as folder:
                copied = _copy(path, Path(folder), path.stem)
                Path(folder, file.name).write_bytes(content[:length])
                try:
                    captures = list(read_captures(copied))
                except ReadError:
                    continue
            what = f"{file.name} cut to {length} of {len(content)} bytes was read without an error"
            assert length > 0, what
            assert file.suffix.lower() in may_be_shorter, what
            _check_beginning(captures, expected, rtol=rtol)


def _check_beginning(captures: Sequence[Capture], expected: Sequence[Capture], *, rtol: float) -> None:
    """A shorter record must be the beginning of the whole one; its very last sample may be cut within its digits."""
    assert len(captures) <= len(expected)
    for got, want in zip(captures, expected, strict=False):
        n = got.header.n_samples
        assert n <= want.header.n_samples
        assert got.header.start_ns == want.header.start_ns
        for i, channel in enumerate(got.header.channels):
            assert channel.name == want.header.channels[i].name
            _check_values(got.physical(i)[: n - 1], want.physical(i)[: n - 1], rtol=rtol)
