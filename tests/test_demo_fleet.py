"""The demo fleet: what is on disk is what was synthesised, in every format, and the same in every build."""

from __future__ import annotations

import hashlib
import zoneinfo
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.demo import DemoCapture, DemoFleet, DemoSite, build_demo_fleet, demo_sites, pieces, recording
from halfcycle.pipeline.errors import ConfigError, ReadError
from halfcycle.pipeline.readers import capture_files, read_captures
from halfcycle.pipeline.terms import HOOKUPS

RECORDINGS = [(site, capture) for site in demo_sites() for capture in site.captures]
READABLE = [
    pytest.param(site, capture, id=Path(capture.files[0]).name)
    for site, capture in RECORDINGS
    if capture.damaged_after is None
]


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo")


@pytest.fixture(scope="module")
def fleet(root: Path) -> DemoFleet:
    return build_demo_fleet(root)


def digests(folder: Path) -> dict[str, str]:
    files = (path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def expected_captures(site: DemoSite, capture: DemoCapture) -> tuple[Capture, ...]:
    return pieces(recording(site, capture).capture, cut_at_s=capture.cut_at_s)


@pytest.mark.slow
@pytest.mark.parametrize(("site", "capture"), READABLE)
def test_each_readable_file_holds_the_capture_that_was_synthesised(
    fleet: DemoFleet, site: DemoSite, capture: DemoCapture
) -> None:
    for name, expected in zip(capture.files, expected_captures(site, capture), strict=True):
        (got,) = read_captures(fleet.inbox / site.name / name)
        assert got.header.start_ns == expected.header.start_ns
        assert got.header.rate_hz == pytest.approx(expected.header.rate_hz, rel=1e-9)
        assert got.header.n_samples == expected.header.n_samples
        assert [(c.quantity, c.phase) for c in got.header.channels] == [
            (c.quantity, c.phase) for c in expected.header.channels
        ]
        for i in range(len(expected.header.channels)):
            values = expected.physical(i)
            # Text and float32 files round to a few parts in 1e8 of the largest value; all others are exact.
            np.testing.assert_allclose(got.physical(i), values, rtol=0, atol=3e-7 * np.nanmax(np.abs(values)))


def test_damaged_files_raise_a_read_error_that_names_them(fleet: DemoFleet) -> None:
    assert len(fleet.damaged) == 1
    for path in fleet.damaged:
        with pytest.raises(ReadError, match=path.name):
            list(read_captures(path))


@pytest.mark.long
def test_a_second_build_has_the_same_bytes_over_the_first_and_elsewhere(
    fleet: DemoFleet, root: Path, tmp_path: Path
) -> None:
    first = digests(fleet.inbox)
    assert digests(build_demo_fleet(tmp_path).inbox) == first
    assert digests(build_demo_fleet(root).inbox) == first


def test_the_inbox_holds_the_files_of_the_fleet_in_one_folder_a_site(fleet: DemoFleet, root: Path) -> None:
    assert fleet.inbox == root / "inbox"
    assert capture_files([fleet.inbox]) == sorted(fleet.files)
    assert {path.name for path in fleet.inbox.iterdir()} == {site.name for site in demo_sites()}
    assert set(fleet.damaged) < set(fleet.files)


def test_the_fleet_takes_less_than_sixty_megabytes(fleet: DemoFleet) -> None:
    assert sum(path.stat().st_size for path in fleet.inbox.rglob("*") if path.is_file()) < 60e6


def test_sites_cover_the_usual_hookups_both_frequencies_and_real_time_zones() -> None:
    sites = demo_sites()
    assert {site.hookup for site in sites} == {"single-phase", "split-phase", "four-wire", "three-wire"} <= set(HOOKUPS)
    assert {site.nominal_frequency_hz for site in sites} == {50.0, 60.0}
    assert {site.time_zone for site in sites} <= zoneinfo.available_timezones()


def test_all_formats_are_used() -> None:
    used = {
        (capture.format.name, getattr(capture.format, "data", ""), Path(capture.files[0]).suffix)
        for _, capture in RECORDINGS
    }
    assert used == {
        ("comtrade", "ASCII", ".cfg"),
        ("comtrade", "BINARY", ".cfg"),
        ("comtrade", "FLOAT32", ".cff"),
        ("delimited", "", ".csv"),
        ("parquet", "", ".parquet"),
        ("npz", "", ".npz"),
        ("mat", "", ".mat"),
    }


def test_events_are_those_of_the_story(fleet: DemoFleet) -> None:
    """Worked by hand from the stages in datasets/demo-fleet.toml."""
    told = Counter((row.site, row.event.kind) for row in fleet.events)
    assert told == Counter(
        {
            ("Quernholm Intake", "sag"): 2,
            ("Sorrel Mill", "sag"): 1,
            ("Sorrel Mill", "swell"): 1,
            ("Tithe Lane 12", "sag"): 1,
            ("Tithe Lane 12", "interruption"): 1,
            ("Öllwang Lock", "sag"): 3,
            ("Öllwang Lock", "interruption"): 1,
            ("Öllwang Lock", "undervoltage"): 1,
            ("Cooperage Works", "oscillatory_transient"): 1,
            ("Cooperage Works", "sag"): 1,
            ("Hollin Ferry", "sag"): 2,
            ("Hollin Ferry", "swell"): 1,
        }
    )


def test_one_sag_crosses_midnight_and_two_files_that_follow_one_another(fleet: DemoFleet) -> None:
    (row,) = [row for row in fleet.events if len(row.files) == 2]
    midnight_ns = int(datetime(2026, 4, 16, tzinfo=UTC).timestamp()) * 10**9
    assert row.event.start_ns < midnight_ns < row.event.start_ns + row.event.duration_s * 1e9
    before, after = (next(read_captures(path)).header for path in row.files)
    assert before.end_ns == after.start_ns == midnight_ns


def test_one_sag_has_several_stages_and_one_capture_lacks_samples(fleet: DemoFleet) -> None:
    assert max(len(row.event.stages) for row in fleet.events) == 3
    lacking = [capture.files for _, capture in RECORDINGS if capture.waveform.missing]
    assert lacking == [("Pegelhaus Süd/2026-04-14 noon.parquet",)]
    (capture,) = read_captures(fleet.inbox / "Öllwang Lock" / lacking[0][0])
    assert np.isnan(capture.physical(0)).sum() == round(0.4 * 6400)


def test_each_event_lies_within_its_files(fleet: DemoFleet) -> None:
    for row in fleet.events:
        headers = [next(read_captures(path)).header for path in row.files]
        assert headers[0].start_ns <= row.event.start_ns
        assert row.event.start_ns + row.event.duration_s * 1e9 <= headers[-1].end_ns


def test_recordings_of_a_site_do_not_overlap() -> None:
    for site in demo_sites():
        spans = sorted(
            (capture.start_ns, capture.start_ns + round(capture.waveform.duration_s * 1e9)) for capture in site.captures
        )
        assert all(earlier[1] <= later[0] for earlier, later in pairwise(spans))


def test_pieces_put_together_are_the_capture() -> None:
    site, capture = RECORDINGS[0]
    whole = recording(site, capture).capture
    parts = pieces(whole, cut_at_s=(1.0, 2.50001))
    np.testing.assert_array_equal(np.concatenate([part.samples for part in parts], axis=1), whole.samples)
    assert [part.header.n_samples for part in parts] == [6400, 9600, 48000]
    assert all(before.header.end_ns == after.header.start_ns for before, after in pairwise(parts))
    assert parts[0].header.start_ns == whole.header.start_ns
    assert parts[2].header.end_ns == whole.header.end_ns


def test_descriptions_that_cannot_be_are_refused() -> None:
    _, capture = RECORDINGS[0]
    with pytest.raises(ConfigError, match="cut_at_s has 1 values for 1 files"):
        replace(capture, cut_at_s=(1.0,))
    with pytest.raises(ConfigError, match=r"damaged_after is 1\.0"):
        replace(capture, damaged_after=1.0)
    with pytest.raises(ConfigError, match="without a time zone"):
        replace(capture, start=datetime(2026, 4, 14))
