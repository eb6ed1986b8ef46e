"""The side by the energy of a first departure: a bank on either side worked out step by step, and drawn feeders."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from made_circuits import CASES, FREQUENCY_HZ, RATE_HZ, generation_case

from halfcycle.classifiers.first_departure import first_departure_direction
from halfcycle.pipeline.measures.event_window import EventWindow, at_onset
from halfcycle.pipeline.measures.phasors import earlier_samples

F64 = npt.NDArray[np.float64]

SOURCE = "derived: Kirchhoff's laws, in steps of a sixtieth of a sample: source, its coil, a bus, a load and a bank"
CYCLE, N_BEFORE, N_AFTER = 128, 128, 32
STEPS = 60  # in a sample


def bank(angle: float, *, downstream: bool, fed_back: float) -> tuple[F64, F64]:
    """Voltage of a bus and current towards its load, of one phase, per unit; a bank is on from sample N_BEFORE on.

    The monitor's current is that of a coil and a resistor, of a current that the site feeds back, and of the bank where
    it lies downstream. Three cycles pass before.
    """
    w = 2 * math.pi / CYCLE
    l_source, l_load, r_load, c_stray, c_bank, r_bank = 0.05 / w, 0.5 / w, 0.9, 0.005 / w, 1.2 / w, 0.2
    dt = 1.0 / STEPS
    start = 3 * CYCLE + N_BEFORE
    i_source, i_load, v, v_bank = 0.0, 0.0, math.sin(angle), 0.0
    u, i = [], []
    for k in range((start + N_AFTER) * STEPS):
        t = k * dt
        i_bank = (v - v_bank) / r_bank if t >= start else 0.0
        fed = fed_back * math.sin(w * t + angle)
        i_source += dt / l_source * (math.sin(w * t + angle) - v - 0.01 * i_source)
        i_load += dt / l_load * (v - r_load * i_load)
        v += dt / c_stray * (i_source + fed - i_load - i_bank - 0.5 * v)
        v_bank += dt / c_bank * i_bank
        if k % STEPS == 0:
            u.append(v)
            i.append(i_load - fed + (i_bank if downstream else 0.0))
    return np.array(u), np.array(i)


@pytest.mark.parametrize("fed_back", [0.0, 3.0])
@pytest.mark.parametrize("downstream", [False, True])
def test_a_bank_is_on_its_side_whichever_way_power_flows(*, downstream: bool, fed_back: float) -> None:
    # SOURCE
    phases = [bank(1.0 - 2 * math.pi / 3 * k, downstream=downstream, fed_back=fed_back) for k in range(3)]
    waves = [np.stack([one[part] for one in phases]) for part in (0, 1)]
    u, i = (x[:, 2 * CYCLE :] - x[:, CYCLE:-CYCLE] for x in waves)
    found = first_departure_direction(
        u[:, -N_BEFORE - N_AFTER :], i[:, -N_BEFORE - N_AFTER :], n_before=N_BEFORE, cycle=CYCLE
    )
    assert found is not None
    assert found.direction == ("downstream" if downstream else "upstream")


def test_noise_and_a_surge_between_two_samples_have_no_side() -> None:
    rng = np.random.default_rng(1)
    u, i = 1e-3 * rng.standard_normal((2, 3, N_BEFORE + N_AFTER))
    assert first_departure_direction(u, i, n_before=N_BEFORE, cycle=CYCLE) is None
    u[0, N_BEFORE : N_BEFORE + 2] += 5.0, -2.0
    i[0, N_BEFORE : N_BEFORE + 2] += 5.0, -2.0
    assert first_departure_direction(u, i, n_before=N_BEFORE, cycle=CYCLE) is None


def test_too_few_samples_have_no_side_and_shapes_must_agree() -> None:
    u = np.ones((3, N_BEFORE + N_AFTER))
    assert first_departure_direction(u, u, n_before=N_BEFORE, cycle=40.0) is None
    assert first_departure_direction(u[:, : N_BEFORE + 9], u[:, : N_BEFORE + 9], n_before=N_BEFORE, cycle=CYCLE) is None
    with pytest.raises(ValueError, match="do not agree"):
        first_departure_direction(u, u[:, 1:], n_before=N_BEFORE, cycle=CYCLE)


@pytest.mark.long
def test_drawn_feeders_have_hardly_a_wrong_side() -> None:
    # The truth is how the feeder was built; faults beside generators are drawn with power flowing either way.
    told = wrong = 0
    for name in ("capacitor energising", "back-to-back capacitor energising", "fault", "exporting"):
        for k in range(40):
            rng = np.random.default_rng([k, 53])
            case = generation_case(rng) if name == "exporting" else CASES[name](rng)
            window = at_onset(EventWindow(case.noisy_u, case.noisy_i, RATE_HZ, FREQUENCY_HZ, case.start, case.stop))
            cycle, start = window.cycle, int(window.start) - 1
            begin, stop = start - int(cycle), start + int(cycle / 8) + 2
            u, i = (x[:, begin:stop] - earlier_samples(x, begin, stop, cycle) for x in (case.noisy_u, case.noisy_i))
            found = first_departure_direction(u, i, n_before=start - begin, cycle=cycle)
            told += found is not None
            wrong += found is not None and found.direction != case.recording.truth[0].direction
    print(f"{told} of 160 told, {wrong} wrong")
    assert told >= 60
    assert wrong <= 0.02 * told
