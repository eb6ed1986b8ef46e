"""Date and time stamps of a configuration, as nanoseconds since 1970-01-01 UTC.

Source: IEEE C37.111-1991 (month/day/year), -1999 and -2013 (day/month/year, time code), from memory.
"""

from __future__ import annotations

import datetime
import re

NS_PER_S = 1_000_000_000
NS_PER_YEAR = 365 * 86_400 * NS_PER_S
_EPOCH = datetime.date(1970, 1, 1).toordinal()
_CENTURY_TURN = 70  # two-digit years from here on are 19yy; the format is of 1991
_YEARS = range(1900, 2201)  # within what nanoseconds since 1970 hold in 64 bits
_MAX_OFFSET_S = 15 * 3600

_DATE = re.compile(r"(\d{1,4})\s*[/-]\s*(\d{1,2})\s*[/-]\s*(\d{1,4})", re.ASCII)
_TIME = re.compile(r"(\d{1,2}):(\d{1,2}):(\d{1,2})(?:\.(\d*))?", re.ASCII)
_OFFSET = re.compile(r"([+-]?)\s*(\d{1,2})(?:\s*[hH:]\s*(\d{1,2})?)?", re.ASCII)


def is_date(text: str) -> bool:
    """Whether a field looks like a date."""
    return _DATE.fullmatch(text) is not None


def is_missing(date: str) -> bool:
    """Whether a date field stands for "no date": empty or all zeros."""
    return not date.strip("0/- ")


def has_short_year(date: str) -> bool:
    """Whether a date ends in a year of one or two digits."""
    match = _DATE.fullmatch(date)
    return match is not None and max(len(match[1]), len(match[3])) <= 2


def proves_order(date: str, *, month_first: bool) -> bool:
    """Whether a date cannot be in the order that its revision asks for, but can be in the other."""
    match = _DATE.fullmatch(date)
    if match is None or len(match[1]) == 4:
        return False
    month, day = (match[1], match[2]) if month_first else (match[2], match[1])
    return int(month) > 12 >= int(day) > 0


def stamp_ns(date: str, time: str, *, month_first: bool) -> int:
    """A date and a time of day as nanoseconds since 1970-01-01.

    Parameters
    ----------
    date : str. ``dd/mm/yyyy``, or ``mm/dd/yyyy`` with `month_first`; two-digit years and ``yyyy/mm/dd`` are read too.
    time : str. ``hh:mm:ss`` with decimals of any length; what is finer than a nanosecond is cut off. Second 60,
        a leap second, is read as the first of the next minute.
    month_first : bool. The order of a date that does not start with its year.

    Returns
    -------
    int. [ns since 1970-01-01]

    Raises
    ------
    ValueError : neither is what it should be.
    """
    date_match, time_match = _DATE.fullmatch(date), _TIME.fullmatch(time)
    if date_match is None:
        raise ValueError(f"'{date}' is not a date")
    if time_match is None:
        raise ValueError(f"'{time}' is not a time of day (hh:mm:ss.ssssss)")
    hour, minute, second = (int(time_match[i]) for i in (1, 2, 3))
    if hour > 23 or minute > 59 or second > 60:
        raise ValueError(f"'{time}' is not a time of day")
    fraction_ns = int((time_match[4] or "0")[:9].ljust(9, "0"))
    seconds = _days(date_match, month_first=month_first) * 86400 + hour * 3600 + minute * 60 + second
    return seconds * NS_PER_S + fraction_ns


def _days(match: re.Match[str], *, month_first: bool) -> int:
    first, second, third = match.groups()
    if len(first) == 4:
        year, month, day = int(first), int(second), int(third)
    else:
        month, day = (int(first), int(second)) if month_first else (int(second), int(first))
        year = int(third)
        if len(third) <= 2:
            year += 1900 if year >= _CENTURY_TURN else 2000
    try:
        ordinal = datetime.date(year, month, day).toordinal()
    except ValueError as error:
        raise ValueError(f"'{match[0]}' is not a date ({error})") from error
    if year not in _YEARS:
        raise ValueError(f"year {year} in '{match[0]}' is outside {_YEARS.start} to {_YEARS.stop - 1}")
    return ordinal - _EPOCH


def decimals(time: str) -> int:
    """Number of decimals of the seconds in a time of day; 0 where it is none."""
    match = _TIME.fullmatch(time)
    return len(match[4] or "") if match else 0


def offset_ns(time_code: str) -> int | None:
    """What a time code adds to UTC to give the stamps. [ns]

    Parameters
    ----------
    time_code : str. ``0``, ``+9``, ``-5h30``, ``-5:30``; empty or ``x``: not stated.

    Returns
    -------
    int, or None where the file does not state it.

    Raises
    ------
    ValueError : it is none of these.
    """
    text = time_code.strip()
    if not text or text.lower() == "x":
        return None
    match = _OFFSET.fullmatch(text)
    seconds = int(match[2]) * 3600 + int(match[3] or 0) * 60 if match else _MAX_OFFSET_S + 1
    if match is None or int(match[3] or 0) > 59 or seconds > _MAX_OFFSET_S:
        raise ValueError(f"time code '{time_code}' is not an offset from UTC such as 0, +9 or -5h30")
    return (-seconds if match[1] == "-" else seconds) * NS_PER_S
