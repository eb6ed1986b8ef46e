"""What a person says of a file of interval records: the table ``[intervals]`` of the TOML file beside it.

::

    [intervals]
    station = "Harrow Mill"
    time_zone = "Europe/Vienna"       # or "+01:00"; of times that say no zone themselves
    stamps = "end"                    # the times are of the end of each interval, else of its start
    nominal_voltage_v = 230.0
    [intervals.columns."U* {phase} hi"]
    quantity = "u_rms"
    statistic = "largest"
    unit = "kV"
    [intervals.columns."State"]
    status = true
    good = ["0", "OK"]
    [intervals.columns."Battery"]
    use = false
"""

from __future__ import annotations

import re
import tomllib
from os.path import isfile
from pathlib import Path
from typing import Any, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from halfcycle.pipeline.errors import MalformedRecord, ReadError
from halfcycle.pipeline.quantities import QUANTITIES
from halfcycle.pipeline.readers.description import description_path, nearest
from halfcycle.pipeline.terms import phase_of

_PART: Final = re.compile(r"(\{phase\}|\*|\?)")
_WILD: Final = {"{phase}": r"(?P<phase>[A-Za-z0-9][A-Za-z0-9 _/-]{0,4})", "*": ".*", "?": "."}


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class ColumnRule(_Strict):
    """One column, or those that a pattern stands for. None: its own words decide.

    quantity, phase, statistic, unit : what it holds.
    scale : value = what is there * scale, in `unit`.
    status, good : it holds the recorder's own status; rows in which it is none of `good` are flagged.
    use : whether it is taken at all.
    """

    quantity: str | None = None
    phase: str | None = None
    statistic: Literal["average", "least", "largest"] | None = None
    unit: str | None = None
    scale: float = 1.0
    status: bool = False
    good: tuple[str, ...] = ()
    use: bool = True

    @field_validator("good", mode="before")
    @classmethod
    def _texts(cls, value: object) -> tuple[str, ...]:
        if not isinstance(value, list | tuple):
            raise ValueError('good must list the values of a valid row, such as ["0", "OK"]')
        return tuple(str(one) for one in value)

    @model_validator(mode="after")
    def _known(self) -> Self:
        if self.quantity is not None and self.quantity not in QUANTITIES:
            raise ValueError(f"quantity {self.quantity!r}; the nearest is {nearest(self.quantity, list(QUANTITIES))!r}")
        if self.phase and not phase_of(self.phase):
            raise ValueError(f"phase {self.phase!r} is not known")
        if self.status and not self.good:
            raise ValueError("a status column needs good, the list of values of a valid row")
        return self


class IntervalDescription(_Strict):
    """The whole file; see the module."""

    station: str | None = None
    time_zone: str | None = None
    time_column: str | None = None
    dates: Literal["dmy", "mdy"] | None = None
    stamps: Literal["start", "end"] = "start"
    nominal_voltage_v: float | None = Field(None, gt=0)
    columns: dict[str, ColumnRule] = {}

    def rule_for(self, label: str, name: str) -> tuple[ColumnRule, str | None] | None:
        """The rule for a column by its label or name, and the phase that its pattern found."""
        for key, rule in self.columns.items():
            if key in (label, name):
                return rule, rule.phase
        for key, rule in self.columns.items():
            form = "".join(_WILD.get(part) or re.escape(part) for part in _PART.split(key))
            match = re.fullmatch(form, label) or re.fullmatch(form, name)
            if match:
                return rule, match.groupdict().get("phase") or rule.phase
        return None


def described_intervals(path: Path) -> IntervalDescription | None:
    """What is said of a file beside it; None where nothing is said of its intervals.

    Raises
    ------
    ReadError : naming the description, the key in it and what is wrong.
    """
    beside = description_path(path)
    if not isfile(beside):
        return None
    try:
        document: dict[str, Any] = tomllib.loads(beside.read_bytes().decode())
    except OSError as error:
        raise ReadError(beside, "", f"cannot be opened ({error.strerror or error})") from error
    except (ValueError, RecursionError) as error:
        raise MalformedRecord(beside, "", f"is not valid TOML: {error}") from error
    if "intervals" not in document:
        return None
    try:
        return IntervalDescription.model_validate(document["intervals"])
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in ("intervals", *first["loc"]))
        raise MalformedRecord(beside, key, first["msg"].removeprefix("Value error, ")) from error
