"""The parametric family against its equations, written again in closed form."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.synthesis.parametric import (
    FORMS,
    JOINED,
    PRIMITIVES,
    Conditions,
    Parameters,
    draw,
    evaluate,
    parametric_windows,
)

SOURCE = (
    "R. Igual, C. Medrano, F. J. Arcega, G. Mantescu, Integral mathematical model of power quality disturbances, "
    "ICHQP 2018: equations and ranges of the 29 classes"
)
CYCLE_S, WINDOW_S, OMEGA = 0.02, 0.2, 2 * np.pi * 50.0
T_S = np.arange(3200) / 16_000.0


def one(p: Parameters, i: int) -> dict[str, np.ndarray]:
    """Parameters of one window by name."""
    return {field.name: getattr(p, field.name)[..., i] for field in fields(p)}


def by_the_equation(number: int, q: dict[str, np.ndarray], t: float) -> float:
    """y(t) of one class at one instant, as the table of the source writes it."""
    a, th = q["harmonics"], q["angles"]
    u = 1.0 if q["t1_s"] <= t < q["t2_s"] else 0.0
    sine = np.sin(OMEGA * t - th[0])
    h135 = sine + a[1] * np.sin(3 * OMEGA * t - th[1]) + a[2] * np.sin(5 * OMEGA * t - th[2])
    h = h135 + (a[3] * np.sin(7 * OMEGA * t - th[3]) if number == 7 else 0.0)
    flicker = q["flicker"] * np.sin(2 * np.pi * q["flicker_hz"] * t)
    since = t - q["start_s"]
    ringing = (
        q["transient"] * np.exp(-since / q["decay_s"]) * np.sin(2 * np.pi * q["transient_hz"] * since - q["theta"])
    )
    ot = ringing if q["start_s"] <= t < q["end_s"] else 0.0
    d = q["change"] * u
    since = t - q["impulse_s"]
    pulse = -q["psi"] * (np.exp(-750 * since) - np.exp(-344 * since)) if 0 <= since < 1e-3 else 0.0
    place = (50.0 * t - q["place_cycles"]) % (1 / q["per_cycle"])
    notch = -np.sign(sine) * q["notch"] if place < q["width_cycles"] else 0.0
    plain = {1: sine, 5: sine + pulse, 6: sine + ot, 7: h, 10: (1 + flicker) * sine, 17: sine + notch}
    if number in plain:
        return float(plain[number])
    groups = {
        (2, 3, 4): (1 + d) * sine, (8, 9): (1 + d) * h135, (11, 12): (flicker + 1 + d) * sine,
        (13, 14): (1 + d) * sine + ot, (15, 16): sine + d * h135, (18, 19): (1 + d) * h135 * (1 + flicker),
        (20, 21): sine + d * h135 * (1 + flicker), (22, 23): sine + d * h135 + ot, (24, 25): (1 + d) * h135 + ot,
        (26, 27): ((1 + d) * h135 + ot) * (1 + flicker), (28, 29): sine + d * h135 * (1 + flicker) + ot,
    }  # fmt: skip
    return float(next(value for numbers, value in groups.items() if number in numbers))


@pytest.mark.slow
@pytest.mark.parametrize("number", sorted(FORMS))
def test_each_class_is_its_equation_at_every_sample(number: int) -> None:
    """SOURCE. Tolerance: rounding of sums of a few terms near 1."""
    p = draw(number, 3, rng=np.random.default_rng(number), conditions=Conditions())
    y = evaluate(number, p, T_S)
    for i in range(3):
        expected = [by_the_equation(number, one(p, i), float(t)) for t in T_S[::7]]
        # a sample on an edge may fall on either side of it by rounding
        wrong = np.abs(y[i, ::7] - expected) > 1e-9
        assert wrong.sum() <= 1


@pytest.mark.parametrize("number", sorted(FORMS))
def test_parameters_lie_in_the_published_ranges_and_fill_them(number: int) -> None:
    """SOURCE, table of ranges; of 2000 even draws the outer hundredths are missed with probability 2e-9 each."""
    p = draw(number, 2000, rng=np.random.default_rng(1), conditions=Conditions())
    change = {None: (0.0, 0.0), "sag": (-0.9, -0.1), "swell": (0.1, 0.8), "interruption": (-1.0, -0.9)}
    inside = FORMS[number].transient == "inside"
    ranges = [
        (p.change, change[FORMS[number].change]), (p.flicker, (0.05, 0.10)), (p.flicker_hz, (8.0, 25.0)),
        (p.transient, (0.1, 0.8)), (p.transient_hz, (300.0, 900.0)), (p.decay_s, (0.008, 0.040)),
        (p.psi, (0.222, 1.11)), (p.notch, (0.1, 0.4)), (p.width_cycles, (0.01, 0.05)), (p.angles, (-np.pi, np.pi)),
        (p.t2_s - p.t1_s, (CYCLE_S, 9 * CYCLE_S)),
    ]  # fmt: skip
    for values, (low, high) in ranges:
        assert low - 1e-12 <= values.min() <= low + 0.01 * (high - low) + 1e-12
        assert high - 0.01 * (high - low) - 1e-12 <= values.max() <= high + 1e-12
    assert set(p.per_cycle) == {1.0, 2.0, 4.0, 6.0}
    assert (p.t1_s >= 0).all()
    assert (p.t2_s <= WINDOW_S + 1e-12).all()
    length = p.end_s - p.start_s
    assert length.max() <= WINDOW_S / 3.33 + 1e-12
    assert length.min() >= (CYCLE_S / 5 if inside else CYCLE_S / 2) - 1e-12
    if inside:
        assert (p.start_s >= p.t1_s).all()
        assert (p.end_s <= p.t2_s + 1e-12).all()


def test_an_impulse_peaks_at_0_2366_psi_after_one_millisecond() -> None:
    """SOURCE; derived: exp(-0.344) - exp(-0.75) = 0.2366. Tolerance: one sample before the end, of 1 MHz."""
    conditions = Conditions(rate_hz=1e6)
    p = draw(5, 4, rng=np.random.default_rng(3), conditions=conditions)
    t_s = np.arange(conditions.n_samples) / conditions.rate_hz
    added = evaluate(5, p, t_s) - np.sin(OMEGA * t_s - p.angles[0][:, None])
    np.testing.assert_allclose(added.max(axis=1), 0.2366 * p.psi, rtol=2e-3)
    np.testing.assert_allclose(t_s[added.argmax(axis=1)] - p.impulse_s, 1e-3, atol=2e-6)


@pytest.mark.parametrize("snr_db", [40.0, 20.0])
def test_noise_is_below_the_disturbed_signal_by_the_ratio_asked_for(snr_db: float) -> None:
    """SNR = 10 log10(mean(s^2) / var(n)), as in the source. 40 windows of 3200 samples: 0.4 %, 0.02 dB."""
    clean = parametric_windows(40, conditions=Conditions(), seed=4, classes=(2,)).values.astype(float)
    noisy = parametric_windows(40, conditions=Conditions(snr_db=(snr_db, snr_db)), seed=4, classes=(2,)).values
    ratio_db = 10 * np.log10(np.mean(clean**2, axis=1) / np.var(noisy - clean, axis=1))
    assert abs(ratio_db.mean() - snr_db) < 0.06
    assert np.ptp(ratio_db) < 1.0


def test_quantised_values_are_whole_steps_within_full_scale() -> None:
    """Derived: 2 x 2 pu in 256 steps of 1/64 pu."""
    drawn = parametric_windows(5, conditions=Conditions(bits=8, snr_db=(10.0, 10.0)), seed=5, classes=(3,))
    np.testing.assert_array_equal(drawn.values * 64, np.round(drawn.values * 64))
    assert drawn.values.max() <= 2 - 1 / 64
    assert drawn.values.min() >= -2


def test_a_background_has_the_distortion_asked_for_and_follows_the_envelope() -> None:
    """Derived: THD by definition, over the whole cycles before a sag and those in it."""
    conditions = Conditions(background_thd=(0.05, 0.05))
    drawn = parametric_windows(60, conditions=conditions, seed=6, classes=(2,))
    p = drawn.parameters[0]
    for y, t1_s, t2_s in zip(drawn.values, p.t1_s, p.t2_s, strict=True):
        for first_s, last_s in ((0.0, t1_s), (t1_s, t2_s)):
            first = int(np.ceil(first_s * 16_000))
            if (last_s - first_s) * 50 < 1.05:
                continue
            spectrum = np.abs(np.fft.rfft(y[first : first + 320].astype(float)))
            assert np.sqrt(np.sum(spectrum[2:] ** 2)) / spectrum[1] == pytest.approx(0.05, abs=1e-4)


def test_backgrounds_that_stay_as_they_are_do_not_follow_the_envelope() -> None:
    """Derived: without its fundamental, what stays has the same size before a sag and in it."""
    conditions = Conditions(background_thd=(0.05, 0.05), unmoved_share=0.5)
    drawn = parametric_windows(60, conditions=conditions, seed=6, classes=(2,))
    p = drawn.parameters[0]
    sizes = []
    for y, t1_s, t2_s, change in zip(drawn.values, p.t1_s, p.t2_s, p.change, strict=True):
        first = int(np.ceil(t1_s * 16_000))
        if (t2_s - t1_s) * 50 > 1.05:
            spectrum = np.abs(np.fft.rfft(y[first : first + 320].astype(float)))
            sizes.append((np.sqrt(np.sum(spectrum[2:] ** 2)) / 160, 0.05 * (1 + change)))
    found, following = np.array(sizes).T
    stays = np.isclose(found, 0.05, atol=1e-4)
    assert np.all(stays | np.isclose(found, following, atol=1e-4))
    assert 0.3 < stays.mean() < 0.7


def test_some_windows_are_at_exactly_nominal_frequency() -> None:
    """Binomial: a quarter of 400, to within four standard deviations."""
    conditions = Conditions(frequency_deviation=(-0.01, 0.01), nominal_share=0.25)
    frequency_hz = parametric_windows(400, conditions=conditions, seed=7, classes=(1,)).parameters[0].frequency_hz
    assert abs(np.mean(frequency_hz == 50.0) - 0.25) < 4 * np.sqrt(0.25 * 0.75 / 400)


def test_the_frequency_deviates_evenly_over_its_range_and_the_nominal_one_sets_the_length() -> None:
    drawn = parametric_windows(
        300,
        conditions=Conditions(rate_hz=3000.0, nominal_hz=60.0, frequency_deviation=(-0.01, 0.01)),
        seed=7,
        classes=(1,),
    )
    assert drawn.values.shape == (300, 500)
    assert np.ptp(drawn.parameters[0].frequency_hz) == pytest.approx(1.2, rel=0.03)


def test_labels_name_the_primitives_of_the_equation() -> None:
    """SOURCE, names of the classes."""
    drawn = parametric_windows(1, conditions=Conditions(rate_hz=1600.0), seed=8)
    named = [{name for name, there in zip(PRIMITIVES, row, strict=True) if there} for row in drawn.primitives]
    assert named[0] == set()
    assert named[4 - 1] == {"interruption"}
    assert named[28 - 1] == {"sag", "harmonics", "flicker", "oscillatory transient"}
    assert sum("flicker" in row for row in named) == 11
    assert sum("oscillatory transient" in row for row in named) == 11
    for one_of, other in JOINED:
        assert named[other - 1] - named[one_of - 1] == {"flicker"}


def test_the_same_seed_gives_the_same_windows_of_a_class_whatever_others_are_drawn() -> None:
    conditions = Conditions(rate_hz=3200.0, snr_db=(20.0, 40.0), clean_share=0.5)
    alone = parametric_windows(6, conditions=conditions, seed=9, classes=(12,))
    among = parametric_windows(6, conditions=conditions, seed=9, classes=(2, 12))
    np.testing.assert_array_equal(alone.values, among.values[6:])
    other = parametric_windows(6, conditions=conditions, seed=10, classes=(12,))
    assert not np.array_equal(alone.values, other.values)
    assert 0 < np.isinf(among.snr_db).sum() < 12


@pytest.mark.parametrize("classes", [(), (0,), (30,)])
def test_classes_outside_the_family_are_refused(classes: tuple[int, ...]) -> None:
    with pytest.raises(ConfigError, match="classes 1 to 29"):
        parametric_windows(1, conditions=Conditions(), seed=1, classes=classes)


@pytest.mark.parametrize("wrong", [{"rate_hz": 100.0}, {"n_cycles": 2}, {"bits": 1}, {"bits": 25}])
def test_conditions_that_make_no_window_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ConfigError):
        Conditions(**wrong)  # type: ignore[arg-type]
