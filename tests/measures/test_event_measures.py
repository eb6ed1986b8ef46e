"""Measures of an event against waveforms whose phasors and shapes are written down beforehand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from halfcycle.classifiers.evidence import Evidence
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.measures.event_measures import gather_evidence
from halfcycle.pipeline.measures.event_parts import event_parts
from halfcycle.pipeline.measures.event_window import (
    EventWindow,
    at_onset,
    dip_phasors,
    find_onset,
    lasting_change,
    phasor_series,
    positive_sequence,
    series_of_part,
    three_phase_power,
)
from halfcycle.pipeline.measures.phasors import cycle_phasors, half_cycle_phasors, harmonic_phasors

SOURCE = "derived: sines whose magnitude, angle and harmonics are put in"
F64 = npt.NDArray[np.float64]
TURN = np.exp(2j * np.pi / 3)
SET = np.array([1.0, TURN**2, TURN])


def waves(phasors: list[tuple[float, npt.NDArray[np.complex128]]], *, rate_hz: float, f_hz: float, n: int) -> F64:
    """Three sines, RMS phasors that hold from an instant [s] on."""
    t = np.arange(n) / rate_hz
    out = np.zeros((3, n))
    for start_s, values in phasors:
        out[:, t >= start_s - 1e-12] = (np.sqrt(2) * np.outer(values, np.exp(2j * np.pi * f_hz * t))).real[
            :, t >= start_s - 1e-12
        ]
    return out


@pytest.mark.parametrize(("rate_hz", "f_hz"), [(6400.0, 50.0), (6400.0, 50.13), (7680.0, 59.8), (3200.0, 60.0)])
def test_phasors_of_sines_are_what_was_put_in_wherever_a_window_starts(rate_hz: float, f_hz: float) -> None:
    # Straight lines between samples: an error of (pi / samples a cycle)^2, 4e-3 at 53 samples, and as much in angle.
    values = 230 * SET * np.exp(0.4j)
    u = waves([(0.0, values)], rate_hz=rate_hz, f_hz=f_hz, n=1000)
    starts = np.array([0.0, 10.25, 333.7])
    found = cycle_phasors(u, rate_hz=rate_hz, frequency_hz=f_hz, starts=starts)
    assert np.abs(found - values[:, None]).max() < 230 * 1.2 * (np.pi * f_hz / rate_hz) ** 2


def test_second_harmonic_and_mean_have_their_own_phasors() -> None:
    t = np.arange(2000) / 12800.0
    x = 3.0 + np.sqrt(2) * (100 * np.cos(2 * np.pi * 50 * t) + 20 * np.cos(2 * np.pi * 100 * t + 0.5))
    starts = np.array([0.0, 100.0, 777.3])
    second = cycle_phasors(x, rate_hz=12800.0, frequency_hz=50.0, starts=starts, order=2)
    mean = cycle_phasors(x, rate_hz=12800.0, frequency_hz=50.0, starts=starts, order=0)
    assert np.abs(second - 20 * np.exp(0.5j)).max() < 0.1
    assert np.abs(mean - 3.0).max() < 0.05


def of_straight_lines(x: F64, first: float, cycle: float, order: int) -> complex:
    """The Fourier integral of turned samples joined by straight lines, summed piece by piece from its definition."""
    z = x * np.exp(-2j * np.pi * order / cycle * np.arange(x.size))
    inner = np.arange(np.floor(first) + 1, np.ceil(first + cycle))
    places = np.concatenate(([first], inner, [first + cycle]))
    heights = np.interp(places, np.arange(x.size), z.real) + 1j * np.interp(places, np.arange(x.size), z.imag)
    return complex(((heights[1:] + heights[:-1]) / 2 * np.diff(places)).sum()) / cycle * (np.sqrt(2) if order else 1)


@pytest.mark.parametrize("cycle", [128.0, 127.61, 53.3, 18.02])
def test_windows_between_samples_give_the_integral_of_their_definition(cycle: float) -> None:
    # Outside: the trapezoids of the definition, one after the other; whole and broken starts, the last sample of all.
    x = np.random.default_rng(3).standard_normal((2, 700))
    starts = np.array([0.0, 0.5, 17.0, 100.999999, 333.25, 699.0 - cycle])
    found = harmonic_phasors(x, rate_hz=50 * cycle, frequency_hz=50.0, starts=starts, orders=(0, 1, 5))
    wanted = [[[of_straight_lines(row, at, cycle, order) for at in starts] for row in x] for order in (0, 1, 5)]
    assert np.abs(found - wanted).max() < 1e-11


@pytest.mark.parametrize("cycle", [256.0, 255.97, 127.61, 53.3, 18.02, 8.5, 5.0])
@pytest.mark.parametrize("first", [0.0, 0.37, 40.0])
def test_windows_at_each_half_cycle_give_the_integral_of_their_definition(cycle: float, first: float) -> None:
    # Outside: as above; up to the last window that ends with the samples.
    n_windows = 1 + int((1499 - first - cycle) / (cycle / 2))
    x = np.random.default_rng(4).standard_normal((2, 1500))
    starts = first + np.arange(n_windows) * cycle / 2
    (found,) = half_cycle_phasors(x, rate_hz=50 * cycle, frequency_hz=50.0, starts=starts)
    wanted = [[of_straight_lines(row, at, cycle, 1) for at in starts[::7]] for row in x]
    assert np.abs(found[:, ::7] - wanted).max() < 1e-11
    assert np.abs(found - cycle_phasors(x, rate_hz=50 * cycle, frequency_hz=50.0, starts=starts)).max() < 1e-11


def test_nothing_is_exactly_nothing_at_each_half_cycle_however_much_came_before() -> None:
    x = np.concatenate((np.random.default_rng(5).standard_normal(700), np.zeros(800)))
    starts = 3.0 + np.arange(22) * 64.0
    (found,) = half_cycle_phasors(x, rate_hz=6400.0, frequency_hz=50.0, starts=starts)
    assert (found[0, starts >= 700] == 0).all()


@pytest.mark.parametrize("starts", [[-1.0], [900.0]])
def test_half_cycles_that_leave_the_samples_are_refused(starts: list[float]) -> None:
    with pytest.raises(SignalError, match="leave the 1000 samples"):
        half_cycle_phasors(np.ones(1000), rate_hz=6400.0, frequency_hz=50.0, starts=starts)


def test_the_series_of_a_part_is_that_of_the_part_alone() -> None:
    window = sag(f_hz=50.07)
    part = replace(window, u=window.u[:, : int(window.stop + 1.3 * window.cycle)])
    found, alone = series_of_part(phasor_series(window), part), phasor_series(part)
    assert np.abs(found.u - alone.u).max() < 1e-9
    assert (found.starts.tolist(), found.i_start, found.i_stop, found.n_before) == (
        alone.starts.tolist(), alone.i_start, alone.i_stop, alone.n_before,
    )  # fmt: skip


@pytest.mark.parametrize("starts", [[-1.0], [900.0]])
def test_windows_that_leave_the_samples_are_refused(starts: list[float]) -> None:
    with pytest.raises(SignalError, match="leave the 1000 samples"):
        cycle_phasors(np.ones(1000), rate_hz=6400.0, frequency_hz=50.0, starts=starts)


def test_samples_that_are_not_finite_are_refused() -> None:
    with pytest.raises(SignalError, match="finite"):
        cycle_phasors(np.full(1000, np.nan), rate_hz=6400.0, frequency_hz=50.0, starts=[0.0])


def sag(
    *, f_hz: float = 50.0, level: complex = 0.5, start_s: float = 0.2, stop_s: float = 0.32, line_to_line: bool = False
) -> EventWindow:
    """All three voltages at a level, constant impedance downstream."""
    before = 230 * SET
    u = waves(
        [(0.0, before), (start_s, level * before), (stop_s, before)], rate_hz=6400.0, f_hz=f_hz, n=4000
    )  # fmt: skip
    i = u / 10.0
    if line_to_line:
        u = u - np.roll(u, -1, axis=0)
    return EventWindow(u, i, 6400.0, 50.0, start_s * 6400, stop_s * 6400, line_to_line)


def evidence_of(window: EventWindow) -> Evidence:
    return gather_evidence(event_parts(at_onset(window)))


@pytest.mark.parametrize("f_hz", [49.8, 50.0, 50.2])
@pytest.mark.parametrize("level", [0.5, 0.7 * np.exp(-0.3j)])
def test_the_phasors_of_a_sag_are_those_put_in_at_any_frequency_near_nominal(f_hz: float, level: complex) -> None:
    # The frequency is taken from before the event; 0.2 Hz wrong would turn the phasor by 6 degrees in 80 ms.
    window = sag(f_hz=f_hz, level=level)
    series = phasor_series(window)
    before, during = dip_phasors(series, cycle=window.cycle)
    assert np.abs(during / before - level).max() < 0.01
    assert series.frequency_hz == pytest.approx(f_hz, abs=0.01)


def test_positive_sequence_is_that_of_phase_a_also_from_line_to_line_voltages() -> None:
    phases = phasor_series(sag())
    lines = phasor_series(sag(line_to_line=True))
    both = [phases.v1, lines.v1]
    # The frequencies that the two sets are found to have differ by some ten-thousandths of a hertz.
    assert np.abs(both[0] - both[1]).max() < 2e-3 * 230
    assert np.abs(both[0][phases.before] / 230).mean() == pytest.approx(1.0, abs=0.002)


def test_of_two_channels_the_one_that_changes_most_stands_for_the_rest() -> None:
    phasors = np.array([[1.0, 1.0, 0.99], [1.0, 0.5, 1.0]], np.complex128)
    assert positive_sequence(phasors, None).tolist() == [1.0, 0.5, 1.0]


def test_power_is_that_of_three_wattmeters_or_of_two() -> None:
    # SOURCE: 3 * 230 V * 23 A in balance, constant in time; currents add up to zero, so two wattmeters have it all.
    three, two = three_phase_power(sag()), three_phase_power(sag(line_to_line=True))
    assert three is not None
    assert two is not None
    assert three[:1200] == pytest.approx(3 * 230 * 23, rel=1e-9)
    assert two == pytest.approx(three, rel=1e-9)
    bare = sag()
    assert three_phase_power(EventWindow(bare.u, None, 6400.0, 50.0, 1280, 2048)) is None


def test_the_onset_is_where_the_waveform_departs() -> None:
    window = sag()
    for off in (-50.0, 0.0, 60.0):
        moved = EventWindow(window.u, window.i, 6400.0, 50.0, window.start + off, window.stop + off)
        # Phase A is at its peak at 0.2 s: it departs with the first sample.
        assert find_onset(moved) == window.start
        assert at_onset(moved).start == window.start


def test_a_steady_waveform_has_no_onset() -> None:
    window = sag(level=1.0)
    assert find_onset(window) is None
    assert at_onset(window) == window


def test_a_rectangular_sag_has_the_evidence_of_one() -> None:
    evidence = evidence_of(sag(level=0.6))
    assert evidence.residual_pu == pytest.approx(0.6, abs=0.005)
    assert evidence.depth_pu == pytest.approx(0.4, abs=0.005)
    assert evidence.duration_s == pytest.approx(0.12, abs=0.001)
    assert evidence.step_pu == pytest.approx(0.0, abs=0.002)
    assert evidence.drop_share == pytest.approx(1.0, abs=0.01)
    assert evidence.recovery_share == pytest.approx(1.0, abs=0.01)
    assert evidence.rectangularity is not None
    assert evidence.rectangularity > 0.9
    assert evidence.unbalance == pytest.approx(0.0, abs=0.01)
    # The load is a resistance: it follows, and nothing is added.
    assert evidence.added_current == pytest.approx(0.0, abs=0.01)
    assert evidence.kept_power_pu == pytest.approx(0.0, abs=0.005)


@pytest.mark.parametrize(("added", "lagging"), [(0.5, None), (2.0 * np.exp(-1.2j), True), (0.4j, False)])
def test_what_is_added_to_a_current_is_found_with_its_power_factor(added: complex, lagging: bool | None) -> None:
    # SOURCE: 1 pu of resistive load, and more from 0.2 s on, the voltage 2 % down; active and reactive power kept.
    before = 230 * SET
    u = waves([(0.0, before), (0.2, 0.98 * before)], rate_hz=6400.0, f_hz=50.0, n=4000)
    i = waves([(0.0, 10 * SET), (0.2, (0.98 + added) * 10 * SET)], rate_hz=6400.0, f_hz=50.0, n=4000)
    evidence = evidence_of(EventWindow(u, i, 6400.0, 50.0, 1280.0, 1408.0))
    assert evidence.added_current == pytest.approx(abs(added), rel=0.02)
    assert evidence.added_power_factor == pytest.approx(np.cos(np.angle(added)), abs=0.02)
    if lagging is not None:
        assert evidence.added_lagging == lagging
    power = 0.98 * np.conj(added)
    assert evidence.kept_power_pu == pytest.approx(power.real, abs=0.01)
    assert evidence.kept_reactive_pu == pytest.approx(power.imag, abs=0.01)
    assert evidence.step_pu == pytest.approx(-0.02, abs=0.001)
    assert evidence.added_end_share == pytest.approx(1.0, abs=0.02)


def test_a_ringing_has_its_frequency_and_size() -> None:
    window = sag(level=1.0)
    t = np.arange(4000) / 6400.0 - 0.2
    ringing = np.where(t >= 0, 0.3 * 325 * np.exp(-t.clip(0) / 0.01) * np.sin(2 * np.pi * 640 * t), 0.0)
    evidence = gather_evidence(
        event_parts(at_onset(EventWindow(window.u + ringing, window.i, 6400.0, 50.0, 1280.0, 1344.0)))
    )
    assert evidence.oscillation_hz == pytest.approx(640.0, rel=0.02)
    assert evidence.oscillation_pu == pytest.approx(0.3, abs=0.05)


def test_a_step_is_judged_by_what_it_leaves_and_a_brief_sag_by_what_it_is() -> None:
    before = 230 * SET
    step = waves([(0.0, before), (0.2, 0.97 * before)], rate_hz=6400.0, f_hz=50.0, n=4000)
    series = phasor_series(EventWindow(step, step / 10, 6400.0, 50.0, 1280.0, 1408.0))
    assert lasting_change(series) == (series.i_start + 6, series.i_start + 12)
    brief = phasor_series(sag(stop_s=0.225))
    assert lasting_change(brief) == (brief.i_start, brief.i_stop)


def test_an_event_without_three_cycles_before_it_is_refused() -> None:
    window = sag(start_s=0.05)
    with pytest.raises(SignalError, match="3 cycles before"):
        phasor_series(window)


@pytest.mark.parametrize("f_hz", [10.0, 37.0, 44.0, 57.0, 75.0])
@pytest.mark.parametrize("n_after", [1.0, 1.02, 1.2])
def test_an_event_has_its_first_window_or_is_refused_whatever_turns_before_it(f_hz: float, n_after: float) -> None:
    # Derived: a cycle of 44 Hz is longer than one of 50 Hz, so that one cycle after the start may be too little for it.
    whole = sag(f_hz=f_hz)
    window = replace(whole, u=whole.u[:, : int(whole.start + n_after * whole.cycle) + 2], i=None)
    try:
        series = phasor_series(window)
    except SignalError:
        return
    assert series.i_start < series.starts.size == series.u.shape[1]
    assert series.n_before >= 2
    assert abs(f_hz / 50 - 1) < 0.25


def test_what_was_not_measured_is_none() -> None:
    window = sag()
    bare = gather_evidence(
        event_parts(at_onset(EventWindow(window.u[:1], None, 6400.0, 50.0, window.start, window.stop)))
    )
    assert (bare.unbalance, bare.added_current, bare.second_harmonic, bare.zero_sequence_pu) == (None,) * 4
    assert bare.residual_pu == pytest.approx(0.5, abs=0.005)
    open_ended = gather_evidence(
        event_parts(at_onset(EventWindow(window.u[:, :2000], None, 6400.0, 50.0, window.start, 2048.0)))
    )
    assert (open_ended.duration_s, open_ended.step_pu) == (None, None)
