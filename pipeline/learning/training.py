"""A learned classifier from the parametric family of disturbances, from one's own labelled events, or both."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from halfcycle.classifiers.learned.model import DisturbanceClassifier
from halfcycle.classifiers.learned.stored import Card, StoredModel
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.learning.examples import Examples, drawn_examples, event_examples, fitted
from halfcycle.pipeline.learning.family import (
    TRAINING,
    WINDOWS_PER_CLASS,
    LabelledFeatures,
    TrainingPart,
    at_noise,
    labelled_features,
    train,
    training_features,
)
from halfcycle.pipeline.learning.labelled import LEADS_CYCLES, LabelledEvents, labelled_events
from halfcycle.pipeline.learning.labels import Find
from halfcycle.pipeline.learning.scores import Scores, score_judgement
from halfcycle.pipeline.learning.validation import MOST_DRAWN, Validation, validate
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.synthesis.parametric import FORMS, NUMBER_OF_NAME, PRIMITIVES

Tell = Callable[[str], None]

_TEST_PER_CLASS: Final = 40
_LEVELS_DB: Final = (None, 40.0, 20.0)
LIMITS: Final = (
    "Trained on synthetic windows of ten cycles of one voltage, with events of one to nine cycles; not on recordings.",
    "Windows of 1.6 to 30 kHz at 50 or 60 Hz; windows unlike the training are called unknown.",
    "Confidence is calibrated on the synthetic windows, not on the mix of events of a real network.",
)
_NO_FORM: Final = 0  # in place of a number, for a class that the family does not have


def trained_model(
    *,
    n_per_class: int = WINDOWS_PER_CLASS,
    seed: int = 1,
    labels: Path | None = None,
    find: Find | None = None,
    sites: SiteTable | None = None,
    family: bool = True,
    tell: Tell | None = None,
) -> StoredModel:
    """Train on drawn windows, on labelled events or on both, and score on what was not trained with.

    Parameters
    ----------
    n_per_class : windows drawn of each of the 29 classes.
    seed : of the training windows, the trees and the folds; the test windows have others.
    labels : table of labelled events, see `labelled.labelled_events`; None: drawn windows alone.
    find : finds captures that a catalogue names, see `labels.read_labels`.
    sites : what a person declares of the sites that these are of.
    family : whether drawn windows are trained with.
    tell : called with a line of words at each step.

    Returns
    -------
    The model with its card. Its classes are numbers of the family, or names where events are labelled. Drawn classes
    are scored on windows drawn afresh, labelled ones by leaving out one site after the other, see `validation`.

    Raises
    ------
    ConfigError : nothing to train with, or a table of labels of which a row cannot be used.
    """
    say = tell or (lambda line: None)
    if labels is None and not family:
        raise ConfigError("without synthetic windows there is nothing to train on; give a table of labelled events")
    if labels is None:
        say(f"training on {n_per_class} windows of each of {len(FORMS)} classes")
        model = train(n_per_class=n_per_class, seed=seed)
        scores = _scored_on_drawn(model, seed=seed, say=say)
        names = tuple(FORMS[int(number)].name for number in model.classes_)
        return StoredModel(model, Card(_of_family(n_per_class, seed), scores, LIMITS, names, tuple(PRIMITIVES)))
    events = labelled_events(labels, sites=sites, find=find)
    return _with_labels(events, n_per_class=n_per_class if family else None, seed=seed, say=say)


def _with_labels(events: LabelledEvents, *, n_per_class: int | None, seed: int, say: Tell) -> StoredModel:
    say(f"{len(events.labels)} labelled events: {_listed(events.counts)}")
    drawn: list[Examples] = []
    if n_per_class is not None:
        say(f"synthesising {n_per_class} windows of each of {len(FORMS)} classes")
        drawn.append(drawn_examples(training_features(n_per_class, seed=seed)))
    validation = validate(events, drawn=drawn[0] if drawn else None, seed=seed, tell=say)
    for line in told(validation):
        say(line)
    say("training on all windows")
    model = fitted([*drawn, event_examples(events, np.ones(len(events.labels), dtype=bool))], seed=seed)
    scores = _scored_on_drawn(model, seed=seed, say=say) if drawn else {}
    data = {
        "labelled events": len(events.labels),
        "labelled events by class": _listed(events.counts),
        "sites of the labelled events": ", ".join(np.unique(events.sites).tolist()),
        "pre-event cycles of the windows": ", ".join(f"{lead:g}" for lead in sorted(LEADS_CYCLES)),
        "recordings of the labelled events": ", ".join(f"{r / 1e3:g} kHz at {f:g} Hz" for r, f in events.recordings),
        "SHA-256 of the labels, first 32 digits": events.digest,
        "seed": seed,
    }
    if n_per_class is not None:
        data = _of_family(n_per_class, seed) | data
    limits = _limits(events, validation, family=bool(drawn))
    primitives = () if model.primitive_trees_ is None else tuple(PRIMITIVES)
    names = tuple(str(name) for name in model.classes_)
    return StoredModel(model, Card(data, scores | validation.scores(), limits, names, primitives))


def _scored_on_drawn(model: DisturbanceClassifier, *, seed: int, say: Tell) -> dict[str, float]:
    """Scores on windows drawn afresh, by level of noise."""
    scores: dict[str, float] = {}
    for level in _LEVELS_DB:
        name = "no noise" if level is None else f"{level:g} dB"
        drawn = labelled_features(_TEST_PER_CLASS, conditions=at_noise(level), seed=seed + 7919)
        found = _score(model, drawn)
        scores[f"macro F1, {name}"] = found.macro_f1
        scores[f"macro F1 with near-degenerate pairs joined, {name}"] = found.joined_f1
        say(f"{name}: macro F1 {found.macro_f1:.3f}, with near-degenerate pairs joined {found.joined_f1:.3f}")
    return scores


def _score(model: DisturbanceClassifier, drawn: LabelledFeatures) -> Scores:
    """Scores of a model whose classes are numbers of the family, or names, of which the family has not all."""
    judged = model.judge(drawn.features)
    if judged.classes.dtype.kind == "U":
        numbers = [NUMBER_OF_NAME.get(name, _NO_FORM) for name in judged.classes.tolist()]
        judged = replace(judged, classes=np.array(numbers))
    return score_judgement(judged, drawn)


def _of_family(n_per_class: int, seed: int) -> dict[str, Any]:
    """What a card says of the drawn windows."""
    return {
        "family": "parametric models of single and combined disturbances, 29 classes",
        "windows per class": n_per_class,
        "seed": seed,
        "recordings": [_in_words(part) for part in TRAINING],
        "test windows per class": _TEST_PER_CLASS,
    }


def told(validation: Validation) -> list[str]:
    """A validation in lines of words."""
    v = validation
    lines = [f"{v.left_out}, {v.n_folds} folds: {_in_short(v)}"]
    for name, scores in v.classes.items():
        lines.append(
            f"  {name}: precision {scores.precision:.2f}, recall {scores.recall:.2f}, F1 {scores.f1:.2f}, "
            f"{scores.n_events} events"
        )
    lines += [f"  {truth} called {said}: {n}" for truth, said, n in v.confusions]
    return lines + [f"  {sentence}" for sentence in _cautions(v)]


def _in_short(v: Validation) -> str:
    mean, spread = np.mean(v.macro_f1), np.std(v.macro_f1)
    return (
        f"macro F1 {mean:.3f} (standard deviation over folds {spread:.3f}), {v.accuracy:.0%} of {v.n_events} events "
        f"classified correctly, {v.unknown:.0%} called unknown"
    )


def _cautions(v: Validation) -> list[str]:
    cautions = []
    if v.grouped_by != "site":
        of = "one capture file" if v.grouped_by == "event" else "one site"
        cautions.append(f"All labelled events are from {of}; their scores say little about other sites.")
    if v.seen_in_one:
        names = ", ".join(v.seen_in_one)
        cautions.append(f"Of one {v.grouped_by} only, so absent from the training when tested: {names}.")
    return cautions


def _limits(events: LabelledEvents, v: Validation, *, family: bool) -> tuple[str, ...]:
    """What a model with labelled events is not made for."""
    n = len(events.labels)
    rates = [rate for rate, _ in events.recordings]
    span = " to ".join(dict.fromkeys(f"{rate / 1e3:g}" for rate in (min(rates), max(rates))))
    hertz = " or ".join(f"{f:g}" for f in sorted({f for _, f in events.recordings}))
    most = f", with at most {MOST_DRAWN} synthetic windows per class" if family else ""
    return (
        f"Trained on windows of ten cycles of one voltage: {'synthetic ones, and ' if family else ''}those of {n} "
        "labelled "
        "events.",
        LIMITS[1]
        if family
        else f"Windows of {span} kHz at {hertz} Hz; windows unlike the training are called unknown.",
        "Confidence is calibrated on the training mix, not on the mix of events of a real network.",
        f"Labelled events were validated by {v.left_out} ({v.n_folds} folds{most}; the final model uses all): "
        f"{_in_short(v)}.",
        *_cautions(v),
    )


def _listed(counts: dict[str, int]) -> str:
    return ", ".join(f"{name} {n}" for name, n in counts.items())


def _in_words(part: TrainingPart) -> str:
    """A part of the training in one line."""
    c = part.conditions
    words = [f"{part.share:.0%} at {c.rate_hz / 1e3:g} kHz and {c.nominal_hz:g} Hz"]
    if c.snr_db is not None:
        words.append(f"{c.snr_db[0]:g} to {c.snr_db[1]:g} dB of noise, {c.clean_share:.0%} without")
    if c.background_thd[1] > 0:
        unmoved = f", {c.unmoved_share:.0%} of it unmoved by events" if c.unmoved_share > 0 else ""
        words.append(f"{c.background_share:.0%} with distortion up to {c.background_thd[1]:.0%}{unmoved}")
    if any(c.frequency_deviation):
        nominal = f", {c.nominal_share:.0%} at nominal" if c.nominal_share > 0 else ""
        words.append(f"frequency deviation of up to {max(map(abs, c.frequency_deviation)):.0%}{nominal}")
    if c.jump_share > 0:
        words.append(f"{c.jump_share:.0%} with phase-angle jumps of up to {max(map(abs, c.jump_deg)):g}°")
    if c.bits is not None:
        words.append(f"{c.bits} bits")
    return ", ".join(words)
