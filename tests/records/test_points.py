"""Measuring points: which voltages of a capture are judged, and how each is formed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.records.points import Point, judged_channels, judged_samples, points_of
from halfcycle.pipeline.terms import HOOKUPS

SOURCE = "Kirchhoff: UAB = UA - UB, and UAB + UBC + UCA = 0"


def header(*channels: Channel | str, n: int = 4, kind: str = "int16") -> Header:
    """Channels as they are, or voltages of a phase; a number after the phase makes the name differ."""
    made = tuple(
        c if isinstance(c, Channel) else Channel(f"U{c}", "voltage", c.rstrip("0123456789"), "V") for c in channels
    )
    return Header("S", 0, 6400.0, n, made, kind)


def judged(point: Point) -> list[tuple[str, tuple[tuple[int, int], ...]]]:
    return [(voltage.phase, voltage.terms) for voltage in point.voltages]


def capture(rows: Sequence[Sequence[float]], *channels: Channel | str, kind: str = "int16") -> Capture:
    samples = np.array(rows, kind)
    return Capture(header(*channels, n=samples.shape[1], kind=kind), samples)


CURRENT = Channel("IA", "current", "A", "A")


@pytest.mark.parametrize(
    ("phases", "hookup"),
    [
        (("A",), "single-phase"),
        (("B",), "single-phase"),
        (("A", "B"), "split-phase"),
        (("A", "B", "C"), "four-wire"),
        (("A", "B", "C", "N"), "four-wire"),
        (("AB", "BC", "CA"), "three-wire"),
        (("AB", "BC"), "three-wire"),
        (("CA",), "three-wire"),
    ],
)
def test_the_hookup_is_told_from_the_phases_there_are(phases: tuple[str, ...], hookup: str) -> None:
    (point,) = points_of(header(CURRENT, *phases))
    assert point.hookup == HOOKUPS[hookup]
    assert point.name is None
    assert point.notes == ()


def test_channels_are_judged_in_order_of_phase_whatever_their_order_in_the_file() -> None:
    (point,) = points_of(header("C", CURRENT, "A", "N", "B"))
    assert judged(point) == [("A", ((2, 1),)), ("B", ((4, 1),)), ("C", ((0, 1),))]
    assert point.phases == ("A", "B", "C")


def test_the_third_line_to_line_voltage_is_the_negative_sum_of_two() -> None:
    # SOURCE.
    (point,) = points_of(header("AB", "CA"))
    assert judged(point) == [("AB", ((0, 1),)), ("BC", ((0, -1), (1, -1))), ("CA", ((1, 1),))]
    made = judged_samples(capture([[10, 20], [1, -5]], "AB", "CA"), point)
    np.testing.assert_array_equal(made, [[10, 20], [-11, -15], [1, -5]])
    assert np.allclose(made.sum(axis=0), 0)


def test_line_to_line_voltages_are_differences_of_those_to_ground_where_the_hookup_says_three_wire() -> None:
    # SOURCE; each channel with a scale and an offset of its own.
    channels = [
        Channel("UA", "voltage", "A", "V", scale=2.0, offset=1.0),
        Channel("UB", "voltage", "B", "V", scale=0.5),
        Channel("UC", "voltage", "C", "V"),
    ]
    one = capture([[10, 20], [4, 8], [7, 7]], *channels)
    (point,) = points_of(one.header, hookup="three-wire")
    assert point.phases == ("AB", "BC", "CA")
    np.testing.assert_allclose(judged_samples(one, point), [[21 - 2, 41 - 4], [2 - 7, 4 - 7], [7 - 21, 7 - 41]])
    assert [(c.phase, c.unit, c.scale, c.offset) for c in judged_channels(one.header, point)] == [
        ("AB", "V", 1.0, 0.0), ("BC", "V", 1.0, 0.0), ("CA", "V", 1.0, 0.0)
    ]  # fmt: skip
    np.testing.assert_allclose(judged_samples(one, point, first=1), judged_samples(one, point)[:, 1:])


def test_a_missing_sample_of_either_phase_is_missing_in_their_difference() -> None:
    channels = [Channel(f"U{p}", "voltage", p, "V", missing_code=-1) for p in "ABC"]
    one = capture([[-1, 20, 30], [4, 8, 9], [7, 7, -1]], *channels)
    (point,) = points_of(one.header, hookup="three-wire")
    assert np.isnan(judged_samples(one, point)).tolist() == [
        [True, False, False], [False, False, True], [True, False, True]
    ]  # fmt: skip


def test_measured_voltages_are_passed_on_raw() -> None:
    one = capture([[9, 9, 9], [1, 2, 3], [4, 5, 6], [7, 8, 9]], CURRENT, "A", "B", "C")
    (point,) = points_of(one.header)
    made = judged_samples(one, point, first=1)
    assert made.dtype == np.int16
    np.testing.assert_array_equal(made, [[2, 3], [5, 6], [8, 9]])
    assert judged_channels(one.header, point) == one.header.channels[1:]
    apart = capture([[1, 2], [9, 9], [3, 4], [5, 6]], "C", CURRENT, "B", "A")
    (point,) = points_of(apart.header)
    np.testing.assert_array_equal(judged_samples(apart, point), [[5, 6], [3, 4], [1, 2]])


def test_points_that_the_file_names_are_judged_apart() -> None:
    channels = [Channel(f"U{p}{bus}", "voltage", p, "V", point=bus) for bus in ("Bus 1", "Bus 2") for p in "ABC"]
    first, second = points_of(header(*channels))
    assert (first.name, second.name) == ("Bus 1", "Bus 2")
    assert [terms[0][0] for _, terms in judged(second)] == [3, 4, 5]


def test_phases_that_come_again_make_another_point() -> None:
    first, second = points_of(header("A1", "B1", "C1", "A2", "B2", "C2"))
    assert (first.name, second.name) == ("1", "2")
    assert [terms[0][0] for _, terms in judged(first)] == [0, 1, 2]
    assert [terms[0][0] for _, terms in judged(second)] == [3, 4, 5]


def test_phases_that_are_not_named_are_taken_in_order_and_that_is_said() -> None:
    unnamed = [Channel(f"CH{i}", "voltage", "", "V") for i in range(3)]
    (point,) = points_of(header(CURRENT, *unnamed))
    assert judged(point) == [("A", ((1, 1),)), ("B", ((2, 1),)), ("C", ((3, 1),))]
    assert "taken as A, B, C" in point.notes[0]


@pytest.mark.parametrize("channels", [(), (CURRENT,), ("N",), (Channel("T", "other", "", "degC"),)], ids=str)
def test_without_a_voltage_to_be_judged_there_is_no_point(channels: tuple[Channel | str, ...]) -> None:
    assert points_of(header(*channels)) == ()


@pytest.mark.parametrize(
    ("hookup", "phases", "words"),
    [
        ("four-wire", ("A", "B"), "needs 3"),
        ("split-phase", ("A",), "needs 2"),
        ("single-phase", ("AB",), "needs 1"),
        ("three-wire", ("A", "B"), "line-to-line"),
    ],
)
def test_a_hookup_that_needs_a_voltage_that_is_not_there_is_refused(
    hookup: str, phases: tuple[str, ...], words: str
) -> None:
    with pytest.raises(SignalError, match=words):
        points_of(header(*phases), hookup=hookup)


@pytest.mark.parametrize(
    ("hookup", "judged_phases"),
    [("single-phase", ("A",)), ("split-phase", ("A", "B")), ("four-wire", ("A", "B", "C"))],
)
def test_a_stated_hookup_decides_which_phases_are_judged(hookup: str, judged_phases: tuple[str, ...]) -> None:
    (point,) = points_of(header("A", "B", "C", "N"), hookup=hookup)
    assert point.phases == judged_phases
    assert not point.hookup.line_to_line


def test_two_sets_of_phases_are_told_apart_whatever_the_order_of_their_channels() -> None:
    by_phase = points_of(header("A1", "A2", "B1", "B2", "C1", "C2"))
    assert [judged(point) for point in by_phase] == [
        [("A", ((0, 1),)), ("B", ((2, 1),)), ("C", ((4, 1),))],
        [("A", ((1, 1),)), ("B", ((3, 1),)), ("C", ((5, 1),))],
    ]


def test_six_voltages_without_phases_are_two_sets_in_their_order_and_four_are_refused() -> None:
    unnamed = [Channel(f"ch {i}", "voltage", "", "V") for i in range(6)]
    first, second = points_of(header(*unnamed))
    assert [terms for _, terms in judged(first)] == [((0, 1),), ((1, 1),), ((2, 1),)]
    assert [terms for _, terms in judged(second)] == [((3, 1),), ((4, 1),), ((5, 1),)]
    assert "not named" in first.notes[0]
    with pytest.raises(SignalError, match="4 voltages are not named"):
        points_of(header(*unnamed[:4]))


def test_a_voltage_of_no_known_phase_beside_named_ones_is_left_out_and_named() -> None:
    (point,) = points_of(header("A", "B", "C", Channel("spare", "voltage", "", "V")))
    assert point.phases == ("A", "B", "C")
    assert point.notes == ("voltages of unknown phase, not judged: spare",)


def test_the_high_leg_of_a_delta_is_a_point_of_its_own_with_its_own_nominal_voltage() -> None:
    # Derived: in an equilateral triangle the height is sqrt(3) times half of a side.
    low, high = points_of(header("A", "B", "C", CURRENT, Channel("IB", "current", "B", "A")), hookup="high-leg")
    assert (low.name, low.phases, low.nominal_ratio, low.currents) == ("legs A C", ("A", "C"), 1.0, (("A", 3),))
    assert (high.name, high.phases, high.currents) == ("high leg B", ("B",), (("B", 4),))
    assert high.nominal_ratio == pytest.approx(3**0.5)


def test_two_elements_are_judged_on_three_line_to_line_voltages() -> None:
    (point,) = points_of(header("AB", "BC"), hookup="two-element")
    assert point.phases == ("AB", "BC", "CA")
    assert point.voltages[2].terms == ((0, -1), (1, -1))


@pytest.mark.parametrize(("phases", "n_notes"), [(("A", "B", "C", "N"), 0), (("A", "B", "C"), 1)])
def test_five_wires_say_when_neutral_to_earth_is_not_there(phases: tuple[str, ...], n_notes: int) -> None:
    (point,) = points_of(header(*phases), hookup="five-wire")
    assert point.phases == ("A", "B", "C")
    assert len(point.notes) == n_notes
    assert all("neutral to earth" in note for note in point.notes)


def test_phases_named_by_red_yellow_and_blue_are_a_b_and_c() -> None:
    """Common practice, no source: colours of conductors in the British tradition; B is blue there, not phase B."""
    (point,) = points_of(header(*(Channel(n, "voltage", p, "V") for n, p in (("VR", "A"), ("VY", ""), ("VB", "B")))))
    assert [(voltage.phase, voltage.terms[0][0]) for voltage in point.voltages] == [("A", 0), ("B", 1), ("C", 2)]


def test_two_line_to_line_voltages_with_scales_and_their_third_are_all_in_volts() -> None:
    channels = tuple(Channel(f"V{pair}", "voltage", pair, "V", 0.02) for pair in ("AB", "BC"))
    head = Header("s", 0, 3200.0, 4, channels, "int16")
    made = Capture(head, np.array([[100, 200, 300, 400], [10, 20, 30, 40]], np.int16))
    (point,) = points_of(head)
    in_volts = [
        row * channel.scale + channel.offset
        for row, channel in zip(judged_samples(made, point), judged_channels(head, point), strict=True)
    ]
    assert in_volts[0] == pytest.approx([2.0, 4.0, 6.0, 8.0])
    assert in_volts[1] == pytest.approx([0.2, 0.4, 0.6, 0.8])
    assert in_volts[2] == pytest.approx([-2.2, -4.4, -6.6, -8.8])
