"""What is known of an event before its cause is judged: named measures, each None where it was not measured."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Measures of one event; per unit of the voltage, or of the positive-sequence current, before it.

    Attributes
    ----------
    duration_s : from the first departure to the return. [s]
    residual_pu : lowest half-cycle RMS of the worst phase.
    depth_pu : largest drop of the positive sequence.
    step_pu : positive-sequence voltage after less before.
    phase_steps_pu : the same of each phase.
    unbalance : |V2| over the loss of V1 at the lowest; about 0 is balanced, 1 one or two phases alone.
    zero_sequence_pu : |V0| at the lowest.
    drop_share : of the largest drop, that has happened one and a half cycles after the start.
    recovery_share : of the largest drop, by which the voltage recovers in the fastest one and a half cycles.
    rectangularity : time below the middle of the drop over time below a fifth of it.
    turn_deg : of the positive sequence by the dip's mean phasors, or of the phase that lost most, whichever is more.
    phase_jump_deg : of the phase that changed most, as `point_on_wave` has it and the catalogue states.
    step_jump_deg : of the positive sequence, in the first two cycles after the start.
    current_ratio : largest positive-sequence current over that before.
    added_current : what is drawn beyond what the steady load would at that voltage, at the lowest, in units of the
        current before.
    added_power_factor : of it, against the voltage; below zero where power is fed back.
    added_lagging : whether it lags.
    added_end_share : added current in the last cycles of the event over that in the first.
    kept_power_pu, kept_reactive_pu : active and reactive power after less before, beyond what the changed voltage
        makes of the steady load, in units of the apparent power before.
    second_harmonic : of the current, largest over the phases, over the added fundamental, four cycles after the start.
    second_harmonic_voltage_pu : of the voltage, likewise, over the fundamental.
    direct_current : of the current, likewise, over the added fundamental.
    oscillation_hz : dominating frequency of what rings at the start. [Hz]
    oscillation_pu : its largest value, of the nominal peak.
    oscillation_current : of what rings in the current, its largest value, of the peak before.
    oscillation_current_hz : its dominating frequency. [Hz]
    notches_per_cycle, notch_depth_pu : of steady notches, of the voltage at the notch.
    repeats : similar events in a row, this one among them.
    dead_time_s : shortest time between them. [s]
    direction : ``upstream`` or ``downstream``.
    """

    duration_s: float | None = None
    residual_pu: float | None = None
    depth_pu: float | None = None
    step_pu: float | None = None
    phase_steps_pu: tuple[float, float, float] | None = None
    unbalance: float | None = None
    zero_sequence_pu: float | None = None
    drop_share: float | None = None
    recovery_share: float | None = None
    rectangularity: float | None = None
    turn_deg: float | None = None
    phase_jump_deg: float | None = None
    step_jump_deg: float | None = None
    current_ratio: float | None = None
    added_current: float | None = None
    added_power_factor: float | None = None
    added_lagging: bool | None = None
    added_end_share: float | None = None
    kept_power_pu: float | None = None
    kept_reactive_pu: float | None = None
    second_harmonic: float | None = None
    second_harmonic_voltage_pu: float | None = None
    direct_current: float | None = None
    oscillation_hz: float | None = None
    oscillation_pu: float | None = None
    oscillation_current: float | None = None
    oscillation_current_hz: float | None = None
    notches_per_cycle: int | None = None
    notch_depth_pu: float | None = None
    repeats: int | None = None
    dead_time_s: float | None = None
    direction: str | None = None
