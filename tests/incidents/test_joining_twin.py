"""The join against a twin that weighs every partition of the sightings of small fleets."""

from __future__ import annotations

import numpy as np
import pytest
from twins.twin_joining import best_partition

from halfcycle.pipeline.incidents.fleet import fleet_incidents
from incidents.made_incidents import DAY_S, pair_scores, sag, table_of

SITES = ("Abbey", "Brook", "Croft", "Dene")
SPAN_S = 40.0


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(40))
def test_shots_are_those_of_the_likeliest_partition(seed: int) -> None:
    # Clocks are right within 2 ms; calm days before let the join learn that they are. Then up to eight sightings of
    # three shots within 40 s, two of them close to one another, often of one length, each seen by some of the sites.
    rng = np.random.default_rng(seed)
    calm = [
        sag(site, 0.5 * DAY_S * k + 100.0 + rng.normal(0, 0.002), length_s=length)
        for k, length in enumerate(rng.uniform(0.06, 0.5, 8))
        for site in SITES
    ]
    begin = 3.9 * DAY_S
    seen = []
    first, other = rng.uniform(0, SPAN_S - 1, 2)
    for start in (first, first + rng.uniform(0.06, 0.4), other):
        length = float(rng.choice([0.1, 0.1, 0.25]))
        for site in rng.permutation(SITES)[: rng.integers(1, 4)]:
            seen.append((str(site), start + rng.normal(0, 0.002), max(length + rng.normal(0, 0.006), 0.02)))
    seen = seen[:8]
    storm = [sag(site, begin + start, length_s=length) for site, start, length in seen]
    table = table_of([*calm, *storm])
    found = fleet_incidents(table)
    shot = dict(zip(table.column("event_id").to_pylist(), found.joined.shot[found.of_row].tolist(), strict=True))
    told = [shot[event.event_id] for event in storm]
    twin = best_partition(seen, u_s=0.002 * np.sqrt(2), span_s=SPAN_S)
    expected = [next(k for k, block in enumerate(sorted(twin, key=min)) if i in block) for i in range(len(seen))]
    groups = {frozenset(i for i in range(len(seen)) if told[i] == one) for one in told}
    assert groups == twin, pair_scores(told, expected)
