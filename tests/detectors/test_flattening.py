"""Flat-topped voltage: the crest from harmonics against closed forms, and a load told from a recorder's rails."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.flattening import FlatToppingSettings, find_flat_topping, flat_topping
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.half_cycle_arrays import measure_half_cycles
from halfcycle.pipeline.measures.spectra import Spectra, synchronised_spectra, windows_of

F64 = npt.NDArray[np.float64]

SOURCE_SERIES = "derived: values of the Fourier series at the crest; crest factor of a sine sqrt(2), of a square wave 1"
SOURCE_LIMIT = "IEC 61000-4-13, class 2, flat curve: the crest cut at 90 % (from memory)"

RATE_HZ = 6400.0
PEAK_V = 325.0


def spectrum(parts: dict[int, tuple[float, float]]) -> tuple[F64, F64]:
    """RMS and angles of orders 1 to 50. [pu], [degrees]"""
    sizes, angles = np.zeros(50), np.zeros(50)
    sizes[0] = 1.0
    for order, (size, angle_deg) in parts.items():
        sizes[order - 1], angles[order - 1] = size, angle_deg
    return sizes, angles


def test_a_sine_has_a_crest_factor_of_root_two_and_loses_nothing() -> None:
    """SOURCE_SERIES."""
    shape = flat_topping(*spectrum({}))
    assert float(shape.crest_factor) == pytest.approx(np.sqrt(2))
    assert float(shape.loss) == pytest.approx(0.0, abs=1e-12)
    assert float(shape.from_low_orders) == 0.0


@pytest.mark.parametrize(
    ("order", "angle_deg", "loss"),
    [(3, 0.0, 0.05), (5, 180.0, 0.05), (7, 0.0, 0.05), (3, 180.0, -0.05), (5, 0.0, -0.05)],
)
def test_low_orders_flatten_or_sharpen_the_crest_by_their_angle(order: int, angle_deg: float, loss: float) -> None:
    """SOURCE_SERIES: sin(h 90° + angle) is minus or plus one. Of flattening, the crest's neighbours win back a part."""
    shape = flat_topping(*spectrum({order: (0.05, angle_deg)}))
    assert float(shape.from_low_orders) == pytest.approx(loss)
    if loss < 0:
        assert float(shape.loss) == pytest.approx(loss)
        assert float(shape.crest_factor) == pytest.approx(1.05 * np.sqrt(2) / np.sqrt(1 + 0.05**2))
    else:
        assert 0.0 < float(shape.loss) <= loss + 1e-12


def test_a_square_wave_of_twelve_orders_is_flat() -> None:
    """SOURCE_SERIES: the series up to order 23 has its crest at 1.179 of the wave (Gibbs), the fundamental at 4/pi."""
    shape = flat_topping(*spectrum({h: (1 / h, 0.0) for h in range(3, 25, 2)}))
    assert 1.0 - float(shape.loss) == pytest.approx(1.179 * np.pi / 4, abs=0.01)


def test_without_a_fundamental_there_is_no_crest() -> None:
    shape = flat_topping(np.zeros((2, 3, 50)), np.zeros((2, 3, 50)))
    assert shape.crest_factor.shape == (2, 3)
    assert not shape.crest_factor.any()
    assert not shape.loss.any()
    assert not shape.from_low_orders.any()


@given(
    sizes=st.lists(st.floats(0.0, 0.1), min_size=6, max_size=6),
    angles=st.lists(st.floats(-180.0, 180.0), min_size=6, max_size=6),
    scale=st.floats(1e-3, 1e4),
)
def test_the_crest_is_that_of_the_wave_drawn_point_by_point(
    sizes: list[float], angles: list[float], scale: float
) -> None:
    """Brute force: 7200 points of a cycle; 256 points miss a crest of order 13 by 1.3 % of that order at most."""
    orders = (2, 3, 5, 7, 11, 13)
    rms, degrees = spectrum({h: (size, a) for h, size, a in zip(orders, sizes, angles, strict=True)})
    theta = np.linspace(0, 2 * np.pi, 7200, endpoint=False)
    wave = sum(rms[h - 1] * np.sin(h * theta + np.radians(degrees[h - 1])) for h in (1, *orders))
    peak = float(np.abs(wave).max())
    shape = flat_topping(scale * rms, degrees)
    assert float(shape.loss) == pytest.approx(1 - peak, abs=2e-3)
    assert float(shape.crest_factor) == pytest.approx(np.sqrt(2) * peak / np.sqrt((rms**2).sum()), abs=4e-3)


@pytest.mark.parametrize(("sizes", "angles"), [(np.zeros(5), np.zeros(4)), (np.zeros(0), np.zeros(0))])
def test_spectra_that_do_not_fit_are_refused(sizes: F64, angles: F64) -> None:
    with pytest.raises(SignalError, match="must agree"):
        flat_topping(sizes, angles)


# --- whole waveforms


def flattened(crest_pu: float, *, duration_s: float = 5.0, noise_v: float = 0.3, hertz: float = 50.13) -> F64:
    """A sine whose crest a load holds down; the noise keeps its samples from being equal, as it is in life."""
    t = np.arange(round(RATE_HZ * duration_s)) / RATE_HZ
    held = np.clip(np.sin(2 * np.pi * hertz * t + 0.5), -crest_pu, crest_pu)
    return np.asarray(PEAK_V * held + noise_v * np.random.default_rng(0).standard_normal(t.size))


def measured(u: npt.NDArray[Any]) -> tuple[Spectra, npt.NDArray[np.uint8]]:
    series = measure_half_cycles(np.atleast_2d(u), rate_hz=RATE_HZ, nominal_frequency_hz=50.0)
    windows = windows_of(series)
    spectra = synchronised_spectra(
        u, rate_hz=RATE_HZ, starts=windows.starts, lengths=windows.lengths, n_cycles=windows.n_cycles
    )
    return spectra, windows.flags


def found(u: npt.NDArray[Any], *, nominal: float = PEAK_V / np.sqrt(2), **changes: Any) -> list[Finding]:
    spectra, flags = measured(u)
    return find_flat_topping(spectra, nominal=nominal, settings=FlatToppingSettings(**changes), flags=flags)


def test_a_crest_held_down_by_a_load_is_found_and_named() -> None:
    """SOURCE_LIMIT. Derived, for c = 0.78 and a = asin c: fundamental 2/pi (a + c sqrt(1 - c²)) = 0.8803, so that the
    crest is 11.4 % below it; mean square (a - sin(2a)/2)/pi + c² (1 - 2a/pi) = 0.39129, so that THD is 9.9 % and the
    crest factor 0.78 / 0.6255 = 1.247. The crest of 25 orders has a ripple of some tenths of a per cent."""
    (finding,) = found(flattened(0.78))
    assert (finding.kind, finding.category, finding.magnitude_unit) == ("harmonics", "harmonics", "%")
    pattern = r"flat-topped: crest ([\d.]+) % below the fundamental's, crest factor ([\d.]+); h3 "
    words = re.match(pattern, finding.notes)
    assert words is not None
    assert float(words[1]) == pytest.approx(11.4, abs=0.5)
    assert float(words[2]) == pytest.approx(1.247, abs=0.007)
    assert finding.magnitude == pytest.approx(9.9, abs=0.1)


def test_a_slightly_flattened_crest_is_left_to_the_limits_of_harmonics() -> None:
    """SOURCE_LIMIT."""
    u = flattened(0.9)
    assert found(u) == []
    assert len(found(u, limit_pct=3.0)) == 1


def test_a_crest_cut_at_the_recorders_rails_is_no_flattening() -> None:
    """The same wave cut in counts: equal samples at the crest are the recorder's, not the network's."""
    t = np.arange(round(RATE_HZ * 5)) / RATE_HZ
    counts = np.rint(20000 * np.sin(2 * np.pi * 50.13 * t + 0.5))
    cut = np.clip(counts, -15000, 15000).astype(np.int16)
    nominal = 20000 / np.sqrt(2)
    assert found(cut, nominal=nominal) == []
    spectra, flags = measured(cut)
    assert (flags != 0).all()
    # Its spectrum alone would have been taken for a load's.
    assert len(find_flat_topping(spectra, nominal=nominal, settings=FlatToppingSettings())) == 1


def test_flattening_of_two_seconds_is_no_steady_state() -> None:
    u = np.where(np.abs(np.arange(round(RATE_HZ * 5)) / RATE_HZ - 2.5) < 1.0, flattened(0.75), flattened(1.0))
    assert found(u) == []
    assert len(found(u, minimum_duration_s=1.0)) == 1


@given(scale=st.floats(1e-2, 1e3), order=st.permutations([0, 1, 2]))
@settings(max_examples=8)
def test_flattening_does_not_change_with_scale_and_parts_follow_the_order_of_channels(
    scale: float, order: list[int]
) -> None:
    """Property."""
    u = np.stack([flattened(crest) for crest in (0.95, 0.75, 0.7)])
    spectra, flags = measured(u)
    (plain,) = find_flat_topping(spectra, nominal=230.0, settings=FlatToppingSettings(), flags=flags)
    again = synchronised_spectra(
        scale * u[order], rate_hz=RATE_HZ, starts=spectra.starts, lengths=spectra.lengths, n_cycles=10
    )
    (other,) = find_flat_topping(again, nominal=scale * 230.0, settings=FlatToppingSettings(), flags=flags[order])
    assert other.magnitude == pytest.approx(plain.magnitude, rel=1e-3)
    assert {order[part.channel] for part in other.parts} == {part.channel for part in plain.parts} == {1, 2}
