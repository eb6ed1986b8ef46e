"""Samples of a page taken out of their text as its reader must: sign by sign, sample by sample, in whole numbers."""

from __future__ import annotations

import zlib
from collections.abc import Sequence

SIGNS = [chr(code) for code in range(ord("!"), ord("~") + 1) if chr(code) not in "<>&"]


def bytes_of(text: str, n: int) -> bytes:
    """The first n bytes of a text, of which two signs hold 13 bits, the second one counting by 91."""
    bits = ""
    for i in range(0, len(text), 2):
        bits += f"{SIGNS.index(text[i]) + 91 * SIGNS.index(text[i + 1]):013b}"
    return bytes(int(bits[8 * k : 8 * k + 8], 2) for k in range(n))


def samples_of(planes: bytes, n_bytes: int, predictors: Sequence[tuple[Sequence[int], int]]) -> list[list[int]]:
    """Samples of each channel; predictors: (coefficients, the latest sample's first; bits behind the point)."""
    n = len(planes) // n_bytes // len(predictors)
    found = []
    for c, (coefficients, shift) in enumerate(predictors):
        row: list[int] = []
        for i in range(n):
            folded = 0
            for b in range(n_bytes):
                folded = 256 * folded + planes[(c * n_bytes + b) * n + i]
            missed = -(folded + 1) // 2 if folded % 2 else folded // 2
            total = sum(weight * row[i - k] for k, weight in enumerate(coefficients, start=1) if i - k >= 0)
            value = (2 * total + 2**shift) // 2 ** (shift + 1) if shift else total
            span = 256**n_bytes
            row.append((value + missed + span // 2) % span - span // 2)
        found.append(row)
    return found


def inflated(stream: bytes) -> bytes:
    """A raw deflate stream that ends where it should."""
    reader = zlib.decompressobj(-15)
    data = reader.decompress(stream)
    assert reader.eof
    assert reader.unused_data == b""
    return data
