"""The sampled waveshape: its windows are those of the whole record, however the samples come, in units."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.measures.half_cycle import STRETCH_SAMPLES, HalfCycleMeter
from halfcycle.pipeline.measures.notches import measure_notches
from halfcycle.pipeline.measures.spectra import synchronised_spectra, windows_of
from halfcycle.pipeline.measures.waveshape import Waveshape, WaveshapeMeter, sparse_every

RATE_HZ, F_HZ = 6400.0, 50.03
N = 3 * STRETCH_SAMPLES // 2
SOURCE = "derived: RMS of a harmonic that was put in; IEC 61000-4-7 groups are tested with the spectra"


def samples(dtype: str = "int16") -> np.ndarray:
    t = np.arange(N) / RATE_HZ
    rows = []
    for phase in range(2):
        angle = 2 * np.pi * F_HZ * t - phase * 2 * np.pi / 3
        rows.append(10_000 * (np.sin(angle) + 0.06 * np.sin(5 * angle + 1.0)) + 500 * phase)
    return np.round(np.stack(rows)).astype(dtype)


def measured(raw: np.ndarray, channels: list[Channel], *, n_pieces: int = 1, every: int = 25) -> Waveshape:
    shape = WaveshapeMeter(channels, rate_hz=RATE_HZ, nominal_hz=50.0, every=every)
    meter = HalfCycleMeter(channels, rate_hz=RATE_HZ, nominal_hz=50.0, followers=[shape.follow])
    for piece in np.array_split(raw, n_pieces, axis=1):
        meter.push(piece)
    meter.finish()
    found = shape.finish()
    assert found is not None
    return found


def volts(scale: float = 0.02, offset: float = 0.0) -> list[Channel]:
    return [Channel(name, "voltage", name[1], "V", scale, offset) for name in ("UA", "UB")]


def test_its_windows_are_those_of_the_whole_series_one_in_twenty_five_and_none_is_lost_between_stretches() -> None:
    raw = samples()
    found = measured(raw, volts())
    meter = HalfCycleMeter(volts(), rate_hz=RATE_HZ, nominal_hz=50.0)
    meter.push(raw)
    windows = windows_of(meter.finish(), every=25)
    assert found.spectra.starts.size > N / RATE_HZ / 5 - 2
    np.testing.assert_allclose(found.spectra.starts, windows.starts, atol=1e-6)
    place = {"rate_hz": RATE_HZ, "starts": windows.starts, "lengths": windows.lengths, "n_cycles": 10}
    direct = synchronised_spectra(raw * 0.02, **place)
    np.testing.assert_allclose(found.spectra.harmonics, direct.harmonics, rtol=1e-4, atol=1e-3)
    np.testing.assert_allclose(found.spectra.dc, direct.dc, atol=1e-2)
    np.testing.assert_allclose(found.notches.depth, measure_notches(raw * 0.02, **place).depth, atol=1e-2)


@pytest.mark.parametrize("n_pieces", [7, 100])
def test_it_is_the_same_in_one_piece_and_in_many(n_pieces: int) -> None:
    raw = samples()
    one, many = measured(raw, volts()), measured(raw, volts(), n_pieces=n_pieces)
    assert np.array_equal(one.spectra.starts, many.spectra.starts)
    assert np.array_equal(one.spectra.harmonics, many.spectra.harmonics)
    assert np.array_equal(one.flags, many.flags)


@pytest.mark.parametrize(("scale", "offset"), [(0.02, 0.0), (-0.02, 0.0), (0.02, 30.0), (-0.02, -30.0)])
def test_scale_and_offset_of_either_sign_give_volts_and_the_same_angles(scale: float, offset: float) -> None:
    """SOURCE: h5 has 6 % of the fundamental and stands at 1 rad; sin(5 (θ + π)) = -sin(5 θ), as order 1 does."""
    raw = samples()
    found = measured(raw, volts(scale, offset))
    first = 10_000 * 0.02 / np.sqrt(2)
    np.testing.assert_allclose(found.spectra.harmonics[..., 0], first, rtol=2e-4)
    np.testing.assert_allclose(found.spectra.harmonics[..., 4] / found.spectra.harmonics[..., 0], 0.06, rtol=2e-3)
    np.testing.assert_allclose(found.spectra.angles_deg[..., 4], np.degrees(1.0), atol=0.5)
    constant = np.array([[0.0], [500.0]]) * scale + offset
    np.testing.assert_allclose(found.spectra.dc, np.broadcast_to(constant, found.spectra.dc.shape), atol=0.05)


def test_windows_with_missing_samples_are_left_out_and_those_in_a_variation_can_be() -> None:
    raw = samples("float32")
    raw[0, 200_000:200_100] = np.nan
    found = measured(raw, volts(), every=1)
    lost = (found.spectra.starts < 200_100) & (found.spectra.starts + found.spectra.lengths > 200_000)
    assert not lost.any()
    assert np.isfinite(found.spectra.harmonics).all()
    n = found.spectra.starts.size
    kept = found.outside(np.array([[300_000.0, 300_001.0]]))
    assert kept.spectra.starts.size == n - 1 == kept.notches.depth.shape[1] == kept.flags.shape[1]
    assert found.of_channels([1]).spectra.harmonics.shape[:2] == (1, n)


def test_a_rate_too_low_for_a_spectrum_gives_none() -> None:
    shape = WaveshapeMeter(volts(), rate_hz=800.0, nominal_hz=50.0)
    meter = HalfCycleMeter(volts(), rate_hz=800.0, nominal_hz=50.0, followers=[shape.follow])
    meter.push(np.round(1000 * np.sin(2 * np.pi * 50 / 800 * np.arange(80_000)) * np.ones((2, 1))).astype(np.int16))
    assert meter.finish().n > 9000
    assert shape.finish() is None


def test_a_short_record_has_all_its_windows_measured_and_a_long_one_a_window_every_five_seconds() -> None:
    assert [sparse_every(seconds) for seconds in (1.0, 4.7, 10.0, 60.0, 3600.0)] == [1, 1, 4, 25, 25]
