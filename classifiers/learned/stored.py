"""Trained models in a folder, without code in them: the arrays, and a card that says where they come from."""

from __future__ import annotations

import hashlib
import json
import os
import platform
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from halfcycle.classifiers.learned.features import FEATURES
from halfcycle.classifiers.learned.model import DisturbanceClassifier

MODEL: Final = "model.skops"
CARD: Final = "card.json"
READABLE_CARD: Final = "card.md"
_REVISION: Final = 3  # of what features of the same names measure, and of what makes a window unknown
_SHOWN: Final = 20  # features in the readable card; the other one has all

# What the file may make beside scikit-learn's estimators and arrays, which the reader of the format knows for safe.
_ALLOWED: Final = frozenset(
    {
        "halfcycle.classifiers.learned.model.DisturbanceClassifier",
        "halfcycle.classifiers.learned.novelty.Novelty",
        "sklearn.tree._tree.Tree",
    }
)


_NEEDED: Final = ("trees_", "primitive_trees_", "exponent_", "novelty_", "tails_", "limits_", "taught_classes_")


class ModelError(ValueError):
    """A folder holds no model that may be used here."""


@dataclass(frozen=True, slots=True)
class Card:
    """Where a model comes from, and what it is good for.

    Attributes
    ----------
    data : what it was trained with, in words and numbers.
    scores : measured on fresh windows, by name.
    limits : sentences about what it was not made for.
    class_names : of each class, in the order of the model's `classes_`.
    primitive_names : in the order of the model's primitives.
    """

    data: Mapping[str, Any]
    scores: Mapping[str, float]
    limits: tuple[str, ...]
    class_names: tuple[str, ...]
    primitive_names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StoredModel:
    """A trained model and its card."""

    model: DisturbanceClassifier
    card: Card


def save(folder: Path, stored: StoredModel) -> None:
    """Write a model and its card, each file as a whole; the card comes last, and without it there is no model.

    Parameters
    ----------
    folder : made where it is missing; a model in it is replaced.
    stored : a trained model and its card.

    Raises
    ------
    ModelError : the card's names do not fit the model.
    OSError : the folder cannot be written.
    """
    import zipfile

    import sklearn
    import skops
    import skops.io

    model, card = stored.model, stored.card
    if len(card.class_names) != len(model.classes_):
        raise ModelError(f"{len(card.class_names)} names of classes for {len(model.classes_)} classes")
    folder.mkdir(parents=True, exist_ok=True)
    data = skops.io.dumps(model, compression=zipfile.ZIP_DEFLATED)
    described = {
        "features": list(FEATURES),
        "features_revision": _REVISION,
        "classes": [_plain(value) for value in model.classes_],
        "class_names": list(card.class_names),
        "primitive_names": list(card.primitive_names),
        "parameters": model.get_params(),
        "data": dict(card.data),
        "scores": dict(card.scores),
        "limits": list(card.limits),
        "importances": _importances(model),
        "versions": {
            "python": platform.python_version(), "numpy": np.__version__, "scikit-learn": sklearn.__version__,
            "skops": skops.__version__,
        },
        "sha256": hashlib.sha256(data).hexdigest(),
    }  # fmt: skip
    (folder / CARD).unlink(missing_ok=True)
    _write(folder / MODEL, data)
    _write(folder / READABLE_CARD, _readable(described).encode())
    _write(folder / CARD, json.dumps(described, indent=1, sort_keys=True).encode())


def load(folder: Path) -> StoredModel:
    """Read a model that `save` wrote. No code of the file is run, and types other than the model's own are refused.

    Parameters
    ----------
    folder : with the model and its card.

    Returns
    -------
    StoredModel.

    Raises
    ------
    ModelError : files missing, damaged or not the card's, other features, another scikit-learn, or a type that no model
        has.
    """
    import sklearn

    try:
        described = json.loads((folder / CARD).read_text(encoding="utf-8"))
        data = (folder / MODEL).read_bytes()
        features, digest = described["features"], described["sha256"]
        version = str(described["versions"]["scikit-learn"])
        card = Card(
            data=described["data"],
            scores=described["scores"],
            limits=tuple(described["limits"]),
            class_names=tuple(described["class_names"]),
            primitive_names=tuple(described["primitive_names"]),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ModelError(f"{folder.name}: no model with a readable card ({error})") from error
    if hashlib.sha256(data).hexdigest() != digest:
        raise ModelError(f"{folder.name}: {MODEL} is not the model that {CARD} describes")
    if tuple(features) != FEATURES or described.get("features_revision") != _REVISION:
        raise ModelError(f"{folder.name}: trained with other features than this version uses; train it again")
    if version.split(".")[:2] != sklearn.__version__.split(".")[:2]:
        raise ModelError(
            f"{folder.name}: trained with scikit-learn {version}, installed is {sklearn.__version__}; train it again"
        )
    return StoredModel(_model(data, folder.name), card)


def _model(data: bytes, name: str) -> DisturbanceClassifier:
    import skops.io

    try:
        strange = sorted(set(skops.io.get_untrusted_types(data=data)) - _ALLOWED)
        if strange:
            raise ModelError(f"{name}: {MODEL} holds {', '.join(strange)}; only the types of a model are allowed")
        model = skops.io.loads(data, trusted=sorted(_ALLOWED))
    except ModelError:
        raise
    except Exception as error:  # what a broken file makes the reader of the format raise is not foreseen there
        raise ModelError(f"{name}: {MODEL} cannot be read ({error or type(error).__name__})") from error
    if not isinstance(model, DisturbanceClassifier):
        raise ModelError(f"{name}: {MODEL} holds {type(model).__name__}, not a model")
    if any(not hasattr(model, attribute) for attribute in _NEEDED):
        raise ModelError(f"{name}: trained by another version; train it again")
    try:
        for forest in (model.trees_, model.primitive_trees_):
            for one in [] if forest is None else forest.estimators_:
                _check_tree(one.tree_, name)
    except (AttributeError, TypeError) as error:
        raise ModelError(f"{name}: {MODEL} does not hold the trees of a model ({error})") from error
    return model


def _check_tree(tree: Any, name: str) -> None:
    """Children must follow their parent and features exist: compiled code walks the tree without looking."""
    left, right, feature = tree.children_left, tree.children_right, tree.feature
    order = np.arange(tree.node_count)
    leaf = left == -1
    good = (left > order) & (left < tree.node_count) & (right > order) & (right < tree.node_count)
    good &= (feature >= 0) & (feature < len(FEATURES))
    if not (len(left) == tree.node_count and np.all(leaf | good)):
        raise ModelError(f"{name}: {MODEL} holds a tree that leads nowhere")


def _importances(model: DisturbanceClassifier) -> dict[str, float]:
    """Share of each feature in what the splits of the classes' trees gain, the largest first."""
    shares = model.trees_.feature_importances_
    return {FEATURES[i]: float(shares[i]) for i in np.argsort(-shares, kind="stable")}


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else value


def _write(path: Path, data: bytes) -> None:
    aside = path.with_name(path.name + ".part")
    with aside.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    aside.replace(path)


def _readable(described: Mapping[str, Any]) -> str:
    """The card as Markdown."""
    lines = [
        "# Model card",
        "",
        "Classes of disturbed ten-cycle windows, by extremely randomised trees on named features.",
        "",
    ]
    for title, key in (("Data", "data"), ("Parameters", "parameters"), ("Versions", "versions"), ("Scores", "scores")):
        lines += [f"## {title}", "", "| what | value |", "| --- | --- |"]
        lines += [f"| {name} | {_cell(value)} |" for name, value in described[key].items()]
        lines.append("")
    lines += ["## Limits", "", *[f"- {limit}" for limit in described["limits"]], ""]
    lines += ["## What the trees look at", "", "| feature | share of the gain |", "| --- | --- |"]
    lines += [f"| {name} | {share:.3f} |" for name, share in list(described["importances"].items())[:_SHOWN]]
    lines.append("")
    lines += ["## Classes", "", "| class | name |", "| --- | --- |"]
    pairs = zip(described["classes"], described["class_names"], strict=True)
    lines += [f"| {number} | {name} |" for number, name in pairs]
    lines += ["", f"{len(described['features'])} features; SHA-256 of `{MODEL}`: `{described['sha256']}`.", ""]
    return "\n".join(lines)


def _cell(value: Any) -> str:
    if isinstance(value, list):
        return "; ".join(map(_cell, value))
    return f"{value:.4g}" if isinstance(value, float) else str(value)
