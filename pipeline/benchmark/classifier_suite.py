"""Suites for classifiers: windows to train with, and windows of other recordings to test with."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from halfcycle.pipeline.benchmark.suite import Range, load_suite
from halfcycle.pipeline.learning.family import TRAINING, TrainingPart
from halfcycle.pipeline.synthesis.parametric import FORMS
from halfcycle.pipeline.synthesis.recording import Conditions

_DEFAULT: Final = Conditions()


class RecordingRanges(BaseModel):
    """How windows are recorded; ranges are (least, most), drawn from evenly once a window.

    rate_hz, nominal_frequency_hz : of the recorder and the network.
    frequency_offset_pct : of the fundamental from nominal.
    distortion_pct : total of the harmonics that the supply has anyway.
    distortion_share : share of the windows that have them.
    open_share : share of the windows whose event runs on beyond their end.
    jump_deg : of the phase within an event.
    jump_share : share of the windows whose event has one.
    bits : of the converter; 0: not quantised.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    rate_hz: float = Field(default=_DEFAULT.rate_hz, gt=0)
    nominal_frequency_hz: float = Field(default=_DEFAULT.nominal_hz, gt=0)
    frequency_offset_pct: Range = (0.0, 0.0)
    distortion_pct: Range = (0.0, 0.0)
    distortion_share: float = Field(default=1.0, ge=0, le=1)
    open_share: float = Field(default=0.0, ge=0, le=1)
    jump_deg: Range = (0.0, 0.0)
    jump_share: float = Field(default=1.0, ge=0, le=1)
    bits: int = Field(default=0, ge=0, le=24)

    def conditions(self, snr_db: Range | None, *, clean_share: float = 0.0) -> Conditions:
        """The same for the generator, at a range of noise."""
        low, high = self.frequency_offset_pct
        least, most = self.distortion_pct
        return Conditions(
            rate_hz=self.rate_hz,
            nominal_hz=self.nominal_frequency_hz,
            frequency_deviation=(low / 100, high / 100),
            background_thd=(least / 100, most / 100),
            background_share=self.distortion_share,
            open_share=self.open_share,
            jump_deg=self.jump_deg,
            jump_share=self.jump_share if any(self.jump_deg) else 0.0,
            bits=self.bits or None,
            snr_db=snr_db,
            clean_share=clean_share,
        )


class Training(RecordingRanges):
    """A part of the windows to train with.

    share : of the windows of each class; the shares of all parts are scaled to one.
    snr_db : range of the noise.
    clean_share : share of the windows without noise.
    """

    share: float = Field(default=1.0, gt=0)
    snr_db: Range
    clean_share: float = Field(default=0.0, ge=0, le=1)

    def part(self) -> TrainingPart:
        """The same for the generator."""
        return TrainingPart(self.share, self.conditions(self.snr_db, clean_share=self.clean_share))


class Test(RecordingRanges):
    """Windows to test with.

    name : in the results.
    snr_db : levels of noise, each a test of its own; inf: no noise.
    background : folder of captures, whose waveform less its fundamental is laid over the windows.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=True)

    name: str = Field(min_length=1)
    snr_db: tuple[float, ...] = Field(min_length=1)
    background: Path | None = None


class ClassifierSuite(BaseModel):
    """A suite for classifiers; its keys are explained in ``datasets/benchmarks/classifiers.toml``."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    seeds: tuple[int, ...] = Field(min_length=1)
    classes: tuple[int, ...] = tuple(FORMS)
    train_per_class: int = Field(ge=10)
    test_per_class: int = Field(ge=1)
    left_out_per_class: int = Field(default=0, ge=0)
    training: tuple[Training, ...] = ()
    tests: tuple[Test, ...] = Field(min_length=1)

    @property
    def training_parts(self) -> tuple[TrainingPart, ...]:
        """Parts of the training; where the suite names none, those that `halfcycle train` has."""
        return tuple(part.part() for part in self.training) or TRAINING

    @model_validator(mode="after")
    def _sound(self) -> Self:
        strange = [number for number in self.classes if number not in FORMS]
        if strange:
            raise ValueError(f"classes has {strange}; there are {min(FORMS)} to {max(FORMS)}")
        if len(set(self.classes)) < max(2, len(self.classes)):
            raise ValueError("classes needs at least two, each once")
        names = [test.name for test in self.tests]
        if len(set(names)) < len(names):
            raise ValueError(f"tests share a name: {', '.join(names)}")
        if any(math.isnan(level) or level == -math.inf for test in self.tests for level in test.snr_db):
            raise ValueError("each level in snr_db must be a number of decibels, or inf")
        if self.left_out_per_class > self.train_per_class:
            raise ValueError("left_out_per_class cannot exceed train_per_class")
        return self


def load_classifier_suite(name: str) -> ClassifierSuite:
    """A suite for classifiers, by name or path; a relative `background` counts from the suite's folder.

    Raises
    ------
    ConfigError : no such suite, or what is wrong in it, key by key.
    """
    path, suite = load_suite(name, ClassifierSuite)
    tests = tuple(
        test if test.background is None else test.model_copy(update={"background": path.parent / test.background})
        for test in suite.tests
    )
    return suite.model_copy(update={"tests": tests})
