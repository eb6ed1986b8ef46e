"""Every row of a catalogue leads back to its waveform, also after the files were moved."""

from __future__ import annotations

import shutil
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_fleet import RATE_HZ, SITE, cut, events_in, made_capture, write_capture, write_fleet

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.readers import read_captures
from halfcycle.pipeline.recall import WaveformPlaces
from halfcycle.pipeline.report.slice import Slice, nominal_hz, phasors_of, rms_of
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.settings import Thresholds

SOURCE = "derived: the samples around an event are those that the capture holds at those times"
START = "2026-03-01T12:00:00"
SAGS = [(1.0, 0.3, 0.5), (2.5, 0.1, 0.2)]
CYCLE = RATE_HZ / 50


def screened(folder: Path, hookup: str = "single-phase") -> list[Event]:
    return list(screen([folder], terms=Terms(Thresholds(), 230.0, 50.0, hookup), workers=1).events)


def assert_slice_is_of(cut_out: Slice, event: Event, capture: Capture) -> None:
    """The samples are those of the capture between six cycles before the event and six after it."""
    at = (event.start - capture.header.start_ns) / 1e9 * RATE_HZ
    first = max(int(at - 6 * CYCLE), 0)
    expected = capture.physical(0)[first : first + cut_out.n]
    assert cut_out.n == pytest.approx(event.observed_s * RATE_HZ + 12 * CYCLE, abs=6)
    assert np.allclose(cut_out.physical(0), expected, rtol=0, atol=1e-9)
    assert cut_out.times_s()[0] == pytest.approx((first - at) / RATE_HZ, abs=1e-9)


@pytest.mark.parametrize("ending", [".parquet", ".cfg", ".cff", ".csv", ".npz"])
def test_rows_of_a_screening_lead_to_their_samples_also_when_files_were_moved_and_renamed(
    tmp_path: Path, ending: str
) -> None:
    # SOURCE.
    folder = tmp_path / "in"
    write_capture(made_capture(START, seconds=4.0, sags=SAGS, station="S"), folder / f"a{ending}")
    events = screened(folder)
    assert len(events) == 2
    (capture,) = read_captures(folder / f"a{ending}")
    for event in events:
        assert_slice_is_of(WaveformPlaces(()).slice_of(event), event, capture)
    moved = tmp_path / "moved" / "deep"
    moved.mkdir(parents=True)
    for path in folder.iterdir():
        shutil.move(path, moved / path.name)
    if ending not in (".cfg", ".npz"):  # a .cfg is not read without the .dat of the same name
        (moved / f"a{ending}").rename(moved / f"other name{ending}")
    archive = WaveformPlaces((tmp_path / "moved",))
    for event in events:
        assert_slice_is_of(archive.slice_of(event), event, capture)


def test_a_file_of_the_same_name_with_other_samples_is_not_taken_for_the_one_that_was_judged(tmp_path: Path) -> None:
    path = tmp_path / "in" / "a.csv"
    write_capture(made_capture(START, seconds=4.0, sags=SAGS, station="S"), path)
    event = screened(tmp_path / "in")[0]
    write_capture(made_capture(START, seconds=4.0, sags=[(1.0, 0.3, 0.6)], station="S"), path)
    with pytest.raises(ReadError, match="digest"):
        WaveformPlaces((tmp_path / "in",)).slice_of(event)


def test_a_source_relative_to_the_catalogues_folder_is_found_there(tmp_path: Path) -> None:
    write_capture(made_capture(START, seconds=4.0, sags=SAGS, station="S"), tmp_path / "in" / "a.csv")
    event = replace(screened(tmp_path / "in")[0], source="in/a.csv")
    archive = WaveformPlaces((tmp_path,))
    assert archive.files_of(event) == (tmp_path / "in" / "a.csv",)


def test_a_member_of_a_bundle_is_found_before_and_after_the_bundle_moved(tmp_path: Path) -> None:
    write_capture(made_capture(START, seconds=4.0, sags=SAGS, station="S"), tmp_path / "a.csv")
    (tmp_path / "in").mkdir()
    with zipfile.ZipFile(tmp_path / "in" / "night.zip", "w") as bundle:
        bundle.write(tmp_path / "a.csv", "sub/a.csv")
    (capture,) = read_captures(tmp_path / "a.csv")
    (tmp_path / "a.csv").unlink()
    event = screened(tmp_path / "in")[0]
    assert event.source == str(tmp_path / "in" / "night.zip" / "sub" / "a.csv")
    assert_slice_is_of(WaveformPlaces(()).slice_of(event), event, capture)
    (tmp_path / "in").rename(tmp_path / "elsewhere")
    assert_slice_is_of(WaveformPlaces((tmp_path / "elsewhere",)).slice_of(event), event, capture)


def test_an_event_over_two_files_is_put_together_from_both(tmp_path: Path) -> None:
    # SOURCE.
    whole = made_capture(START, seconds=4.0, sags=[(1.75, 0.5, 0.5)], station="S")
    for i, piece in enumerate(cut(whole, 2.0)):
        write_capture(piece, tmp_path / "in" / f"{i}.parquet")
    (event,) = screened(tmp_path / "in")
    assert_slice_is_of(WaveformPlaces(()).slice_of(event), event, whole)
    assert len(WaveformPlaces(()).files_of(event)) == 2
    (tmp_path / "in").rename(tmp_path / "a+b")
    assert_slice_is_of(WaveformPlaces((tmp_path / "a+b",)).slice_of(event), event, whole)


def test_rows_of_a_store_lead_to_it_with_and_without_its_configuration(tmp_path: Path) -> None:
    # SOURCE; a ratio of 10 makes primary volts ten times those of the file.
    config = write_fleet(tmp_path, site="voltage_ratio = 10.0\n")
    text = config.read_text(encoding="utf-8").replace("nominal_voltage_v = 230.0", "nominal_voltage_v = 2300.0")
    config.write_text(text, encoding="utf-8")
    write_capture(made_capture(START, seconds=4.0, sags=SAGS), tmp_path / "inbox" / SITE / "a.parquet")
    fleet = load_fleet(config)
    run_nightly(fleet)
    events = events_in(fleet)
    assert len(events) == 2
    for event in events:
        with_config = WaveformPlaces((), fleet).slice_of(event)
        without = WaveformPlaces((tmp_path,)).slice_of(event)
        assert np.allclose(with_config.physical(0), 10 * without.physical(0))
        assert np.abs(with_config.physical(0)[: int(3 * CYCLE)]).max() == pytest.approx(2300 * 2**0.5, rel=0.01)


def test_line_to_line_rows_have_line_to_line_waveforms(tmp_path: Path) -> None:
    write_capture(
        made_capture(START, seconds=4.0, sags=SAGS, station="S", hookup="three-wire", volts=400.0),
        tmp_path / "in" / "a.csv",
    )
    terms = Terms(Thresholds(), 400.0, 50.0, "three-wire")
    event = screen([tmp_path / "in"], terms=terms, workers=1).events[0]
    found = WaveformPlaces(()).slice_of(event)
    assert event.line_to_line
    assert [channel.phase for channel in found.channels if channel.quantity == "voltage"] == ["AB", "BC", "CA"]


def test_what_is_nowhere_is_said_with_the_folders_that_were_searched(tmp_path: Path) -> None:
    write_capture(made_capture(START, seconds=4.0, sags=SAGS, station="S"), tmp_path / "in" / "a.csv")
    event = screened(tmp_path / "in")[0]
    shutil.rmtree(tmp_path / "in")
    with pytest.raises(ReadError, match="--files"):
        WaveformPlaces((tmp_path,)).slice_of(event)
    with pytest.raises(ReadError, match="names no capture"):
        WaveformPlaces((tmp_path,)).slice_of(replace(event, capture=""))


def test_rms_and_phasors_of_a_slice_are_those_that_went_in(tmp_path: Path) -> None:
    # The capture is a sine of 230 V with a sag to half: by hand. 0.2 % of Udin: IEC 61000-4-30 Class A.
    write_capture(
        made_capture(START, seconds=4.0, sags=SAGS, station="S", hookup="four-wire"), tmp_path / "in" / "a.parquet"
    )
    event = screened(tmp_path / "in", "four-wire")[0]
    found = WaveformPlaces(()).slice_of(event)
    nominal = nominal_hz(event, found)
    assert nominal == 50.0
    rms = rms_of(found, nominal=nominal)
    assert rms is not None
    assert rms.values[0].min() == pytest.approx(115.0, abs=0.46)
    assert rms.values[0].max() == pytest.approx(230.0, abs=0.46)
    phasors = phasors_of(event, found, nominal=nominal)
    assert phasors is not None
    assert np.abs(phasors.before) == pytest.approx(230.0, abs=0.5)
    assert np.abs(phasors.during) == pytest.approx(115.0, abs=0.5)
    turned = np.degrees(np.angle(phasors.before))
    assert turned[:3] == pytest.approx([0, -120, 120], abs=0.5)
