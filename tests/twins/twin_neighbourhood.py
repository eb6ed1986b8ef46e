"""What the past says of contenders, incident by incident and pair by pair in plain loops.

From the definition: a moment is a chain of sightings whose recorded starts follow one another within 20 ms. Where two
sites of an incident fell to nearly the lowest voltage (0.03 pu), each of them is compared with the other over the
moments of 30 days before and after at which it fell the deepest, or within 0.012 pu of the deepest, and of another
incident. It counts how often it was deeper than the other by more than 0.024 pu there (n), and how well the ratio of
depths then foretells the difference now (m, each by a bell of 0.012 pu). The factor is (1 + m) / (1 + n), of the other
site with the least one; of at most eight contenders.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

Sighting = tuple[int, str, float, int]  # start [ns], site, lowest voltage [pu] (0: none, or switched off), incident

SECOND = 1_000_000_000


def moments(sightings: Sequence[Sighting]) -> list[dict[str, Sighting]]:
    found: list[dict[str, Sighting]] = []
    last = -(10**18)
    for sighting in sorted(sightings, key=lambda one: (one[0], one[1])):
        if sighting[0] - last > 0.02 * SECOND:
            found.append({})
        last = sighting[0]
        if sighting[2] > 0:
            found[-1].setdefault(sighting[1], sighting)
    return [moment for moment in found if len(moment) > 1]


def learned(sightings: Sequence[Sighting]) -> dict[tuple[int, str], float]:
    """Factors by incident and site, of those that are not 1."""
    past = moments(sightings)
    incidents: dict[int, dict[str, float]] = {}
    first: dict[int, int] = {}
    for start, site, low, incident in sightings:
        first[incident] = min(first.get(incident, start), start)
        if low > 0:
            lows = incidents.setdefault(incident, {})
            lows[site] = min(lows.get(site, math.inf), low)
    factors = {}
    for incident, lows in incidents.items():
        contenders = sorted(lows, key=lambda site: (lows[site], site))
        contenders = [site for site in contenders if lows[site] <= min(lows.values()) + 0.03][:8]
        for site in contenders:
            for other in contenders:
                if other == site:
                    continue
                n, matches = 0, 0.0
                for moment in past:
                    if site not in moment or other not in moment:
                        continue
                    start, _, low, of = moment[site]
                    if of == incident or abs(start // SECOND - first[incident] // SECOND) > 30 * 86_400:
                        continue
                    if low > min(one[2] for one in moment.values()) + 0.012 or moment[other][2] - low <= 0.024:
                        continue
                    n += 1
                    ratio = (1 - low) / (1 - moment[other][2])
                    expected = (1 - lows[other]) * (ratio - 1)
                    matches += math.exp(-0.5 * ((lows[other] - lows[site] - expected) / 0.012) ** 2)
                factor = (1 + matches) / (1 + n)
                factors[incident, site] = min(factors.get((incident, site), 1.0), factor)
    return {key: factor for key, factor in factors.items() if factor < 1}
