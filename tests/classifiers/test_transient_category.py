"""IEEE 1159 categories of transients against the rows of the standard's table."""

from __future__ import annotations

import pytest

from halfcycle.classifiers.transient_category import transient_category

SOURCE = (
    "IEEE Std 1159-2019, Table 2, rows 1.1.1 to 1.2.3. Bands of the oscillations and the duration of the low-frequency "
    "row as published; durations and rises of impulses from memory"
)


@pytest.mark.parametrize(
    ("hertz", "category"),
    [
        (300.0, "low-frequency oscillatory transient"),
        (900.0, "low-frequency oscillatory transient"),
        (4_999.9, "low-frequency oscillatory transient"),
        (5_000.0, "medium-frequency oscillatory transient"),
        (30e3, "medium-frequency oscillatory transient"),
        (500e3, "medium-frequency oscillatory transient"),
        (500.001e3, "high-frequency oscillatory transient"),
        (5e6, "high-frequency oscillatory transient"),
    ],
)
def test_oscillations_fall_into_the_bands_of_table_2(hertz: float, category: str) -> None:
    """SOURCE. Below 5 kHz, 5 to 500 kHz, above."""
    assert transient_category("oscillatory_transient", oscillation_hz=hertz) == category


@pytest.mark.parametrize(
    ("duration_s", "category"),
    [
        (20e-9, "nanosecond impulsive transient"),
        (49.9e-9, "nanosecond impulsive transient"),
        (50e-9, "microsecond impulsive transient"),
        (50e-6, "microsecond impulsive transient"),
        (1e-3, "microsecond impulsive transient"),
        (1.001e-3, "millisecond impulsive transient"),
        (5e-3, "millisecond impulsive transient"),
    ],
)
def test_impulses_fall_into_the_durations_of_table_2(duration_s: float, category: str) -> None:
    """SOURCE. Below 50 ns, 50 ns to 1 ms, above."""
    assert transient_category("impulsive_transient", duration_s=duration_s) == category


@pytest.mark.parametrize(
    ("rise_s", "category"),
    [
        (5e-9, "nanosecond impulsive transient"),
        (1e-6, "microsecond impulsive transient"),
        (0.1e-3, "millisecond impulsive transient"),
    ],
)
def test_an_impulse_of_unknown_duration_goes_by_the_rise_that_its_row_calls_typical(
    rise_s: float, category: str
) -> None:
    """SOURCE. 5 ns, 1 us, 0.1 ms."""
    assert transient_category("impulsive_transient", rise_s=rise_s) == category


def test_the_lightning_impulse_of_high_voltage_tests_is_a_microsecond_impulse() -> None:
    """1.2/50 us: front and time to half value of IEC 60060-1 (from memory)."""
    assert transient_category("impulsive_transient", rise_s=1.2e-6, duration_s=150e-6) == (
        "microsecond impulsive transient"
    )


def test_the_duration_goes_before_the_rise() -> None:
    assert transient_category("impulsive_transient", rise_s=1e-9, duration_s=2e-3) == "millisecond impulsive transient"


@pytest.mark.parametrize(
    ("kind", "values"),
    [
        ("sag", {"duration_s": 0.1}),
        ("oscillatory_transient", {}),
        ("oscillatory_transient", {"oscillation_hz": 0.0}),
        ("oscillatory_transient", {"oscillation_hz": float("nan")}),
        ("impulsive_transient", {}),
        ("impulsive_transient", {"duration_s": -1.0}),
        ("impulsive_transient", {"rise_s": -1.0}),
    ],
)
def test_what_cannot_be_named_is_refused(kind: str, values: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"oscillation_hz|duration_s|not a transient"):
        transient_category(kind, **values)
