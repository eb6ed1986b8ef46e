"""A capture as a part of a record: what is known of it without its samples, and how these are had."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from halfcycle.pipeline.capture import Capture, Header, SampleArray


@dataclass(frozen=True, slots=True)
class Piece:
    """A capture of a record that need not be in memory.

    Attributes
    ----------
    header : of the capture.
    load : gives the capture; called when its samples are needed.
    digest : gives the digest of its source; called when an event lies in it.
    origin : the piece that this one is a part of, or has in units; else None.
    samples : gives the capture's samples [start, stop) without loading all of it; None: it must be loaded for them.
    path : of its file as it was given, or relative to the store; "" where it came from no file.
    """

    header: Header
    load: Callable[[], Capture]
    digest: Callable[[], str]
    origin: Piece | None = None
    samples: Callable[[int, int], SampleArray] | None = None
    path: str = ""

    @property
    def given(self) -> Piece:
        """The piece as it was given to `records_of`."""
        return self if self.origin is None else self.origin.given

    @property
    def n_before(self) -> int:
        """Samples of the piece as it was given that lie before this part of it."""
        header = self.header
        return round((header.start_ns - self.given.header.start_ns) * header.rate_hz / 1e9)

    def part(self, start: int, stop: int) -> Capture:
        """The samples [start, stop) of the capture, as far as it reaches, as a capture."""
        start, stop = max(start, 0), min(stop, self.header.n_samples)
        samples = self.load().samples[:, start:stop] if self.samples is None else self.samples(start, stop)
        if start == 0 and stop == self.header.n_samples:
            return Capture(self.header, samples)
        return Capture(replace(self.header, start_ns=self.header.time_ns(start), n_samples=stop - start), samples)
