"""Descriptions that cannot be are refused, with what is wrong and what is allowed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.synthesis import (
    Harmonic,
    Impulse,
    Interharmonic,
    Load,
    LostSpan,
    Quantisation,
    Stage,
    Transient,
    Waveform,
    from_table,
)

TABLE: dict[str, Any] = {"hookup": "four-wire", "nominal_voltage_v": 230, "rate_hz": 6400, "duration_s": 1.0}
SAG: dict[str, Any] = {"start_s": 0.1, "duration_s": 0.2, "residual_pu": [0.5, 1.0, 1.0]}


def waveform(**changes: Any) -> Waveform:
    return Waveform(**{**TABLE, **changes})


def sag(**changes: Any) -> Stage:
    return Stage(**{**SAG, "residual_pu": (0.5, 1.0, 1.0), **changes})


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: waveform(hookup="delta"), "hookup is 'delta'; allowed are single-phase, split-phase, four-wire"),
        (lambda: waveform(rate_hz=0.0), "rate_hz is 0.0"),
        (lambda: waveform(nominal_voltage_v=-1.0), "nominal_voltage_v is -1.0"),
        (lambda: waveform(duration_s=1e-5), "hold no sample"),
        (lambda: waveform(drift_hz_per_s=-60.0), "goes from 50.0 to -10.0 Hz"),
        (lambda: waveform(magnitudes_pu=(1.0, 1.0)), "magnitudes_pu has 2 values; four-wire has 3 phases"),
        (lambda: waveform(magnitudes_pu=(1.0, -1.0, 1.0)), "must not be negative"),
        (lambda: waveform(stages=(sag(residual_pu=(0.5,)),)), "residual_pu has 1 values"),
        (lambda: waveform(stages=(sag(phase_jump_deg=(1.0,)),)), "phase_jump_deg has 1 values"),
        (lambda: waveform(stages=(sag(current_pu=(1.0, 1.0, 1.0)),)), "there is no load"),
        (lambda: waveform(stages=(sag(), sag(start_s=0.29))), "starts before the one at 0.1 s ends"),
        (lambda: waveform(load=Load(current_a=(1.0,))), "current_a has 1 values"),
        (lambda: waveform(missing=(LostSpan(start_s=0, duration_s=1, channels=("IA",)),)), "'IA' of a span is unknown"),
        (
            lambda: waveform(harmonics=(Harmonic(order=5, magnitude_pu=0.1),) * 2),
            "are [5, 5]; each may stand there once",
        ),
        (lambda: Load(current_a=(1.0, 0.0, 1.0)), "each must be above zero"),
        (lambda: sag(duration_s=0.0), "duration_s is 0.0"),
        (lambda: sag(residual_pu=(-0.1, 1.0, 1.0)), "must not be negative"),
        (lambda: sag(ramp_s=0.2), "ramp_s is 0.2"),
        (lambda: sag(recovery_s=0.0), "recovery_s is 0.0"),
        (lambda: Harmonic(order=1, magnitude_pu=0.1), "order is 1"),
        (lambda: Harmonic(order=3, magnitude_pu=-0.1), "magnitude_pu is -0.1"),
        (lambda: Interharmonic(frequency_hz=0.0, magnitude_pu=0.1), "frequency_hz is 0.0"),
        (lambda: Interharmonic(frequency_hz=80.0, magnitude_pu=-0.1), "magnitude_pu is -0.1"),
        (lambda: Transient(start_s=0, magnitudes_pu=(1,), frequency_hz=0, decay_s=1), "frequency_hz is 0"),
        (lambda: Transient(start_s=0, magnitudes_pu=(1,), frequency_hz=500, decay_s=0), "decay_s is 0"),
        (lambda: Impulse(start_s=0, peaks_pu=(1,), rise_s=1e-3, decay_s=1e-3), "rise_s is 0.001"),
        (lambda: Quantisation(bits=7), "bits is 7; allowed are 8 to 32"),
        (lambda: Quantisation(voltage_range_pu=0.0), "voltage_range_pu 0.0"),
        (lambda: LostSpan(start_s=0.0, duration_s=0.0), "duration_s is 0.0"),
    ],
)
def test_impossible_descriptions_are_refused(make: Callable[[], object], message: str) -> None:
    with pytest.raises(ConfigError) as caught:
        make()
    assert message in str(caught.value)


@pytest.mark.parametrize(
    "change",
    [
        {"transients": (Transient(start_s=0, magnitudes_pu=(), frequency_hz=500, decay_s=1),)},
        {"impulses": (Impulse(start_s=0, peaks_pu=(), rise_s=1e-4, decay_s=1e-3),)},
    ],
)
def test_what_is_superimposed_needs_a_value_for_each_phase(change: dict[str, Any]) -> None:
    with pytest.raises(ConfigError, match="has 0 values; four-wire has 3 phases"):
        waveform(**change)


def test_a_table_gives_the_same_waveform_as_its_parts() -> None:
    table = {**TABLE, "stages": [SAG], "harmonics": [{"order": 5, "magnitude_pu": 0.02}], "quantisation": {"bits": 12}}
    expected = waveform(
        stages=(sag(),), harmonics=(Harmonic(order=5, magnitude_pu=0.02),), quantisation=Quantisation(bits=12)
    )
    assert from_table(Waveform, table, place="here") == expected


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"colour": "red"}, ["colour", "Unexpected"]),
        ({"stages": [{**SAG, "depth_pu": 0.5}]}, ["stages.0.depth_pu", "Unexpected"]),
        ({"rate_hz": "fast"}, ["rate_hz", "number"]),
        ({"rate_hz": float("nan")}, ["rate_hz", "finite"]),
        ({"hookup": "delta"}, ["hookup is 'delta'", "allowed are"]),
        ({"stages": [{"start_s": 0.1}]}, ["stages.0.duration_s", "stages.0.residual_pu"]),
    ],
)
def test_a_table_with_a_fault_is_refused_with_place_and_key(change: dict[str, Any], words: list[str]) -> None:
    with pytest.raises(ConfigError) as caught:
        from_table(Waveform, {**TABLE, **change}, place="demo-fleet.toml, Somewhere")
    assert str(caught.value).startswith("demo-fleet.toml, Somewhere: ")
    assert all(word in str(caught.value) for word in words)
