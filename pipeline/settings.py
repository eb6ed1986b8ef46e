"""What a person says of sites, thresholds, what is kept and who is told; checked, with unknown keys as errors."""

from __future__ import annotations

import hashlib
import json
from datetime import date
from pathlib import Path
from typing import Any, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from halfcycle.pipeline.channel_table import ChannelTable
from halfcycle.pipeline.terms import HOOKUPS, Side


class Settings(BaseModel):
    """A table of settings."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    def told(self) -> dict[str, Any]:
        """What differs from the defaults, as JSON has it."""
        return self.model_dump(mode="json", exclude_defaults=True)

    def digest(self) -> str:
        """Digest of the settings: 32 hexadecimal digits over the canonical JSON of what differs from the defaults."""
        text = json.dumps(self.told(), sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:32]


class Thresholds(Settings):
    """A threshold profile; see configs/thresholds/ for each key's source."""

    sag_pu: float = Field(0.9, gt=0, lt=1)
    swell_pu: float = Field(1.1, gt=1, lt=3)
    interruption_pu: float = Field(0.1, ge=0, lt=1)
    hysteresis_pu: float = Field(0.02, ge=0, le=0.1)
    reference: Literal["nominal", "sliding"] = "nominal"
    sliding_start: Literal["nominal", "pre-event"] = "nominal"
    incident_window_s: float = Field(60.0, ge=0)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.interruption_pu < self.sag_pu:
            raise ValueError(f"interruption_pu {self.interruption_pu} must be below sag_pu {self.sag_pu}")
        if self.hysteresis_pu > min(1 - self.sag_pu, self.swell_pu - 1):
            raise ValueError(f"hysteresis_pu {self.hysteresis_pu} must not take a threshold beyond 1 pu")
        return self


class SiteChange(Settings):
    """What is another at a site from a UTC day on; what is left out stays as it was before."""

    valid_from: date
    nominal_voltage_v: float | None = Field(None, gt=0)
    nominal_frequency_hz: Literal[50, 60] | None = None
    hookup: str | None = None
    voltage_ratio: float | None = Field(None, gt=0)
    current_ratio: float | None = Field(None, gt=0)
    clamps_checked: bool | None = None
    own_side: Side | None = None
    channels: ChannelTable | None = None
    thresholds: str | None = None

    @field_validator("hookup")
    @classmethod
    def _known_hookup(cls, hookup: str | None) -> str | None:
        return _checked_hookup(hookup)


class Site(Settings):
    """What a person says of one site, in a fleet or in a table of sites of their own; what is left out is inferred."""

    name: str = Field(min_length=1)
    nominal_voltage_v: float | None = Field(None, gt=0)
    nominal_frequency_hz: Literal[50, 60] | None = None
    hookup: str | None = None
    stations: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    voltage_ratio: float = Field(1.0, gt=0)
    current_ratio: float = Field(1.0, gt=0)
    clamps_checked: bool = False
    own_side: Side | None = None
    voltage_class_pct: float | None = Field(None, gt=0, le=20)
    current_class_pct: float | None = Field(None, gt=0, le=20)
    clock_u_s: float | None = Field(None, ge=0)
    channels: ChannelTable = {}
    time_zone: str = "UTC"
    thresholds: str = "ieee-1159"
    formerly: tuple[str, ...] = ()
    changes: tuple[SiteChange, ...] = ()

    @field_validator("name")
    @classmethod
    def _plain_name(cls, name: str) -> str:
        return _checked_name(name)

    @field_validator("formerly")
    @classmethod
    def _plain_names(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(_checked_name(name) for name in names)

    @field_validator("changes")
    @classmethod
    def _in_order(cls, changes: tuple[SiteChange, ...]) -> tuple[SiteChange, ...]:
        days = [change.valid_from for change in changes]
        if len(set(days)) != len(days):
            raise ValueError("changes: two have the same valid_from; combine them")
        return tuple(sorted(changes, key=lambda change: change.valid_from))

    @field_validator("hookup")
    @classmethod
    def _known_hookup(cls, hookup: str | None) -> str | None:
        return _checked_hookup(hookup)

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:  # OSError: a folder of the list
            raise ValueError(f"time zone {zone!r} is not in the IANA list") from error
        return zone

    def on(self, day: date) -> Site:
        """The site as it is on a UTC day: with all changes up to then made, and none to come."""
        made: dict[str, object] = {"changes": ()}
        for change in self.changes:
            if change.valid_from <= day:
                made |= {key: getattr(change, key) for key in change.model_fields_set - {"valid_from"}}
        return self.model_copy(update=made)

    def changed_on(self) -> tuple[date, ...]:
        """The first of all days, and each day on which something changes."""
        return (date.min, *(change.valid_from for change in self.changes))

    def periods(self) -> tuple[Site, ...]:
        """The site as it is before its first change, and from each of them on."""
        return tuple(self.on(day) for day in self.changed_on())


class Retention(Settings):
    """How many days what is in the store and in the processed folder is kept; None: for ever. See the module of it."""

    calm_waveforms_days: int | None = Field(None, ge=3)
    event_waveforms_days: int | None = Field(None, ge=3)
    trends_days: int | None = Field(None, ge=400)  # a year is judged when it is over, by all of its trends
    catalogues_days: int | None = Field(None, ge=3)
    processed_days: int | None = Field(None, ge=1)


Telling = Literal["failure", "set aside", "silence", "clock", "events"]


class Notify(Settings):
    """Who is told of what a night found, where the table is there; nothing here changes what is made.

    Attributes
    ----------
    to : addresses in apprise's notation, such as ``mailtos://…``; they may hold passwords.
    to_file : a file of further ones, a line each, so that the settings need not hold them.
    about : what is told.
    residual_pu : of events: interruptions, and sags whose residual voltage is at most this. [pu]
    """

    to: tuple[str, ...] = ()
    to_file: Path | None = None
    about: tuple[Telling, ...] = ("failure", "set aside", "silence")
    residual_pu: float = Field(0.5, ge=0, le=1)

    @model_validator(mode="after")
    def _has_an_address(self) -> Self:
        if not self.to and self.to_file is None:
            raise ValueError("to or to_file must name an address")
        return self


def _checked_name(name: str) -> str:
    if (
        name != name.strip()
        or name in ("", ".", "..")
        or not name.isprintable()
        or any(sign in name for sign in '/\\:*?"<>|=')
    ):
        raise ValueError(f'site name {name!r} must be usable as a folder name, without / \\ : * ? " < > | =')
    return name


def _checked_hookup(hookup: str | None) -> str | None:
    if hookup is not None and hookup not in HOOKUPS:
        raise ValueError(f"hookup {hookup!r}; allowed are {', '.join(HOOKUPS)}")
    return hookup
