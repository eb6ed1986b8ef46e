"""Captures of days of months that are over, brought together in few files: so many days a night, latest first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import DamagedCapture, PlaceError
from halfcycle.pipeline.nightly.day_packs import pack_day
from halfcycle.pipeline.nightly.day_states import SETTLED, DaysFound
from halfcycle.pipeline.nightly.days import Day
from halfcycle.pipeline.nightly.upkeep import batches_of_days
from halfcycle.pipeline.plain_text import counted
from halfcycle.pipeline.spread import Spread, each_outcome
from halfcycle.pipeline.store.partitions import Store


@dataclass(frozen=True, slots=True)
class PacksDone:
    """What became of captures in files of their own.

    Attributes
    ----------
    captures : that were brought into packs.
    days : that were looked through for them.
    left : days that are left to later nights.
    failed : in words, what is damaged or could not be packed; it stays as it was, and the next night tries it again.
    """

    captures: int = 0
    days: int = 0
    left: int = 0
    failed: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """Of how many days, and how many were left, and why."""
        left = f"; {counted(self.left, 'day')} left for later nights, as [run] pack_days limits" if self.left else ""
        return f"of {counted(self.days, 'day')}{left}"


def days_to_pack(fleet: Fleet, found: DaysFound, today: date) -> tuple[list[Day], int]:
    """The days that a night packs, and how many it leaves to later ones.

    Parameters
    ----------
    fleet : the configuration; it says how many days may be packed a night, none where that is 0.
    found : of all days, as they are.
    today : UTC; days of months that are over by then are packed, those whose catalogues are not to be made anew.
    """
    if not fleet.run.pack_days:
        return [], 0
    month = today.replace(day=1)
    due = [
        Day(name, day)
        for name, site in found.sites.items()
        for day in site.loose(*sorted(SETTLED), before=month)
    ]  # fmt: skip
    due.sort(key=lambda one: (-one.day.toordinal(), one.site))
    return due[: fleet.run.pack_days], len(due[fleet.run.pack_days :])


def would_be_packed(fleet: Fleet, found: DaysFound, today: date) -> PacksDone:
    """How many days a night would pack; parameters as for `days_to_pack`."""
    days, left = days_to_pack(fleet, found, today)
    return PacksDone(days=len(days), left=left)


def pack_days(fleet: Fleet, spread: Spread, found: DaysFound, today: date) -> PacksDone | None:
    """Bring captures of days together in packs; the caller holds the lock. None where there is nothing to do.

    Parameters
    ----------
    fleet, found, today : as for `days_to_pack`.
    spread : how batches of days are worked on.

    Raises
    ------
    StoreError : nothing can be written any more.
    """
    days, left = days_to_pack(fleet, found, today)
    if not days:
        return None
    work = partial(pack_captures, fleet=fleet)
    done = list(each_outcome(spread, work, batches_of_days(days, fleet), lost=_lost))
    failed = tuple(words for _, of_day in done for words in of_day)
    return PacksDone(sum(captures for captures, _ in done), len(days), left, failed)


def pack_captures(days: Sequence[Day], fleet: Fleet) -> list[tuple[int, list[str]]]:
    """Pack a batch of days, whatever one of them meets; of each what `pack_day` gives."""
    store = Store(fleet.store)
    done = []
    for day in days:
        try:
            done.append(pack_day(store, day.site, day.day))
        except (PlaceError, DamagedCapture) as error:
            done.append((0, [str(error)]))
        except OSError as error:
            done.append(_lost(day, error.strerror or str(error)))
    return done


def _lost(day: Day, reason: str) -> tuple[int, list[str]]:
    return 0, [f"{day.site}, {day.day}: captures cannot be packed ({reason})"]
