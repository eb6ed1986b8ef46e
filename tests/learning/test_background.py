"""Background taken from captures: what a calm voltage has beside its fundamental, and nothing of its events."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from made_fleet import made_capture, write_capture

from halfcycle.pipeline.benchmark.classifier_contenders import ClassifierContender, Halfcycle
from halfcycle.pipeline.benchmark.classifier_run import run_classifiers
from halfcycle.pipeline.benchmark.classifier_suite import load_classifier_suite
from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.learning.background import laid_over, residues
from halfcycle.pipeline.synthesis.parametric import parametric_windows
from halfcycle.pipeline.synthesis.recording import Conditions

SHARED = Path(__file__).resolve().parents[3] / "shared" / "data"
RATE_HZ = 6400.0


def voltage(u: np.ndarray) -> Capture:
    header = Header("s", 0, RATE_HZ, len(u), (Channel("UA", "voltage", "A", "V"),), "float32", 50.0)
    return Capture(header, u.astype(np.float32)[None])


def test_the_residue_of_a_sine_with_a_harmonic_and_an_offset_is_the_harmonic(tmp_path: Path) -> None:
    """Derived: 5 % of the seventh harmonic is 0.05 of the peak, whatever frequency, size and mean the voltage has."""
    t_s = np.arange(round(4 * RATE_HZ)) / RATE_HZ
    seventh = 0.05 * np.sin(7 * 2 * np.pi * 49.8 * t_s + 0.4)
    write_capture(voltage(325.0 * (np.sin(2 * np.pi * 49.8 * t_s) + seventh) + 3.0), tmp_path / "a.parquet")
    found = residues(tmp_path)
    assert len(found) == int(4 * 50 / 12)
    for one in found:
        np.testing.assert_allclose(np.sqrt(2 * np.mean(one**2)), 0.05, rtol=0.01)
        assert np.abs(one).max() < 0.0515


def test_a_piece_with_an_event_in_it_is_no_background(tmp_path: Path) -> None:
    """A sag of ten cycles lies in two or three of the pieces of twelve; on one phase of three."""
    write_capture(made_capture("2026-03-01T12:00:00", seconds=2.4), tmp_path / "calm" / "a.parquet")
    write_capture(
        made_capture("2026-03-01T12:00:00", seconds=2.4, sags=[(1.0, 0.2, 0.5)]), tmp_path / "sag" / "a.parquet"
    )
    calm, with_sag = (len(residues(tmp_path / name)) for name in ("calm", "sag"))
    assert 1 <= calm - with_sag <= 6
    (tmp_path / "nothing").mkdir()
    with pytest.raises(ConfigError, match="no undisturbed stretch"):
        residues(tmp_path / "nothing")


def test_background_lies_over_windows_of_any_rate_at_its_own_size(tmp_path: Path) -> None:
    t_s = np.arange(round(2 * RATE_HZ)) / RATE_HZ
    write_capture(
        voltage(np.sin(2 * np.pi * 50 * t_s) + 0.04 * np.sin(5 * 2 * np.pi * 50 * t_s)), tmp_path / "a.parquet"
    )
    pieces = residues(tmp_path)
    for rate_hz in (3200.0, 16e3):
        drawn = parametric_windows(5, conditions=Conditions(rate_hz=rate_hz), seed=1, classes=(1,)).values
        over = laid_over(drawn, pieces, rng=np.random.default_rng(0)) - drawn
        np.testing.assert_allclose(np.sqrt(2 * np.mean(over**2, axis=1)), 0.04, rtol=0.02)


@pytest.mark.long
@pytest.mark.skipif(not SHARED.is_dir(), reason="the measured captures are not here")
def test_the_calm_parts_of_measured_captures_cost_few_points(tmp_path: Path) -> None:
    """The project's bar: macro F1 lost to background from recordings at most 2 points; of a small training, 4."""
    suite = tmp_path / "measured.toml"
    suite.write_text(
        'like = "classifiers"\nseeds = [1]\ntrain_per_class = 120\ntest_per_class = 25\n'
        '[[tests]]\nname = "plain"\nsnr_db = [inf]\n'
        f'[[tests]]\nname = "measured"\nsnr_db = [inf]\nbackground = "{SHARED}"\n'
    )
    result = run_classifiers(load_classifier_suite(str(suite)), [ClassifierContender("halfcycle", Halfcycle)])
    plain, measured = (row.scores.macro_f1 for row in result.rows)
    assert plain > 0.95
    assert plain - measured < 0.04
