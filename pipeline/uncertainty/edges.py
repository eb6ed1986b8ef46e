"""Where one waveform gives way to another: the instant and how sure it is, as a distribution over the samples."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.uncertainty.periodic import Periodic, basis

F64 = npt.NDArray[np.float64]

COVERED: Final = 0.9545
"""By two standard deviations of a normal distribution."""

_EXCESS: Final = (-1.2, -0.6, 0.0)  # of a uniform, a triangular and a normal distribution,
_COVERAGE: Final = (1.653, 1.927, 2.0)  # and the standard deviations that hold 95.45 % of each: derived
_SHARP: Final = (0.5, 1.5)  # of the change that must come at once


@dataclass(frozen=True, slots=True)
class Edge:
    """An instant, or a length of time.

    Attributes
    ----------
    at : middle of the interval that holds it with 95.45 %. [samples]
    deviation : standard deviation of its distribution. [samples]
    excess : kurtosis of that beyond a normal one's: -1.2 of a uniform one, such as within one sample.
    shares : the distribution itself: rising positions, and the probability that it is no later than each; None of a
        length. [samples], [1]
    """

    at: float
    deviation: float
    excess: float
    shares: tuple[F64, F64] | None = field(default=None, compare=False)

    @property
    def u(self) -> float:
        """Half of the half-width of the interval that holds it with 95.45 %: with k = 2 the right interval. [samples]

        It is the standard deviation where the distribution is normal, and less where it is flatter (JCGM 100, G.1.3).
        """
        return self.deviation * float(np.interp(self.excess, _EXCESS, _COVERAGE)) / 2

    def since(self, earlier: Edge) -> Edge:
        """The time from an earlier edge to this one; the two are independent."""
        both = self.deviation**2 + earlier.deviation**2
        fourth = self.excess * self.deviation**4 + earlier.excess * earlier.deviation**4
        return Edge(self.at - earlier.at, float(np.sqrt(both)), fourth / both**2 if both else 0.0)


def find_edge(u: F64, before: Periodic, after: Periodic, *, low: int, high: int) -> Edge | None:
    """The instant at which a waveform steps from one periodic one to another.

    Parameters
    ----------
    u : shape (n_channels, n). All channels step at one instant.
    before, after : of the same channels.
    low, high : positions between which the step lies.

    Returns
    -------
    Edge, between the last sample before the step and the first after it; None where it is no step.

    Source: Bayes' theorem with a flat prior over the instant and normal noise; Monte Carlo agrees (the project's exam
    of uncertainties). The instant within a sample's interval is uniform (JCGM 101, 6.4.2).
    """
    low, high = max(low, 0), min(high, u.shape[1])
    if high - low < 2:
        return None
    if before.turn == after.turn:
        rows = basis(low, high, before.turn, max(before.order, after.order))
        earlier, later = before.of_basis(rows, low, high), after.of_basis(rows, low, high)
    else:
        earlier, later = before.at(low, high), after.at(low, high)
    values = u[:, low:high]
    per_channel = 1.0 / (2.0 * np.maximum(before.noise, after.noise) ** 2 + 1e-300)
    off_before = ((values - earlier) ** 2 * per_channel[:, None]).sum(axis=0)
    off_after = ((values - later) ** 2 * per_channel[:, None]).sum(axis=0)
    gain = np.concatenate(([0.0], np.cumsum(off_before - off_after)))  # misfit of a step at each sample, but a constant
    k = int(gain.argmin())
    change = ((later - earlier) ** 2 * per_channel[:, None]).sum(axis=0)
    if not _is_step(gain, change, k):
        return None
    chance = np.exp(-(gain - gain[k]))
    chance /= chance.sum()
    share = np.concatenate(([0.0], np.cumsum(chance)))
    grid = np.arange(low - 1, high + 1, dtype=np.float64)  # a step at sample k lies in (k - 1, k]
    lower, upper = np.interp([(1 - COVERED) / 2, (1 + COVERED) / 2], share, grid)
    middle = grid[1:] - 0.5
    mean = float(chance @ middle)
    off = middle - mean
    second = float(chance @ off**2) + 1 / 12
    fourth = float(chance @ off**4) + float(chance @ off**2) / 2 + 1 / 80  # with the uniform part within a sample
    return Edge(float(lower + upper) / 2, float(np.sqrt(second)), fourth / second**2 - 3, (grid, share))


def _is_step(gain: F64, change: F64, k: int) -> bool:
    """Whether what is gained on both sides of a step is about what the change between the waveforms is worth."""
    worth_before, worth_after = float(change[:k].sum()), float(change[k:].sum())
    gained_before, gained_after = float(gain[0] - gain[k]), float(gain[-1] - gain[k])
    low, high = _SHARP
    return all(
        worth <= 0 or low <= gained / worth <= high
        for gained, worth in ((gained_before, worth_before), (gained_after, worth_after))
    )
