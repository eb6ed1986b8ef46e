"""Samples packed for a page: every one of them, in less than a byte each as text, decoded by the browser itself.

Each sample is predicted from those before it by whole-number coefficients fitted to the channel, so that Python and
the browser predict alike to the bit; what the prediction misses is small, its bytes, each place of its own, deflate
well, and two printable signs hold thirteen bits. Tried on drawn and measured records: 0.7 to 1.2 signs a sample, where
second differences as base64 took 1.1 to 1.5.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.report.slice import Slice

I64 = npt.NDArray[np.int64]

_FLOAT_STEPS: Final = 32_000  # of a float channel's largest value: as fine as a 16-bit recorder's
_ORDER: Final = 16  # samples that a prediction looks back
_FITTED: Final = 10_000  # samples that are enough to fit it
_FINEST: Final = 20  # bits behind the point of a coefficient
_EXACT_BITS: Final = 52  # of a whole number that the browser's arithmetic holds exactly
ALPHABET: Final = "".join(chr(code) for code in range(33, 127) if chr(code) not in "<>&")
"""91 printable signs, none of which ends or starts markup; two of them hold 13 bits."""


@dataclass(frozen=True, slots=True)
class Predictor:
    """What a sample is expected to be: floor(sum of coefficients times the samples before it / 2**shift + 1/2)."""

    coefficients: tuple[int, ...]
    shift: int


@dataclass(frozen=True, slots=True)
class Packed:
    """Samples of a slice as text.

    Attributes
    ----------
    text : signs of `ALPHABET` that hold a raw deflate stream: for each channel what its prediction misses, folded to be
        positive, highest bytes first.
    n_packed : bytes of that stream.
    n_bytes : of an integer, 2 or 4.
    scales, offsets : that turn the integers into the channels' units; a missing sample is the lowest integer.
    predictors : of each channel.
    is_exact : whether the integers are the recorder's own.
    """

    text: str
    n_packed: int
    n_bytes: int
    scales: tuple[float, ...]
    offsets: tuple[float, ...]
    predictors: tuple[Predictor, ...]
    is_exact: bool


def pack(cut: Slice) -> Packed:
    """All samples of a slice. cut: integers as they are; floats to 1/32,000 of the channel's largest value."""
    planes, scales, offsets, predictors = [], [], [], []
    is_exact = cut.samples.dtype.kind == "i"
    n_bytes = 4 if cut.samples.dtype == np.int32 else 2
    lowest = -(1 << (8 * n_bytes - 1))
    for i, channel in enumerate(cut.channels):
        values = cut.physical(i)
        missing = ~np.isfinite(values)
        if is_exact:
            whole = cut.samples[i].astype(np.int64)
            scale, offset = channel.scale, channel.offset
        else:
            scale = float(np.abs(values[~missing]).max(initial=0.0)) / _FLOAT_STEPS or 1.0
            whole, offset = np.rint(np.where(missing, 0.0, values) / scale).astype(np.int64), 0.0
        predictor = fitted(whole, largest=-lowest if missing.any() else int(np.abs(whole).max(initial=1)))
        planes.append(_planes(np.where(missing, lowest, whole), predictor, n_bytes))
        scales.append(scale)
        offsets.append(offset)
        predictors.append(predictor)
    packer = zlib.compressobj(6, zlib.DEFLATED, -15)
    stream = packer.compress(b"".join(planes)) + packer.flush()
    return Packed(as_text(stream), len(stream), n_bytes, tuple(scales), tuple(offsets), tuple(predictors), is_exact)


def fitted(whole: I64, *, largest: int) -> Predictor:
    """The predictor that misses a channel's samples by the least squares.

    Parameters
    ----------
    whole : shape (n,). Integers.
    largest : that a sample can be, by its size: the sums must stay exact in the browser.
    """
    n = whole.size - _ORDER
    if n > 4 * _ORDER:
        at = np.linspace(0, n - 1, min(n, _FITTED)).astype(np.int64) + _ORDER
        before = np.stack([whole[at - k] for k in range(1, _ORDER + 1)]).astype(np.float64)
        power = before @ before.T
        rounding = max(at.size / 12, 1e-12 * float(np.trace(power)))  # a sample is uncertain by its rounding
        normal = power + rounding * np.eye(_ORDER)
        weights = np.linalg.solve(normal, before @ whole[at].astype(np.float64))
        room = _EXACT_BITS - math.log2(max(largest, 1) * max(float(np.abs(weights).sum()), 1.0))
        shift = min(_FINEST, math.floor(room) - 1)
        if shift >= _FINEST // 2:
            return Predictor(tuple(int(c) for c in np.rint(weights * 2.0**shift)), shift)
    return Predictor((2, -1), 0)


def as_text(data: bytes) -> str:
    """Bytes as signs of `ALPHABET`, two for each 13 bits; zero bits fill the last two up."""
    bits = np.unpackbits(np.frombuffer(data, np.uint8))
    bits = np.concatenate([bits, np.zeros(-bits.size % 13, np.uint8)]).reshape(-1, 13)
    values = bits @ (1 << np.arange(12, -1, -1, dtype=np.int64))
    pairs = np.stack([values % 91, values // 91], axis=1).ravel()
    return bytes(np.frombuffer(ALPHABET.encode("ascii"), np.uint8)[pairs]).decode("ascii")


def _planes(row: I64, predictor: Predictor, n_bytes: int) -> bytes:
    """What the prediction misses, modulo the integers' range and folded: 0, -1, 1, -2 … are 0, 1, 2, 3 …"""
    expected = np.zeros(row.size, np.int64)
    for k, coefficient in enumerate(predictor.coefficients, start=1):
        expected[k:] += coefficient * row[:-k]
    missed = row - ((expected + ((1 << predictor.shift) >> 1)) >> predictor.shift)
    span = 1 << (8 * n_bytes)
    missed = (missed + span // 2) % span - span // 2
    folded = np.where(missed >= 0, 2 * missed, -2 * missed - 1)
    return b"".join(((folded >> (8 * k)) & 0xFF).astype(np.uint8).tobytes() for k in reversed(range(n_bytes)))
