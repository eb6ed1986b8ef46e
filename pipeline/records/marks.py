"""Where samples of a record are no measurement, on a grid of half cycles."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.measures.quality import FLAT, MISSING

U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]


class Marks:
    """Collects the marks of samples, part by part; few of them or none in most records.

    Attributes
    ----------
    bits : for each channel, which marks of what is no measurement there are.
    """

    def __init__(self, n_channels: int) -> None:
        self.bits = [0] * n_channels
        self._found: list[tuple[int, I64, I64]] = []

    def add(self, flags: Sequence[U8 | None], *, position: int, half: int) -> None:
        """Take the marks of each channel's next samples, which begin at a record position; None: there are none."""
        for c, marks in enumerate(flags):
            if marks is None:
                continue
            lost = marks & (MISSING | FLAT)
            self.bits[c] |= int(np.bitwise_or.reduce(lost))
            halves = [(np.flatnonzero(mask) + position) // half for mask in (marks, lost)]
            self._found.append((c, halves[0], halves[1]))

    def in_halves(self, n: int) -> tuple[npt.NDArray[np.bool_], I64]:
        """Half windows with any mark, and how many samples of each are no measurement, by channel; shape (…, n)."""
        marked = np.zeros((len(self.bits), n), np.bool_)
        unmeasured = np.zeros((len(self.bits), n), np.int64)
        for c, halves, lost in self._found:
            marked[c, halves] = True
            unmeasured[c] += np.bincount(lost, minlength=n)
        return marked, unmeasured
