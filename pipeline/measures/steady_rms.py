"""One-cycle mean squares of what is steady, from windows on a fixed grid; the others are left to the exact measure.

Where neighbouring windows of the grid have the same mean square, any one-cycle window between them has it too. Sums
over whole half cycles, which one pass over the samples gives, and a few samples at each line of the grid are enough.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.capture import SampleArray as Raw
from halfcycle.pipeline.measures.squares import Cut, Sums, mean_squares, offset_counts
from halfcycle.pipeline.measures.tracking import PARTS, HopGrid, Track
from halfcycle.pipeline.order_statistics import median_of

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
U8 = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

FEWEST_SAMPLES_A_CYCLE: Final = 128  # below, a window's end between two samples needs more than its neighbours tell
_STEADY: Final = 1e-3  # change of the mean square from line to line, of itself, that noise may make,
_STEADY_AROUND: Final = 2.5e-4  # and the mean change over so many lines:
_AROUND: Final = 32  # beyond, something between the harmonics beats, and lines half a cycle apart do not tell how
_MOST_GAP: Final = 0.05  # between the square at a window's start and at its end, of its mean: noise makes some of it
_MOST_BEYOND: Final = 16  # samples by which a cycle may differ from two lines of the grid
_JOINED_WITHIN: Final = 64  # windows: what is steady for less between two spans that are not is measured with them
_MOST_REST: Final = 0.6  # samples that are left of that when whole ones are taken off


def one_cycle_mean_squares(
    raw: Raw,
    sums: Sequence[Sums],
    flags: Sequence[U8 | None],
    channels: Sequence[Channel],
    starts: F64,
    leaders: Sequence[int],
    cycle: F64,
    track: Track,
    grid: HopGrid,
) -> F32:
    """Mean of the square over each [start, start + cycle), measured exactly where the channel is not steady.

    Parameters
    ----------
    raw : shape (n_channels, n_samples). Raw samples.
    sums : of each channel, as `squares.sums_of` gives them.
    flags, channels : of the samples.
    starts : shape (n_rows, n). [samples]
    leaders : for each channel, which row of `starts` is its.
    cycle : shape (n,). Length of each window. [samples]
    track, grid : of the fundamental.

    Returns
    -------
    float32, shape (n_channels, n). [counts²]

    Source: definition of the mean square; where the channel is steady: derived.
    """
    means = np.zeros((raw.shape[0], starts.shape[1]), np.float32)
    steady = np.zeros(means.shape, np.bool_)
    clean = [c for c, flagged in enumerate(flags) if flagged is None]
    if clean and starts.shape[1] and grid.rate_hz >= FEWEST_SAMPLES_A_CYCLE * grid.nominal_hz:
        # The middle of the window that begins at line k lies half a sample beyond hop k + 1 - PARTS / 2.
        hops = np.clip(np.arange(sums[0].squares.size) + 1 - PARTS // 2, 0, track.frequency_hz.size - 1)
        means[clean], steady[clean] = steady_mean_squares(
            [raw[c] for c in clean],
            np.stack([sums[c].squares for c in clean]),
            np.stack([sums[c].lines for c in clean], axis=1),
            grid.rate_hz / track.frequency_hz[hops],
            track.settled[hops],
            starts,
            [leaders[c] for c in clean],
            [offset_counts(channels[c]) for c in clean],
            hop=grid.hop_samples,
        )
    spans = [(c, *span) for c in range(len(channels)) for span in _spans(~steady[c])]
    cuts: list[Cut] = []
    for c, first, stop in spans:
        cuts.append(Cut.of(raw[c], channels[c], flags[c], starts[leaders[c], first:stop], cycle[first:stop], grid))
    for (c, first, stop), exact in zip(spans, mean_squares(cuts, grid.decimation), strict=True):
        means[c, first:stop] = exact
    return means


def _spans(wanted: Mask) -> list[tuple[int, int]]:
    """Half-open spans that hold all that is wanted, joined where they are near one another."""
    found = np.flatnonzero(wanted)
    if not found.size:
        return []
    breaks = np.flatnonzero(np.diff(found) > _JOINED_WITHIN)
    firsts, lasts = found[np.concatenate(([0], breaks + 1))], found[np.concatenate((breaks, [found.size - 1]))]
    return list(zip(firsts.tolist(), (lasts + 1).tolist(), strict=True))


def steady_mean_squares(
    raw: Sequence[Raw],
    squares: F32,
    lines: F32,
    lengths: F64,
    settled: Mask,
    starts: F64,
    leaders: Sequence[int],
    offsets: Sequence[float],
    *,
    hop: int,
) -> tuple[F32, Mask]:
    """Mean of the square over one cycle from each of some positions on, where the signal is steady around it.

    Parameters
    ----------
    raw : each channel's raw samples, shape (n_samples,), finite.
    squares : shape (n_channels, n_lines). Sums of the squares of each `hop` samples. [counts²]
    lines : shape (3, n_channels, n_lines + 1). The samples before, at and after each line of the grid. [counts]
    lengths : shape (n_lines,). One cycle in the window that begins at each line of the grid. [samples]
    settled : bool, shape (n_lines,). That length is right: nothing disturbed the frequency around.
    starts : shape (n_rows, n). Positions, rising. [samples]
    leaders : for each channel, which row of `starts` is its.
    offsets : of the channels, added to the raw samples. [counts]
    hop : samples from line to line, about half a cycle.

    Returns
    -------
    (mean squares, steady), each of shape (n_channels, n); the values where it is not steady mean nothing. [counts²]
    A steady value is right to 1e-4 where each cycle is as the one before, and to `_STEADY` at worst, with one small
    step in it. Of a length that is wrong by a share, it is wrong by up to that.

    Source: derived. The sum over samples becomes the integral by the Euler-Maclaurin terms at both ends of the window
    (DLMF 2.10(i)), as in `squares`; between two lines the value is taken from the straight line.
    """
    n_channels, n_samples = len(raw), raw[0].size
    nothing = np.zeros((n_channels, starts.shape[1]), np.float32), np.zeros((n_channels, starts.shape[1]), np.bool_)
    if squares.shape[1] < 6:
        return nothing
    beyond = round(median_of(lengths) - 2 * hop)
    n = min(squares.shape[1] - 1, (n_samples - 2 - max(beyond, 0)) // hop - 1)  # windows on the grid, from line 0 on
    if n < 4 or abs(beyond) > _MOST_BEYOND:
        return nothing
    mean, closed = _on_grid(raw, squares, lines, lengths[:n], offsets, beyond=beyond, hop=hop)
    rise = mean[:, 1:] - mean[:, :-1]
    steady = _steady(rise, mean[:, :-1]) & closed[:, 1:] & closed[:, :-1]
    steady &= settled[1:n] & settled[: n - 1]
    around = steady[:, :-1] & steady[:, 1:]  # a window between two lines reaches into the next two
    around[:, 1:] &= steady[:, :-2]
    place = starts / hop
    line = place.astype(np.int64)
    inside = line <= n - 3
    np.clip(line, 0, n - 3, out=line)
    share = (place - line).astype(np.float32)
    values, sure = nothing
    for c, leader in enumerate(leaders):
        at = line[leader]
        np.multiply(rise[c].take(at), share[leader], out=values[c])
        values[c] += mean[c].take(at)
        sure[c] = inside[leader] if around[c].all() else inside[leader] & around[c].take(at)
    return values, sure


def _steady(rise: F32, mean: F32) -> Mask:
    """Where values change little from one line of the grid to the next, and those around by less still."""
    change = np.abs(rise)
    steady = change <= np.float32(_STEADY) * mean
    n_groups = -(-change.shape[1] // _AROUND)
    both = np.zeros((2, change.shape[0], n_groups * _AROUND), np.float32)
    both[0, :, : change.shape[1]], both[1, :, : change.shape[1]] = change, mean
    totals = both.reshape(2, -1, n_groups, _AROUND) @ np.ones(_AROUND, np.float32)
    quiet = totals[0] <= np.float32(_STEADY_AROUND) * totals[1]
    return steady if quiet.all() else steady & np.repeat(quiet, _AROUND, axis=1)[:, : change.shape[1]]


def _on_grid(
    raw: Sequence[Raw], squares: F32, lines: F32, lengths: F64, offsets: Sequence[float], *, beyond: int, hop: int
) -> tuple[F32, Mask]:
    """Mean squares of the one-cycle windows that begin at lines of the grid, and which of them end as they begin.

    One that does not holds a phase jump, though its mean square may be as before. So do those too far off the grid.
    """
    n, end = lengths.size, 2 * hop + beyond

    def samples(place: int) -> F32:
        """The sample at a place beyond each line."""
        values = np.empty((len(raw), n), np.float32)
        for c, (row, offset) in enumerate(zip(raw, offsets, strict=True)):
            values[c] = row[place::hop][:n]
            if offset:
                values[c] += np.float32(offset)
        return values

    total = squares[:, :n] + squares[:, 1 : n + 1]
    for place in range(2 * hop, end):
        total += np.square(samples(place))
    for place in range(end, 2 * hop):
        total -= np.square(samples(place))
    square, slope = _square_and_slope(*lines)
    first, first_slope, last, last_slope = square[:, :n], slope[:, :n], square[:, 2 : n + 2], slope[:, 2 : n + 2]
    if beyond:
        last, last_slope = _square_and_slope(samples(end - 1), samples(end), samples(end + 1))
    rest = (lengths - end).astype(np.float32)
    gap = last + rest * last_slope - first
    total += last * (rest + np.float32(0.5))
    total -= np.float32(0.5) * first
    total += last_slope * (np.float32(0.5) * rest * rest - np.float32(1 / 12))
    total += np.float32(1 / 12) * first_slope
    total /= lengths.astype(np.float32)
    closed: Mask = (np.abs(gap) <= np.float32(_MOST_GAP) * total) & (np.abs(rest) <= _MOST_REST)
    return total, closed


def _square_and_slope(before: F32, at: F32, after: F32) -> tuple[F32, F32]:
    """Of the square of three neighbouring samples, at the middle one."""
    return np.square(at), (after - before) * at  # twice the value times half the difference
