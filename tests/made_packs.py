"""A fleet with several captures of one day, and what its store holds of them."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np
from made_fleet import (
    SITE,
    drop,
    loaded,
    made_capture,
    with_sag,
    write_fleet,
)

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.nightly.stored import check_stored
from halfcycle.pipeline.store.content import stored_capture
from halfcycle.pipeline.store.partitions import Store

DAY = date(2026, 3, 1)
N = 6


def filled(root: Path, *, pack_days: int = 1000, extra: str = "", n: int = N, stored_at: str = "") -> Fleet:
    """Six captures of one day in the inbox, two of them with a sag, and one of the next day."""
    config = write_fleet(root, run=f"pack_days = {pack_days}\nmonth_days = 0\n", extra=extra)
    if stored_at:
        config.write_text(f'store_at = "{stored_at}"\n{config.read_text()}')
    fleet = loaded(config)
    for i in range(n):
        sags = [(0.5, 0.2, 0.5)] if i in (1, 4) else []
        drop(fleet, made_capture(f"{DAY}T{i:02}:00:00", sags=sags, seed=i), f"{i}.npz")
    drop(fleet, with_sag(str(DAY + timedelta(days=1))), "next.npz")
    return fleet


def stored(root: Path, *, pack_days: int = 1000) -> Fleet:
    """The same after a night."""
    fleet = filled(root, pack_days=pack_days)
    run_nightly(fleet)
    return fleet


def files_of(fleet: Fleet, day: date = DAY) -> list[str]:
    return sorted(path.name for path in (fleet.store / "waveforms" / f"site={SITE}" / f"date={day}").glob("*"))


def contents(fleet: Fleet, day: date = DAY) -> dict[str, Capture]:
    """What the store holds of a day, each capture compared with its name."""
    found = {}
    for path in Store(fleet.store).captures(SITE, day):
        check_stored(path)
        found[path.stem] = stored_capture(path)
    return found


def same(a: dict[str, Capture], b: dict[str, Capture]) -> bool:
    return a.keys() == b.keys() and all(
        a[key].header == b[key].header and np.array_equal(a[key].samples, b[key].samples) for key in a
    )
