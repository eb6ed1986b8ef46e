"""Times as a report writes them: in the site's zone where it is known, UTC beside it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, tzinfo
from zoneinfo import ZoneInfo


@dataclass(frozen=True, slots=True)
class Clock:
    """How times are written. zone: name of a time zone; "UTC" where the site's is not known."""

    zone: str = "UTC"

    @property
    def _zone(self) -> tzinfo:
        return UTC if self.zone == "UTC" else ZoneInfo(self.zone)

    def at(self, ns: int) -> datetime:
        """A time in the zone, down to the microsecond. ns: since 1970-01-01 UTC."""
        seconds, rest = divmod(ns, 1_000_000_000)
        return datetime.fromtimestamp(seconds, self._zone).replace(microsecond=rest // 1000)

    def midnight_ns(self, day: date) -> int:
        """When a day begins in the zone. [ns since 1970-01-01 UTC]"""
        return int(datetime.combine(day, time(), self._zone).timestamp()) * 1_000_000_000

    def day(self, ns: int) -> str:
        """A date such as ``16 April 2026``. ns: since 1970-01-01 UTC."""
        moment = self.at(ns)
        return f"{moment.day} {_MONTHS[moment.month - 1]} {moment.year}"

    def moment(self, ns: int) -> str:
        """A date and time down to the second, with the zone where it is not UTC. ns: since 1970-01-01 UTC."""
        moment = self.at(ns)
        return f"{self.day(ns)}, {moment:%H:%M:%S} {moment.tzname() or self.zone}"

    def exact(self, ns: int) -> str:
        """ISO date and time down to the millisecond, in the zone. ns: since 1970-01-01 UTC."""
        moment = self.at(ns)
        return f"{moment:%Y-%m-%d %H:%M:%S}.{moment.microsecond // 1000:03d}"


_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
