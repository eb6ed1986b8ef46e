"""What a person says of channels: beside a file by the columns' names, or in a site's table by name or pattern.

In a table a key is a channel's exact name or a pattern. A pattern has ``*`` and ``?`` as in file names, and the
placeholders ``{phase}``, which stands for a phase in any usual spelling, and ``{point}``, which stands for the name of
a measuring point::

    [sites.channels."V*_L{phase}"]
    unit = "kV"
    [sites.channels."{point} I{phase}"]
    quantity = "current"
    [sites.channels."Battery"]
    use = false
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, field_validator, model_validator

from halfcycle.pipeline.terms import LINE_PHASES, LINE_TO_LINE_PHASES, NEUTRAL, Quantity, phase_of, quantity_of_unit

_PLACEHOLDERS: Final = {"{phase}": r"(?P<phase>[A-Za-z0-9][A-Za-z0-9 _/-]{0,4})", "{point}": r"(?P<point>.+?)"}
_PART: Final = re.compile(r"(\{[^{}]*\}|\*|\?)")


class ChannelStatement(BaseModel):
    """What is said of one channel. None: the file's own words decide.

    Attributes
    ----------
    quantity, phase, unit, point : as for `halfcycle.pipeline.capture.Channel`; phases in any usual spelling.
    scale, offset : value = (what is there * scale + offset) in `unit`.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

    quantity: Quantity | None = None
    phase: str | None = None
    unit: str | None = None
    scale: float = 1.0
    offset: float = 0.0
    point: str | None = None

    @field_validator("phase")
    @classmethod
    def _known_phase(cls, phase: str | None) -> str | None:
        if phase and not phase_of(phase):
            allowed = ", ".join((*LINE_PHASES, NEUTRAL, *LINE_TO_LINE_PHASES))
            raise ValueError(f"phase is {phase!r}; allowed are {allowed} and their usual spellings")
        return phase_of(phase) if phase else phase

    @field_validator("scale")
    @classmethod
    def _usable_scale(cls, scale: float) -> float:
        if scale == 0:
            raise ValueError("scale is 0; every sample would be zero")
        return scale


class ChannelRule(ChannelStatement):
    """What a site's table says of the channels that a name or a pattern stands for.

    Attributes
    ----------
    use : whether they are used at all. Their `scale` and `offset` work on the values that the file's own scaling gives.
    """

    use: bool = True

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.unit is not None and self.quantity != "other":
            of_unit = quantity_of_unit(self.unit)[0]
            if of_unit == "other":
                raise ValueError(f"unit {self.unit!r} is a unit of neither voltage nor current; "
                                 "write quantity = \"other\" beside it if that is intended")  # fmt: skip
            if self.quantity not in (None, of_unit):
                raise ValueError(f"quantity {self.quantity} does not go with unit {self.unit!r}")
        if not self.use and self.model_fields_set - {"use"}:
            raise ValueError("use = false stands alone; other keys of the channel would have no effect")
        return self


def _known_patterns(table: dict[str, ChannelRule]) -> dict[str, ChannelRule]:
    for key, rule in table.items():
        if not key:
            raise ValueError("a channel's name or pattern is empty")
        placeholders = [part for part in _PART.findall(key) if part.startswith("{")]
        for part in placeholders:
            if part not in _PLACEHOLDERS:
                near = difflib.get_close_matches(part, list(_PLACEHOLDERS), n=1, cutoff=0)[0]
                raise ValueError(f"{key!r}: placeholder {part} is unknown; the nearest known one is {near}")
            if placeholders.count(part) > 1:
                raise ValueError(f"{key!r}: placeholder {part} may be used only once")
        if rule.phase is not None and "{phase}" in placeholders:
            raise ValueError(f"{key!r}: the phase is in the name, and also given as {rule.phase!r}")
        if rule.point is not None and "{point}" in placeholders:
            raise ValueError(f"{key!r}: the point is in the name, and also given as {rule.point!r}")
    return table


ChannelTable = Annotated[dict[str, ChannelRule], AfterValidator(_known_patterns)]
"""Rules by exact name or by pattern, for a settings model."""


@dataclass(frozen=True, slots=True)
class RuleMatch:
    """The rule that a channel falls under.

    Attributes
    ----------
    key : the table's key.
    rule : what it says.
    phase, point : as the rule says, or as its placeholders found them in the channel's name; None: neither.
    """

    key: str
    rule: ChannelRule
    phase: str | None
    point: str | None


def rule_for(name: str, table: Mapping[str, ChannelRule]) -> RuleMatch | None:
    """The rule for a channel: that of its exact name, else the first pattern that matches.

    Parameters
    ----------
    name : of the channel.
    table : rules by name or pattern.
    """
    if name in table:
        return RuleMatch(name, table[name], table[name].phase, table[name].point)
    for key, rule in table.items():
        match = _pattern(key).fullmatch(name.strip())
        if match is None:
            continue
        found = match.groupdict()
        phase = phase_of(found["phase"]) if "phase" in found else rule.phase
        if phase == "" and "phase" in found:
            continue
        return RuleMatch(key, rule, phase, found["point"].strip(" _-./") if "point" in found else rule.point)
    return None


def _pattern(key: str) -> re.Pattern[str]:
    wild = {"*": ".*", "?": ".", **_PLACEHOLDERS}
    return re.compile("".join(wild.get(part) or re.escape(part) for part in _PART.split(key)), re.DOTALL)
