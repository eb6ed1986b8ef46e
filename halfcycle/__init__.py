"""halfcycle: power-quality captures in, event catalogue out.

The public names are those of ``__all__``; each is imported when it is first used, so that importing halfcycle costs
nothing. Their docstrings have an example each, which assumes ``import halfcycle as hc`` and ``import numpy as np``,
in a folder in which ``halfcycle demo`` has built its fleet.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from halfcycle.classifiers.category import classify_category
    from halfcycle.classifiers.cause import Cause
    from halfcycle.classifiers.dip_type import DipType, classify_dip
    from halfcycle.classifiers.direction import Direction, find_direction
    from halfcycle.classifiers.point_on_wave import PointOnWave, point_on_wave
    from halfcycle.classifiers.transient_category import transient_category
    from halfcycle.pipeline.api import measure, screen
    from halfcycle.pipeline.capture import Capture, Channel, Header
    from halfcycle.pipeline.catalogue.explain import Explanation, explain
    from halfcycle.pipeline.catalogue.reading import read_events
    from halfcycle.pipeline.detectors.finding import Finding
    from halfcycle.pipeline.detectors.rms_variations import RmsVariation, find_rms_variations
    from halfcycle.pipeline.detectors.transients import find_transients
    from halfcycle.pipeline.errors import HalfcycleError
    from halfcycle.pipeline.events import Event
    from halfcycle.pipeline.exporting import export
    from halfcycle.pipeline.measures.event_window import EventWindow
    from halfcycle.pipeline.measures.flickermeter import Flickermeter, long_term_severity, short_term_severity
    from halfcycle.pipeline.measures.half_cycle import HalfCycles
    from halfcycle.pipeline.measures.half_cycle_arrays import half_cycle_rms, measure_half_cycles
    from halfcycle.pipeline.measures.power import PhasePower, phase_power
    from halfcycle.pipeline.measures.sequence import symmetrical_components, unbalance_of_phasors
    from halfcycle.pipeline.measures.spectra import Spectra, synchronised_spectra, total_harmonic_distortion
    from halfcycle.pipeline.readers import read_captures
    from halfcycle.pipeline.screening.results import Screening
    from halfcycle.pipeline.survey.files import Measured
    from halfcycle.pipeline.synthesis.parameters import Load, Stage, Waveform
    from halfcycle.pipeline.synthesis.waveform import Synthesis, synthesise

__all__ = [
    "Capture",
    "Cause",
    "Channel",
    "DipType",
    "Direction",
    "Event",
    "EventWindow",
    "Explanation",
    "Finding",
    "Flickermeter",
    "HalfCycles",
    "HalfcycleError",
    "Header",
    "Load",
    "Measured",
    "PhasePower",
    "PointOnWave",
    "RmsVariation",
    "Screening",
    "Spectra",
    "Stage",
    "Synthesis",
    "Waveform",
    "classify_category",
    "classify_dip",
    "explain",
    "export",
    "find_direction",
    "find_rms_variations",
    "find_transients",
    "half_cycle_rms",
    "long_term_severity",
    "measure",
    "measure_half_cycles",
    "phase_power",
    "point_on_wave",
    "read_captures",
    "read_events",
    "screen",
    "short_term_severity",
    "symmetrical_components",
    "synchronised_spectra",
    "synthesise",
    "total_harmonic_distortion",
    "transient_category",
    "unbalance_of_phasors",
]

_HOMES = {
    "Capture": "halfcycle.pipeline.capture",
    "Cause": "halfcycle.classifiers.cause",
    "Channel": "halfcycle.pipeline.capture",
    "DipType": "halfcycle.classifiers.dip_type",
    "Direction": "halfcycle.classifiers.direction",
    "Event": "halfcycle.pipeline.events",
    "EventWindow": "halfcycle.pipeline.measures.event_window",
    "Explanation": "halfcycle.pipeline.catalogue.explain",
    "Finding": "halfcycle.pipeline.detectors.finding",
    "Flickermeter": "halfcycle.pipeline.measures.flickermeter",
    "HalfCycles": "halfcycle.pipeline.measures.half_cycle",
    "HalfcycleError": "halfcycle.pipeline.errors",
    "Header": "halfcycle.pipeline.capture",
    "Load": "halfcycle.pipeline.synthesis.parameters",
    "Measured": "halfcycle.pipeline.survey.files",
    "PhasePower": "halfcycle.pipeline.measures.power",
    "PointOnWave": "halfcycle.classifiers.point_on_wave",
    "RmsVariation": "halfcycle.pipeline.detectors.rms_variations",
    "Screening": "halfcycle.pipeline.screening.results",
    "Spectra": "halfcycle.pipeline.measures.spectra",
    "Stage": "halfcycle.pipeline.synthesis.parameters",
    "Synthesis": "halfcycle.pipeline.synthesis.waveform",
    "Waveform": "halfcycle.pipeline.synthesis.parameters",
    "classify_category": "halfcycle.classifiers.category",
    "classify_dip": "halfcycle.classifiers.dip_type",
    "explain": "halfcycle.pipeline.catalogue.explain",
    "export": "halfcycle.pipeline.exporting",
    "find_direction": "halfcycle.classifiers.direction",
    "find_rms_variations": "halfcycle.pipeline.detectors.rms_variations",
    "find_transients": "halfcycle.pipeline.detectors.transients",
    "half_cycle_rms": "halfcycle.pipeline.measures.half_cycle_arrays",
    "long_term_severity": "halfcycle.pipeline.measures.flickermeter",
    "measure": "halfcycle.pipeline.api",
    "measure_half_cycles": "halfcycle.pipeline.measures.half_cycle_arrays",
    "phase_power": "halfcycle.pipeline.measures.power",
    "point_on_wave": "halfcycle.classifiers.point_on_wave",
    "read_captures": "halfcycle.pipeline.readers",
    "read_events": "halfcycle.pipeline.catalogue.reading",
    "screen": "halfcycle.pipeline.api",
    "short_term_severity": "halfcycle.pipeline.measures.flickermeter",
    "symmetrical_components": "halfcycle.pipeline.measures.sequence",
    "synchronised_spectra": "halfcycle.pipeline.measures.spectra",
    "synthesise": "halfcycle.pipeline.synthesis.waveform",
    "total_harmonic_distortion": "halfcycle.pipeline.measures.spectra",
    "transient_category": "halfcycle.classifiers.transient_category",
    "unbalance_of_phasors": "halfcycle.pipeline.measures.sequence",
}


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
