"""Power against the worked example of IEEE 1459, examples that tell three-phase definitions apart, and identities."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.harmonic_spectra import harmonic_spectra, margin_samples
from halfcycle.pipeline.measures.power import (
    arithmetic_apparent_power,
    effective_power_four_wire,
    effective_power_three_wire,
    harmonic_powers,
    phase_power,
    quadrant,
)
from halfcycle.pipeline.measures.waveform_indices import window_values

F64 = npt.NDArray[np.float64]
C128 = npt.NDArray[np.complex128]

SOURCE_ANNEX_B = (
    "IEEE Std 1459-2010, Annex B, worked example: voltages, magnitudes and the first two current angles [found], last "
    "two angles from memory; results recomputed, which the standard prints rounded"
)
SOURCE_THREE_PHASE = "IEEE Std 1459-2010, 3.2.2.8 and 3.2.3 [found, second-hand]; examples worked by hand"
# Order: (V, degrees; A, degrees), RMS.
ANNEX_B = {1: (100, 0, 100, -30), 3: (8, -70, 20, -165), 5: (15, 140, 15, 233), 7: (5, 20, 10, 288)}
RESULTS = {
    "p1": 8660.25, "q1": 5000.00, "p": 8632.79, "p_h": -27.47, "s": 10517.49, "s1": 10000.00, "s_n": 3258.47,
    "d_i": 2692.58, "d_v": 1772.00, "s_h": 477.13, "d_h": 476.34, "n": 6007.71,
}  # fmt: skip


def phasor(size: float, degrees: float) -> complex:
    return complex(size * np.exp(1j * np.radians(degrees)))


def annex_b() -> tuple[C128, C128]:
    """Phasors of voltage and current, orders 1 to 7."""
    u, i = np.zeros(7, np.complex128), np.zeros(7, np.complex128)
    for h, (v, v_deg, a, a_deg) in ANNEX_B.items():
        u[h - 1], i[h - 1] = phasor(v, v_deg), phasor(a, a_deg)
    return u, i


def waves(phasors: C128, *, hertz: float, rate_hz: float, n: int) -> F64:
    """Samples of channels from their phasors, shape (n_channels, n_orders)."""
    t = np.arange(n) / rate_hz
    turns = np.exp(2j * np.pi * hertz * t * np.arange(1, phasors.shape[1] + 1)[:, None])
    x: F64 = np.sqrt(2) * (phasors @ turns).real
    return x


def test_the_worked_example_comes_out() -> None:
    """SOURCE_ANNEX_B."""
    u, i = annex_b()
    p, q = harmonic_powers(u, i)
    assert p[[0, 2, 4, 6]] == pytest.approx([8660.25, -13.94, -11.78, -1.74], abs=0.01)
    assert q[[0, 2, 4, 6]] == pytest.approx([5000.00, 159.39, -224.69, 49.97], abs=0.01)
    found = phase_power(p=p.sum(), u_rms=np.linalg.norm(u), i_rms=np.linalg.norm(i), u1=u[0], i1=i[0])
    for name, expected in RESULTS.items():
        assert float(getattr(found, name)) == pytest.approx(expected, abs=0.01), name
    assert (float(found.pf), float(found.dpf)) == pytest.approx((0.8208, 0.8660), abs=5e-5)
    assert float(found.s_n / found.s1) == pytest.approx(0.3258, abs=5e-5)


@pytest.mark.parametrize("hertz", [42.5, 50.0, 50.37, 57.5])
@pytest.mark.parametrize("rate_hz", [3200.0, 12800.0, 25600.0])
def test_the_worked_example_comes_out_of_its_samples(hertz: float, rate_hz: float) -> None:
    """SOURCE_ANNEX_B, from the waveform; to 0.01 % of the apparent power."""
    u, i = annex_b()
    x = waves(np.stack([u, i]), hertz=hertz, rate_hz=rate_hz, n=round(0.6 * rate_hz))
    margin, length = margin_samples(rate_hz=rate_hz, n_cycles=10), 10 * rate_hz / hertz
    at = {"starts": margin + 0.6 + length * np.arange(2), "lengths": [length] * 2}
    values = window_values(x, **at)
    phasors = harmonic_spectra(x, rate_hz=rate_hz, n_cycles=10, **at).phasors  # type: ignore[arg-type]
    found = phase_power(
        p=values.mean_product(0, 1), u_rms=values.rms[0], i_rms=values.rms[1], u1=phasors[0, :, 0], i1=phasors[1, :, 0]
    )
    for name in ("p", "p1", "q1", "s", "s1"):
        assert getattr(found, name) == pytest.approx([RESULTS[name]] * 2, abs=1e-4 * RESULTS["s"]), name
    assert found.s_n == pytest.approx([RESULTS["s_n"]] * 2, rel=2e-3)
    p, q = harmonic_powers(phasors[0], phasors[1])
    assert p[:, 4] == pytest.approx([-11.78] * 2, abs=0.05)
    assert q[:, 4] == pytest.approx([-224.69] * 2, abs=0.1)


def test_parts_of_the_apparent_power_add_up_by_their_squares() -> None:
    """IEEE Std 1459-2010, 3.1.2: S² = S1² + SN², SN² = DI² + DV² + SH², S² = P² + N²; of any spectra."""
    rng = np.random.default_rng(1)
    u, i = (rng.normal(size=(30, 9, 2)) @ [1, 1j] for _ in range(2))
    p, _ = harmonic_powers(u, i)
    found = phase_power(
        p=p.sum(axis=1), u_rms=np.linalg.norm(u, axis=1), i_rms=np.linalg.norm(i, axis=1), u1=u[:, 0], i1=i[:, 0]
    )
    assert found.s_n**2 == pytest.approx(found.d_i**2 + found.d_v**2 + found.s_h**2)
    assert found.s**2 == pytest.approx(found.s1**2 + found.s_n**2)
    assert found.s**2 == pytest.approx(found.p**2 + found.n**2)
    assert found.s1**2 == pytest.approx(found.p1**2 + found.q1**2)
    assert (np.abs(found.pf) <= 1).all()


@pytest.mark.parametrize(("angle_deg", "expected"), [(-30.0, 1), (-150.0, 2), (150.0, 3), (30.0, 4), (0.0, 1)], ids=str)
def test_signs_and_quadrants_are_those_of_a_load(angle_deg: float, expected: int) -> None:
    """Common practice: a current that lags by 30° takes power and is inductive, in quadrant I; turned by 180°, III."""
    found = phase_power(p=2300 * np.cos(np.radians(angle_deg)), u_rms=230, i_rms=10, u1=230, i1=phasor(10, angle_deg))
    assert int(quadrant(found.p, found.q1)) == expected
    assert float(found.p1) == pytest.approx(float(found.p))
    assert np.sign(found.pf) == np.sign(found.dpf) == (1 if abs(angle_deg) < 90 else -1)
    assert float(found.q1) == pytest.approx(-2300 * np.sin(np.radians(angle_deg)))


def test_power_factors_without_power_are_not_numbers() -> None:
    found = phase_power(p=[0.0], u_rms=[230.0], i_rms=[0.0], u1=[230.0 + 0j], i1=[0j])
    assert np.isnan([found.pf[0], found.dpf[0]]).all()
    assert float(found.s_n[0]) == 0.0


BALANCED = np.array([phasor(1, 0), phasor(1, -120), phasor(1, 120)])


def test_a_resistor_between_two_phases_tells_the_definitions_apart() -> None:
    """SOURCE_THREE_PHASE: 127 V, 22.727 A between a and b: PFA 0.8660, PFe 0.7071; half the power unbalanced."""
    u = 127.0 * BALANCED
    line = u - np.roll(u, -1)
    i = 250 / 11 * np.array([1, -1, 0]) * line[0] / abs(line[0])
    p, q = harmonic_powers(u, i)
    s = np.abs(u) * np.abs(i)
    assert p.sum() == pytest.approx(4999.33, abs=0.05)
    assert q == pytest.approx([-1443.18, 1443.18, 0.0], abs=0.05)
    assert float(arithmetic_apparent_power(s)) == pytest.approx(5772.73, abs=0.1)
    three = effective_power_three_wire(p=p.sum(), u_line_rms=np.abs(line), i_rms=np.abs(i), u1_line=line, i1=i)
    four = effective_power_four_wire(
        p=p.sum(), u_rms=np.abs(u), u_line_rms=np.abs(line), i_rms=np.abs(i), i_neutral_rms=0.0, u1=u, i1=i
    )
    for found in (three, four):
        assert float(found.s_e) == pytest.approx(7070.12, abs=0.1)
        assert float(found.pf_e) == pytest.approx(0.7071, abs=5e-5)
        assert float(found.s1_plus) == pytest.approx(4999.33, abs=0.05)
        assert float(found.s_u1) == pytest.approx(4999.33, abs=0.1)
        assert float(found.s_en) == pytest.approx(0.0, abs=1e-3)
        assert float(found.p1_plus) == pytest.approx(4999.33, abs=0.05)
        assert float(found.q1_plus) == pytest.approx(0.0, abs=1e-6)


def test_one_load_on_a_four_wire_system_tells_them_apart_too() -> None:
    """SOURCE_THREE_PHASE: 120 V, 10 A in phase on a alone: Ie 8.165 A, Se 2939.39 VA, PFe 0.4082; SA = 1200 VA."""
    u, i = 120.0 * BALANCED, np.array([10.0 + 0j, 0, 0])
    found = effective_power_four_wire(
        p=1200.0,
        u_rms=np.abs(u),
        u_line_rms=np.abs(u - np.roll(u, -1)),
        i_rms=np.abs(i),
        i_neutral_rms=10.0,
        u1=u,
        i1=i,
    )
    assert float(found.i_e) == pytest.approx(8.165, abs=5e-4)
    assert float(found.s_e) == pytest.approx(2939.39, abs=0.01)
    assert float(found.pf_e) == pytest.approx(0.4082, abs=5e-5)
    assert float(arithmetic_apparent_power(np.abs(u) * np.abs(i))) == pytest.approx(1200.0)


def test_a_balanced_distorted_load_has_effective_powers_three_times_those_of_a_phase() -> None:
    """Derived: with u and i of Annex B in each phase but no triplens, Ve and Ie are a phase's, Se is three times S."""
    u, i = annex_b()
    u[2] = i[2] = 0
    turned = np.exp(-2j * np.pi / 3 * np.arange(3)[:, None] * np.arange(1, 8))
    u_abc, i_abc = u * turned, i * turned
    p, _ = harmonic_powers(u_abc, i_abc)
    one = phase_power(p=p[0].sum(), u_rms=np.linalg.norm(u), i_rms=np.linalg.norm(i), u1=u[0], i1=i[0])
    line = u_abc - np.roll(u_abc, -1, axis=0)
    norm = np.linalg.norm
    four = effective_power_four_wire(
        p=p.sum(), u_rms=norm(u_abc, axis=1), u_line_rms=norm(line, axis=1), i_rms=norm(i_abc, axis=1),
        i_neutral_rms=norm(i_abc.sum(axis=0)), u1=u_abc[:, 0], i1=i_abc[:, 0],
    )  # fmt: skip
    three = effective_power_three_wire(
        p=p.sum(), u_line_rms=norm(line, axis=1), i_rms=norm(i_abc, axis=1), u1_line=line[:, 0], i1=i_abc[:, 0]
    )
    for found in (four, three):
        for name, of_phase in (("s_e", "s"), ("s_e1", "s1"), ("s_en", "s_n"), ("d_ei", "d_i"), ("d_ev", "d_v")):
            assert float(getattr(found, name)) == pytest.approx(3 * float(getattr(one, of_phase))), name
        assert float(found.s_eh) == pytest.approx(3 * float(one.s_h))
        assert float(found.p1_plus) == pytest.approx(3 * float(one.p1))
        assert float(found.q1_plus) == pytest.approx(3 * float(one.q1))
        assert float(found.s_u1) == pytest.approx(0.0, abs=1e-3)
        assert float(found.pf1_plus) == pytest.approx(0.8660, abs=5e-5)
        assert float(found.thd_ei) == pytest.approx(np.hypot(0.15, 0.10))
        assert float(found.thd_eu) == pytest.approx(np.hypot(0.15, 0.05))
        assert float(found.u_e) == pytest.approx(float(norm(u)))


def test_many_windows_are_measured_side_by_side() -> None:
    rng = np.random.default_rng(2)
    u, i = (rng.normal(size=(3, 20, 2)) @ [1, 1j] for _ in range(2))
    line = u - np.roll(u, -1, axis=0)
    p = harmonic_powers(u, i)[0].sum(axis=0)
    options = {"u_rms": np.abs(u), "u_line_rms": np.abs(line), "i_rms": np.abs(i), "u1": u, "i1": i}
    together = effective_power_four_wire(p=p, i_neutral_rms=np.abs(i.sum(axis=0)), **options)
    for w in range(20):
        alone = effective_power_four_wire(
            p=p[w], i_neutral_rms=abs(i[:, w].sum()), **{name: values[:, w] for name, values in options.items()}
        )
        assert float(alone.s_e) == pytest.approx(together.s_e[w])
        assert float(alone.s_u1) == pytest.approx(together.s_u1[w])
    assert together.s_en == pytest.approx(np.zeros(20), abs=1e-6)


def test_other_than_three_phases_are_refused() -> None:
    two = np.ones((2, 4))
    with pytest.raises(SignalError):
        effective_power_three_wire(p=np.ones(4), u_line_rms=two, i_rms=two, u1_line=two, i1=two)
