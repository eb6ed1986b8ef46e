"""What a detector beyond those of RMS variations is, for our own and those of other distributions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import BaseModel

from halfcycle.pipeline.detectors.finding import Finding
from halfcycle.pipeline.detectors.measured import PointMeasures

Need = Literal["series", "currents", "waveshape", "waveform", "current_waveform"]


@dataclass(frozen=True, slots=True)
class Detector:
    """One detector.

    Attributes
    ----------
    name : in settings and commands.
    settings : the model that its settings are checked by; all have defaults. One with a property ``needs`` says so
        itself.
    find : from the measures and the settings to findings, in order of start.
    needs : of `PointMeasures`: the half-cycle ``series`` of the whole record, the ``currents`` too, the ``waveshape``
        of a window every few seconds; the ``current_waveform`` where it is suspect; or only the ``waveform`` of the
        voltages where it is suspect.
    on_request : it is not among all detectors unless it is named.
    """

    name: str
    settings: type[BaseModel]
    find: Callable[[PointMeasures, Any], list[Finding]]
    needs: frozenset[Need]
    on_request: bool = False


@dataclass(frozen=True, slots=True)
class Chosen:
    """A detector with its settings."""

    detector: Detector
    settings: BaseModel

    @property
    def needs(self) -> frozenset[Need]:
        """What it needs with these settings."""
        own: frozenset[Need] = getattr(self.settings, "needs", self.detector.needs)
        return own
