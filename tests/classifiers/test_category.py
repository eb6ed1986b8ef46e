"""IEEE 1159 categories at every edge of the table."""

from __future__ import annotations

from typing import cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from twins.twin_events import Kind, category_twin

from halfcycle.classifiers.category import classify_category, is_typical_magnitude, long_duration_kind

SOURCE = "IEEE Std 1159-2019, Table 2, rows 2.1 to 3.3 (temporary sag and swell, sustained and overvoltage from memory)"
NS = 1e-9  # the grain of time stamps

# By SOURCE: the last moment of each row and the first after it. "30 cycles - 3 s" and "> 3 s - 1 min": the edge is the
# shorter row's; 30 cycles stands in two rows and is taken for the shorter one's too.
EDGES = [
    ("sag", "30 cycles", "instantaneous sag", "momentary sag"),
    ("swell", "30 cycles", "instantaneous swell", "momentary swell"),
    ("interruption", "30 cycles", "momentary interruption", "momentary interruption"),
    ("sag", "3 s", "momentary sag", "temporary sag"),
    ("swell", "3 s", "momentary swell", "temporary swell"),
    ("interruption", "3 s", "momentary interruption", "temporary interruption"),
    ("sag", "1 min", "temporary sag", "undervoltage"),
    ("swell", "1 min", "temporary swell", "overvoltage"),
    ("interruption", "1 min", "temporary interruption", "sustained interruption"),
]


@pytest.mark.parametrize("nominal_hz", [50.0, 60.0])
@pytest.mark.parametrize(("kind", "edge", "at", "after"), EDGES)
def test_an_edge_belongs_to_the_shorter_row(kind: str, edge: str, at: str, after: str, nominal_hz: float) -> None:
    edge_s = {"30 cycles": 30 / nominal_hz, "3 s": 3.0, "1 min": 60.0}[edge]
    assert classify_category(kind, edge_s - 5 * NS, nominal_frequency_hz=nominal_hz) == at
    assert classify_category(kind, edge_s, nominal_frequency_hz=nominal_hz) == at
    assert classify_category(kind, edge_s + 5 * NS, nominal_frequency_hz=nominal_hz) == after


@pytest.mark.parametrize(
    ("duration_s", "nominal_hz", "category"),
    [
        (0.600, 50.0, "instantaneous sag"),
        (0.601, 50.0, "momentary sag"),
        (0.500, 60.0, "instantaneous sag"),
        (0.501, 60.0, "momentary sag"),
        (0.550, 50.0, "instantaneous sag"),  # the same 550 ms on either side of 30 cycles
        (0.550, 60.0, "momentary sag"),
        (0.010, 50.0, "instantaneous sag"),
        (2.999, 50.0, "momentary sag"),
        (59.9, 60.0, "temporary sag"),
        (86400.0, 60.0, "undervoltage"),
    ],
)
def test_thirty_cycles_are_counted_at_the_nominal_frequency(
    duration_s: float, nominal_hz: float, category: str
) -> None:
    # SOURCE; 30 cycles are 600 ms at 50 Hz and 500 ms at 60 Hz.
    assert classify_category("sag", duration_s, nominal_frequency_hz=nominal_hz) == category


def test_there_is_no_instantaneous_interruption() -> None:
    # SOURCE: row 2.2.1 runs from half a cycle to 3 s.
    for nominal_hz in (50.0, 60.0):
        for cycles in (0.5, 1, 10, 29.9, 30):
            category = classify_category("interruption", cycles / nominal_hz, nominal_frequency_hz=nominal_hz)
            assert category == "momentary interruption"


@given(
    kind=st.sampled_from(["sag", "swell", "interruption"]),
    duration_s=st.one_of(st.floats(0.01, 1.0), st.floats(1.0, 100.0), st.sampled_from([0.5, 0.6, 3.0, 60.0])),
    nominal_hz=st.sampled_from([50.0, 60.0]),
)
def test_every_duration_has_the_category_of_the_twin(kind: str, duration_s: float, nominal_hz: float) -> None:
    # SOURCE, by the twin's if-chains; the twin has none under half a cycle, which no variation of RMS lasts.
    twin = category_twin(cast(Kind, kind), duration_s, nominal_hz)
    assert classify_category(kind, duration_s, nominal_frequency_hz=nominal_hz) == twin


def test_a_deep_undervoltage_stays_one() -> None:
    # Magnitudes in SOURCE are typical values, not limits.
    assert classify_category("undervoltage", 0.1, nominal_frequency_hz=50.0) == "undervoltage"
    assert classify_category("overvoltage", 100.0, nominal_frequency_hz=50.0) == "overvoltage"
    assert not is_typical_magnitude("undervoltage", 0.3)


@pytest.mark.parametrize(
    ("kind", "at", "after"),
    [
        ("sag", "sag", "undervoltage"),
        ("swell", "swell", "overvoltage"),
        ("interruption", "interruption", "interruption"),
        ("unbalance", "unbalance", "unbalance"),
    ],
)
def test_over_one_minute_a_sag_is_an_undervoltage_and_a_swell_an_overvoltage(kind: str, at: str, after: str) -> None:
    assert long_duration_kind(kind, 60.0) == at
    assert long_duration_kind(kind, 60.0 + NS * 10) == after


@pytest.mark.parametrize(
    ("category", "low", "high"),
    [
        ("instantaneous sag", 0.1, 0.9),
        ("momentary sag", 0.1, 0.9),
        ("temporary sag", 0.1, 0.9),
        ("instantaneous swell", 1.1, 1.8),
        ("momentary swell", 1.1, 1.4),
        ("temporary swell", 1.1, 1.2),
        ("momentary interruption", 0.0, 0.1),
        ("temporary interruption", 0.0, 0.1),
        ("undervoltage", 0.8, 0.9),
        ("overvoltage", 1.1, 1.2),
    ],
)
def test_typical_magnitudes_are_those_of_the_table(category: str, low: float, high: float) -> None:
    # SOURCE, column of magnitudes.
    assert is_typical_magnitude(category, low)
    assert is_typical_magnitude(category, high)
    assert not is_typical_magnitude(category, high + 0.01)
    if low > 0:
        assert not is_typical_magnitude(category, low - 0.01)


def test_a_category_without_a_typical_magnitude_accepts_any() -> None:
    assert is_typical_magnitude("low-frequency oscillatory transient", 3.0)


@pytest.mark.parametrize(
    ("kind", "duration_s", "nominal_hz", "words"),
    [
        ("notch", 1.0, 50.0, "not an RMS variation"),
        ("sag", -0.1, 50.0, "must be >= 0"),
        ("sag", np.nan, 50.0, "must be >= 0"),
        ("sag", 1.0, 0.0, "> 0"),
        ("sag", 1.0, np.nan, "> 0"),
    ],
)
def test_other_kinds_and_impossible_numbers_are_refused(
    kind: str, duration_s: float, nominal_hz: float, words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        classify_category(kind, duration_s, nominal_frequency_hz=nominal_hz)
