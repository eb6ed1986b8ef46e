"""What a model says of events stands beside what the rules say: class, primitives, and a disagreement to filter by."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_fleet import made_capture

from halfcycle.classifiers.learned.model import DisturbanceClassifier
from halfcycle.classifiers.learned.stored import Card, StoredModel
from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.catalogue.learned import with_learned_classes
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.learning.family import train
from halfcycle.pipeline.records.piece import Piece
from halfcycle.pipeline.records.points import points_of
from halfcycle.pipeline.records.record import Record, records_of
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.synthesis.parametric import FORMS, PRIMITIVES

START = "2026-03-01T12:00:00"


@pytest.fixture(scope="module")
def stored() -> StoredModel:
    model = train(n_per_class=60, model=DisturbanceClassifier(n_trees=40, n_primitive_trees=30, random_state=0))
    names = tuple(FORMS[int(number)].name for number in model.classes_)
    return StoredModel(model, Card({}, {}, (), names, PRIMITIVES))


@pytest.fixture(scope="module")
def sag() -> tuple[Event, Record]:
    """Half a second at 0.55 pu: far longer than the window that the model is shown."""
    capture = made_capture(START, seconds=2.0, sags=[(0.8, 0.5, 0.55)], snr_db=45.0, seed=3)
    (record,) = records_of([Piece(capture.header, lambda: capture, lambda: "d")])
    (event,) = judge(record, site="s", terms=Terms(Thresholds(), 230.0, 50.0)).events
    return event, record


def said(event: Event, record: Record, stored: StoredModel, *, marked: bool = False) -> Event:
    (point,) = points_of(record.header)
    (named,) = with_learned_classes(
        [event], record, point, stored, frequency_hz=50.0, is_marked=lambda first, stop: marked
    )
    return named


@pytest.mark.long
def test_a_sag_that_outlasts_the_window_is_a_sag_with_nothing_else_in_it(
    sag: tuple[Event, Record], stored: StoredModel
) -> None:
    event = said(*sag, stored)
    assert (event.learned_class, event.learned_primitives) == ("sag", "sag")
    assert event.learned_primitive_confidences is not None
    assert float(event.learned_primitive_confidences) > 0.8
    assert event.learned_disagrees is False


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "disagrees"), [("swell", True), ("oscillatory_transient", True), ("interruption", False)]
)
def test_the_model_disagrees_where_nothing_of_the_rules_kind_is_there(
    sag: tuple[Event, Record], stored: StoredModel, kind: str, disagrees: bool
) -> None:
    """A sag that a rule would take for another kind; a deep sag and an interruption are one shape."""
    assert said(replace(sag[0], kind=kind), sag[1], stored).learned_disagrees is disagrees


def test_what_is_unknown_or_no_measurement_or_of_no_such_kind_says_nothing(
    sag: tuple[Event, Record], stored: StoredModel
) -> None:
    event, record = sag
    assert said(event, record, stored, marked=True) == event
    assert said(replace(event, kind="unbalance"), record, stored) == replace(event, kind="unbalance")
    strict = StoredModel(stored.model, stored.card)
    limits = stored.model.limits_
    stored.model.limits_ = np.full_like(limits, -1.0)  # nothing is like the training
    try:
        unknown = said(event, record, strict)
    finally:
        stored.model.limits_ = limits
    assert (unknown.learned_class, unknown.learned_primitives, unknown.learned_disagrees) == ("unknown", None, None)


def test_a_model_without_primitives_gives_its_class_alone(sag: tuple[Event, Record], stored: StoredModel) -> None:
    from halfcycle.pipeline.learning.family import training_features

    drawn = training_features(60, seed=2, classes=(1, 2, 3))
    model = DisturbanceClassifier(n_trees=30, random_state=0).fit(drawn.features, drawn.classes)
    plain = StoredModel(model, replace(stored.card, class_names=("pure", "sag", "swell"), primitive_names=()))
    event = said(*sag, plain)
    assert event.learned_class == "sag"
    assert (event.learned_primitives, event.learned_disagrees) == (None, None)


def test_an_event_below_the_model_s_samples_a_cycle_keeps_its_row_and_says_so(
    sag: tuple[Event, Record], stored: StoredModel
) -> None:
    # Source: `halfcycle.classifiers.learned.windows` asks for 20 samples a cycle.
    capture = made_capture(START, seconds=2.0, sags=[(0.8, 0.5, 0.55)], snr_db=45.0, seed=3)
    every = int(capture.header.rate_hz // 800)
    thin = capture.samples[:, ::every].copy()
    header = replace(capture.header, rate_hz=capture.header.rate_hz / every, n_samples=thin.shape[1])
    (record,) = records_of([Piece(header, lambda: replace(capture, header=header, samples=thin), lambda: "d")])
    (event,) = judge(record, site="s", terms=Terms(Thresholds(), 230.0, 50.0)).events
    named = said(event, record, stored)
    assert "not classified by the model (16.0 samples per cycle; at least 20 are needed)" in named.notes
    assert replace(named, notes=event.notes) == event
