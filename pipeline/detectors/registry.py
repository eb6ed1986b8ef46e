"""The known detectors beyond those of RMS variations, by name.

A detector is a pure function from `Measured` to `Finding`s and a frozen settings model. Another distribution adds one
through the entry-point group ``halfcycle.detectors``, naming a `Detector`.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from functools import cache
from importlib.metadata import entry_points
from typing import Any

from halfcycle.pipeline.config import checked
from halfcycle.pipeline.detectors.contract import Chosen, Detector
from halfcycle.pipeline.errors import ConfigError


@cache
def detectors() -> dict[str, Detector]:
    """The known detectors by name."""
    from halfcycle.pipeline.detectors.own import OWN

    return {d.name: d for d in (*OWN, *(entry.load() for entry in entry_points(group="halfcycle.detectors")))}


def choose(wanted: Mapping[str, Mapping[str, Any]]) -> tuple[Chosen, ...]:
    """Detectors with their settings.

    Parameters
    ----------
    wanted : settings by name of detector; an empty table takes the defaults.

    Raises
    ------
    ConfigError : an unknown detector, with the nearest known; or a setting that is unknown or out of range.
    """
    chosen = []
    for name, table in wanted.items():
        known = detectors()
        if name not in known:
            (near,) = difflib.get_close_matches(name, known, n=1, cutoff=0.0)
            raise ConfigError(f"detector {name!r} is not known; the nearest is {near!r}, all are {', '.join(known)}")
        chosen.append(Chosen(known[name], checked(known[name].settings, dict(table), f"detectors.{name}")))
    return tuple(chosen)
