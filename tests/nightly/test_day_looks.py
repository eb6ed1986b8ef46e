"""Days judged again by other settings: what is kept of their records says what the waveforms say, and saves reading."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from made_fleet import SITE, loaded, made_capture, write_capture, write_fleet

import halfcycle.pipeline.nightly.stored as stored_module
from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.catalogue_file import catalogue_metadata, read_events_table
from halfcycle.pipeline.nightly.day_looks import DayLooks
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.store.partitions import Store

SOURCE = "brute force: the same files judged by the same settings in a store that has kept nothing"
FIRST = date(2026, 3, 1)
N_DAYS = 8
TRANSIENTS = "[detectors.transient]\n"
OTHER = "[thresholds.ieee-1159]\nsag_pu = 0.7\nswell_pu = 1.2\n"


def explained(root: Path, extra: str) -> Fleet:
    return loaded(write_fleet(root, extra=extra)).model_copy(update={"explain": True})


def written(root: Path, extra: str = "") -> Fleet:
    """A fleet of one site: every other day calm, the others with a sag, to 0.87 or to 0.4."""
    fleet = explained(root, extra)
    rng = np.random.default_rng(5)
    for n in range(N_DAYS):
        depth = (0.87, 0.4)[n // 2 % 2]
        sags = [(1.0, float(rng.uniform(0.1, 0.6)), depth)] if n % 2 else []
        capture = made_capture(f"{FIRST + timedelta(days=n)}T12:00:00", seconds=3.0, sags=sags, seed=n)
        write_capture(capture, fleet.inbox / SITE / f"{n}.npz")
    return fleet


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """The stored captures whose samples are read."""
    found: list[Path] = []
    whole = stored_module.checked_capture

    def noted(path: Path) -> Capture:
        found.append(path)
        return whole(path)

    monkeypatch.setattr(stored_module, "checked_capture", noted)
    return found


def catalogues(fleet: Fleet) -> list[tuple[object, object]]:
    store = Store(fleet.store)
    found = []
    for n in range(N_DAYS):
        path = store.catalogue_path(SITE, FIRST + timedelta(days=n))
        found.append((catalogue_metadata(path), read_events_table(path).to_pylist()))
    return found


@pytest.mark.parametrize("extra", ["", TRANSIENTS])
def test_days_judged_by_other_thresholds_are_as_in_a_store_that_kept_nothing(
    tmp_path: Path, read: list[Path], extra: str
) -> None:
    fleet = written(tmp_path / "a", extra)
    run_nightly(fleet)
    read.clear()
    changed = explained(tmp_path / "a", extra + OTHER)
    assert len(run_nightly(changed).days) == N_DAYS
    # 0.87 crosses no threshold of 0.7, but its steps are where a transient may be.
    to_read = [FIRST + timedelta(days=n) for n in range(N_DAYS) if n % 2 and (extra or n // 2 % 2)]
    assert {path.parent.name for path in read} == {f"date={day}" for day in to_read}
    anew = written(tmp_path / "b", extra + OTHER)
    run_nightly(anew)
    assert catalogues(changed) == catalogues(anew)


def test_what_is_damaged_or_of_another_version_is_worked_out_again(
    tmp_path: Path, read: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    fleet = written(tmp_path)
    run_nightly(fleet)
    before = catalogues(fleet)
    kept = sorted((fleet.store / ".index").rglob("looks/*.parquet"))
    assert len(kept) == N_DAYS
    kept[0].write_bytes(b"PAR1")
    kept[2].unlink()
    looks = DayLooks(Store(fleet.store), SITE, FIRST + timedelta(days=4))
    (key,) = [key for key in _keys(kept[4]) if key.startswith("look")]
    assert looks.get(key)
    looks[key] = b"no look"
    looks.write()
    read.clear()
    for n in range(N_DAYS):
        Store(fleet.store).remove(Store(fleet.store).catalogue_path(SITE, FIRST + timedelta(days=n)))
    run_nightly(fleet)
    assert catalogues(fleet) == before
    calm_read = {path.parent.name for path in read} - {f"date={FIRST + timedelta(days=n)}" for n in (1, 3, 5, 7)}
    assert calm_read == {f"date={FIRST + timedelta(days=n)}" for n in (0, 2, 4)}


def _keys(path: Path) -> list[str]:
    import pyarrow.parquet as pq

    return list(pq.read_table(path).column("key").to_pylist())
