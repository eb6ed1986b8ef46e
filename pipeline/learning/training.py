"""A learned classifier from the parametric family of disturbances, with its card."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from classifiers.learned.stored import Card, StoredModel
from pipeline.learning.family import TRAINING, WINDOWS_PER_CLASS, TrainingPart, at_noise, labelled_features, train
from pipeline.learning.scores import score_judgement
from pipeline.synthesis.parametric import FORMS, PRIMITIVES

_TEST_PER_CLASS: Final = 40
_LEVELS_DB: Final = (None, 40.0, 20.0)
LIMITS: Final = (
    "Trained on drawn windows of ten cycles of one voltage, with events of one to nine cycles; not on recordings.",
    "Windows of 1.6 to 30 kHz at 50 or 60 Hz; what is unlike the training is called unknown.",
    "The confidence is calibrated on drawn windows: on a network's own mix of events it is not.",
)


def trained_model(
    *, n_per_class: int = WINDOWS_PER_CLASS, seed: int = 1, tell: Callable[[str], None] | None = None
) -> StoredModel:
    """Train on drawn windows and score on others, drawn afresh.

    Parameters
    ----------
    n_per_class : windows of each of the 29 classes.
    seed : of the training windows and the trees; the test windows have others.
    tell : called with a line of words at each step.
    """
    say = tell or (lambda line: None)
    say(f"training on {n_per_class} windows of each of {len(FORMS)} classes")
    model = train(n_per_class=n_per_class, seed=seed)
    scores: dict[str, float] = {}
    for level in _LEVELS_DB:
        name = "no noise" if level is None else f"{level:g} dB"
        drawn = labelled_features(_TEST_PER_CLASS, conditions=at_noise(level), seed=seed + 7919)
        found = score_judgement(model.judge(drawn.features), drawn)
        scores[f"macro F1, {name}"] = found.macro_f1
        scores[f"macro F1 with near-degenerate pairs joined, {name}"] = found.joined_f1
        say(f"{name}: macro F1 {found.macro_f1:.3f}, with near-degenerate pairs joined {found.joined_f1:.3f}")
    data = {
        "family": "parametric models of single and combined disturbances, 29 classes",
        "windows a class": n_per_class,
        "seed": seed,
        "recordings": [_in_words(part) for part in TRAINING],
        "test windows a class": _TEST_PER_CLASS,
    }
    names = tuple(FORMS[int(number)].name for number in model.classes_)
    return StoredModel(model, Card(data, scores, LIMITS, names, tuple(PRIMITIVES)))


def _in_words(part: TrainingPart) -> str:
    """A part of the training in one line."""
    c = part.conditions
    words = [f"{part.share:.0%} at {c.rate_hz / 1e3:g} kHz and {c.nominal_hz:g} Hz"]
    if c.snr_db is not None:
        words.append(f"{c.snr_db[0]:g} to {c.snr_db[1]:g} dB of noise, {c.clean_share:.0%} without")
    if c.background_thd[1] > 0:
        words.append(f"{c.background_share:.0%} with distortion up to {c.background_thd[1]:.0%}")
    if any(c.frequency_deviation):
        words.append(f"frequency off by up to {max(map(abs, c.frequency_deviation)):.0%}")
    if c.bits is not None:
        words.append(f"{c.bits} bits")
    return ", ".join(words)
