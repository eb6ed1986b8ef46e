"""How well events of sites are named by a model that was trained without these sites."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from halfcycle.classifiers.learned.model import DisturbanceClassifier
from halfcycle.pipeline.catalogue.learned import UNKNOWN
from halfcycle.pipeline.learning.examples import Examples, event_examples, few_of_each, fitted
from halfcycle.pipeline.learning.labelled import LabelledEvents
from halfcycle.pipeline.learning.scores import macro_f1

Bools = npt.NDArray[np.bool_]
Names = npt.NDArray[np.str_]

MOST_DRAWN: Final = 300  # windows a class of the family in each fold: the training of a fold need not take minutes
_MOST_FOLDS: Final = 5
_CONFUSIONS: Final = 10


@dataclass(frozen=True, slots=True)
class ClassScores:
    """How well the events of one class are named.

    Attributes
    ----------
    n_events, n_said : events of the class, and events that are called so.
    precision, recall, f1 : 0 where nothing is called so.
    n_groups : groups that have events of the class; with one alone the class was never trained where it was tested.
    """

    n_events: int
    n_said: int
    precision: float
    recall: float
    f1: float
    n_groups: int


@dataclass(frozen=True, slots=True)
class Validation:
    """What models trained without a group of events say about that group, all folds together.

    Attributes
    ----------
    grouped_by : ``site``, ``capture file`` or ``event``.
    n_groups, n_folds, n_events : counts.
    macro_f1 : of each fold, over the classes that occur in it.
    accuracy : share of events with the right name.
    unknown : share called unknown.
    classes : by name.
    confusions : how many events of one class are given another name, most first.
    """

    grouped_by: str
    n_groups: int
    n_folds: int
    n_events: int
    macro_f1: tuple[float, ...]
    accuracy: float
    unknown: float
    classes: Mapping[str, ClassScores]
    confusions: tuple[tuple[str, str, int], ...]

    @property
    def left_out(self) -> str:
        """What each fold leaves out of the training, in words."""
        return f"left-out {self.grouped_by}s"

    @property
    def seen_in_one(self) -> tuple[str, ...]:
        """Classes whose events are all of one group."""
        return tuple(name for name, scores in self.classes.items() if scores.n_groups == 1)

    def scores(self) -> dict[str, float]:
        """By names for a card."""
        of = f"labels: {{}}, {self.left_out}"
        found = {
            of.format("macro F1"): float(np.mean(self.macro_f1)),
            of.format("standard deviation of macro F1 over folds"): float(np.std(self.macro_f1)),
            of.format("accuracy"): self.accuracy,
            of.format("share called unknown"): self.unknown,
        }
        for name, scores in self.classes.items():
            found[of.format(f"precision of {name}")] = scores.precision
            found[of.format(f"recall of {name}")] = scores.recall
            found[of.format(f"F1 of {name}")] = scores.f1
        found |= {of.format(f"events of {truth} called {said}"): float(n) for truth, said, n in self.confusions}
        return found


def groups_of(events: LabelledEvents) -> tuple[str, Names]:
    """What events are grouped by, and the group of each: sites where there are several, else files, else events."""
    for name, groups in (("site", events.sites), ("capture file", events.captures)):
        if len(np.unique(groups)) > 1:
            return name, groups
    return "event", np.arange(len(events.labels)).astype(np.str_)


def folds_of(labels: Names, groups: Names, *, seed: int) -> Iterator[Bools]:
    """Which events each fold leaves out, shape (n_events,): one group each where they are few, else of five parts."""
    from sklearn.model_selection import LeaveOneGroupOut, StratifiedGroupKFold

    few = len(np.unique(groups)) <= _MOST_FOLDS
    folds = LeaveOneGroupOut() if few else StratifiedGroupKFold(_MOST_FOLDS, shuffle=True, random_state=seed)
    for _, rows in folds.split(labels, labels, groups):
        left_out = np.zeros(len(labels), dtype=bool)
        left_out[rows] = True
        if left_out.any():  # of few large groups a part may stay empty
            yield left_out


def validate(
    events: LabelledEvents,
    *,
    drawn: Examples | None,
    seed: int,
    tell: Callable[[str], None] | None = None,
) -> Validation:
    """Train without some of the groups, name their events, and so on through all groups.

    Parameters
    ----------
    events : all that are labelled.
    drawn : of the family, to train every fold with; at most 300 of each class are used. None: labelled events alone.
    seed : of the folds and the models.
    tell : called with a line of words at each fold.

    Returns
    -------
    Validation. An event's name is that of the phase whose windows, placed as in a catalogue, the model is surest of.
    """
    grouped_by, groups = groups_of(events)
    family = [] if drawn is None else [few_of_each(drawn, most=MOST_DRAWN, seed=seed)]
    said = np.full(len(events.labels), UNKNOWN, dtype=object)
    macro: list[float] = []
    for left_out in folds_of(events.labels, groups, seed=seed):
        model = fitted([*family, event_examples(events, ~left_out)], seed=seed)
        named = names_said(model, events)
        said[left_out] = named[left_out]
        macro.append(macro_f1(events.labels[left_out], named[left_out]))
        if tell is not None:
            tell(f"fold {len(macro)}, {left_out.sum()} events left out: macro F1 {macro[-1]:.3f}")
    return _validation(events, said.astype(np.str_), grouped_by=grouped_by, groups=groups, macro=macro)


def names_said(model: DisturbanceClassifier, events: LabelledEvents) -> Names:
    """What a catalogue would call each event, shape (n_events,), with ``unknown`` where no phase is like a class."""
    judged = model.judge(events.features[events.as_judged])
    of_event = events.event[events.as_judged]
    names = []
    for i in range(len(events.labels)):
        best = judged.surest(np.flatnonzero(of_event == i))
        names.append(UNKNOWN if best is None else str(judged.classes[best]))
    return np.array(names)


def _validation(
    events: LabelledEvents, said: Names, *, grouped_by: str, groups: Names, macro: list[float]
) -> Validation:
    from sklearn.metrics import precision_recall_fscore_support

    truth = events.labels
    names = np.unique(truth)
    found = precision_recall_fscore_support(truth, said, labels=names, zero_division=0.0)
    classes = {}
    for name, precision, recall, f1, n_own in zip(names.tolist(), *(column.tolist() for column in found), strict=True):
        n_groups = len(np.unique(groups[truth == name]))
        classes[name] = ClassScores(n_own, int((said == name).sum()), precision, recall, f1, n_groups)
    wrong = Counter((t, s) for t, s in zip(truth.tolist(), said.tolist(), strict=True) if t != s)
    most_first = sorted(((t, s, n) for (t, s), n in wrong.items()), key=lambda pair: (-pair[2], pair))
    return Validation(
        grouped_by=grouped_by,
        n_groups=len(np.unique(groups)),
        n_folds=len(macro),
        n_events=len(truth),
        macro_f1=tuple(macro),
        accuracy=float((truth == said).mean()),
        unknown=float((said == UNKNOWN).mean()),
        classes=classes,
        confusions=tuple(most_first[:_CONFUSIONS]),
    )
