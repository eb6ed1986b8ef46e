"""Where a record's waveform differs from the cycle before: the only places worth a search for transients."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from halfcycle.pipeline.capture import Channel, SampleArray
from halfcycle.pipeline.measures.calm import squares_of_halves
from halfcycle.pipeline.measures.residue import (
    BLOCKS_A_CYCLE,
    FEWEST_SAMPLES_A_CYCLE,
    SampleSpan,
    candidate_blocks,
    candidate_spans,
)

_CHUNK = 1 << 17  # samples over which one delay serves
_FREQUENCY_SPAN: Final = 0.02  # of nominal, to each side, in which the delay is sought
_DELAY_CYCLES = 8  # on which it is sought
_EVERY = 3  # samples, one is compared for it
_LEVEL_CYCLES = 500  # that tell the voltage's own peak
_NARROWEST = 2.0  # samples: an impulse this narrow, at the threshold, is still suspect
_QUIET_MARGIN = 1.45  # over the loudest blocks of quiet cycles, for blocks of 16 samples; longer ones vary less


@dataclass(slots=True)
class Suspects:
    """Collects suspect spans of a record's voltages, capture by capture.

    Attributes
    ----------
    channels : of the samples.
    per_cycle : samples in a nominal cycle.
    least_v : peak of the least transient that is looked for. [V]
    found : spans [first, stop) of record positions, of any channel.
    """

    channels: Sequence[Channel]
    per_cycle: float
    least_v: float
    found: list[SampleSpan] = field(default_factory=list)
    _tail: SampleArray | None = None

    @classmethod
    def of_first(cls, block: SampleArray, channels: Sequence[Channel], per_cycle: float, least_pu: float) -> Suspects:
        """A collector for a record by its first samples: least_pu is of the voltage's own peak in them."""
        half = max(int(per_cycle / 2), 1)
        squares = squares_of_halves(block[:, : _LEVEL_CYCLES * 2 * half], channels, half=half)
        level_v = float(np.sqrt(2.0 * np.median(squares) / half)) if squares.size else 0.0
        return cls(channels, per_cycle, least_pu * level_v)

    def add(self, block: SampleArray, *, position: int) -> None:
        """Look at the next samples, shape (n_channels, n), which begin at a record position."""
        if self.per_cycle < FEWEST_SAMPLES_A_CYCLE:
            return
        lead = int(self.per_cycle * (1 + _FREQUENCY_SPAN)) + 1
        whole = block if self._tail is None else np.concatenate([self._tail, block], axis=1)
        origin = position - (0 if self._tail is None else self._tail.shape[1]) + lead
        size = max(round(self.per_cycle / BLOCKS_A_CYCLE), 2)
        step = max(_CHUNK // (size * BLOCKS_A_CYCLE), 1) * size * BLOCKS_A_CYCLE
        levels: list[list[NDArray[np.float32]]] = [[] for _ in self.channels]
        for start in range(lead, whole.shape[1] - lead, step):
            chunk = whole[:, start - lead : start + step]
            delay = self._delay(chunk, lead)
            for row, found in zip(chunk, levels, strict=True):
                found.append(candidate_blocks(row[lead - delay :], delay=delay, block=size))
        factor = 1 + (_QUIET_MARGIN - 1) * np.sqrt(16 / size)
        for one, channel in zip(levels, self.channels, strict=True):
            if not one:
                continue
            least = self.least_v / abs(channel.scale or 1.0) * min(np.sqrt(_NARROWEST / size), 1.0) / 2
            pairs = candidate_spans(
                np.concatenate(one), blocks_a_cycle=BLOCKS_A_CYCLE, least=least, noise_factor=factor
            )
            self.found += [(origin + int(first) * size, origin + int(stop) * size) for first, stop in pairs]
        self._tail = whole[:, -lead:]

    def spans(self, *, margin: int, n_samples: int) -> list[SampleSpan]:
        """The spans with a margin to each side, joined where they meet. [samples]"""
        joined: list[SampleSpan] = []
        for found in sorted(self.found):
            first, stop = max(found[0] - margin, 0), min(found[1] + margin, n_samples)
            if joined and first <= joined[-1][1]:
                joined[-1] = (joined[-1][0], max(joined[-1][1], stop))
            else:
                joined.append((first, stop))
        return joined

    def _delay(self, chunk: SampleArray, lead: int) -> int:
        """The delay at which the waveform repeats best, on a few cycles in the middle of the chunk."""
        size = min(int(_DELAY_CYCLES * self.per_cycle), chunk.shape[1] - lead)
        first = lead + (chunk.shape[1] - lead - size) // 2
        x = chunk[:, first - lead : first + size].astype(np.float32)
        shortest = max(int(self.per_cycle * (1 - _FREQUENCY_SPAN)), 1)
        before = np.lib.stride_tricks.sliding_window_view(x, size, axis=1)[:, : lead - shortest + 1, ::_EVERY]
        apart = before - x[:, None, lead::_EVERY]  # from the longest delay to the shortest
        return lead - int(np.einsum("cdt,cdt->d", apart, apart).argmin())
