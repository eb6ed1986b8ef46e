"""How numbers, dates and times are written for people: in plain English, or as a locale has it; the words stay English.

A page is written by one locale from its first word to its last, and what writes a number knows nothing of pages: so the
locale is set around the work (`written_in`), as the precision of decimal arithmetic is, and not handed down.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from typing import TYPE_CHECKING, Final

from halfcycle.pipeline.errors import ConfigError

if TYPE_CHECKING:
    from babel import Locale

_NUMBER: Final = re.compile(r"(?<![\w.,:/])(?<!\w-)(\d+)\.(\d+)(?![\w.])")  # no version, no time, no clause


@dataclass(frozen=True, slots=True)
class Manner:
    """How one locale writes.

    Attributes
    ----------
    locale : its name, such as ``de_DE``; "" for plain English, with days such as 1 March 2026, and ISO in tables.
    decimal : the mark before decimals.
    """

    locale: str = ""
    decimal: str = "."


PLAIN: Final = Manner()
_MANNER: ContextVar[Manner] = ContextVar("manner", default=PLAIN)
_MONTHS: Final = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
                  "November", "December")  # fmt: skip


def manner_of(locale: str) -> Manner:
    """How a locale writes.

    Parameters
    ----------
    locale : language and territory, such as ``de_DE``, ``de-CH`` or ``fr``; "" for plain English.

    Raises
    ------
    ConfigError : it is not known.

    Source: the Unicode Common Locale Data Repository, as Babel carries it.
    """
    if not locale:
        return PLAIN
    from babel import UnknownLocaleError

    name = locale.replace("-", "_")
    try:
        known = _locale(name)
    except (UnknownLocaleError, ValueError, TypeError) as error:
        raise ConfigError(
            f"locale {locale[:40]!r} is not known; name a language and a territory, such as de_DE, fr_CA or en_GB"
        ) from error
    return Manner(name, known.number_symbols["latn"]["decimal"])


@contextmanager
def written_in(manner: Manner) -> Iterator[None]:
    """Everything that is written within is written so."""
    token = _MANNER.set(manner)
    try:
        yield
    finally:
        _MANNER.reset(token)


def number(value: float, form: str) -> str:
    """A number. form: as Python's format has it, such as ``.3g``."""
    return format(value, form).replace(".", _MANNER.get().decimal)


def scaled(value: float, unit: str, *, digits: int = 5) -> str:
    """A value with its unit, with the SI prefix k, M or G from a thousand on."""
    if unit in ("V", "A", "W", "VA", "var", "Hz"):
        for factor, prefix in ((1e9, "G"), (1e6, "M"), (1e3, "k")):
            if abs(value) >= factor:
                return f"{number(value / factor, f'.{digits}g')} {prefix}{unit}"
    return f"{number(value, f'.{digits}g')} {unit}".rstrip()


def own_words(text: str) -> str:
    """Words that we wrote and stored before, their numbers written anew. text: without names from elsewhere."""
    mark = _MANNER.get().decimal
    return text if mark == "." else _NUMBER.sub(rf"\1{mark}\2", text)


def day_words(day: date) -> str:
    """A day in a sentence: ``16 April 2026``."""
    manner = _MANNER.get()
    if not manner.locale:
        return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"
    from babel.dates import format_date

    return format_date(day, "long", locale=_locale(manner.locale))


def clock_words(moment: datetime, *, zone: str) -> str:
    """A time of day down to the second, with its zone. zone: its name where it has no short one."""
    short = moment.tzname() or zone
    manner = _MANNER.get()
    if not manner.locale:
        return f"{moment:%H:%M:%S} {short}"
    from babel.dates import format_time, get_timezone_name

    name = get_timezone_name(moment, width="short", locale=_locale(manner.locale))
    named = name if name.isalpha() and len(name) <= 5 else short
    return f"{format_time(moment, 'medium', tzinfo=moment.tzinfo, locale=_locale(manner.locale))} {named}"


def exact_words(moment: datetime, *, digits: int = 3) -> str:
    """A day and a time in a table. digits: behind the second; -1: down to the minute."""
    manner = _MANNER.get()
    fraction = f"{moment.microsecond:06d}"[: max(digits, 0)]
    if not manner.locale:
        text = f"{moment:%Y-%m-%d %H:%M:%S}"
        return text[:-3] if digits < 0 else f"{text}.{fraction}" if fraction else text
    from babel.dates import format_date, format_time, get_time_format

    locale = _locale(manner.locale)
    pattern = get_time_format("short" if digits < 0 else "medium", locale=locale).pattern
    if fraction:
        pattern = pattern.replace("ss", f"ss'{manner.decimal}{fraction}'")
    time = format_time(moment, pattern, tzinfo=moment.tzinfo, locale=locale)
    return f"{format_date(moment, 'medium', locale=locale)}, {time}"


def table_day(day: date) -> str:
    """A day in a table: ``2026-04-16``."""
    manner = _MANNER.get()
    if not manner.locale:
        return f"{day:%Y-%m-%d}"
    from babel.dates import format_date

    return format_date(day, "medium", locale=_locale(manner.locale))


def short_day(day: date) -> str:
    """Day and month at a chart's axis: ``04-16``."""
    manner = _MANNER.get()
    if not manner.locale:
        return f"{day:%m-%d}"
    from babel.dates import format_skeleton

    return format_skeleton("Md", datetime(day.year, day.month, day.day), locale=_locale(manner.locale))


def short_time(moment: datetime) -> str:
    """Hour and minute at a chart's axis: ``13:00``."""
    manner = _MANNER.get()
    if not manner.locale:
        return f"{moment:%H:%M}"
    from babel.dates import format_time

    return format_time(moment, "short", tzinfo=moment.tzinfo, locale=_locale(manner.locale))


@cache
def _locale(name: str) -> Locale:
    from babel import Locale

    return Locale.parse(name)
