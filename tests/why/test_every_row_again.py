"""Rows of catalogues made again from their source: of the demo, of measured recordings, of drawn ones."""

from __future__ import annotations

import shutil
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from made_fleet import cut, ns, write_capture

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.catalogue.reading import read_events
from halfcycle.pipeline.catalogue.tables import write_table
from halfcycle.pipeline.demo import build_demo_fleet
from halfcycle.pipeline.detectors.registry import choose, detectors
from halfcycle.pipeline.events import Event, catalogue_table
from halfcycle.pipeline.recall import WaveformPlaces
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.screening.provenance import ScreeningSettings, read_provenance, write_provenance
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.synthesis import Harmonic, Quantisation, Stage, Waveform, synthesise
from halfcycle.pipeline.why.again import ScreeningOrigin
from halfcycle.pipeline.why.comparing import as_written, differences
from halfcycle.pipeline.why.trace import trace_of

SOURCE = "derived: a catalogue is a function of its files, its settings and the code"
DATA = Path(__file__).parents[2].parent / "shared" / "data"
ENDINGS = (".parquet", ".cfg", ".cff", ".csv", ".npz")
EVERY_DETECTOR = choose({name: {} for name, one in detectors().items() if not one.on_request})


def screened(inputs: Path, out: Path, terms: Terms) -> list[Event]:
    """A catalogue with its provenance; gives the rows as they are read back."""
    result = screen([inputs], terms=terms, workers=1)
    write_table(catalogue_table(result.events), out)
    write_provenance(result, out, settings=ScreeningSettings(terms))
    return read_events(out)


def assert_each_comes_about_again(rows: list[Event], out: Path, *, traced_every: int = 1) -> None:
    known = read_provenance(out)
    assert known is not None
    assert known.is_sound
    origin = ScreeningOrigin(known, out, WaveformPlaces((out.parent,)))
    for i, row in enumerate(rows):
        again = origin.again(row)
        assert not again.changes
        found = again.row(row)
        assert found is not None, row
        (written,) = as_written([found], out.suffix)
        assert differences(row, written) == [], row
        if i % traced_every == 0 and row.kind in ("sag", "swell", "interruption") and "log" not in row.notes:
            trace = trace_of(row, again.records, again.accounts, again.terms)
            assert trace is not None, row
            assert trace.variation.magnitude_pu == pytest.approx(row.magnitude, abs=1e-6)


@pytest.mark.long
def test_every_row_of_the_demo_comes_about_again(tmp_path: Path) -> None:
    # SOURCE.
    inbox = build_demo_fleet(tmp_path).inbox
    rows = screened(inbox, tmp_path / "e.csv", Terms(Thresholds(), explain=True))
    assert len(rows) > 10
    assert_each_comes_about_again(rows, tmp_path / "e.csv")


@pytest.mark.long
@pytest.mark.skipif(not DATA.is_dir(), reason="the measured recordings are not here")
def test_every_row_of_the_measured_recordings_comes_about_again(tmp_path: Path) -> None:
    # SOURCE.
    shutil.copytree(DATA, tmp_path / "in")
    rows = screened(tmp_path / "in", tmp_path / "e.ndjson", Terms(Thresholds(), explain=True, detectors=EVERY_DETECTOR))
    assert len(rows) > 50
    assert_each_comes_about_again(rows, tmp_path / "e.ndjson", traced_every=10)


def drawn_archive(folder: Path, seed: int, *, n_recorders: int) -> None:
    """Recorders of several files each, whole records cut at will, in any format; sags, swells, distortion, noise."""
    rng = np.random.default_rng(seed)
    for k in range(n_recorders):
        hookup = str(rng.choice(["four-wire", "three-wire", "single-phase"]))
        n_phases = 1 if hookup == "single-phase" else 3
        edges = np.sort(rng.uniform(0.5, 5.5, 6))
        stages = tuple(
            Stage(
                start_s=float(a), duration_s=float(max(b - a, 0.02) * 0.7),
                residual_pu=tuple(rng.uniform(0, 1.3, n_phases)),
            )
            for a, b in list(pairwise(edges))[::2]
        )  # fmt: skip
        waveform = Waveform(
            hookup=hookup, nominal_voltage_v=float(rng.choice([120.0, 230.0, 6350.0])),
            rate_hz=float(rng.choice([1600.0, 3200.0, 6400.0])), duration_s=6.5, stages=stages,
            snr_db=float(rng.uniform(30, 70)), harmonics=(Harmonic(order=5, magnitude_pu=float(rng.uniform(0, 0.06))),),
            quantisation=Quantisation(bits=int(rng.choice([12, 16])), voltage_range_pu=3.0),
        )  # fmt: skip
        start = ns("2026-03-01T00:00:00") + int(rng.integers(0, 86_400)) * 1_000_000_000
        station = f"REC-{k}" if rng.random() < 0.7 else ""
        made = synthesise(waveform, start_ns=start, station=station, seed=int(rng.integers(1 << 30))).capture
        cuts = sorted(rng.uniform(0.3, 6.2, int(rng.integers(0, 3))))
        for i, piece in enumerate(cut(made, *map(float, cuts))):
            write_capture(piece, folder / f"{k:03d}" / f"{i} of {k}{rng.choice(ENDINGS)}")


@pytest.mark.slow
@pytest.mark.parametrize("ending", [".parquet", ".csv", ".ndjson"])
def test_rows_of_a_drawn_archive_come_about_again(tmp_path: Path, ending: str) -> None:
    # SOURCE.
    drawn_archive(tmp_path / "in", 5, n_recorders=3)
    out = tmp_path / f"e{ending}"
    rows = screened(tmp_path / "in", out, Terms(Thresholds(), explain=True))
    assert len(rows) >= 3
    assert_each_comes_about_again(rows, out)


@pytest.mark.exam
def test_a_thousand_rows_come_about_again(tmp_path: Path) -> None:
    # SOURCE.
    n_rows, seed = 0, 0
    while n_rows < 1000:
        seed += 1
        folder = tmp_path / str(seed)
        drawn_archive(folder / "in", seed, n_recorders=20)
        terms = Terms(Thresholds(), explain=seed % 2 == 0, detectors=EVERY_DETECTOR if seed % 3 == 0 else ())
        out = folder / f"e{('.parquet', '.csv', '.ndjson')[seed % 3]}"
        rows = screened(folder / "in", out, terms)
        assert_each_comes_about_again(rows, out)
        n_rows += len(rows)
        shutil.rmtree(folder)
    print(f"{n_rows} rows")
