"""Nominal frequency told from the data, and the cases in which the data do not say."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from twins.twin_waveforms import Component, Stage, three_phase

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.nominal import find_nominal_frequency

SOURCE_RANGE = "IEC 61000-4-30 Ed. 3, 5.1: 42.5 - 57.5 Hz and 51 - 69 Hz (from memory)"
FloatArray = npt.NDArray[np.float64]


# --- frequency


@pytest.mark.parametrize("rate_hz", [800.0, 1600.0, 6400.0, 12800.0, 50_000.0])
@pytest.mark.parametrize(
    ("f_hz", "nominal_hz"),
    [(42.5, 50), (49.9, 50), (50.0, 50), (53.5, 50), (56.5, 60), (60.0, 60), (61.2, 60), (69.0, 60)],
)
def test_the_nominal_frequency_is_the_usual_one_nearest_to_the_fundamental(
    rate_hz: float, f_hz: float, nominal_hz: float
) -> None:
    # Common practice, no source. Harmonics larger than any compatible level do not mislead it.
    parts = [Component(3, 0.3), Component(5, 0.2, 40.0)]
    u, _ = three_phase(rate_hz=rate_hz, length_s=0.4, f_hz=f_hz, components=parts, noise_pu=0.05, phase_deg=50.0)
    assert find_nominal_frequency(u, rate_hz=rate_hz) == nominal_hz
    assert find_nominal_frequency((1000 * u[:1]).astype(np.int16), rate_hz=rate_hz) == nominal_hz


def test_an_offset_and_missing_samples_do_not_hide_the_frequency() -> None:
    u, _ = three_phase(rate_hz=6400.0, length_s=1.0, f_hz=60.1)
    u += 3.0
    u[:, 500:600] = np.nan
    assert find_nominal_frequency(u, rate_hz=6400.0) == 60.0


def test_the_frequency_is_found_in_a_record_that_is_interrupted_for_half_of_it() -> None:
    gone = Stage(0.3, 0.5, (0.0, 0.0, 0.0))
    u, _ = three_phase(rate_hz=3200.0, length_s=1.0, f_hz=50.1, stages=[gone])
    assert find_nominal_frequency(u, rate_hz=3200.0) == 50.0


@pytest.mark.parametrize(
    ("u", "words"),
    [
        (np.zeros(6400), "no fundamental"),
        (np.full(6400, 7.0), "no fundamental"),
        (np.sin(2 * np.pi * 20.0 / 6400 * np.arange(6400)), "no fundamental"),
        (np.sin(2 * np.pi * 400.0 / 6400 * np.arange(6400)), "no fundamental"),
        (np.random.default_rng(1).standard_normal(6400), "no fundamental"),
        (np.sin(2 * np.pi * 55.0 / 6400 * np.arange(12800)), "between 50 and 60|between 60 and 50"),
        (np.sin(2 * np.pi * 50.0 / 6400 * np.arange(255)), "less than two cycles"),
        (np.zeros(0), "less than two cycles"),
    ],
    ids=["silence", "constant", "20 Hz", "400 Hz", "noise", "55 Hz", "short", "empty"],
)
def test_where_the_samples_do_not_say_the_frequency_is_not_guessed(u: FloatArray, words: str) -> None:
    with pytest.raises(SignalError, match=words):
        find_nominal_frequency(u, rate_hz=6400.0)
