"""The cause of an event: what the model finds likely, in the words of the rules, and where the two disagree."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from halfcycle.classifiers.cause import UNKNOWN, Cause, judge_notching, rule_verdicts, surest
from halfcycle.classifiers.cause_model import CauseModel
from halfcycle.classifiers.evidence import Evidence
from halfcycle.classifiers.reclosing import DEAD_TIME_S

FAULT: Final = "fault"
RECLOSING: Final = "fault with reclosing"
FAULTS: Final = frozenset({FAULT, "fault, then trip", RECLOSING, "evolving fault"})
RETURN: Final = "re-energising"
_ENERGISING: Final = frozenset({"transformer energising", "capacitor energising", "back-to-back capacitor energising"})
_BANKS: Final = frozenset({"capacitor energising", "back-to-back capacitor energising"})
_KINDS: Final = ((FAULTS, FAULT), (_BANKS, "capacitor energising"))

_LEAST: Final = 0.5  # probability of a cause that is named
_SHORT_S: Final = 0.5  # after the start; trips and reclosings come later than that
_TIED: Final = 0.25  # probability from which on a sure rule decides where nothing is likely
_BACK_PU: Final = 0.9
_BANK_BY_VOLTAGES: Final = 0.9  # most that one name of a bank is sure of by voltages: common practice, no source
_SURE_RULE: Final = 0.6  # of a rule that is heard against the model


def name_cause(
    model: CauseModel, evidence: Evidence, numbers: Mapping[str, float], *, after_outage: bool = False
) -> Cause:
    """The likeliest cause with its probability, or ``unknown``.

    Parameters
    ----------
    model : of causes.
    evidence : for the rules, whose words explain; with notches, for the rule of converters alone.
    numbers : for the model, as of `measures.cause_features`.
    after_outage : whether a phase was dead a moment ago: what is energised then is what had been switched off.

    Returns
    -------
    Cause. Of several kinds of one thing (a fault that is cleared, trips, recloses or evolves; a bank alone or beside
    another) none of which is likely, the common name is taken, with the probability of all. Where nothing is likely, a
    sure rule decides among what is possible, and the probability stays the model's. Whether a bank is alone or beside
    another is never surer than 0.9 by voltages alone. A fault that belongs to a sequence of similar ones is one with
    reclosing.

    Source: derived; the sure rules and their limits: common practice, no source.
    """
    if evidence.notches_per_cycle is not None and (notching := judge_notching(evidence)).confidence >= _LEAST:
        return notching
    likely = model.probabilities(numbers)
    cause, probability = next(iter(likely.items()))
    if probability < _LEAST:
        sums = {name: sum(likely.get(member, 0.0) for member in members) for members, name in _KINDS}
        cause, probability = max(sums.items(), key=lambda item: item[1])
    verdicts = rule_verdicts(evidence)
    ruled = surest(verdicts)
    if probability < _LEAST and ruled.confidence >= _SURE_RULE and likely.get(ruled.cause, 0.0) >= _TIED:
        cause, probability = ruled.cause, likely[ruled.cause]
    elif probability < _LEAST:
        two = list(likely)[:2]
        return Cause(UNKNOWN, 0.0, f"{two[0]} and {two[1]} are about equally likely{_short(numbers)}")
    if cause in FAULTS and _comes_again(evidence):
        probability = max(probability, min(sum(likely.get(member, 0.0) for member in FAULTS), 1.0))
        cause = RECLOSING
    if cause in _BANKS and evidence.oscillation_current is None:
        # What a bank exchanges with one beside it is seen in currents alone, and most banks are switched in steps.
        probability = min(probability, _BANK_BY_VOLTAGES)
    if after_outage and cause in _ENERGISING:
        return Cause(RETURN, probability, f"the supply returns after an outage; this resembles {cause}")
    return Cause(cause, probability, _why(cause, evidence, numbers, verdicts) + _short(numbers))


def _comes_again(e: Evidence) -> bool:
    many = e.repeats is not None and e.repeats >= 2 and e.dead_time_s is not None
    return many and e.dead_time_s is not None and DEAD_TIME_S[0] <= e.dead_time_s <= DEAD_TIME_S[1]


def _short(numbers: Mapping[str, float]) -> str:
    seconds = numbers.get("seconds_after")
    return f"; the record ends {seconds:.2g} s after the start" if seconds is not None and seconds < _SHORT_S else ""


def _why(cause: str, evidence: Evidence, numbers: Mapping[str, float], verdicts: Sequence[Cause]) -> str:
    """What speaks for a cause: the sentence of its rule where it finds enough, else what was measured."""
    own = [
        v for v in verdicts if v.confidence > 0.2 and (v.cause == cause or (cause == FAULT and v.cause == RECLOSING))
    ]
    words = own[0].why if own else _measured(cause, evidence, numbers)
    ruled = surest(verdicts)
    same = ruled.cause == cause or (ruled.cause in FAULTS and cause in FAULTS)
    if same or ruled.cause == UNKNOWN or ruled.confidence < _SURE_RULE:
        return words
    return f"{words}; by rule alone the cause would be {ruled.cause} ({ruled.why})"


def _measured(cause: str, e: Evidence, numbers: Mapping[str, float]) -> str:
    """What was measured, in the words that fit a cause."""
    lowest = f"the lowest phase falls to {e.residual_pu:.2f} pu" if e.residual_pu is not None else "the voltage changes"
    low, high = numbers.get("end_low", float("nan")), numbers.get("end_high", float("nan"))
    ends = f"at {low:.2f} to {high:.2f} pu"
    times = f"; {e.repeats} times, {e.dead_time_s:.2g} s apart" if e.repeats and e.dead_time_s is not None else ""
    step = e.step_pu if e.step_pu is not None else numbers.get("step_early", 0.0)
    ring = (
        f", and {100 * e.oscillation_pu:.0f} % of the peak rings at {e.oscillation_hz or 0:.0f} Hz"
        if e.oscillation_pu
        else ""
    )
    seen = f"{numbers.get('n_after', 0.0) / 2:.0f} cycles were examined"
    words = {
        RECLOSING: f"{lowest}{times or ', and what was switched off comes back within the record'}",
        "fault, then trip": f"{lowest}, then the phases settle {ends}; {seen}",
        "disconnection": f"with no fault before, the phases settle {ends}; {seen}",
        "evolving fault": (
            f"{lowest}, and phases change again by {numbers.get('sag_changes', 0.0):.2f} pu within the sag"
        ),
        "open phase": f"phases stay unequal, {ends}, as with one pole open",
        "lightning impulse": (
            f"one jump of {numbers.get('u_first_move', 0.0):.2f} of the peak, without a lasting change"
        ),
        "fault clearing": "the voltage recovers from a sag, with ringing",
        RETURN: "phases without or with low voltage recover",
        FAULT: f"{lowest}, and the voltage recovers afterwards" if low > _BACK_PU else lowest,
    }
    percent = round(100 * step, 2)
    moved = f"the voltage moves by {percent:+.2f} %" if percent else "the voltage ends where it was before"
    return words.get(cause, moved + ring)
