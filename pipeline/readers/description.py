"""What a table of samples says of itself: the TOML description beside it, and what its columns' names tell.

NumPy archives, MATLAB files, plain Parquet tables and delimited text name their columns but seldom say enough of
them. A description beside ``x.npz``, called ``x.npz.toml`` or else ``x.toml``, says the rest::

    station = "Harrow Mill"
    rate_hz = 6400.0                # or time_column = "t" with time_unit = "s", "ms" or "us"
    start = 2026-03-02T06:00:00Z    # of the first sample, or of t = 0; in quotes: down to nanoseconds
    nominal_frequency_hz = 50.0
    [channels.v1]                   # the column's name
    unit = "kV"
    scale = 0.018310                # of a count, in that unit
    phase = "A"

All keys are optional. With a ``[channels]`` table only the channels in it are read.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from os.path import isfile
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, ValidationInfo, field_validator

from halfcycle.pipeline.capture import Channel
from halfcycle.pipeline.channel_table import ChannelStatement
from halfcycle.pipeline.errors import MalformedRecord, ReadError
from halfcycle.pipeline.terms import Quantity, phase_of, quantity_of_unit

TIME_UNITS: Final = {"s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 1e3, "us": 1e6, "µs": 1e6, "μs": 1e6, "ns": 1e9}

_INSTANT: Final = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d)(?::(\d\d)(?:[.,](\d{1,9})\d*)?)?\s*(Z|[+-]\d\d:?\d\d)?", re.IGNORECASE
)
_OFFSET: Final = re.compile(r"([+-])(\d\d):?([0-5]\d)")
_LABEL: Final = re.compile(r"(.*?)\s*[(\[]([^()\[\]]*)[)\]]\s*")
_UNIT_ENDING: Final = re.compile(r"(.+)_(uV|µV|mV|V|kV|MV|uA|µA|mA|A|kA)")
_TIME_NAME: Final = re.compile(
    r"(?i)(?:t|time|time[ _]?stamp|date[ _]?time|seconds|utc|zeit|temps)(?:_(s|sec|seconds|ms|us|µs|ns))?"
)
_QUANTITY_NAME: Final = re.compile(
    r"(?:.*[^A-Z0-9])?3?([UVI]|E(?=[_ -]?L?[1-3ABC]))[_ -]?(?:L?[0-3ABCRSTN])?(?:[_ /-]?[UV]?L?[1-3ABCRSTN])?"
)
_QUANTITY_WORD: Final = re.compile(r"VOLTAGE|CURRENT|VOLTS?|AMPS?|PHASE")


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class ChannelDescription(ChannelStatement):
    """One channel: primary value = (raw * scale + offset) in `unit`. None: the file's own name and unit decide."""

    missing_code: int | None = None
    rail_low: int | None = None
    rail_high: int | None = None
    rated: float | None = Field(None, gt=0)


class Description(_Strict):
    """What is said of a whole file, by a description beside it or by the file itself. None: nothing."""

    station: str | None = None
    rate_hz: float | None = Field(None, gt=0)
    time_column: str | None = None
    time_unit: Literal["s", "ms", "us"] | None = None
    utc_offset: str | None = None
    start_ns: int | None = Field(None, alias="start")
    trigger_ns: int | None = Field(None, alias="trigger")
    nominal_frequency_hz: float | None = Field(None, gt=0)
    array: str | None = None
    layout: tuple[str, ...] | None = None
    channels: dict[str, ChannelDescription] = {}

    @field_validator("time_unit")
    @classmethod
    def _unit_of_a_column(cls, unit: str | None, info: ValidationInfo) -> str | None:
        if unit is not None and info.data.get("time_column") is None:
            raise ValueError("time_unit is given without time_column")
        return unit

    @field_validator("layout", mode="before")
    @classmethod
    def _sides(cls, layout: object) -> tuple[str, ...]:
        sides = tuple(side.strip() for side in layout.split(",")) if isinstance(layout, str) else ()
        if len(set(sides)) < len(sides) or not {"sample"} <= set(sides) <= {"event", "channel", "sample"}:
            example = 'such as "event,channel,sample"'
            raise ValueError(f"layout is {layout!r}; it must name the array's axes in their order, {example}")
        return sides

    @field_validator("utc_offset")
    @classmethod
    def _known_offset(cls, offset: str | None) -> str | None:
        if offset is not None:
            offset_ns(offset)
        return offset

    @field_validator("start_ns", "trigger_ns", mode="before")
    @classmethod
    def _instant(cls, value: object, info: ValidationInfo) -> int:
        if isinstance(value, datetime):
            value = value.isoformat()
        if not isinstance(value, str):
            raise ValueError(f"{value!r} is not a date with a time such as 2026-03-02T06:00:00Z")
        time_ns, has_zone = instant_ns(value)
        if has_zone:
            return time_ns
        offset = info.data.get("utc_offset")
        if offset is None:
            raise ValueError(f"{value} has no time zone; write it with Z or +02:00, or add utc_offset")
        return time_ns - offset_ns(offset)

    def over(self, own: Description) -> Description:
        """These statements, and those of `own` where these say nothing; the channels are these ones."""
        return own.model_copy(update={key: getattr(self, key) for key in {*self.model_fields_set, "channels"}})


def instant_ns(text: str) -> tuple[int, bool]:
    """Nanoseconds since 1970-01-01 of an ISO 8601 date and time, and whether it says its zone (else read as UTC).

    Raises
    ------
    ValueError : the text is no date and time, or is outside the years 1678 to 2261 that nanoseconds reach.
    """
    match = _INSTANT.fullmatch(text.strip())
    if not match:
        raise ValueError(f"{text!r} is not a date with a time such as 2026-03-02T06:00:00Z")
    *fields, fraction, zone = match.groups()
    moment = datetime(*(int(field or 0) for field in fields), tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)  # type: ignore[misc,arg-type]
    time_ns = moment // timedelta(seconds=1) * 10**9 + int((fraction or "").ljust(9, "0"))
    time_ns -= offset_ns(zone) if zone and zone not in "Zz" else 0
    if not -(2**63) < time_ns < 2**63:
        raise ValueError(f"{text!r} is outside the years 1678 to 2261")
    return time_ns, zone is not None


def offset_ns(text: str) -> int:
    """Nanoseconds that a zone such as ``+02:00`` is ahead of UTC.

    Raises
    ------
    ValueError : the text is no offset.
    """
    match = _OFFSET.fullmatch(text.strip())
    if not match:
        raise ValueError(f"{text!r} is not an offset from UTC such as +02:00")
    return (1 if match[1] == "+" else -1) * (int(match[2]) * 3600 + int(match[3]) * 60) * 10**9


def description_path(path: Path) -> Path:
    """The description beside a data file: ``x.npz.toml`` or else ``x.toml``; the first, where neither exists."""
    full, short = path.with_name(path.name + ".toml"), path.with_suffix(".toml")
    return short if isfile(short) and not isfile(full) else full


def companions(path: Path) -> tuple[Path, ...]:
    """The description beside a data file, where there is one."""
    beside = description_path(path)
    return (beside,) if isfile(beside) else ()


def load_description(path: Path) -> Description:
    """The description beside a data file; one that says nothing where there is none.

    Raises
    ------
    ReadError : naming the description, the key in it and what is wrong.
    """
    beside = description_path(path)
    if not isfile(beside):
        return Description()
    try:
        document = tomllib.loads(beside.read_bytes().decode())
    except OSError as error:
        raise ReadError(beside, "", f"cannot be opened ({error.strerror or error})") from error
    except (ValueError, RecursionError) as error:
        raise MalformedRecord(beside, "", f"is not valid TOML: {error}") from error
    return validated(document, path=beside, places={})


def validated(document: Mapping[str, Any], *, path: Path, places: Mapping[str, str]) -> Description:
    """Check statements about a file.

    Parameters
    ----------
    document : keys and values as in a description.
    path : the file that says them, for messages.
    places : where each top-level key stands in that file, if that is not the key itself.

    Raises
    ------
    MalformedRecord : a key is unknown (the nearest known one is named) or its value is not allowed.
    """
    try:
        return Description.model_validate(document)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        reason = first["msg"].removeprefix("Value error, ")
        if first["type"] == "extra_forbidden":
            model = Description if len(first["loc"]) == 1 else ChannelDescription
            known = [field.alias or name for name, field in model.model_fields.items()]
            reason = f"unknown key; the nearest known one is {nearest(str(first['loc'][-1]), known)}"
        raise MalformedRecord(path, places.get(key, key), reason) from error


def nearest(word: str, known: Sequence[str]) -> str:
    """The known word most like one that is not known."""
    return difflib.get_close_matches(word, known, n=1, cutoff=0)[0]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table of samples.

    Attributes
    ----------
    label : as the file has it, such as ``v1 (kV)``.
    name, unit : what the label says; unit None where it says none.
    kind : of the samples as stored: a number type, or ``datetime64[ns]``.
    n_rows : how many, or None where only reading the whole file would tell.
    phase : where the file's layout tells it; None: the name decides.
    has_zone : whether times in it say their zone.
    """

    label: str
    name: str
    unit: str | None
    kind: np.dtype[Any]
    n_rows: int | None = None
    phase: str | None = None
    has_zone: bool = False


def name_and_unit(label: str) -> tuple[str, str | None]:
    """Split ``v1 (V)``, ``v1 [V]`` or ``v1_V``; the unit is None where the label has none.

    ``_A`` is a unit only behind a name that tells its phase: ``i1_A``, but ``i_A`` is the current of phase A.
    """
    match = _LABEL.fullmatch(label)
    if match:
        return match[1].strip(), match[2].strip()
    match = _UNIT_ENDING.fullmatch(label.strip())
    if match and (match[2] != "A" or phase_of_name(match[1])):
        return match[1], match[2]
    return label.strip(), None


def quantity_of_name(name: str) -> Quantity | None:
    """What a name such as ``v1``, ``UL12``, ``I_a`` or ``voltage B`` says; None where it says nothing."""
    text = name.strip().upper().replace(".", "_")
    if "VOLT" in text or "CURRENT" in text:
        return "voltage" if "VOLT" in text else "current"
    match = _QUANTITY_NAME.fullmatch(text)
    if not match:
        return None
    return "current" if match[1] == "I" else "voltage"


def phase_of_name(name: str) -> str:
    """The phase in a name, also in ``v_1``, ``phase_a_voltage`` and ``Voltage L1``; ``""`` where it says none."""
    text = name_and_unit(name)[0].upper()
    joined = re.sub(r"(^|[^A-Z0-9])([UVEI])[_ -](?=L?[1-3])", r"\1\2", text)
    bare = _QUANTITY_WORD.sub(" ", text).strip(" _-.")
    return phase_of("", text) or phase_of("", joined) or (phase_of("", bare) if bare != text else "")


def time_column_of(columns: Sequence[Column], *, said: Description, path: Path) -> int | None:
    """Position of the time column, or None.

    Parameters
    ----------
    columns : of the file.
    said : the description; its `time_column` is taken before any other.
    path : of the data file.

    Raises
    ------
    MalformedRecord : the description names a column that is not there.
    """
    if said.time_column is not None:
        return _position(said.time_column, columns, path=path, key="time_column")
    free = [i for i, column in enumerate(columns) if not {column.label, column.name} & set(said.channels)]
    for i in free:
        match = _TIME_NAME.fullmatch(columns[i].name.rpartition(".")[2])
        if match and (columns[i].unit in TIME_UNITS or not columns[i].unit):
            return i
    dated = [i for i in free if columns[i].kind.kind == "M"]
    return dated[0] if len(dated) == 1 else None


def ticks_per_second(column: Column, *, said: Description) -> float:
    """How many units of a time column make a second: as described, as its label says, else 1."""
    if said.time_unit is not None:
        return TIME_UNITS[said.time_unit]
    if column.unit in TIME_UNITS:
        return TIME_UNITS[column.unit or "s"]
    match = _TIME_NAME.fullmatch(column.name.rpartition(".")[2])
    return TIME_UNITS[match[1].lower()] if match and match[1] else 1.0


def channels_of(
    columns: Sequence[Column],
    *,
    said: Description,
    own: Description,
    i_time: int | None,
    path: Path,
    keep_unknown: bool = False,
) -> tuple[dict[int, Channel], list[str]]:
    """The channels among the columns.

    Parameters
    ----------
    columns : of the file.
    said : the description beside the file; where it has channels, only they are taken.
    own : what the file itself says of channels, by their name.
    i_time : position of the time column, which is no channel.
    path : of the data file.
    keep_unknown : the caller looks after columns that do not tell what they measure.

    Returns
    -------
    Channels by the position of their column, in the file's order, and notes on what was left out or assumed.

    Raises
    ------
    MalformedRecord : a described channel is not there, its unit does not go with its quantity, or no column says
        what it measures.
    """
    beside = description_path(path)
    if said.channels:
        found = {_position(key, columns, path=path, key=f"channels.{key}"): key for key in said.channels}
        return {i: _described(columns[i], said.channels[found[i]], path=beside) for i in sorted(found)}, []
    channels: dict[int, Channel] = {}
    left_out: list[str] = []
    assumed: list[str] = []
    for i, column in enumerate(columns):
        if i == i_time:
            continue
        known = own.channels.get(column.name, ChannelDescription())
        tells = column.unit or known.unit or known.quantity or quantity_of_name(column.name)
        if column.kind.kind not in "iuf" or not tells:
            left_out.append(column.label)
            continue
        channels[i] = _described(column, known, path=path)
        if channels[i].quantity != "other" and not (column.unit or known.unit):
            assumed.append(column.label)
    if keep_unknown:
        left_out = []
    elif not channels:
        how = f"name their units, as (V), or describe them under [channels] in {beside.name} or a table of sites"
        raise MalformedRecord(path, "", f"no column states what it measures; {how}")
    notes = [f"ignored, as neither name nor unit states what they are: {', '.join(left_out)}"] if left_out else []
    notes += [f"without a unit, taken as V or A by their names: {', '.join(assumed)}"] if assumed else []
    return channels, notes


def _position(name: str, columns: Sequence[Column], *, path: Path, key: str) -> int:
    found = [i for i, column in enumerate(columns) if column.label == name]
    found = found or [i for i, column in enumerate(columns) if column.name == name]
    if len(found) == 1:
        return found[0]
    beside, labels = description_path(path), [column.label for column in columns]
    reason = f"{path.name} has {len(found) or 'no'} such column{'s' * (len(found) > 1)}"
    raise MalformedRecord(beside, key, f"{reason}; the nearest is {nearest(name, labels)}" if labels else reason)


def _described(column: Column, known: ChannelDescription, *, path: Path) -> Channel:
    if column.kind.kind not in "iuf":
        raise MalformedRecord(path, f"channels.{column.name}", f"holds {column.kind}, not numbers")
    unit = column.unit if known.unit is None else known.unit
    by_unit, factor = quantity_of_unit(unit or "")
    quantity = known.quantity or (by_unit if unit else quantity_of_name(column.name) or "other")
    if quantity != "other" and unit and by_unit != quantity:
        raise MalformedRecord(path, f"channels.{column.name}", f"quantity {quantity} does not match unit {unit!r}")
    if quantity == "other":
        factor = 1.0
    phase = known.phase if known.phase is not None else column.phase
    return Channel(
        name=column.name,
        quantity=quantity,
        phase=phase_of_name(column.name) if phase is None else phase,
        unit={"voltage": "V", "current": "A"}.get(quantity, unit or ""),
        scale=known.scale * factor,
        offset=known.offset * factor,
        point=known.point or "",
        missing_code=known.missing_code,
        rail_low=known.rail_low,
        rail_high=known.rail_high,
        rated=None if known.rated is None else known.rated * factor,
    )
