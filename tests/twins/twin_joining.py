"""Which sightings of a small fleet are one shot: the partition with the best likelihood, of all partitions there are.

Sightings are few and clocks are known: each start is off by a normal error of a known size, a length by one of 8 ms.
Of a shot's sightings the first start is anywhere in the span, the others are where the first one is but for the errors;
of strangers each is anywhere. One sighting of a site in a shot. Every partition is written out and weighed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

Seen = tuple[str, float, float]  # site, start [s], length [s]

LENGTH_U_S = 0.008


def partitions(items: Sequence[int]) -> Iterator[list[list[int]]]:
    if not items:
        yield []
        return
    first, rest = items[0], items[1:]
    for smaller in partitions(rest):
        for k in range(len(smaller)):
            yield [*smaller[:k], [first, *smaller[k]], *smaller[k + 1 :]]
        yield [[first], *smaller]


def log_normal(apart: float, u: float) -> float:
    return -0.5 * (apart / u) ** 2 - math.log(u * math.sqrt(2 * math.pi))


def weighed(block: Sequence[int], seen: Sequence[Seen], u_s: float, span_s: float) -> float:
    """Log-likelihood of a block: its sites differ, or it cannot be."""
    if len({seen[i][0] for i in block}) < len(block):
        return -math.inf
    total = 0.0
    for place, i in enumerate(block):
        _, start, length = seen[i]
        before = [seen[j] for j in block[:place]]
        if not before:
            total += -math.log(span_s) - math.log(length * math.log(1000.0))
            continue
        mean_start = sum(one[1] for one in before) / len(before)
        mean_length = sum(one[2] for one in before) / len(before)
        spread = math.sqrt(1 + 1 / len(before))
        total += log_normal(start - mean_start, u_s * spread) + log_normal(length - mean_length, LENGTH_U_S * spread)
    return total


def best_partition(seen: Sequence[Seen], *, u_s: float, span_s: float) -> set[frozenset[int]]:
    found, best = None, -math.inf
    for partition in partitions(range(len(seen))):
        score = sum(weighed(block, seen, u_s, span_s) for block in partition)
        if score > best:
            found, best = partition, score
    return {frozenset(block) for block in found or []}
