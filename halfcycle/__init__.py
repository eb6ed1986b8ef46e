"""halfcycle: power-quality captures in, event catalogue out.

The parts that a researcher uses on NumPy arrays are named here; each is imported when it is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from halfcycle.classifiers.category import classify_category
    from halfcycle.pipeline.detectors.rms_variations import find_rms_variations
    from halfcycle.pipeline.measures.half_cycle import half_cycle_rms, measure_half_cycles
    from halfcycle.pipeline.readers import read_captures

__all__ = [
    "classify_category",
    "find_rms_variations",
    "half_cycle_rms",
    "measure_half_cycles",
    "read_captures",
]

_HOMES = {
    "classify_category": "halfcycle.classifiers.category",
    "find_rms_variations": "halfcycle.pipeline.detectors.rms_variations",
    "half_cycle_rms": "halfcycle.pipeline.measures.half_cycle",
    "measure_half_cycles": "halfcycle.pipeline.measures.half_cycle",
    "read_captures": "halfcycle.pipeline.readers",
}


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
