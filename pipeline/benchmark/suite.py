"""What a benchmark is made of: the suites of ``datasets/benchmarks``, or a file of one's own."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, model_validator

from halfcycle.pipeline.config import checked, read_toml
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.resources import resource, resource_names

Range = tuple[float, float]
Model = TypeVar("Model", bound=BaseModel)
DetectorKind = Literal["sag", "swell", "interruption", "oscillatory_transient", "impulsive_transient", "nothing"]

_NEEDED: dict[str, tuple[str, ...]] = {
    "sag": ("level_pu", "duration_s"),
    "swell": ("level_pu", "duration_s"),
    "interruption": ("level_pu", "duration_s"),
    "oscillatory_transient": ("level_pu", "frequency_hz", "decay_s"),
    "impulsive_transient": ("level_pu", "rise_s", "decay_s"),
    "nothing": (),
}


class DetectorFamily(BaseModel):
    """Cases of one kind; ranges are (least, most), drawn evenly.

    kind : of the event in each case.
    count : cases for every rate, nominal frequency and SNR.
    seconds : length of a case.
    level_pu : residual voltage, swell maximum, or peak of a transient.
    duration_s : of an RMS variation.
    phase_jump_deg : of a sag.
    frequency_hz, decay_s, rise_s : of a transient.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    kind: DetectorKind
    count: int = Field(ge=1)
    seconds: float = Field(ge=0.5)
    level_pu: Range | None = None
    duration_s: Range | None = None
    phase_jump_deg: Range = (0.0, 0.0)
    frequency_hz: Range | None = None
    decay_s: Range | None = None
    rise_s: Range | None = None

    @model_validator(mode="after")
    def _complete(self) -> Self:
        for name in _NEEDED[self.kind]:
            if getattr(self, name) is None:
                raise ValueError(f"a family of kind {self.kind} needs {name}")
        for name in ("level_pu", "duration_s", "phase_jump_deg", "frequency_hz", "decay_s", "rise_s"):
            bounds = getattr(self, name)
            if bounds is not None and bounds[0] > bounds[1]:
                raise ValueError(f"{name} is {list(bounds)}; the first must not exceed the second")
        if self.duration_s is not None and self.duration_s[1] > self.seconds - 0.4:
            raise ValueError(
                f"duration_s reaches {self.duration_s[1]}; cases of {self.seconds} s hold at most 0.4 s less"
            )
        return self


class DetectorSuite(BaseModel):
    """A suite of cases for detectors; its keys are explained in ``datasets/benchmarks/detectors.toml``."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    seed: int = Field(ge=0)
    nominal_voltage_v: float = Field(gt=0)
    rates_hz: tuple[float, ...] = Field(min_length=1)
    nominal_frequencies_hz: tuple[float, ...] = Field(min_length=1)
    snr_db: tuple[float, ...] = Field(min_length=1)
    frequency_offset_pct: Range = (0.0, 0.0)
    distortion_pct: Range = (0.0, 0.0)
    families: tuple[DetectorFamily, ...] = Field(min_length=1)


def suite_path(name: str) -> Path:
    """The file of a suite: one of the project's by name, or a path.

    Raises
    ------
    ConfigError : neither a suite of that name nor a file.
    """
    if name.endswith(".toml"):
        return Path(name)
    known = resource_names("datasets", "benchmarks", ".toml")
    if name not in known:
        raise ConfigError(
            f"benchmark suite {name!r} is not known; known are {', '.join(known)}, or give the path of a TOML file"
        )
    return resource("datasets", f"benchmarks/{name}.toml")


def load_suite(name: str, model: type[Model]) -> tuple[Path, Model]:
    """A suite by name or path, with its file; what it is `like` another one is that one's, key by key.

    Raises
    ------
    ConfigError : no such suite, or what is wrong in it, key by key.
    """
    path = suite_path(name)
    return path, checked(model, _document(path, ()), path.name)


def _document(path: Path, before: tuple[Path, ...]) -> dict[str, Any]:
    """A suite's keys, those that it has from the one that it is like among them."""
    if path in before:
        raise ConfigError(f"{path.name} refers to itself through {', '.join(one.name for one in before)}")
    document = read_toml(path)
    if "like" not in document:
        return document
    return _document(suite_path(str(document.pop("like"))), (*before, path)) | document


def is_of_circuits(name: str) -> bool:
    """Whether a suite, by name or path, is one of circuits: it says how many.

    Raises
    ------
    ConfigError : no such suite.
    """
    return "circuits" in _document(suite_path(name), ())


def load_detector_suite(name: str) -> DetectorSuite:
    """A suite for detectors, by name or path.

    Raises
    ------
    ConfigError : see `load_suite`.
    """
    return load_suite(name, DetectorSuite)[1]
