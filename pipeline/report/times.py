"""Times as a report gives them: in the site's zone where it is known, UTC beside it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, tzinfo
from zoneinfo import ZoneInfo

from halfcycle.pipeline.locales import clock_words, day_words, exact_words


@dataclass(frozen=True, slots=True)
class LocalTime:
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
        return day_words(self.at(ns))

    def moment(self, ns: int) -> str:
        """A date and time down to the second, with the zone where it is not UTC. ns: since 1970-01-01 UTC."""
        moment = self.at(ns)
        return f"{day_words(moment)}, {clock_words(moment, zone=self.zone)}"

    def beside(self, ns: int) -> str:
        """The time of day in UTC, for whoever compares with other clocks; "" where the zone is UTC itself."""
        return "" if self.zone == "UTC" else clock_words(LocalTime().at(ns), zone="UTC")

    def exact(self, ns: int, *, digits: int = 3) -> str:
        """Date and time in the zone. ns: since 1970-01-01 UTC; digits: behind the second, -1: down to the minute."""
        return exact_words(self.at(ns), digits=digits)
