"""The configuration (.cfg) of a COMTRADE recording: bytes in, a checked description out.

Source: IEEE C37.111-1991, -1999 (IEC 60255-24:2001) and -2013 (IEC 60255-24:2013), from memory, and files in use.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal, cast, get_args

from halfcycle.pipeline.readers.comtrade import stamps
from halfcycle.pipeline.readers.comtrade.lines import Lines, Notes, number_in
from halfcycle.pipeline.readers.comtrade.text import decode
from halfcycle.pipeline.readers.contract import Repair
from halfcycle.pipeline.readers.description import phase_of_name, quantity_of_name
from halfcycle.pipeline.terms import Quantity, phases_of, quantity_of_unit

DataKind = Literal["ASCII", "BINARY", "BINARY32", "FLOAT32"]

MAX_CHANNELS: Final = 999_999
MAX_SAMPLES: Final = 9_999_999_999
MIN_RATE_HZ: Final = 1e-6
MAX_RATE_HZ: Final = 1e9
MAX_LINE_FREQUENCY_HZ: Final = 1000.0
_MAX_RATES: Final = 999_999
_MICROSECOND_DECIMALS: Final = 6
_MULTIPLIERS: Final = (1e-9, 1e9)

_ANALOG_FIELDS_1991: Final = 10  # number, name, phase, component, unit, a, b, skew, least, most
_ANALOG_FIELDS: Final = 13  # and primary, secondary, P or S
_KNOWN_REVISIONS: Final = (1991, 1999, 2001, 2013)
_COUNTS: Final = (
    re.compile(r"(\d{1,6})\s*A", re.IGNORECASE | re.ASCII),
    re.compile(r"(\d{1,6})\s*D", re.IGNORECASE | re.ASCII),
)


@dataclass(frozen=True, slots=True)
class AnalogChannel:
    """One analogue channel: primary value = raw * scale + offset, in volts, amperes or the file's own unit.

    `phase_field` and `component` are the file's own words, which say phases for all channels of a circuit together.
    """

    name: str
    quantity: Quantity
    phase: str
    phase_field: str
    component: str
    unit: str
    scale: float
    offset: float
    point: str
    rated: float | None


@dataclass(frozen=True, slots=True)
class RateLine:
    """A sampling rate [Hz], and the number of the last sample taken at it."""

    rate_hz: float
    last_sample: int


@dataclass(frozen=True, slots=True)
class Configuration:
    """What a configuration says.

    Attributes
    ----------
    revision, digital : 1991, 1999 or 2013, whose rules the file follows; names of the status channels.
    rates : sampling rates, last sample numbers rising; empty where the time stamps of the data decide.
    n_samples : samples declared; None where the file does not say.
    start_ns, trigger_ns : time of the first sample, of the trigger. [ns since 1970-01-01 UTC]
    time_multiplier : what a time stamp of the data is multiplied by.
    stamp_unit_ns : what a time stamp of the data counts, before it is multiplied. [ns]
    notes : what was odd and what was decided.
    """

    station: str
    revision: int
    analog: tuple[AnalogChannel, ...]
    digital: tuple[str, ...]
    line_frequency_hz: float | None
    rates: tuple[RateLine, ...]
    n_samples: int | None
    start_ns: int
    trigger_ns: int | None
    data_kind: DataKind
    time_multiplier: float
    stamp_unit_ns: int
    notes: tuple[str, ...]


def parse_configuration(content: bytes, *, path: Path, first_line: int = 1) -> Configuration:
    """Parse a configuration.

    Parameters
    ----------
    content : bytes. The whole configuration.
    path : of the file it came from, for messages.
    first_line : int. Number of its first line in that file, for messages.

    Returns
    -------
    Configuration.

    Raises
    ------
    MalformedRecord : naming the line and what is wrong with it.
    """
    text, text_notes = decode(content)
    notes = Notes(text_notes)
    lines = Lines(text, path=path, first_line=first_line)
    station, revision = _station(lines, notes)
    n_analog, n_digital = _channel_counts(lines)
    analog = _analog_channels(lines, n_analog, revision, notes)
    digital = tuple(_digital_name(lines, i) for i in range(n_digital))
    frequency_hz = _line_frequency(lines)
    rates, n_samples = _rates(lines, notes)
    start_ns, trigger_ns, stamp_unit_ns = _times(lines, revision, notes)
    data_kind = _data_kind(lines)
    time_multiplier = _time_multiplier(lines, revision, needed=not rates, notes=notes)
    utc_offset_ns = _utc_offset(lines, revision, notes)
    return Configuration(
        station=station,
        revision=revision,
        analog=analog,
        digital=digital,
        line_frequency_hz=frequency_hz,
        rates=rates,
        n_samples=n_samples,
        start_ns=start_ns - utc_offset_ns,
        trigger_ns=None if trigger_ns is None else trigger_ns - utc_offset_ns,
        data_kind=data_kind,
        time_multiplier=time_multiplier,
        stamp_unit_ns=stamp_unit_ns,
        notes=notes.texts(),
    )


def _station(lines: Lines, notes: Notes) -> tuple[str, int]:
    fields = lines.take("the station")
    year = fields[-1] if len(fields) > 2 else ""
    if not year:
        return fields[0], 1991
    if re.fullmatch(r"\d{4}", year, re.ASCII) is None:
        raise lines.broken(f"the revision year must have four digits, got '{year[:40]}'")
    revision = max((known for known in (1991, 1999, 2013) if known <= int(year)), default=1991)
    if int(year) not in _KNOWN_REVISIONS:
        notes.add(Repair(f"revision year {year} is not an edition of the standard; read as {revision}"))
    return ",".join(fields[:-2]), revision


def _channel_counts(lines: Lines) -> tuple[int, int]:
    fields = lines.take("the numbers of channels")
    matches = [pattern.fullmatch(field) for pattern, field in zip(_COUNTS, fields[1:], strict=False)]
    if len(fields) != 3 or not all(matches):
        raise lines.broken("the numbers of channels must read like '12,8A,4D'")
    n_analog, n_digital = (int(match[1]) for match in matches if match)
    total = lines.count(fields[0], "the number of channels", most=MAX_CHANNELS)
    if total != n_analog + n_digital or not total:
        raise lines.broken(f"{total} channels declared, but {n_analog} analogue and {n_digital} digital ones")
    return n_analog, n_digital


_KNOWN: dict[tuple[object, ...], tuple[tuple[AnalogChannel, ...], Notes]] = {}
_MOST_KNOWN: Final = 64  # recorders whose channel lines are at hand, as all their files have the same
_MOST_KNOWN_CHANNELS: Final = 1000  # of one


def _analog_channels(lines: Lines, n: int, revision: int, notes: Notes) -> tuple[AnalogChannel, ...]:
    """The analogue channels, which the next n lines describe."""
    texts = lines.ahead(n)
    found = _KNOWN.get((revision, *texts))
    if found is not None:
        lines.skip(n)
    else:
        own = Notes()
        found = _with_phases_and_points([_analog_channel(lines, i, revision, own) for i in range(n)]), own
        if n <= _MOST_KNOWN_CHANNELS:
            if len(_KNOWN) >= _MOST_KNOWN:
                _KNOWN.clear()
            _KNOWN[revision, *texts] = found
    notes.add_all(found[1])
    return found[0]


def _analog_channel(lines: Lines, i_channel: int, revision: int, notes: Notes) -> AnalogChannel:
    what = f"analogue channel {i_channel + 1}"
    fields = lines.take(what)
    if len(fields) < _ANALOG_FIELDS_1991:
        raise lines.broken(f"{what} needs at least {_ANALOG_FIELDS_1991} fields, this line has {len(fields)}")
    if len(fields) > _ANALOG_FIELDS:
        notes.add(Repair(f"fields after the first {_ANALOG_FIELDS} of an analogue channel are ignored"))
    _, name, phase_field, component, unit, a, b, skew, least, most = fields[:_ANALOG_FIELDS_1991]
    name = name or f"A{i_channel + 1}"
    quantity, factor = quantity_of_unit(unit)
    if not unit and phase_of_name(name) and (by_name := quantity_of_name(name)) is not None:
        quantity = by_name
        notes.add_channel(Repair("channels without a unit are taken in V or A, by their names"), name)
    if not b:
        notes.add_channel(Repair("empty offsets are taken as 0"), name)
    if skew and lines.number(skew, f"the skew of {what}"):
        notes.add_channel("time skews of channels are stated but not applied", name)
    for text, limit in ((least, "least"), (most, "greatest")):
        if text:
            lines.number(text, f"the {limit} value of {what}")
    unit_factor = factor
    factor *= _ratio(lines, fields[_ANALOG_FIELDS_1991:_ANALOG_FIELDS], name, revision, notes)
    scale = lines.number(a, f"the multiplier of {what}") * factor
    offset = lines.number(b, f"the offset of {what}") * factor if b else 0.0
    if not (math.isfinite(scale) and math.isfinite(offset)):
        raise lines.broken(f"the multiplier, offset and ratio of {what} exceed the range of numbers")
    return AnalogChannel(
        name=name,
        quantity=quantity,
        phase="",
        phase_field=phase_field,
        component=component,
        unit={"voltage": "V", "current": "A", "other": unit}[quantity],
        scale=scale,
        offset=offset,
        point="",
        rated=_rated(lines, fields[_ANALOG_FIELDS_1991:], unit_factor, name),
    )


def _with_phases_and_points(channels: list[AnalogChannel]) -> tuple[AnalogChannel, ...]:
    """Channels with their phases and measuring points.

    Numbers in phase fields are looked at circuit by circuit, where those are named. Points are the circuits of
    voltages, to which currents of these belong too.
    """
    by_name = Counter((channel.quantity, channel.component) for channel in channels)
    circuits: dict[tuple[Quantity, str], list[int]] = {}
    for i, channel in enumerate(channels):
        own = (channel.quantity, channel.component)
        circuits.setdefault(own if by_name[own] > 1 else (channel.quantity, ""), []).append(i)
    points = {channel.component for channel in channels if channel.quantity == "voltage"}
    found = list(channels)
    for members in circuits.values():
        of_circuit = [channels[i] for i in members]
        phases = phases_of([c.phase_field for c in of_circuit], [c.name for c in of_circuit])
        for i, phase in zip(members, phases, strict=True):
            one = channels[i]
            is_at_point = one.quantity != "other" and one.component in points
            found[i] = replace(one, phase=phase, point=one.component if is_at_point else one.point)
    return tuple(found)


def _ratio(lines: Lines, fields: list[str], name: str, revision: int, notes: Notes) -> float:
    """The factor that takes the samples of a channel to primary values."""
    primary, secondary, side = [*fields, "", "", ""][:3]
    if side.upper() not in ("P", "S"):
        if revision > 1991 or side:
            notes.add_channel(Repair("channels that are not marked primary or secondary are taken as primary"), name)
        return 1.0
    if side.upper() == "P":
        return 1.0
    members = [lines.number(text, f"the ratio of {name}") if text else 0.0 for text in (primary, secondary)]
    if members[0] == members[1] > 0:
        notes.add_channel("channels with secondary values and a ratio of 1 stay in secondary volts and amperes", name)
    if min(members) <= 0:
        notes.add_channel(Repair("channels with secondary values and no ratio above 0 are taken as primary"), name)
        return 1.0
    return members[0] / members[1]


def _rated(lines: Lines, fields: list[str], unit_factor: float, name: str) -> float | None:
    """The primary side of a channel's transformer, where it is a rating and not the one of a bare ratio."""
    if len(fields) < 2 or not fields[0]:
        return None
    primary = lines.number(fields[0], f"the ratio of {name}")
    return primary * unit_factor if primary > 1.0 and math.isfinite(primary * unit_factor) else None


def _digital_name(lines: Lines, i_channel: int) -> str:
    fields = lines.take(f"digital channel {i_channel + 1}")
    if not lines.n_commas or len(fields) >= _ANALOG_FIELDS_1991:
        raise lines.broken(f"digital channel {i_channel + 1} has 3 or 5 fields, this line has {len(fields)}: "
                           f"the numbers of channels do not match the lines")  # fmt: skip
    return fields[1] if len(fields) > 1 else ""  # a line may end in commas, and the channel have no name


def _line_frequency(lines: Lines) -> float | None:
    """The line frequency. Its line may be blank: then a line of two fields follows the number of rates at once."""
    if len(lines.peek()) == 1 and len(lines.peek(1)) > 1:
        return None
    fields = lines.take("the line frequency")
    if len(fields) > 1:
        raise lines.broken(f"the line frequency must stand alone, this line has {len(fields)} fields: "
                           f"the numbers of channels do not match the lines")  # fmt: skip
    value = lines.number(fields[0], "the line frequency") if fields[0] else 0.0
    if not 0 <= value <= MAX_LINE_FREQUENCY_HZ:
        raise lines.broken(f"the line frequency must be from 0 to {MAX_LINE_FREQUENCY_HZ:g} Hz, got {value:g}")
    return value or None


def _rates(lines: Lines, notes: Notes) -> tuple[tuple[RateLine, ...], int | None]:
    fields = lines.take("the number of sampling rates")
    n_rates = lines.count(fields[0], "the number of sampling rates", most=_MAX_RATES)
    if n_rates == 0 and stamps.is_date(lines.peek()[0] if lines.peek() else ""):
        notes.add(Repair("the number of samples is not declared; all rows of the data are used"))
        return (), None
    rates: list[RateLine] = []
    for i in range(max(n_rates, 1)):
        fields = lines.take(f"sampling rate {i + 1} of {n_rates}")
        if len(fields) != 2 or stamps.is_date(fields[0]):
            raise lines.broken(f"sampling rate {i + 1} of {n_rates} must read like '3200,6400'")
        rate_hz = lines.number(fields[0], "the sampling rate")
        last = lines.count(fields[1], "the number of the last sample", most=MAX_SAMPLES)
        by_stamps = rate_hz == 0 and n_rates <= 1
        if not (by_stamps or (n_rates and MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ)):
            raise lines.broken(f"the sampling rate must be from {MIN_RATE_HZ:g} to {MAX_RATE_HZ:g} Hz, got {rate_hz:g}")
        if last <= (rates[-1].last_sample if rates else 0):
            raise lines.broken(f"the number of the last sample, {last}, must be above that of the rate before")
        rates.append(RateLine(rate_hz, last))
    return (() if rates[0].rate_hz == 0 else tuple(rates)), rates[-1].last_sample


def _times(lines: Lines, revision: int, notes: Notes) -> tuple[int, int | None, int]:
    """Times of the first sample and of the trigger, as stamped, and the unit of the data's time stamps. [ns]"""
    start, trigger = ([*lines.peek(ahead), "", ""][:2] for ahead in (0, 1))
    month_first = revision == 1991
    if any(stamps.proves_order(date, month_first=month_first) for date, _ in (start, trigger)):
        month_first = not month_first
        order = "month first" if month_first else "day first"
        notes.add(Repair(f"dates are not in the order of revision {revision}; they can only be {order}"))
    if any(stamps.has_short_year(date) for date, _ in (start, trigger)):
        short = "years of two digits are read as 1970 to 2069"
        notes.add(short if revision == 1991 else Repair(short))
    start_ns = _stamp(lines, "the time of the first sample", month_first=month_first)
    if start_ns is None:
        raise lines.broken("the time of the first sample is missing")
    if trigger[0].upper() in get_args(DataKind):
        raise lines.broken("one of the two lines with the times of the first sample and the trigger is missing")
    trigger_ns = _stamp(lines, "the time of the trigger", month_first=month_first)
    if max(stamps.decimals(start[1]), stamps.decimals(trigger[1])) <= _MICROSECOND_DECIMALS:
        return start_ns, trigger_ns, 1000
    notes.add("the configuration's times have more than six decimals: time stamps of the data count nanoseconds")
    return start_ns, trigger_ns, 1


def _stamp(lines: Lines, what: str, *, month_first: bool) -> int | None:
    fields = lines.take(what)
    if stamps.is_missing(fields[0]):
        return None
    if len(fields) != 2:
        raise lines.broken(f"{what} must read like '31/12/2024,23:59:59.000000'")
    try:
        return stamps.stamp_ns(fields[0], fields[1], month_first=month_first)
    except ValueError as error:
        raise lines.broken(str(error)) from error


def _data_kind(lines: Lines) -> DataKind:
    kind = lines.take("the kind of data")[0].upper()
    if kind not in get_args(DataKind):
        raise lines.broken(f"the kind of data must be one of {', '.join(get_args(DataKind))}, got '{kind[:40]}'")
    return cast(DataKind, kind)


def _time_multiplier(lines: Lines, revision: int, *, needed: bool, notes: Notes) -> float:
    """The multiplier of time stamps: a line of one field, missing in 1991 and in some later files."""
    if len(lines.peek()) != 1:
        if revision > 1991:
            notes.add(Repair("the time multiplier is not stated; taken as 1"))
        return 1.0
    text = lines.take("the time multiplier")[0]
    value = number_in(text)
    least, most = _MULTIPLIERS
    if value is not None and least <= value <= most:
        return value
    if needed:
        raise lines.broken(f"the time multiplier must be a number from {least:g} to {most:g}, got '{text[:40]}'")
    notes.add(Repair(f"the time multiplier '{text[:40]}' is not a number from {least:g} to {most:g}; taken as 1"))
    return 1.0


def _utc_offset(lines: Lines, revision: int, notes: Notes) -> int:
    """What the stamps are ahead of UTC [ns], from the time code of revision 2013; 0 where it is not stated."""
    offset_ns = None
    if revision >= 2013 and lines.peek():
        time_code = lines.take("the time code")[0]
        try:
            offset_ns = stamps.offset_ns(time_code)
        except ValueError as error:
            raise lines.broken(str(error)) from error
        quality = lines.take("the time quality")[0].upper() if lines.peek() else "0"
        if quality.strip("0"):
            notes.add(f"the recorder's clock was not locked when recording (time quality {quality[:40]})")
    if offset_ns is None:
        notes.add("the time zone is not stated; time stamps are taken as UTC")
        return 0
    return offset_ns
