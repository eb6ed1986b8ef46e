"""Interharmonics beyond a limit, on whole waveforms of known tones."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.interharmonics import InterharmonicSettings, find_interharmonics
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.spectra import Spectra, synchronised_spectra

F64 = npt.NDArray[np.float64]

SOURCE_LIMIT = "IEEE 1159-2019, Table 2, 5.3: interharmonics typically 0 to 2 % (from memory)"
SOURCE_TONE = "derived: a tone on a line of the transform is in one centred subgroup at its RMS; the parameter itself"

RATE_HZ = 6400.0
NOMINAL_V = 230.0


def tones(
    *parts: tuple[float, float, float, float], duration_s: float = 8.0, noise_pu: float = 0.001, seed: int = 0
) -> F64:
    """A 50 Hz voltage with tones (frequency, RMS in pu, from, to). [Hz], [s]"""
    t = np.arange(round(RATE_HZ * duration_s)) / RATE_HZ
    u = np.sqrt(2) * (np.sin(2 * np.pi * 50 * t) + 0.04 * np.sin(2 * np.pi * 250 * t))
    for hertz, size, start_s, stop_s in parts:
        u += np.where((t >= start_s) & (t < stop_s), np.sqrt(2) * size * np.sin(2 * np.pi * hertz * t + 0.4), 0.0)
    return np.asarray(NOMINAL_V * (u + noise_pu * np.random.default_rng(seed).standard_normal(t.size)))


def spectra_of(u: F64, *, every: int = 1) -> Spectra:
    """Windows of 0.2 s from sample 64 on, end to end or each so many."""
    starts = np.arange(64.0, np.atleast_2d(u).shape[1] - 1300.0, 1280.0 * every)
    return synchronised_spectra(u, rate_hz=RATE_HZ, starts=starts, lengths=np.full(starts.size, 1280.0), n_cycles=10)


def found(u: F64, *, flags: npt.ArrayLike | None = None, every: int = 1, **changes: Any) -> list[Finding]:
    return find_interharmonics(
        spectra_of(u, every=every), nominal=NOMINAL_V, settings=InterharmonicSettings(**changes), flags=flags
    )


@pytest.mark.parametrize("tone_hz", [25.0, 180.0, 1015.0])
def test_a_tone_beyond_the_limit_is_found_where_and_as_large_as_it_is(tone_hz: float) -> None:
    """SOURCE_LIMIT, SOURCE_TONE; the first window in it is the first that it fills: the next of 0.2 s."""
    (finding,) = found(tones((tone_hz, 0.03, 2.01, 6.01)))
    assert (finding.kind, finding.category, finding.magnitude_unit) == ("interharmonics", "interharmonics", "%")
    # A window that the tone begins in may be a little above: there its sidelobes fall into the subgroup as well.
    assert finding.magnitude == pytest.approx(3.0, rel=0.02)
    assert finding.start == pytest.approx(2.01 * RATE_HZ, abs=1280)
    assert finding.stop == pytest.approx(6.01 * RATE_HZ, abs=1280)
    gap = int(tone_hz // 50)
    assert f"between orders {gap} and {gap + 1} ({50 * gap} to {50 * gap + 50} Hz)" in finding.notes
    assert not finding.open_start
    assert not finding.open_stop


@pytest.mark.parametrize("size", [0.019, 0.01])
def test_a_tone_below_the_limit_is_not_found(size: float) -> None:
    """SOURCE_LIMIT."""
    assert found(tones((180.0, size, 0.0, 8.0))) == []


def test_the_limit_is_an_option() -> None:
    u = tones((180.0, 0.01, 0.0, 8.0))
    assert len(found(u, limit_pct=0.9)) == 1
    assert found(u, limit_pct=1.1) == []


def test_several_tones_are_named_from_the_largest() -> None:
    (finding,) = found(tones((180.0, 0.025, 0.0, 8.0), (330.0, 0.04, 0.0, 8.0)))
    assert finding.magnitude == pytest.approx(4.0, rel=0.01)
    first, second = finding.notes.split(", ")
    assert first.endswith("between orders 6 and 7 (300 to 350 Hz)")
    assert second.endswith("between orders 3 and 4 (150 to 200 Hz)")
    assert [float(words.split(" ")[0]) for words in (first, second)] == pytest.approx([4.0, 2.5], rel=0.01)
    assert (finding.open_start, finding.open_stop) == (True, True)


def test_a_tone_of_two_seconds_is_no_steady_state() -> None:
    """Common practice, no source: three seconds by default."""
    u = tones((180.0, 0.05, 3.0, 5.0))
    assert found(u) == []
    assert len(found(u, minimum_duration_s=1.5)) == 1


@pytest.mark.parametrize("snr_db", [20.0, 30.0])
def test_noise_is_no_interharmonic(snr_db: float) -> None:
    """At 20 dB each group has 0.9 % of noise; a limit below that is not crossed by it either."""
    u = tones(noise_pu=10 ** (-snr_db / 20), duration_s=30.0)
    assert found(u) == []
    assert found(u, limit_pct=0.4) == []


def test_harmonics_and_a_frequency_half_a_per_cent_off_are_no_interharmonics() -> None:
    t = np.arange(round(RATE_HZ * 8)) / RATE_HZ
    u = (
        NOMINAL_V
        * np.sqrt(2)
        * sum(size * np.sin(2 * np.pi * 50.25 * h * t) for h, size in ((1, 1), (3, 0.05), (5, 0.06)))
    )
    length = 10 * RATE_HZ / 50.25
    starts = np.arange(10.0, t.size - length - 10, length)
    spectra = synchronised_spectra(u, rate_hz=RATE_HZ, starts=starts, lengths=np.full(starts.size, length), n_cycles=10)
    settings = InterharmonicSettings(limit_pct=0.05)
    assert find_interharmonics(spectra, nominal=NOMINAL_V, settings=settings) == []


def test_windows_with_marks_or_without_voltage_are_not_judged() -> None:
    u = tones((180.0, 0.05, 0.0, 8.0))
    n = spectra_of(u).starts.size
    assert found(u, flags=np.ones((1, n), np.uint8)) == []
    assert found(0.4 * u) == []
    assert len(found(0.4 * u, least_fundamental_pu=0.3)) == 1
    with pytest.raises(SignalError, match="flags"):
        found(u, flags=np.ones((1, n + 1), np.uint8))


def test_each_fifteenth_window_finds_the_same_tone() -> None:
    (finding,) = found(tones((180.0, 0.03, 0.0, 14.0), duration_s=14.0), every=15)
    assert finding.magnitude == pytest.approx(3.0, rel=0.01)
    assert finding.stop - finding.start == 1280.0 * 61


@given(scale=st.floats(0.6, 5.0), order=st.permutations([0, 1, 2]))
@settings(max_examples=15)
def test_shares_do_not_change_with_scale_and_parts_follow_the_order_of_channels(scale: float, order: list[int]) -> None:
    """Property."""
    u = np.stack([tones((180.0, size, 0.0, 4.0), duration_s=4.0) for size in (0.01, 0.03, 0.05)])
    (plain,), (other,) = found(u), found(scale * u[order])
    assert other.magnitude == pytest.approx(plain.magnitude, rel=1e-4)
    assert {order[part.channel] for part in other.parts} == {part.channel for part in plain.parts} == {1, 2}
