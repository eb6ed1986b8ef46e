"""Causes of events, each by a small rule over named measures, with a confidence and a sentence.

Limits are common practice without a source, or follow from the circuits, unless a rule says otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

from halfcycle.classifiers.evidence import Evidence
from halfcycle.classifiers.grades import between, falling, rising, strongest, weakest

UNKNOWN: Final = "unknown"

_LEAST_CONFIDENCE: Final = 0.4  # of a cause that is named
_CLEAR_LEAD: Final = 0.05  # of the best cause over the next

_FAULT_RESIDUAL: Final = (0.97, 0.88)  # pu of the worst phase: from there on down, and surely
_FAULT_SPEED: Final = (0.4, 0.8)  # share of the drop within one and a half cycles
_RECTANGULAR: Final = (0.6, 0.9)  # a fault is near 1, a motor or a transformer below 0.7: derived feature, no source
_UNBALANCED: Final = (0.1, 0.35)  # |V2| over the loss of V1; 1/2 and more for faults of one or two phases
_DEEP: Final = (0.92, 0.82)  # residual pu of a balanced sag: loads make none as deep (motors seldom below 0.85)
_STARTING: Final = (0.2, 1.0)  # added current, of that before
_STARTING_POWER_FACTOR: Final = (0.75, 0.45)  # at standstill 0.2 to 0.3
_SLOW: Final = (0.8, 0.5)  # share of the recovery within one and a half cycles
_INRUSH_RESIDUAL_PU: Final = (0.3, 0.5)  # voltage left, below and above which it is none and may be one
_SECOND_HARMONIC: Final = (0.10, 0.20)  # of the fundamental: protection takes 15 to 20 % for inrush
_SECOND_HARMONIC_VOLTAGE: Final = (0.003, 0.01)
_RINGING: Final = (0.02, 0.08)  # pu
_ISOLATED_HZ: Final = (150.0, 1500.0)  # 300 to 900 Hz usual
_BACK_TO_BACK_HZ: Final = (1500.0, 20000.0)
_BACK_TO_BACK: Final = "back-to-back capacitor energising"
_CAPACITIVE: Final = (0.02, 0.10)  # reactive power that a bank adds, of the apparent power before
_STEP: Final = (0.001, 0.004)  # pu of V1: a change that is a step at all
_LARGEST_STEP: Final = 0.12  # pu: larger ones are no step of a load or a regulator
_LOAD: Final = (0.04, 0.15)  # power that a load adds or takes, of that before
_REGULATOR_STEP: Final = (0.003, 0.006)  # pu: regulators step by 0.6 to 2.5 %
_LOAD_JUMP: Final = (0.2, 0.4)  # rad of angle for each pu of step: X P over R P + X Q, derived; of a tap changer 0
_REGULATOR_JUMP: Final = (0.35, 0.15)
_NOTCH: Final = (0.03, 0.10)
_DEAD_TIME_S: Final = (0.2, 60.0)  # of a recloser: 0.3 to 30 s


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause.

    Attributes
    ----------
    cause : ``fault``, ``fault with reclosing``, ``motor start``, ``transformer energising``, ``capacitor energising``,
        ``back-to-back capacitor energising``, ``load switching``, ``voltage-regulator step``, ``converter notching`` or
        ``unknown``; by the model also ``fault, then trip``, ``evolving fault``, ``fault clearing``, ``open phase``,
        ``disconnection``, ``re-energising``, ``capacitor de-energising`` and ``lightning impulse``.
    confidence : 0 to 1; of a rule a share of the evidence that speaks for it, of `cause_naming.name_cause` a
        probability.
    why : a sentence.

    Examples
    --------
    >>> hc.Cause("motor start", 0.97, "the voltage recovers slowly").cause
    'motor start'
    """

    cause: str
    confidence: float
    why: str


@lru_cache(maxsize=1)  # of one event they are asked for twice
def rule_verdicts(evidence: Evidence) -> tuple[Cause, ...]:
    """What each rule says, in the order of `RULES`."""
    return tuple(rule(evidence) for rule in RULES)


def surest(verdicts: Sequence[Cause]) -> Cause:
    """The verdict that the evidence speaks for, of those of all rules.

    Parameters
    ----------
    verdicts : at least two, see `rule_verdicts`.

    Returns
    -------
    The one with the highest confidence; ``unknown`` where none reaches 0.4 or the two best, of causes that differ, are
    within 0.05.
    """
    best, second = sorted(verdicts, key=lambda verdict: -verdict.confidence)[:2]
    if best.confidence < _LEAST_CONFIDENCE:
        nearest = f"; nearest is {_fit(best)}" if best.confidence > 0 else ""
        return Cause(UNKNOWN, 0.0, f"no cause fits the measurements well{nearest}")
    if best.confidence - second.confidence < _CLEAR_LEAD:
        return Cause(UNKNOWN, 0.0, f"{best.cause} and {second.cause} fit about equally well")
    if second.confidence > 0 and second.cause != best.cause:
        return replace(best, why=f"{best.why}; against it: {_fit(second)}")
    return best


def rule_scores(evidence: Evidence) -> dict[str, float]:
    """What each rule says, by the name of its cause: 0 to 1, no probabilities."""
    return {
        f"rule: {'fault' if v.cause.startswith('fault') else v.cause}": v.confidence for v in rule_verdicts(evidence)
    }


def _fit(verdict: Cause) -> str:
    return f"{verdict.cause}, which {100 * verdict.confidence:.0f} % of the evidence supports"


def judge_fault(evidence: Evidence) -> Cause:
    """A short circuit, cleared; with reclosing where it came again.

    Parameters
    ----------
    evidence : what was measured.

    Source: M. H. J. Bollen, "Understanding Power Quality Problems", 2000 (from memory): a drop and a recovery in steps,
    a flat bottom between, unbalanced unless all phases are short-circuited. Limits: common practice, no source.
    """
    e = evidence
    shape = weakest(
        falling(e.residual_pu, _FAULT_RESIDUAL), rising(e.drop_share, _FAULT_SPEED),
        rising(e.recovery_share, _FAULT_SPEED), rising(e.rectangularity, _RECTANGULAR),
    )  # fmt: skip
    kind = strongest(rising(e.unbalance, _UNBALANCED), falling(e.residual_pu, _DEEP))
    core = falling(e.second_harmonic, (0.5, 0.25))  # the offset of a fault's current makes some of it
    confidence = _confidence(weakest(shape, kind, core), n_missing=_missing(e.recovery_share, e.unbalance))
    phases = "unbalanced" if (e.unbalance or 0.0) > _UNBALANCED[1] else "balanced"
    why = f"{phases} drop to {_pu(e.residual_pu)} and recovery in steps, with a flat bottom"
    again = e.repeats is not None and e.repeats >= 2 and e.dead_time_s is not None
    if again and e.dead_time_s is not None and _DEAD_TIME_S[0] <= e.dead_time_s <= _DEAD_TIME_S[1]:
        return Cause("fault with reclosing", confidence, f"{why}; {e.repeats} times, {e.dead_time_s:.2g} s apart")
    return Cause("fault", confidence, why)


def judge_motor_start(evidence: Evidence) -> Cause:
    """An induction motor that is switched on directly.

    Parameters
    ----------
    evidence : what was measured.

    Source: common practice, no source: balanced, a step down and a slow rise, 5 to 7 times the rated current at a power
    factor of 0.2 to 0.3, which falls as the motor comes up.
    """
    e = evidence
    shape = weakest(
        rising(e.depth_pu, (0.002, 0.01)), rising(e.drop_share, (0.3, 0.6)), falling(e.recovery_share, _SLOW),
        falling(e.unbalance, (0.35, 0.15)), rising(e.residual_pu, (0.5, 0.7)),
        falling(e.second_harmonic_voltage_pu, (0.02, 0.005)), rising(e.duration_s, (0.08, 0.2)),
        falling(e.oscillation_pu, (0.25, 0.15)),
    )  # fmt: skip
    if e.added_current is None:
        return Cause("motor start", 0.6 * shape, "abrupt balanced drop with slow recovery; no current measured")
    if e.direction == "upstream":
        return Cause("motor start", 0.75 * shape, "abrupt balanced drop with slow recovery; the cause lies upstream")
    current = weakest(
        rising(e.added_current, _STARTING), falling(e.added_power_factor, _STARTING_POWER_FACTOR),
        1.0 if e.added_lagging is not False else 0.0, falling(e.added_end_share, (0.9, 0.7)),
        falling(e.second_harmonic, (0.15, 0.05)),
    )  # fmt: skip
    why = (
        f"balanced drop to {_pu(e.residual_pu)} at once and slow recovery, while {e.added_current:.1f} times the "
        f"current before is added at a power factor of {e.added_power_factor or 0.0:.2f} and then decays"
    )
    return Cause("motor start", _confidence(weakest(shape, current), n_missing=_missing(e.recovery_share)), why)


def judge_transformer(evidence: Evidence) -> Cause:
    """A transformer that is energised.

    Parameters
    ----------
    evidence : what was measured.

    Source: common practice, no source: second harmonic of 15 to 20 % of the fundamental and more, different in each
    phase, and a recovery over many cycles; an inrush seldom takes more than half of the voltage away.
    """
    e = evidence
    shape = strongest(falling(e.recovery_share, _SLOW), falling(e.rectangularity, (0.8, 0.5)))
    if e.residual_pu is not None:
        shape = weakest(shape, rising(e.residual_pu, _INRUSH_RESIDUAL_PU))
    voltage = rising(e.second_harmonic_voltage_pu, _SECOND_HARMONIC_VOLTAGE)
    if e.second_harmonic is None or e.direction == "upstream":
        why = f"slow recovery with {100 * (e.second_harmonic_voltage_pu or 0.0):.1f} % second harmonic in the voltage"
        return Cause("transformer energising", 0.75 * weakest(shape, voltage or 0.0), why)
    current = weakest(
        rising(e.second_harmonic, _SECOND_HARMONIC), falling(e.added_end_share, (1.0, 0.8)),
        rising(e.added_current, (0.03, 0.1)),
    )  # fmt: skip
    why = (
        f"second harmonic of {100 * e.second_harmonic:.0f} % in the added current four cycles after the start, and "
        "slow recovery"
    )
    return Cause("transformer energising", _confidence(weakest(shape, current), n_missing=0), why)


def judge_capacitor(evidence: Evidence) -> Cause:
    """A capacitor bank that is energised alone.

    Parameters
    ----------
    evidence : what was measured.

    Source: IEEE 1159-2019, 4.4.1.2 for the 300 to 900 Hz; the rise of the voltage, derived: Qcap / Ssc.
    """
    e = evidence
    between_banks = (e.oscillation_current_hz or 0.0) > _ISOLATED_HZ[1]
    ringing = weakest(
        rising(e.oscillation_pu, _RINGING), between(e.oscillation_hz, _ISOLATED_HZ), 0.5 if between_banks else None,
        falling(e.second_harmonic_voltage_pu, (0.02, 0.008)),
    )  # fmt: skip
    after = _rise_or_reactive(e)
    why = (
        f"ringing at {e.oscillation_hz or 0.0:.0f} Hz of {_pu(e.oscillation_pu)}, and the voltage settles "
        f"{100 * (e.step_pu or 0.0):+.2f} % higher"
    )
    missing = _missing(e.oscillation_hz, e.oscillation_pu)
    return Cause("capacitor energising", 0.0 if missing else weakest(ringing, after), why)


def judge_back_to_back(evidence: Evidence) -> Cause:
    """A capacitor bank that is energised beside one that is on.

    Parameters
    ----------
    evidence : what was measured.

    Source: common practice, no source: the banks exchange charge at some kilohertz, with much current and little
    voltage; then both ring with the network.
    """
    e = evidence
    hertz = e.oscillation_current_hz or e.oscillation_hz
    # A step between two samples has every frequency: without a current the voltage itself must ring.
    size = _RINGING if e.oscillation_current is None else (0.005, 0.02)
    ringing = weakest(
        rising(e.oscillation_current, (0.3, 1.0)), rising(e.oscillation_pu, size), between(hertz, _BACK_TO_BACK_HZ)
    )
    why = f"ringing at {(hertz or 0.0) / 1e3:.1f} kHz, and the bank stays on"
    missing = _missing(hertz, e.oscillation_pu)
    return Cause(_BACK_TO_BACK, 0.0 if missing else weakest(ringing, _rise_or_reactive(e)), why)


def judge_load(evidence: Evidence) -> Cause:
    """A load that is switched on or off.

    Parameters
    ----------
    evidence : what was measured.

    Source: derived: the voltage steps, and power steps with it beyond what the voltage alone would make.
    """
    e = evidence
    if e.step_pu is None:
        return Cause("load switching", 0.0, "no step measured")
    if e.kept_power_pu is None or abs(e.kept_power_pu) < _LOAD[0]:
        return _load_elsewhere(e)
    opposite = 1.0 if e.kept_power_pu * e.step_pu < 0 else 0.0
    confidence = weakest(
        rising(abs(e.kept_power_pu), _LOAD), rising(abs(e.step_pu), (0.0005, 0.002)), opposite, _stays(e),
        falling(e.oscillation_pu, (0.15, 0.05)), falling(e.second_harmonic_voltage_pu, (0.01, 0.003)),
    )  # fmt: skip
    word = "on" if e.kept_power_pu > 0 else "off"
    why = (
        f"switched {word}: power changes by {100 * e.kept_power_pu:+.0f} % of that before and the voltage by "
        f"{100 * e.step_pu:+.2f} %, and both stay"
    )
    return Cause("load switching", confidence, why)


def _load_elsewhere(e: Evidence) -> Cause:
    """No current was added that was measured, but the voltage's angle has jumped: active power through a reactance."""
    confidence = weakest(
        _stays(e), rising(_jump_of_step(e), _LOAD_JUMP), rising(abs(e.step_pu or 0.0), (0.001, 0.003)),
        falling(e.oscillation_pu, (0.15, 0.05)), falling(e.second_harmonic_voltage_pu, (0.01, 0.003)),
    )  # fmt: skip
    end = "no current measured" if e.kept_power_pu is None else "the load only follows the voltage: switched upstream"
    why = f"the voltage steps by {100 * (e.step_pu or 0.0):+.2f} % and {e.step_jump_deg or 0.0:+.1f}°, and stays; {end}"
    return Cause("load switching", 0.8 * confidence, why)


def judge_regulator(evidence: Evidence) -> Cause:
    """A step of a voltage regulator or tap changer.

    Parameters
    ----------
    evidence : what was measured.

    Source: derived: the voltage steps and the load follows it, so that no current is added. Steps of 0.6 to 2.5 %:
    common practice, no source.
    """
    e = evidence
    if e.step_pu is None or e.phase_steps_pu is None:
        return Cause("voltage-regulator step", 0.0, "no step measured")
    spread = max(e.phase_steps_pu) - min(e.phase_steps_pu)
    step = weakest(
        rising(abs(e.step_pu), _REGULATOR_STEP), falling(abs(e.step_pu), (0.06, 0.04)), _stays(e),
        falling(spread / max(abs(e.step_pu), 1e-9), (1.0, 0.5)), falling(e.oscillation_pu, (0.06, 0.03)),
        falling(e.second_harmonic_voltage_pu, (0.01, 0.003)), falling(_jump_of_step(e), _REGULATOR_JUMP),
    )  # fmt: skip
    why = f"the voltage of all phases steps by {100 * e.step_pu:+.2f} % and stays"
    if e.kept_power_pu is None or e.kept_reactive_pu is None:
        return Cause("voltage-regulator step", 0.5 * step, why + "; no current measured")
    follows = weakest(
        falling(abs(e.kept_power_pu), (0.08, 0.04)), falling(abs(e.kept_reactive_pu), (0.08, 0.04))
    )  # fmt: skip
    return Cause("voltage-regulator step", 0.9 * weakest(step, follows), why + ", and the load only follows it")


def judge_notching(evidence: Evidence) -> Cause:
    """A line-commutated converter.

    Parameters
    ----------
    evidence : what was measured.

    Source: IEEE 1159-2019, 4.4.4.2; a six-pulse bridge makes six notches in a cycle, two to four of them deep in each
    voltage (derived).
    """
    e = evidence
    if e.notches_per_cycle is None or e.notch_depth_pu is None:
        return Cause("converter notching", 0.0, "notches not measured")
    confidence = weakest(rising(float(e.notches_per_cycle), (1.0, 2.0)), rising(e.notch_depth_pu, _NOTCH))
    why = f"{e.notches_per_cycle} notches per cycle, the deepest {100 * e.notch_depth_pu:.0f} %"
    return Cause("converter notching", confidence, why)


Rule = Callable[[Evidence], Cause]
RULES: Final[tuple[Rule, ...]] = (
    judge_fault,
    judge_motor_start,
    judge_transformer,
    judge_capacitor,
    judge_back_to_back,
    judge_load,
    judge_regulator,
    judge_notching,
)


def _missing(*values: object) -> int:
    return sum(value is None for value in values)


def _confidence(share: float, *, n_missing: int) -> float:
    """Less by a quarter for each main measure that is missing."""
    return share * 0.75**n_missing


def _rise_or_reactive(evidence: Evidence) -> float | None:
    """That a bank stays on: leading reactive power after, or a rise of the voltage."""
    reactive = None if evidence.kept_reactive_pu is None else rising(-evidence.kept_reactive_pu, _CAPACITIVE)
    return strongest(reactive, rising(evidence.step_pu, _STEP))


def _stays(evidence: Evidence) -> float | None:
    """That the voltage holds a new level: its step is most of all that it ever fell."""
    if evidence.step_pu is None or evidence.depth_pu is None:
        return None
    if abs(evidence.step_pu) > _LARGEST_STEP:
        return 0.0
    return rising(abs(evidence.step_pu) / max(evidence.depth_pu, abs(evidence.step_pu), 1e-9), (0.4, 0.7))


def _jump_of_step(evidence: Evidence) -> float | None:
    """Jump of the angle [rad] over the step of the voltage [pu]."""
    if evidence.step_jump_deg is None or evidence.step_pu is None:
        return None
    return abs(math.radians(evidence.step_jump_deg)) / max(abs(evidence.step_pu), 1e-6)


def _pu(value: float | None) -> str:
    return "an unknown level" if value is None else f"{value:.2f} pu"
