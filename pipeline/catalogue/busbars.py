"""Busbars: points of a record whose voltages are one measurement are judged once, each feeder's currents kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from halfcycle.pipeline.records.points import Point
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.sites.account import Account, same_words
from halfcycle.pipeline.sites.same_voltages import have_same_voltages


@dataclass(frozen=True, slots=True)
class Busbar:
    """A point that is judged, and the feeders that have its voltages under names of their own."""

    point: Point
    feeders: tuple[Point, ...] = ()

    @property
    def note(self) -> str:
        """What was decided, in words; "" where the point stands alone."""
        names = ", ".join(str(one.name) for one in self.feeders)
        return f"{names}: {same_words(str(self.point.name))}" if names else ""


def busbars_of(record: Record, points: Sequence[Point], account: Account) -> list[Busbar]:
    """The points of a record, those with the same voltages together.

    Parameters
    ----------
    record : in which they must be the same from the first sample to the last, whatever the account says.
    points : in the capture's order; the first of some that are one is judged.
    account : of the site; says which may be the same.

    Raises
    ------
    ReadError : a capture cannot be read.
    """
    found: dict[str | None, Busbar] = {}
    judged_at: dict[str | None, str | None] = {}
    for point in points:
        known = account.point(point.name)
        first = None if known is None else known.same_as
        busbar = found.get(judged_at.get(first))
        if first is not None and busbar is not None and have_same_voltages(record, busbar.point, point):
            found[busbar.point.name] = Busbar(busbar.point, (*busbar.feeders, point))
            judged_at[point.name] = busbar.point.name
        else:
            found[point.name] = Busbar(point)
            judged_at[point.name] = point.name
    return list(found.values())
