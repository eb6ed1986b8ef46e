"""Every row of every catalogue leads to its samples: each format, each detector, moved and packed files, the demo."""

from __future__ import annotations

import shutil
import tarfile
import zipfile
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_fleet import cut, ns, write_capture

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.demo import build_demo_fleet
from halfcycle.pipeline.detectors.registry import choose, detectors
from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.readers import capture_files, read_captures
from halfcycle.pipeline.recall import WaveformPlaces
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.synthesis import Harmonic, Load, Quantisation, Stage, Transient, Waveform, synthesise
from halfcycle.pipeline.writers.matlab import write_mat
from halfcycle.pipeline.writers.pqdif import write_pqdif

SOURCE = "derived: the samples that a row leads to are those that the capture holds at the row's time"
START = "2026-03-01T12:00:00"
LIMIT = {"rules": [{"name": "low", "variable": "u_half", "below": 0.8, "measured_as": "pu"}]}
EVERY_DETECTOR = choose({name: {} for name in detectors()} | {"limit": LIMIT})
KINDS = {"sag", "interruption", "oscillatory_transient", "harmonics", "limit", "inrush"}
ENDINGS = (".parquet", ".cfg", ".cff", ".csv", ".npz", ".mat", ".pqd")


@pytest.fixture(scope="module")
def busy() -> Capture:
    """Four seconds with a sag, an interruption, a transient, a fifth harmonic of 12 %, and a motor that starts."""
    waveform = Waveform(
        hookup="four-wire", nominal_voltage_v=230.0, rate_hz=6400.0, duration_s=4.0, snr_db=60.0,
        stages=(
            Stage(start_s=0.6, duration_s=0.2, residual_pu=(0.5, 0.9, 0.6)),
            Stage(start_s=2.6, duration_s=0.3, residual_pu=(0.02, 0.02, 0.02)),
        ),
        harmonics=(Harmonic(order=5, magnitude_pu=0.12),),
        transients=(Transient(start_s=1.7, frequency_hz=700.0, magnitudes_pu=(0.8, 0.6, 0.7), decay_s=0.003),),
        load=Load(current_a=(50.0, 50.0, 50.0)), quantisation=Quantisation(bits=16, voltage_range_pu=3.0),
    )  # fmt: skip
    made = synthesise(waveform, start_ns=ns(START), station="Mill", seed=3).capture
    samples = made.samples.copy()
    for i, channel in enumerate(made.header.channels):
        if channel.quantity == "current":  # a motor that starts: six times the current, dying down
            samples[i, 20_480:23_680] = np.rint(samples[i, 20_480:23_680] * np.linspace(6, 1, 3200)).astype(np.int16)
    return Capture(made.header, samples)


def written(capture: Capture, path: Path) -> None:
    if path.suffix == ".pqd":
        write_pqdif([capture], path, compressed=True)
    elif path.suffix == ".mat":
        write_mat(capture, path)
    else:
        write_capture(capture, path)


def assert_each_leads_to_its_samples(
    events: Sequence[Event], archive: WaveformPlaces, captures: Sequence[Capture]
) -> None:
    for event in events:
        told = f"{event.kind} of {event.site}, {event.source}"
        found = archive.slice_of(event)
        assert found.start <= 0, told  # it begins before the event does, or with the record
        assert found.n >= 1, told
        whole = next(c for c in captures if c.header.start_ns <= event.start < c.header.end_ns)
        first = round((event.start - whole.header.start_ns) / 1e9 * whole.header.rate_hz + found.start)
        n = min(found.n, whole.header.n_samples - first)  # an event may go on in the next file
        end = (event.start - whole.header.start_ns) / 1e9 * found.rate_hz + event.observed_s * found.rate_hz
        assert first + n >= min(end, whole.header.n_samples) - 2, told
        for channel in (found.voltages[0], *found.currents[:1]):
            name = found.channels[channel]
            same = [
                i for i, c in enumerate(whole.header.channels) if (c.quantity, c.phase) == (name.quantity, name.phase)
            ]
            expected = whole.physical(same[0])[first : first + n]
            assert np.allclose(found.physical(channel)[:n], expected, rtol=0, atol=2e-4 * np.abs(expected).max()), told


@pytest.mark.slow
@pytest.mark.parametrize("ending", ENDINGS)
def test_each_detectors_rows_of_each_format_lead_to_their_samples_wherever_the_files_are(
    busy: Capture, tmp_path: Path, ending: str
) -> None:
    # SOURCE.
    inbox = tmp_path / "in"
    inbox.mkdir()
    for k, piece in enumerate(cut(busy, 2.0) if ending == ".csv" else [busy]):
        written(piece, inbox / f"part {k}{ending}")
    terms = Terms(Thresholds(), 230.0, 50.0, "four-wire", detectors=EVERY_DETECTOR, explain=True)
    events = screen([inbox], terms=terms, workers=1).events
    assert {event.kind for event in events} >= KINDS
    assert_each_leads_to_its_samples(events, WaveformPlaces(()), [busy])
    moved = tmp_path / "elsewhere" / "deep"
    moved.parent.mkdir()
    inbox.rename(moved)
    assert_each_leads_to_its_samples(events, WaveformPlaces((tmp_path / "elsewhere",)), [busy])


@pytest.mark.parametrize("packed", ["zip", "tar.gz"])
def test_rows_of_files_in_an_archive_lead_there(busy: Capture, tmp_path: Path, packed: str) -> None:
    # SOURCE.
    for name in ("a.cfg", "b.cff"):
        header = replace(busy.header, station=name[0])
        write_capture(Capture(header, busy.samples), tmp_path / name)
    bundle = tmp_path / "in" / f"night.{packed}"
    bundle.parent.mkdir()
    names = ["a.cfg", "a.dat", "b.cff"]
    if packed == "zip":
        with zipfile.ZipFile(bundle, "w") as archive:
            for name in names:
                archive.write(tmp_path / name, f"unit/{name}")
    else:
        with tarfile.open(bundle, "w:gz") as archive:
            for name in names:
                archive.add(tmp_path / name, f"unit/{name}")
    for name in names:
        (tmp_path / name).unlink()
    terms = Terms(Thresholds(), 230.0, 50.0, "four-wire", detectors=EVERY_DETECTOR)
    events = screen([bundle.parent], terms=terms, workers=1).events
    assert {event.site for event in events} == {"a", "b"}
    assert_each_leads_to_its_samples(events, WaveformPlaces(()), [busy])
    shutil.move(bundle, tmp_path / f"other.{packed}")
    assert_each_leads_to_its_samples(events, WaveformPlaces((tmp_path,)), [busy])


@pytest.mark.slow
def test_each_row_of_the_demos_recordings_leads_to_its_samples(tmp_path: Path) -> None:
    # SOURCE.
    inbox = build_demo_fleet(tmp_path).inbox
    captures: dict[str, list[Capture]] = {}
    for path in capture_files([inbox]):
        with suppress(ReadError):  # one is damaged
            captures.setdefault(path.parent.name, []).extend(read_captures(path))
    events = screen([inbox], terms=Terms(Thresholds()), workers=1).events
    assert len(events) > 10
    moved = tmp_path / "elsewhere"
    inbox.rename(moved)
    archive = WaveformPlaces((moved,))
    for event in events:
        site = archive.files_of(event)[0].parent.name
        assert_each_leads_to_its_samples([event], archive, captures[site])
