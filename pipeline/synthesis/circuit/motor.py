"""An induction motor by its rotor flux and speed, behind a resistance and an inductance of the network."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import Final

from halfcycle.pipeline.errors import ConfigError

_TURN: Final = cmath.exp(2j * math.pi / 3)
_TURNS: Final = (1.0 + 0j, _TURN.conjugate(), _TURN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Motor:
    """A three-phase induction motor with a star of which the neutral is free.

    Attributes
    ----------
    rs_ohm, rr_ohm : resistance of stator and rotor, referred to the stator. [ohm]
    ls_h, lr_h, lm_h : inductance of stator and rotor (leakage and main together) and main inductance. [H]
    pole_pairs : 1 or more.
    inertia_kgm2 : of all that turns. [kg m2]
    load_nm : torque of the load at synchronous speed. [N m]
    load_exponent : of the speed, in the load's torque: 2 for fans and pumps, 0 for a constant one.
    """

    rs_ohm: float
    rr_ohm: float
    ls_h: float
    lr_h: float
    lm_h: float
    pole_pairs: int
    inertia_kgm2: float
    load_nm: float
    load_exponent: float = 2.0

    def __post_init__(self) -> None:
        if not (min(self.rs_ohm, self.rr_ohm, self.inertia_kgm2) > 0 and 0 < self.lm_h < min(self.ls_h, self.lr_h)):
            raise ConfigError(f"{self} has a resistance or inertia that is not above zero, or no leakage inductance")

    @classmethod
    def typical(
        cls,
        *,
        rated_va: float,
        nominal_v: float,
        frequency_hz: float,
        start_ratio: float,
        inertia_s: float,
        load_pu: float = 0.6,
    ) -> Motor:
        """A motor of usual proportions.

        Parameters
        ----------
        rated_va : apparent power. [VA]
        nominal_v : line to line. [V]
        frequency_hz : [Hz]
        start_ratio : current at standstill over rated current; it sets the leakage.
        inertia_s : kinetic energy at synchronous speed over rated power. [s]
        load_pu : torque of the load at synchronous speed, of the rated apparent power.

        Source: common practice, no source (main reactance 3 pu, stator resistance 0.01 pu, rotor resistance 0.03 pu,
        half of the leakage in the rotor).
        """  # fmt: skip
        base_ohm = nominal_v**2 / rated_va
        w = 2 * math.pi * frequency_hz
        leakage_ohm = math.sqrt((1 / start_ratio) ** 2 - 0.04**2) / 2 * base_ohm
        main_ohm = 3.0 * base_ohm
        pole_pairs = 2
        mechanical = w / pole_pairs
        return cls(
            rs_ohm=0.01 * base_ohm, rr_ohm=0.03 * base_ohm,
            ls_h=(main_ohm + leakage_ohm) / w, lr_h=(main_ohm + leakage_ohm) / w, lm_h=main_ohm / w,
            pole_pairs=pole_pairs, inertia_kgm2=2 * inertia_s * rated_va / mechanical**2,
            load_nm=load_pu * rated_va / mechanical,
        )  # fmt: skip

    @property
    def transient_ohm(self) -> float:
        """Resistance of the branch that stands for it in the network. [ohm]"""
        return self.rs_ohm + self.rr_ohm * (self.lm_h / self.lr_h) ** 2

    @property
    def transient_h(self) -> float:
        """Inductance of the branch that stands for it in the network. [H]"""
        return self.ls_h - self.lm_h**2 / self.lr_h

    def impedance(self, slip: float, w: float) -> complex:
        """Of a phase, in the steady state at some slip. [ohm]"""
        rotor = self.rr_ohm / slip + 1j * w * (self.lr_h - self.lm_h)
        main = 1j * w * self.lm_h
        return self.rs_ohm + 1j * w * (self.ls_h - self.lm_h) + main * rotor / (main + rotor)

    def load_torque(self, speed: float, synchronous: float) -> float:
        """Of the load at a mechanical speed. [N m], both speeds in [rad/s]"""
        return float(self.load_nm * max(speed / synchronous, 0.0) ** self.load_exponent)

    def air_gap_torque(self, phase_current_peak_a: float, slip: float, w: float) -> float:
        """In the steady state, from the stator current. [N m]"""
        main = 1j * w * self.lm_h
        rotor = self.rr_ohm / slip + 1j * w * (self.lr_h - self.lm_h)
        rotor_current = phase_current_peak_a * abs(main / (main + rotor))
        return 1.5 * rotor_current**2 * self.rr_ohm / slip * self.pole_pairs / w


@dataclass(slots=True)
class Running:
    """A motor's rotor in time: flux [V s] in the stator's frame, as a peak phasor, and electrical speed [rad/s].

    Source: P. C. Krause, O. Wasynczuk, S. D. Sudhoff, "Analysis of Electric Machinery" (from memory), equations in the
    stator's frame, put as a source behind the transient impedance. Departs: nowhere.
    """

    motor: Motor
    w_net: float
    flux: complex = 0j
    speed: float = 0.0
    last_change: complex | None = None

    def emf(self) -> tuple[float, float, float]:
        """Voltage of the source behind the transient impedance, of each phase. [V]"""
        motor = self.motor
        e = motor.lm_h / motor.lr_h * (1j * self.speed - motor.rr_ohm / motor.lr_h) * self.flux
        a, b, c = ((e * turn).real for turn in _TURNS)
        return a, b, c

    def step(self, currents: tuple[float, float, float], dt: float) -> None:
        """On by some time, the phase currents [A] being those at its start (Adams-Bashforth, two steps)."""
        motor = self.motor
        current = 2 / 3 * (currents[0] + _TURN * currents[1] + _TURN.conjugate() * currents[2])
        rate = motor.rr_ohm / motor.lr_h
        change = (1j * self.speed - rate) * self.flux + rate * motor.lm_h * current
        torque = 1.5 * motor.pole_pairs * motor.lm_h / motor.lr_h * (self.flux.conjugate() * current).imag
        synchronous = self.w_net / motor.pole_pairs
        load = motor.load_torque(self.speed / motor.pole_pairs, synchronous)
        earlier = change if self.last_change is None else self.last_change
        self.flux += dt * (1.5 * change - 0.5 * earlier)
        if self.speed > 0 or torque > load:  # a load does not turn a motor that stands
            self.speed += dt * (torque - load) / motor.inertia_kgm2 * motor.pole_pairs
        self.last_change = change
