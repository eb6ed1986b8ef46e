"""Time stamps of interval records: one column or a date and a time, written in several ways, in some zone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from halfcycle.pipeline.readers.description import offset_ns

I64 = npt.NDArray[np.int64]

_DATES: Final = ("%Y-%m-%d", "%Y/%m/%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%d.%m.%y")
_TIMES: Final = ("%H:%M:%S", "%H:%M", "%H:%M:%S.%f", "%I:%M:%S %p", "%I:%M %p")
_BY_ORDER: Final = {"dmy": "%d/%m/%Y", "mdy": "%m/%d/%Y"}
_LOOKED_AT: Final = 50


class BadTimes(ValueError):
    """Why time stamps cannot be told."""


def is_time(cell: str) -> bool:
    """Whether a cell may be a date with or without a time."""
    return any(cell.strip()[:1].isdigit() and _parses([cell], form) for form in (*_forms(), *_DATES))


def instants_of(texts: Sequence[str], *, zone: str | None, order: str | None = None) -> tuple[I64, tuple[str, ...]]:
    """Time stamps as instants.

    Parameters
    ----------
    texts : of all rows.
    zone : a name such as ``Europe/Vienna`` or an offset such as ``+01:00``, of times that say none; None: UTC.
    order : ``dmy`` or ``mdy``, of dates such as 03/02/2026; None: told by a day above 12.

    Returns
    -------
    (ns UTC of each, notes). An hour that a zone has twice is told by the order of the rows.

    Raises
    ------
    BadTimes : what is wrong, with the row where it is one.
    """
    cells = [text.strip().replace("T", " ") for text in texts]
    with_zone = [text.endswith("Z") or _offset(text) is not None for text in cells]
    if any(with_zone):
        if not all(with_zone):
            raise BadTimes(
                f"row {with_zone.index(False) + 1}: {texts[with_zone.index(False)]!r} has no time zone, others have one"
            )
        shifts = np.array([0 if text.endswith("Z") else _offset(text) or 0 for text in cells], np.int64)
        bare = [text[:-1] if text.endswith("Z") else _without_offset(text) for text in cells]
        return _local(bare, order) - shifts, ()
    local = _local(cells, order)
    if zone is None:
        if (steps := np.flatnonzero(np.diff(local) <= 0)).size:
            raise BadTimes(f"row {int(steps[0]) + 2}: the times go back, as at the end of summer time; give time_zone")
        return local, ("the times have no time zone; read as UTC (set time_zone in a description to change this)",)
    return utc_of(local, zone), ()


def utc_of(local_ns: I64, zone: str) -> I64:
    """Times of a zone's clock as instants.

    Parameters
    ----------
    local_ns : as if they were UTC, in order; of an hour that is there twice the order tells which it is. [ns]
    zone : a name such as ``Europe/Vienna`` or an offset such as ``+01:00``.

    Raises
    ------
    BadTimes : the zone is not known, or did not have one of the times.
    """
    import pandas as pd

    try:
        return local_ns - offset_ns(zone)
    except ValueError:
        times = pd.DatetimeIndex(local_ns.view("datetime64[ns]"))

    try:
        key = ZoneInfo(zone)
    except (KeyError, ValueError, OSError) as error:
        raise BadTimes(f"time_zone {zone!r} is not known") from error
    first = times.tz_localize(key, ambiguous=np.ones(len(times), np.bool_), nonexistent="NaT")
    if first.isna().any():
        row = int(np.flatnonzero(first.isna())[0])
        raise BadTimes(f"row {row + 1}: {times[row]} does not exist in {zone}, as summer time begins there")
    second = times.tz_localize(key, ambiguous=np.zeros(len(times), np.bool_))
    early, late = (pd.DatetimeIndex(one).tz_convert("UTC").as_unit("ns").asi8.copy() for one in (first, second))
    for i in np.flatnonzero(early != late):  # an hour that is there twice: the later one once the clock went back
        if i and early[i] <= early[i - 1]:
            early[i] = late[i]
    return early


def _local(cells: Sequence[str], order: str | None) -> I64:
    """Times as written, as if they were UTC."""
    import pandas as pd

    texts = [cell.replace(",", ".") for cell in cells]
    forms = [form for form in _forms() if _parses(texts[:_LOOKED_AT], form)]
    if not forms:
        raise BadTimes(f"{cells[0]!r} is not a recognised date and time such as 2026-03-02 06:00:00")
    for form in forms if order is None else [form for form in forms if _fits(form, order)]:
        times = pd.to_datetime(pd.Series(texts), format=form, errors="coerce")
        if not times.isna().any():
            others = [other for other in forms if other != form and _parses(texts, other) and order is None]
            if any(_days_first(other) != _days_first(form) for other in others):
                which = 'set dates = "dmy" or "mdy" in a description'
                raise BadTimes(f"dates such as {cells[0]!r} may begin with the day or the month; {which}")
            return pd.DatetimeIndex(times).as_unit("ns").asi8.copy()
    times = pd.to_datetime(pd.Series(texts), format=forms[0], errors="coerce")
    row = int(np.flatnonzero(times.isna())[0])
    raise BadTimes(f"row {row + 1}: {cells[row][:40]!r} is not a date and time like {cells[0]!r} is")


def _forms() -> list[str]:
    return [f"{date} {time}" for date in _DATES for time in _TIMES]


def _fits(form: str, order: str) -> bool:
    return "/" not in form or form.startswith(("%Y", _BY_ORDER[order]))


def _days_first(form: str) -> bool:
    return form.startswith("%d")


def _parses(texts: Sequence[str], form: str) -> bool:
    import pandas as pd

    return bool(pd.to_datetime(pd.Series(list(texts)), format=form, errors="coerce").notna().all())


def _offset(text: str) -> int | None:
    tail = text[-6:]
    if len(text) < 16 or tail[:1] not in ("+", "-") or tail[3:4] != ":":
        return None
    try:
        return offset_ns(tail)
    except ValueError:
        return None


def _without_offset(text: str) -> str:
    return text[:-6].rstrip()
