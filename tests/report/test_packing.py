"""Samples in a page: every one comes out again, whatever it is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from twins.twin_unpacking import bytes_of, inflated, samples_of

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.report.packing import Packed, pack
from halfcycle.pipeline.report.slice import Slice

SOURCE = "derived: prediction and what it misses give the samples back, modulo the integers' range"


def unpacked(packed: Packed) -> np.ndarray:  # type: ignore[type-arg]
    planes = inflated(bytes_of(packed.text, packed.n_packed))
    predictors = [(one.coefficients, one.shift) for one in packed.predictors]
    return np.array(samples_of(planes, packed.n_bytes, predictors))


def slice_of(samples: np.ndarray, **more: object) -> Slice:  # type: ignore[type-arg]
    channels = tuple(Channel(f"U{k}", "voltage", "ABC"[k % 3], "V", **more) for k in range(samples.shape[0]))  # type: ignore[arg-type]
    return Slice(channels, samples, 1600.0, -10.0, 5.0)


@given(hnp.arrays(np.int16, st.tuples(st.integers(1, 6), st.integers(1, 300))))
def test_integers_of_two_bytes_come_out_as_they_went_in(samples: np.ndarray) -> None:  # type: ignore[type-arg]
    packed = pack(slice_of(samples))
    assert packed.is_exact
    assert np.array_equal(unpacked(packed), samples)


@given(hnp.arrays(np.int32, st.tuples(st.integers(1, 4), st.integers(1, 200))))
def test_integers_of_four_bytes_come_out_as_they_went_in(samples: np.ndarray) -> None:  # type: ignore[type-arg]
    packed = pack(slice_of(samples))
    assert (packed.n_bytes, packed.is_exact) == (4, True)
    assert np.array_equal(unpacked(packed), samples)


def test_floats_come_out_within_half_a_step_and_missing_ones_missing() -> None:
    samples = (1e5 * np.sin(np.arange(3000) / 20)).astype(np.float32)[None]
    samples[0, 7] = np.nan
    packed = pack(slice_of(samples))
    out = unpacked(packed)[0]
    assert not packed.is_exact
    assert out[7] == -32768
    good = np.isfinite(samples[0])
    assert np.abs(out[good] * packed.scales[0] - samples[0][good]).max() <= 1e5 / 32_000 * 0.51


def test_samples_that_a_format_calls_missing_are_missing() -> None:
    samples = np.array([[5, -32768, 7, 99]], np.int16)
    assert unpacked(pack(slice_of(samples, missing_code=99)))[0].tolist() == [5, -32768, 7, -32768]


def test_a_recording_takes_less_than_a_byte_a_sample() -> None:
    # The bar of a page is 1.2 bytes a sample, all else in 200 kB; a 12-bit recording with noise of half a count.
    rng = np.random.default_rng(1)
    t = np.arange(20_000)
    rows = [2000 * np.sin(2 * np.pi * t / 128 + k) + rng.normal(0, 0.5, t.size) for k in range(6)]
    samples = np.rint(rows).astype(np.int16)
    assert len(pack(slice_of(samples)).text) <= 0.8 * samples.size


@pytest.mark.parametrize(("most", "n"), [(10_000, 1000), (900, 300), (1, 1)])
def test_a_slice_is_cut_to_the_samples_allowed_and_says_so(most: int, n: int) -> None:
    cut = slice_of(np.zeros((3, 1000), np.int16)).cut(most)
    assert cut.n == n
    assert bool(cut.notes) == (n < 1000)


def test_the_sums_of_a_prediction_stay_exact_in_the_browser() -> None:
    # IEEE 754: whole numbers up to 2**53 are exact in double precision, which is all that a script has.
    rng = np.random.default_rng(3)
    t = np.arange(5000)
    for largest, kind in ((30_000, np.int16), (2_000_000_000, np.int32)):
        samples = np.rint(largest * np.sin(t / 30) + rng.normal(0, 3, t.size)).astype(kind)[None]
        packed = pack(slice_of(samples))
        (predictor,) = packed.predictors
        most = largest * sum(map(abs, predictor.coefficients)) + (1 << predictor.shift)
        assert len(predictor.coefficients) == 16
        assert most < 2**53
        assert np.array_equal(unpacked(packed), samples)
