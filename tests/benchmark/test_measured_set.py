"""A measured set: what must not change its rows, its split by groups, and captures that are nearly the same."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from forked import run_code
from made_fleet import made_capture, write_capture

from halfcycle.pipeline.benchmark.measured import INVARIANTS, MeasuredCapture, tried
from halfcycle.pipeline.benchmark.measured_set import examine, placed
from halfcycle.pipeline.benchmark.near_duplicates import near_duplicates, signature_of
from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.sites.table import SiteTable

SOURCE = "derived: see the modules; synthetic captures whose sags are known"
COMMAND = "from halfcycle.pipeline.cli import main; main()"
RECORDINGS = Path(__file__).parents[3] / "shared" / "data"
TERMS = Terms(Thresholds(), 230.0, 50.0, "four-wire", explain=True)


def sag(station: str, seed: int, *, depth: float = 0.5, at_s: float = 0.8) -> Capture:
    return made_capture(
        "2026-03-01T12:00:00", hookup="four-wire", station=station, sags=[(at_s, 0.2, depth)], seed=seed
    )


def of_slower_recorder(capture: Capture) -> Capture:
    """Every other sample, with noise of 0.5 % and another scale."""
    x = np.stack([capture.physical(i) for i in range(len(capture.header.channels))])[:, ::2]
    noise = np.random.default_rng(3).normal(0, 0.005 * np.abs(x).max(), x.shape)
    channels = tuple(replace(one, scale=1.0, offset=0.0) for one in capture.header.channels)
    header = replace(
        capture.header,
        rate_hz=capture.header.rate_hz / 2,
        n_samples=x.shape[1],
        channels=channels,
        sample_type="float32",
    )
    return Capture(header, (0.99 * (x + noise)).astype(np.float32))


def test_what_was_recorded_twice_correlates_and_other_sags_do_not() -> None:
    first = sag("a", 1)
    captures = [
        first, sag("b", 2, depth=0.3, at_s=0.806), of_slower_recorder(first), sag("c", 3, depth=0.85, at_s=0.803),
        made_capture("2026-03-01T12:00:00", hookup="four-wire", seed=9),
    ]  # fmt: skip
    signatures = [signature_of(capture) for capture in captures]
    assert signatures[4] is None  # nothing happens in it
    pairs = list(near_duplicates([one for one in signatures if one is not None]))
    assert [(i, j) for i, j, _ in pairs] == [(0, 2)]
    assert 0.98 <= pairs[0][2] <= 1.0 + 1e-6


def captures_of(sites: dict[str, int]) -> list[MeasuredCapture]:
    rng = np.random.default_rng(1)
    found = []
    for site, n in sites.items():
        for k in range(n):
            wave = rng.normal(size=48).astype(np.float32)
            wave /= np.linalg.norm(wave)
            found.append(MeasuredCapture(Path(f"{site}-{k}.npz"), 0, site, f"{site}{k}", signature=wave))
    return found


def test_a_split_keeps_groups_together_and_leaves_out_what_is_nearly_in_the_other_set() -> None:
    found = captures_of({f"s{n}": 10 for n in range(10)})
    split = placed(found, Path(), by="site", test_share=0.3, seed=5)
    sets = {row.capture.site: {other.set for other in split.captures if other.capture.site == row.capture.site}
            for row in split.captures}  # fmt: skip
    assert all(len(of_site) == 1 for of_site in sets.values())
    assert sum(of_site == {"test"} for of_site in sets.values()) == 3
    assert placed(found, Path(), by="site", test_share=0.3, seed=5).digest == split.digest
    assert placed(found, Path(), by="site", test_share=0.3, seed=6).digest != split.digest
    train = next(i for i, row in enumerate(split.captures) if row.set == "train")
    test = max(i for i, row in enumerate(split.captures) if row.set == "test")
    low, high = sorted((train, test))
    leaking = [*found]
    leaking[high] = replace(leaking[high], signature=leaking[low].signature)
    again = placed(leaking, Path(), by="site", test_share=0.3, seed=5).captures
    assert (again[high].set, again[high].twin) == ("", low)
    assert again[low].set == split.captures[low].set


def test_what_must_not_change_rows_changes_none_of_a_clean_sag(tmp_path: Path) -> None:
    write_capture(sag("Weir", 1), tmp_path / "a.npz")
    (tmp_path / "letter.pdf").write_bytes(b"%PDF-1.7 of no interest")
    (tmp_path / "b.npz").write_bytes(b"PK\x03\x04 cut off")
    good, bad = sorted(
        (one for path in sorted(tmp_path.iterdir()) for one in tried([path], terms=TERMS, sites=SiteTable())),
        key=lambda one: bool(one.failed),
    )
    assert bad.path.name == "b.npz"
    assert good.n_events == 1
    assert [change.invariant for change in good.changes] == list(INVARIANTS)
    assert [change for change in good.changes if not change.same] == []
    assert max(change.magnitude_pu for change in good.changes) < 0.01
    assert max(change.duration_s for change in good.changes) <= 0.0101  # half a cycle, as windows begin elsewhere


@pytest.mark.slow
def test_the_command_writes_a_split_and_a_report_and_names_what_fails(tmp_path: Path) -> None:
    folder = tmp_path / "set"
    for n in range(4):
        (folder / f"s{n}").mkdir(parents=True)
        write_capture(sag(f"Weir {n}", n, depth=0.3 + 0.1 * n, at_s=0.8 + 0.002 * n), folder / f"s{n}" / "a.npz")
    (folder / "s0" / "b.npz").write_bytes(b"PK\x03\x04 cut off")
    current = sag("Weir 0", 0, depth=0.3, at_s=0.8)
    channels = tuple(replace(one, quantity="current", unit="A") for one in current.header.channels)
    write_capture(replace(current, header=replace(current.header, channels=channels)), folder / "s1" / "c.npz")
    arguments = [
        "benchmark", "measured", str(folder), "--out", str(tmp_path / "out"), "--by", "folder", "--test-share", "0.5",
        "--nominal-voltage", "230", "--nominal-frequency", "50", "--seed", "3",
    ]  # fmt: skip
    done = run_code(COMMAND, *arguments)
    assert done.returncode == 3, done.stderr
    assert "b.npz" in done.stderr
    assert "c.npz: no voltage channel" in done.stderr
    assert "phases renamed" in done.stdout
    with (tmp_path / "out" / "set.split.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert sorted(row["set"] for row in rows) == ["", "", "test", "test", "train", "train"]
    said = json.loads((tmp_path / "out" / "set.split.json").read_text())
    assert (said["by"], said["captures"], len(said["sha256"])) == ("folder", 6, 64)


@pytest.mark.slow
@pytest.mark.skipif(not RECORDINGS.is_dir(), reason="the measured records are not there")
def test_measured_faults_of_another_data_set_keep_their_rows(tmp_path: Path) -> None:
    # The five records of the RTE set (Open Database License), described as its own page says.
    lines = ['station = "Line"', "rate_hz = 6400.0", "start = 2026-03-02T06:00:00Z", "nominal_frequency_hz = 50.0"]
    for letter, quantity, unit, scale in (("v", "voltage", "V", 18.310), ("i", "current", "A", 4.314)):
        for n, phase in enumerate("ABC", start=1):
            lines += [f"[channels.{letter}{n}]", f'quantity = "{quantity}"', f'phase = "{phase}"', f'unit = "{unit}"',
                      f"scale = {scale}"]  # fmt: skip
    for path in sorted(RECORDINGS.glob("line-fault-*.npz")):
        (tmp_path / path.name).write_bytes(path.read_bytes())
        (tmp_path / f"{path.name}.toml").write_text("\n".join(lines))
    terms = replace(TERMS, nominal_voltage_v=90e3 / np.sqrt(3))
    result = examine(tmp_path, terms=terms, sites=SiteTable(), by="file")
    assert len(result.captures) == 5
    assert not any(row.capture.failed for row in result.captures)
    assert sum(row.capture.n_events for row in result.captures) >= 5
    changes = [change for row in result.captures for change in row.capture.changes]
    kept = {name: sum(change.same for change in changes if change.invariant == name) for name in INVARIANTS}
    assert {name: n for name, n in kept.items() if name != "cut in two"} == dict.fromkeys(list(INVARIANTS)[:4], 5)
    assert all(row.twin is None for row in result.captures)
