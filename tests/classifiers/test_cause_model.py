"""The model of causes: its arrays against the library that made them, its file, its words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from halfcycle.classifiers.cause import Cause
from halfcycle.classifiers.cause_model import CauseModel, tempered
from halfcycle.classifiers.cause_naming import name_cause
from halfcycle.classifiers.evidence import Evidence
from halfcycle.pipeline.catalogue.explain import cause_model
from halfcycle.pipeline.learning.cause_training import train
from halfcycle.pipeline.learning.cause_windows import Example
from halfcycle.pipeline.learning.scores import calibration_error, macro_f1, reliability_bins
from halfcycle.pipeline.resources import resource

CAUSES = ("fault", "fault, then trip", "load switching")


def examples(n: int = 240) -> list[Example]:
    """Three causes in two numbers, one of which is missing now and then; in eight families."""
    rng = np.random.default_rng(1)
    found = []
    for k in range(n):
        c = k % 3
        numbers = {"a": float(c + 0.4 * rng.standard_normal()), "i_b": float(-c + 0.5 * rng.standard_normal())}
        if rng.random() < 0.3:
            del numbers["i_b"]
        found.append(Example(numbers, CAUSES[c], f"family {k % 8}", "i_b" in numbers, k))
    return found


def test_the_arrays_give_what_the_library_gives_also_where_numbers_are_missing() -> None:
    # Outside: scikit-learn's own answer for the same forest. Shares are kept in 255 steps.
    from halfcycle.pipeline.learning.cause_training import _arrays, _fitted

    drawn = examples()
    table = np.array([[e.numbers.get(name, np.nan) for name in ("a", "i_b")] for e in drawn])
    truth = np.array([CAUSES.index(e.cause) for e in drawn])
    forest = _fitted(table, truth, 3)
    model = CauseModel(
        features=("a", "i_b"), causes=CAUSES, temperature=np.ones(2), knots=np.zeros((2, 2, 2)), **_arrays(forest)
    )
    ours = np.array([model.mean_shares(model.row(e.numbers)) for e in drawn])
    assert np.abs(ours - forest.predict_proba(table.astype(np.float32))).max() < 0.005


def test_trees_are_walked_all_at_once_as_one_by_one() -> None:
    # Outside: each node asked in turn, as its definition says, of the model that is shipped.
    model = cause_model()
    rng = np.random.default_rng(2)
    for _ in range(5):
        row = rng.standard_normal(len(model.features)).astype(np.float32)
        row[rng.random(row.size) < 0.3] = np.nan
        total = np.zeros(len(model.causes))
        for root in model.roots:
            node = int(root)
            while model.feature[node] >= 0:
                x = row[model.feature[node]]
                left = model.missing_left[node] if np.isnan(x) else x <= model.threshold[node]
                node = int(model.left[node] if left else model.right[node])
            total += model.shares[model.left[node]] / 255.0
        assert model.mean_shares(row) == pytest.approx(total / model.roots.size, abs=1e-12)


@pytest.mark.slow
def test_a_model_is_the_same_after_its_file_and_the_file_is_the_same_each_time(tmp_path: Path) -> None:
    model, _ = train(examples(), seed=2)
    again, _ = train(examples(), seed=2)
    for name, one in (("a", model), ("b", again)):
        one.write(tmp_path / f"{name}.npz")
    assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "b.npz").read_bytes()
    read = CauseModel.read(tmp_path / "a.npz")
    assert read.probabilities({"a": 0.1}) == model.probabilities({"a": 0.1})
    assert read.causes == CAUSES


def test_probabilities_come_likeliest_first_and_never_add_up_to_more_than_one() -> None:
    model, left_out = train(examples(), seed=2)
    for numbers in ({"a": 0.0, "i_b": 0.0}, {"a": 2.0}, {}, {"a": math.inf}):
        likely = list(model.probabilities(numbers).values())
        assert likely == sorted(likely, reverse=True)
        assert 0 < sum(likely) <= 1 + 1e-9
    assert (left_out.sure <= 1).all()


def test_a_temperature_makes_shares_flatter_or_steeper_and_keeps_their_order() -> None:
    # by hand: squares of 0.8 and 0.2 are 0.64 and 0.04, of which 0.64 is 16/17
    assert tempered(np.array([0.8, 0.2]), 0.5) == pytest.approx([16 / 17, 1 / 17])
    assert tempered(np.array([0.8, 0.2]), 2.0)[0] == pytest.approx(2 / 3)


def test_scores_of_answers_are_what_their_definitions_say() -> None:
    # by hand: a: TP 1, FN 1, FP 0 -> 2/3; b: TP 1, FP 1 -> 2/3; "" counts as no answer
    assert macro_f1(["a", "a", "b"], ["a", "b", "b"]) == pytest.approx(2 / 3)
    assert macro_f1(["a", "a", "b"], ["a", "", "b"]) == pytest.approx((2 / 3 + 1) / 2)
    # by hand: two at 0.95, one right: |1.9 - 1| / 2
    assert calibration_error(reliability_bins(np.array([0.95, 0.95]), np.array([True, False]))) == pytest.approx(0.45)


class Fixed:
    """A model that says what it is told to."""

    def __init__(self, likely: Mapping[str, float]) -> None:
        self.likely = dict(sorted(likely.items(), key=lambda item: -item[1]))

    def probabilities(self, numbers: Mapping[str, float]) -> dict[str, float]:
        return self.likely


def named(likely: Mapping[str, float], evidence: Evidence | None = None, **numbers: float) -> Cause:
    return name_cause(Fixed(likely), evidence or Evidence(), numbers)  # type: ignore[arg-type]


def test_kinds_of_faults_none_of_which_is_likely_are_a_fault_together() -> None:
    found = named({"fault, then trip": 0.4, "fault with reclosing": 0.35, "open phase": 0.2})
    assert (found.cause, found.confidence) == ("fault", pytest.approx(0.75))
    found = named({"open phase": 0.4, "fault": 0.3, "load switching": 0.3})
    assert (found.cause, found.confidence) == ("unknown", 0.0)
    assert "open phase" in found.why


def test_a_fault_that_comes_again_is_one_with_reclosing() -> None:
    found = named({"fault": 0.9, "open phase": 0.1}, Evidence(repeats=2, dead_time_s=0.5))
    assert found.cause == "fault with reclosing"
    assert "2 times, 0.5 s apart" in found.why


def test_where_rules_disagree_the_sentence_says_so_and_a_short_record_is_said_to_be_short() -> None:
    fault = Evidence(
        duration_s=0.1, residual_pu=0.5, depth_pu=0.3, drop_share=1.0, recovery_share=1.0, rectangularity=1.0,
        unbalance=1.0, step_pu=0.0,
    )  # fmt: skip
    assert "by rule alone the cause would be fault" in named({"open phase": 0.8}, fault).why
    assert "by rule" not in named({"fault": 0.8}, fault).why
    assert "the record ends 0.2 s after the start" in named({"fault": 0.8}, fault, seconds_after=0.2).why
    assert "the record ends" not in named({"fault": 0.8}, fault, seconds_after=2.0).why


def test_the_model_that_travels_with_the_project_is_small_and_has_a_card() -> None:
    path = resource("datasets", "causes/model.npz")
    assert path.stat().st_size < 1.2e6
    with np.load(path, allow_pickle=False) as file:
        assert all(file[name].dtype != object for name in file.files)
    assert "macro F1" in resource("datasets", "causes/card.md").read_text()
    assert {"fault", "fault, then trip", "fault with reclosing", "open phase"} <= set(cause_model().causes)


def test_what_is_energised_as_the_supply_returns_is_its_return() -> None:
    # Common practice, no source: transformers that were dead with a line draw their inrush as it comes back.
    likely = {"transformer energising": 0.9, "fault": 0.1}
    found = name_cause(Fixed(likely), Evidence(), {}, after_outage=True)  # type: ignore[arg-type]
    assert (found.cause, found.confidence) == ("re-energising", 0.9)
    assert "transformer energising" in found.why
    assert named(likely).cause == "transformer energising"


def test_a_trip_says_where_the_phases_stand_and_how_long_was_looked_at_and_no_fault_is_back_that_is_not() -> None:
    numbers = {"end_low": 0.1, "end_high": 1.0, "n_after": 260.0}
    e = Evidence(residual_pu=0.02, rectangularity=0.1)  # which the rule of faults does not take for one
    assert "settle at 0.10 to 1.00 pu; 130 cycles were examined" in named({"fault, then trip": 0.9}, e, **numbers).why
    assert "back" not in named({"fault": 0.9}, e, **numbers).why
    assert "recovers afterwards" in named({"fault": 0.9}, e, end_low=0.98, end_high=1.0).why


def test_where_nothing_is_likely_a_sure_rule_decides_and_the_probability_stays_the_models() -> None:
    inrush = Evidence(
        residual_pu=0.9, depth_pu=0.05, drop_share=0.9, recovery_share=0.3, rectangularity=0.2, unbalance=0.6,
        added_current=1.5, added_end_share=0.2, second_harmonic=0.45, second_harmonic_voltage_pu=0.03,
    )  # fmt: skip
    found = named({"transformer energising": 0.45, "load switching": 0.4}, inrush)
    assert (found.cause, found.confidence) == ("transformer energising", 0.45)
    assert named({"transformer energising": 0.1, "load switching": 0.45, "open phase": 0.45}, inrush).cause == "unknown"


def test_by_voltages_alone_a_bank_is_never_sure_to_stand_alone() -> None:
    # Common practice, no source: what banks exchange is seen in the current between them.
    for name in ("capacitor energising", "back-to-back capacitor energising"):
        assert named({name: 0.99}).confidence == 0.9
        assert named({name: 0.99}, Evidence(oscillation_current=0.4)).confidence == 0.99
