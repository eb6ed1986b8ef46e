"""What is no waveform is not judged, and that is said: magnitudes, angles, direct voltages, noise of open inputs."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.catalogue.judge import Findings, Terms, judge
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.record import records_of
from halfcycle.pipeline.records.waves import are_waves
from halfcycle.pipeline.settings import Thresholds

SOURCE = "derived: power of a sine lies at its frequency, of a constant at zero, of white noise everywhere"
RATE_HZ, N = 3200.0, 6400
T_S = np.arange(N) / RATE_HZ
CHANNELS = tuple(Channel(f"U{p}", "voltage", p, "V", 0.02) for p in "ABC")
RNG = np.random.default_rng(5)


def sines(*, hertz: float = 50.0, sag_pu: float = 0.5) -> npt.NDArray[np.float64]:
    envelope = 325 * np.where((T_S > 0.8) & (T_S < 1.1), sag_pu, 1.0)
    return np.stack([envelope * np.sin(2 * np.pi * (hertz * T_S - k / 3)) for k in range(3)])


def judged(
    volts: npt.NDArray[np.float64], *, nominal_v: float | None = None, nominal_hz: float | None = None
) -> Findings:
    samples = np.rint(volts / 0.02).astype(np.int16)
    one = Capture(Header("S", 0, RATE_HZ, N, CHANNELS, "int16", 50.0), samples)
    (record,) = records_of([Piece(one.header, lambda: one, one.digest)])
    return judge(record, site="S", terms=Terms(Thresholds(), nominal_v, nominal_hz))


@pytest.mark.parametrize("nominal_v", [None, 230.0])
@pytest.mark.parametrize(
    "volts",
    [
        np.where((T_S > 0.8) & (T_S < 1.1), 115.0, 230.0) + RNG.normal(0, 0.3, (3, N)),
        np.stack([np.mod(108 * T_S - 120 * k, 360) for k in range(3)]) + RNG.normal(0, 0.3, (3, N)),
        np.full((3, N), 110.0) + RNG.normal(0, 0.3, (3, N)),
    ],
    ids=["magnitudes", "angles", "direct"],
)
def test_what_is_no_waveform_is_not_judged(volts: npt.NDArray[np.float64], nominal_v: float | None) -> None:
    # SOURCE.
    found = judged(volts, nominal_v=nominal_v)
    assert found.events == ()
    (coverage,) = found.coverage
    assert (coverage.judged_s, coverage.not_judged_s) == (0.0, pytest.approx(2.0))
    assert "no waveform at power frequency" in coverage.reason


@pytest.mark.parametrize("noise_v", [1.0, 10.0, 30.0])
def test_an_open_input_that_picks_up_noise_only_is_left_out_and_named(noise_v: float) -> None:
    volts = sines()
    volts[2] = RNG.normal(0, noise_v, N)
    found = judged(volts)
    assert [(event.kind, event.phases) for event in found.events] == [("sag", "AB")]
    assert any("not judged: C" in note for note in found.notes)


def test_voltages_that_are_lost_throughout_are_an_interruption_where_the_nominal_is_known() -> None:
    event = judged(RNG.normal(0, 0.5, (3, N)), nominal_v=230.0).events[0]
    assert (event.kind, event.open_start, event.open_end) == ("interruption", True, True)


@pytest.mark.parametrize("rate_hz", [400.0, 3200.0])
@pytest.mark.parametrize("hertz", [42.0, 50.0, 60.0])
def test_a_wave_is_one_at_any_frequency_of_a_system_and_beside_gaps_and_harmonics(rate_hz: float, hertz: float) -> None:
    t = np.arange(int(2 * rate_hz)) / rate_hz
    wave = np.sin(2 * np.pi * hertz * t)
    rows = np.stack([wave, wave + 0.8 * np.sin(6 * np.pi * hertz * t), wave * (t > 1.5), wave * 0])
    channels = [Channel(str(i), "voltage", "", "V", missing_code=-1) for i in range(4)]
    raw = np.rint(rows * 10_000).astype(np.int16)
    raw[0, 5:15] = -1
    assert are_waves(raw, channels, samples_per_cycle=rate_hz / 50).tolist() == [True, True, True, False]
    assert are_waves(raw[:, :10], channels, samples_per_cycle=rate_hz / 50).all()  # too short to tell


@pytest.mark.parametrize("samples_per_cycle", [8.0, 31.25, 32.0, 128.0, 133.3])
def test_the_share_of_power_near_the_power_frequency_is_that_of_a_whole_spectrum(samples_per_cycle: float) -> None:
    """SOURCE: a discrete Fourier transform of NumPy, whose lines are summed. Windows of 4 cycles, even and odd."""
    rng, n = np.random.default_rng(8), round(4 * samples_per_cycle)
    turns = 2 * np.pi * np.arange(n) / samples_per_cycle
    rows = np.stack([
        a * np.sin(turns + b) + c + d * rng.normal(size=n) + e * np.sin(2.7 * turns)
        for a, b, c, d, e in rng.uniform(0, 1, (200, 5)) * [2, 7, 1, 1, 1]
    ])  # fmt: skip
    hertz, power = np.fft.rfftfreq(n, 1 / samples_per_cycle), np.abs(np.fft.rfft(rows * np.hanning(n), axis=1)) ** 2
    share = power[:, (hertz >= 0.5) & (hertz <= 1.5)].sum(axis=1) / power.sum(axis=1)
    found = are_waves(
        rows, [Channel(str(k), "voltage", "", "V") for k in range(200)], samples_per_cycle=samples_per_cycle
    )
    assert found.tolist() == (share >= 0.5).tolist()
    assert 20 < found.sum() < 180
