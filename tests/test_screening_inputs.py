"""Which files of a screening are judged together, against a closure made step by step."""

from __future__ import annotations

import random
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from halfcycle.pipeline.screening.inputs import Owned, RecorderFiles, recorders_in
from halfcycle.pipeline.sites.account import Account

SOURCE = "the definition: files are together whose records share a recorder, a site's name or a file"


def _closure(owned: Sequence[Owned], logs: Sequence[tuple[Path, str]]) -> set[tuple[frozenset[str], frozenset[Path]]]:
    """Groups that are joined pair by pair until no two share anything."""
    groups = [
        ({("recorder", one.recorder)}, {one.site, one.account.site}, set(one.paths)) for one in owned
    ] + [(set(), {site}, {path}) for path, site in logs]  # fmt: skip
    joined = True
    while joined:
        joined = False
        for i, one in enumerate(groups):
            for j in range(len(groups) - 1, i, -1):
                if any(mine & its for mine, its in zip(one, groups[j], strict=True)):
                    for mine, its in zip(one, groups.pop(j), strict=True):
                        mine.update(its)
                    joined = True
    return {(frozenset(sites), frozenset(paths)) for _, sites, paths in groups}


def _record(i: int, rng: random.Random, n: int) -> Owned:
    site = f"site {rng.randrange(n)}"
    named = site if rng.random() < 0.8 else f"site {rng.randrange(n)}"
    paths = tuple(Path(f"{rng.randrange(3 * n)}.cfg") for _ in range(rng.randrange(1, 3)))
    return Owned(paths, site, f"recorder {i if rng.random() < 0.5 else rng.randrange(n)}", Account(named))


@pytest.mark.parametrize("seed", range(30))
def test_files_are_together_that_share_anything_by_whatever_way(seed: int) -> None:
    # SOURCE.
    rng = random.Random(seed)
    owned = [_record(i, rng, 30) for i in range(15)]
    logs = [(Path(f"{rng.randrange(60)}.cfg"), f"site {rng.randrange(30)}") for _ in range(4)]
    found = recorders_in(owned, logs)
    assert {(frozenset(one.sites), frozenset(one.files)) for one in found} == _closure(owned, logs)
    assert list(found) == sorted(found, key=lambda one: one.sites)
    assert all(list(one.files) == sorted(one.files) for one in found)


def test_many_records_of_one_recorder_cost_no_more_each_than_few() -> None:
    # SOURCE; a set that is copied for each record would take forty times as long for each.
    def cost_s(n: int) -> float:
        owned = [Owned((Path(f"{i}.cfg"),), "site", "recorder", Account("site")) for i in range(n)]
        begun = time.process_time()
        assert recorders_in(owned, []) == (RecorderFiles(("site",), tuple(sorted(one.paths[0] for one in owned))),)
        return (time.process_time() - begun) / n

    few, many = min(cost_s(100) for _ in range(20)), min(cost_s(4000) for _ in range(3))
    assert many < 12 * few
