"""Days built together read each stored capture once, and no more lies in memory than there is room for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from made_fleet import SITE, catalogue_bytes, cut, drop, events_in, loaded, made_capture, with_sag, write_fleet

import halfcycle.pipeline.nightly.stored as stored_module
from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.nightly.building import build_days
from halfcycle.pipeline.nightly.days import Day
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.nightly.stored import StoredCaptures
from halfcycle.pipeline.store.partitions import Store

SOURCE = "the project's own design: what a day is made of is read once"
OF_SAMPLES = ("stored_capture", "stored_digest", "capture_at", "samples_at")
DETECTORS = "[detectors.rapid_voltage_change]\n[detectors.transient]\n[detectors.harmonics]\n"


def filled(root: Path, extra: str = "") -> Fleet:
    """Three days: a capture with a sag each, and one in pieces that runs over midnight with a sag over it."""
    fleet = loaded(write_fleet(root, extra=extra)).model_copy(update={"explain": True, "uncertainty": "standard"})
    for n in range(3):
        drop(fleet, with_sag(f"2026-03-0{n + 1}", seed=n), f"{n}.npz")
    over_midnight = made_capture("2026-03-01T23:59:54", seconds=12.0, sags=[(2.0, 0.2, 0.4), (5.9, 0.3, 0.6)])
    for n, piece in enumerate(cut(over_midnight, 4.0, 6.0, 8.0)):
        drop(fleet, piece, f"piece {n}.npz")
    return fleet


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> dict[str, Counter[Path]]:
    """How often what is read of each stored capture: its header, and its samples."""
    found: dict[str, Counter[Path]] = {"header": Counter(), "samples": Counter()}

    def counted(what: str, plain: Callable[..., Any]) -> Callable[..., Any]:
        def reading(path: Path, *words: Any, **further: Any) -> Any:
            found[what][path] += 1
            return plain(path, *words, **further)

        return reading

    for name in ("stored_header", *OF_SAMPLES):
        what = "header" if name == "stored_header" else "samples"
        monkeypatch.setattr(stored_module, name, counted(what, getattr(stored_module, name)))
    return found


@pytest.mark.parametrize("extra", ["", DETECTORS])
def test_days_built_together_read_each_capture_once(tmp_path: Path, read: dict[str, Counter[Path]], extra: str) -> None:
    # SOURCE.
    fleet = filled(tmp_path, extra)
    run_nightly(fleet, catalogue=False)
    build_days([Day(SITE, day) for day in Store(fleet.store).days(SITE)], fleet)
    assert len([event for event in events_in(fleet) if event.kind == "sag"]) == 5
    for of_what in read.values():
        assert of_what == dict.fromkeys((fleet.store / "waveforms").rglob("*.parquet"), 1)


@pytest.mark.parametrize(("kept", "large"), [(0, 1 << 30), (0, 0), (8000, 0), (20_000, 8000)])
def test_where_there_is_no_room_they_are_read_again_and_the_catalogues_are_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, read: dict[str, Counter[Path]], kept: int, large: int
) -> None:
    # SOURCE.
    run_nightly(fleet := filled(tmp_path / "a"))
    read["samples"].clear()
    monkeypatch.setattr(stored_module, "_KEPT_BYTES", kept)
    monkeypatch.setattr(stored_module, "_LARGE_BYTES", large)
    run_nightly(other := filled(tmp_path / "b"))
    assert max(read["samples"].values()) > 1
    assert catalogue_bytes(other.store) == catalogue_bytes(fleet.store)


def test_what_is_in_memory_has_a_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # SOURCE. Captures of a channel of int16.
    fleet = loaded(write_fleet(tmp_path))
    captures = [with_sag("2026-03-01", f"{hour:02d}:00:00") for hour in range(6)]
    for n, capture in enumerate(captures):
        drop(fleet, capture, f"{n}.npz")
    run_nightly(fleet, catalogue=False)
    (n_bytes,) = {capture.samples.nbytes for capture in captures}
    monkeypatch.setattr(stored_module, "_KEPT_BYTES", 3 * n_bytes)
    store = Store(fleet.store)
    stored = StoredCaptures(store)
    paths = store.captures(SITE, store.days(SITE)[0])
    pieces = [stored.piece(path, site=fleet.sites[0], quantities=("voltage",)) for path in paths]
    loaded_now: list[Capture] = [piece.load() for piece in pieces]
    expected = {capture.header.start_ns: capture.samples for capture in captures}
    assert all(np.array_equal(one.samples, expected[one.header.start_ns]) for one in loaded_now)
    again = [piece.load() for piece in pieces[::-1]]
    assert [a is b for a, b in zip(again, loaded_now[::-1], strict=True)] == [True, True, True, False, False, False]
