"""The measuring points of a record: the voltages of a busbar are measured once, currents and powers at each feeder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from halfcycle.pipeline.catalogue.busbars import busbars_of
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.records.points import Point, points_of
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.sites.account import Account, same_words
from halfcycle.pipeline.survey.measure import Survey, Trend, measure_record

Found = tuple[Trend | SignalError, ...]
"""For each survey a trend, or why there is none."""


def measure_points(
    record: Record, surveys: Sequence[Survey], account: Account, *, hookup: str | None
) -> list[tuple[str, Found]]:
    """What the surveys of each point of a record come to.

    Parameters
    ----------
    record, surveys : see `measure.measure_record`.
    account : of the site; says which points may have the same voltages, which a record's own samples must bear out.
    hookup : declared; None: told from the channels.

    Returns
    -------
    (name, trends) of each point, "" where there is one only. A feeder whose voltages are those of another point has
    trends without them, which name that point.

    Raises
    ------
    ReadError : a capture cannot be read.
    """
    try:
        points = points_of(record.header, hookup=hookup)
    except SignalError as error:
        return [("", (error,) * len(surveys))]
    if not points:
        return [("", (SignalError("no voltage channel"),) * len(surveys))]
    found: list[tuple[str, Found]] = []
    for busbar in busbars_of(record, points, account):
        name = busbar.point.name or ""
        found.append((name, measure_record(record, busbar.point, surveys, account=account)))
        found += [(one.name or "", _of_feeder(record, one, name, surveys, account)) for one in busbar.feeders]
    return found


def _of_feeder(record: Record, feeder: Point, busbar: str, surveys: Sequence[Survey], account: Account) -> Found:
    """Its currents and powers; of surveys that ask for neither there is nothing."""
    own = [
        replace(one, quantities=tuple(each for each in one.quantities if feeder.currents and not each.is_of_voltages))
        for one in surveys
    ]
    wanted = [one for one in own if one.quantities]
    trends = iter(measure_record(record, feeder, wanted, account=account) if wanted else ())
    nothing = SignalError(same_words(busbar).replace("judged", "measured"))
    of_each = (next(trends) if one.quantities else nothing for one in own)
    return tuple(replace(one, voltages_of=busbar) if isinstance(one, Trend) else one for one in of_each)
