"""Synthetic captures with the exact truth about the events in them, for demo, tests, training and benchmarks."""

from halfcycle.pipeline.synthesis.parameters import (
    Harmonic,
    Impulse,
    Interharmonic,
    Load,
    LostSpan,
    Quantisation,
    Stage,
    Transient,
    Waveform,
    from_table,
)
from halfcycle.pipeline.synthesis.truth import TrueEvent, TrueStage, true_events
from halfcycle.pipeline.synthesis.waveform import Synthesis, synthesise

__all__ = [
    "Harmonic",
    "Impulse",
    "Interharmonic",
    "Load",
    "LostSpan",
    "Quantisation",
    "Stage",
    "Synthesis",
    "Transient",
    "TrueEvent",
    "TrueStage",
    "Waveform",
    "from_table",
    "synthesise",
    "true_events",
]
