"""Validation of labelled events by sites left out, and what a model learns of classes whose primitives nobody knows."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace

import numpy as np
import pytest

from halfcycle.classifiers.learned.model import DisturbanceClassifier, Judgement
from halfcycle.pipeline.learning import validation
from halfcycle.pipeline.learning.examples import Examples, drawn_examples, event_examples, few_of_each, fitted
from halfcycle.pipeline.learning.family import training_features
from halfcycle.pipeline.learning.labelled import LabelledEvents
from halfcycle.pipeline.learning.training import told
from halfcycle.pipeline.learning.validation import folds_of, groups_of, names_said, validate
from halfcycle.pipeline.synthesis.parametric import FORMS

LEADS = 3


def events_of(
    features: np.ndarray,
    labels: Sequence[str],
    *,
    sites: Sequence[str],
    captures: Sequence[str] = ("a", "b"),
) -> LabelledEvents:
    """Events of one phase whose windows are all alike. features: one row an event."""
    n = len(labels)
    names = [np.array([given[i % len(given)] for i in range(n)]) for given in (sites, captures)]
    return LabelledEvents(
        features=np.repeat(features, LEADS, axis=0).astype(np.float32), event=np.repeat(np.arange(n), LEADS),
        as_judged=np.arange(n * LEADS) % LEADS == 0, labels=np.array(labels), sites=names[0], captures=names[1],
        recordings=((1600.0, 50.0),), digest="0" * 32,
    )  # fmt: skip


def clusters(n: int, *, sites: Sequence[str], seed: int = 0, captures: Sequence[str] = ("a", "b")) -> LabelledEvents:
    """Two classes, far apart in each of four features."""
    rng = np.random.default_rng(seed)
    labels = ["flutter", "surge"] * n
    features = rng.standard_normal((2 * n, 4)) + 10.0 * (np.array(labels) == "surge")[:, None]
    return events_of(features, labels, sites=sites, captures=captures)


# --- groups and folds


@pytest.mark.parametrize(
    ("sites", "captures", "by", "n_groups"),
    [
        (("Quarry Road", "Mill Lane", "Harbour"), ("a", "b"), "site", 3),
        (("Quarry Road",), ("a", "b", "c", "d"), "capture file", 4),
        (("Quarry Road",), ("a",), "event", 12),
    ],
)
def test_events_are_grouped_by_site_or_else_by_file_or_else_each_is_a_group(
    sites: Sequence[str], captures: Sequence[str], by: str, n_groups: int
) -> None:
    name, groups = groups_of(clusters(6, sites=sites, captures=captures))
    assert name == by
    assert len(np.unique(groups)) == n_groups


@pytest.mark.parametrize(("n_sites", "n_folds"), [(2, 2), (3, 3), (5, 5), (7, 5), (40, 5)])
def test_each_event_is_left_out_once_and_no_group_is_on_both_sides(n_sites: int, n_folds: int) -> None:
    events = clusters(40, sites=[f"site {i}" for i in range(n_sites)])
    folds = list(folds_of(events.labels, events.sites, seed=1))
    assert len(folds) == n_folds
    assert np.sum(folds, axis=0).tolist() == [1] * 80
    for left_out in folds:
        assert not set(events.sites[left_out]) & set(events.sites[~left_out])


@pytest.mark.slow
def test_windows_of_an_event_are_never_on_both_sides() -> None:
    """Labels drawn by lot: who has seen another window of the event knows its label, all others guess.

    Binomial: of 60 guesses more than 45 are right with a probability of 5e-5.
    """
    rng = np.random.default_rng(3)
    labels = rng.permutation(["flutter", "surge"] * 30).tolist()
    events = events_of(rng.standard_normal((60, 6)), labels, sites=("Quarry Road",), captures=("a",))
    assert validate(events, drawn=None, seed=0).accuracy < 0.75
    everything = fitted([event_examples(events, np.ones(60, dtype=bool))], seed=0)
    assert np.mean(everything.predict(events.features) == events.labels[events.event]) > 0.75


def test_a_class_of_one_site_alone_was_never_trained_where_it_was_tested_and_that_is_said() -> None:
    rng = np.random.default_rng(0)
    labels = ["flutter", "surge", "echo"] * 10
    centres = {"flutter": 0.0, "surge": 10.0, "echo": 20.0}
    features = rng.standard_normal((30, 4)) + np.array([[centres[name]] for name in labels])
    events = events_of(features, labels, sites=("Quarry Road", "Mill Lane", "Harbour"))  # one class each
    found = validate(events, drawn=None, seed=0)
    assert found.accuracy == 0.0
    assert {scores.n_groups for scores in found.classes.values()} == {1}
    assert "absent from the training when tested: echo, flutter, surge" in told(found)[-1]


# --- what is said of an event


class Says(SimpleNamespace):
    """A model that says what it is given."""

    def judge(self, features: np.ndarray) -> Judgement:
        assert len(features) == len(self.classes)
        return Judgement(np.array(self.classes), np.array(self.confidence), np.array(self.known), None)


def test_an_event_is_called_what_its_surest_known_phase_is_called() -> None:
    events = LabelledEvents(
        features=np.zeros((8, 2), np.float32), event=np.array([0, 0, 0, 0, 1, 1, 1, 1]),
        as_judged=np.array([True, True, True, False] * 2), labels=np.array(["sag", "surge"]),
        sites=np.array(["a", "b"]), captures=np.array(["a", "b"]), recordings=(), digest="",
    )  # fmt: skip
    model = Says(
        classes=["sag", "surge", "echo", "sag", "surge", "echo"],
        confidence=[0.6, 0.9, 0.7, 0.8, 0.8, 0.8],
        known=[True, False, True, False, False, False],
    )
    assert names_said(model, events).tolist() == ["echo", "unknown"]  # type: ignore[arg-type]


def test_scores_are_those_of_the_definitions(monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand. Site a: truth f f f s s s, said f f s s s s; site b: truth the same, said f ? f s f s."""
    truth = ["flutter"] * 3 + ["surge"] * 3
    events = events_of(np.zeros((12, 2)), truth * 2, sites=["a"] * 6 + ["b"] * 6)
    said = ["flutter", "flutter", "surge", "surge", "surge", "surge"]
    said += ["flutter", "unknown", "flutter", "surge", "flutter", "surge"]
    monkeypatch.setattr(validation, "names_said", lambda model, events: np.array(said))
    found = validate(events, drawn=None, seed=0)
    flutter, surge = found.classes["flutter"], found.classes["surge"]
    assert (flutter.n_events, flutter.n_said, flutter.n_groups) == (6, 5, 2)
    assert (flutter.precision, flutter.recall, flutter.f1) == pytest.approx((4 / 5, 4 / 6, 8 / 11))
    assert (surge.precision, surge.recall, surge.f1) == pytest.approx((5 / 6, 5 / 6, 10 / 12))
    assert found.accuracy == pytest.approx(9 / 12)
    assert found.unknown == pytest.approx(1 / 12)
    assert found.confusions == (("flutter", "surge", 1), ("flutter", "unknown", 1), ("surge", "flutter", 1))
    folds = ((4 / 5 + 6 / 7) / 2, (4 / 6 + 4 / 5) / 2)
    assert found.macro_f1 == pytest.approx(folds)
    scores = found.scores()
    assert scores["labels: macro F1, left-out sites"] == pytest.approx(sum(folds) / 2)
    spread = scores["labels: standard deviation of macro F1 over folds, left-out sites"]
    assert spread == pytest.approx((folds[0] - folds[1]) / 2)
    assert scores["labels: recall of surge, left-out sites"] == pytest.approx(5 / 6)
    assert scores["labels: events of flutter called unknown, left-out sites"] == 1.0
    lines = told(found)
    assert "75% of 12 events classified correctly, 8% called unknown" in lines[0]
    assert "  flutter: precision 0.80, recall 0.67, F1 0.73, 6 events" in lines


def test_a_class_that_is_never_said_has_no_precision_but_a_score() -> None:
    events = events_of(np.zeros((12, 2)), ["flutter"] * 6 + ["surge"] * 6, sites=("a", "b"))
    found = validate(events, drawn=None, seed=0)  # all windows alike: one class is said throughout, or none
    assert any(scores.precision == scores.f1 == 0.0 for scores in found.classes.values())


# --- training with classes of which no primitives are known


def test_of_each_class_at_most_so_many_are_used() -> None:
    names = np.array(["sag"] * 50 + ["swell"] * 3)
    few = few_of_each(
        Examples(np.arange(53, dtype=np.float32)[:, None], names, np.zeros((53, 8)), np.arange(53)), most=10, seed=1
    )
    assert few.names.tolist() == ["sag"] * 10 + ["swell"] * 3
    assert (np.diff(few.features[:, 0]) > 0).all()
    assert few.events.tolist() == few.features[:, 0].tolist()


@pytest.fixture(scope="module")
def partly() -> tuple[DisturbanceClassifier, np.ndarray, np.ndarray, np.ndarray]:
    """Three drawn classes, of the last of which no primitives are told."""
    drawn = drawn_examples(training_features(30, seed=5, classes=(2, 3, 6)))
    primitives = drawn.primitives.copy()
    primitives[drawn.names == FORMS[6].name] = np.nan
    model = DisturbanceClassifier(n_trees=20, n_primitive_trees=20, random_state=0)
    return model.fit(drawn.features, drawn.names, primitives), drawn.features, drawn.names, primitives


def test_the_head_of_primitives_is_trained_with_the_rows_that_are_known(
    partly: tuple[DisturbanceClassifier, np.ndarray, np.ndarray, np.ndarray],
) -> None:
    model, features, names, _ = partly
    present = model.predict_primitives(features)
    np.testing.assert_allclose(present[names == "sag", :2].mean(axis=0), [1.0, 0.0], atol=0.1)
    np.testing.assert_allclose(present[names == "swell", :2].mean(axis=0), [0.0, 1.0], atol=0.1)
    assert (present[:, 5] == 0.0).all()  # no row that is known has an oscillation
    mean = model._primitives(model.primitive_trees_, features[names == FORMS[6].name]).mean(axis=0)
    np.testing.assert_array_equal(model.of_classes_[list(model.classes_).index(FORMS[6].name)], mean)


def test_a_class_whose_primitives_are_not_known_is_not_called_unknown_for_them(
    partly: tuple[DisturbanceClassifier, np.ndarray, np.ndarray, np.ndarray],
) -> None:
    """Calibration leaves 5 % unknown; with 31 fresh windows a share under 30 % is 6 standard deviations away."""
    model, *_ = partly
    fresh = training_features(30, seed=6, classes=(6,))
    judged = model.judge(fresh.features)
    assert np.mean(judged.classes == FORMS[6].name) > 0.9
    assert np.mean(~judged.known) < 0.3


def test_without_a_row_that_is_known_there_is_no_head() -> None:
    drawn = training_features(10, seed=5, classes=(2, 3))
    model = DisturbanceClassifier(n_trees=10, random_state=0)
    model.fit(drawn.features, drawn.classes, np.full((len(drawn.classes), 8), np.nan))
    plain = DisturbanceClassifier(n_trees=10, random_state=0).fit(drawn.features, drawn.classes)
    assert model.primitive_trees_ is None
    np.testing.assert_array_equal(model.predict_proba(drawn.features), plain.predict_proba(drawn.features))


def test_known_primitives_say_the_same_as_floats_and_as_booleans() -> None:
    drawn = training_features(10, seed=5, classes=(2, 3))
    models = [
        DisturbanceClassifier(n_trees=10, n_primitive_trees=5, random_state=0).fit(
            drawn.features, drawn.classes, drawn.primitives.astype(kind)
        )
        for kind in (bool, float)
    ]
    first, second = (model.judge(drawn.features).primitives for model in models)
    np.testing.assert_array_equal(first, second)


def test_primitives_known_in_part_are_refused() -> None:
    primitives = np.zeros((4, 2))
    primitives[1, 0] = np.nan
    with pytest.raises(ValueError, match="either all of them are known"):
        DisturbanceClassifier().fit(np.zeros((4, 2)), [0, 0, 1, 1], primitives)
    with pytest.raises(ValueError, match="groups of shape"):
        DisturbanceClassifier().fit(np.zeros((4, 2)), [0, 0, 1, 1], groups=[1, 2])


def test_held_out_groups_keep_the_confidence_honest() -> None:
    """Labels by lot, each sample five times: alone in its group its copies make the model sure of nothing."""
    rng = np.random.default_rng(0)
    features, labels = rng.standard_normal((60, 5)), rng.integers(0, 2, 60)
    fresh = rng.standard_normal((200, 5))
    repeated, targets = np.repeat(features, 5, axis=0), np.repeat(labels, 5)
    confidence = []
    for groups in (None, np.repeat(np.arange(60), 5)):
        model = DisturbanceClassifier(n_trees=60, random_state=0).fit(repeated, targets, groups=groups)
        confidence.append(model.judge(fresh).confidence.mean())
    assert confidence[0] > 0.8
    assert confidence[1] < 0.65


def test_of_a_class_with_few_groups_one_is_held_out() -> None:
    """Five events of three windows: the rule for single samples would calibrate nothing by them."""
    rng = np.random.default_rng(0)
    features = rng.standard_normal((30, 3)) + np.repeat([0.0, 8.0], 15)[:, None]
    model = DisturbanceClassifier(n_trees=10, random_state=0)
    model.fit(features, np.repeat([0, 1], 15), groups=np.repeat(np.arange(10), 3))
    assert len(model.tails_) == 6
