"""What a report is made of."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from halfcycle.pipeline.events import Event
from halfcycle.pipeline.indices.coverage import CoverageSpan
from halfcycle.pipeline.report.slice import Slice
from halfcycle.pipeline.report.survey_view import SurveyedPoint


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """What a report is made of.

    Attributes
    ----------
    events : rows of the catalogue.
    slices : gives the waveforms of an event; raises a HalfcycleError where they are not there, which the page says.
    coverage : time judged; empty where it is not known.
    expected : sites to report on also where they have neither events nor coverage.
    zones : time zone by site, where they are known.
    surveyed : what surveys say of points of the sites.
    provenance : what the report is made of and with, in words.
    period_ns : that counts stand for, half-open; None: that of the coverage. [ns since 1970-01-01]
    """

    events: Sequence[Event]
    slices: Callable[[Event], Slice]
    coverage: Sequence[CoverageSpan] = ()
    expected: Sequence[str] = ()
    zones: Mapping[str, str] = field(default_factory=dict)
    surveyed: Sequence[SurveyedPoint] = ()
    provenance: Sequence[tuple[str, str]] = ()
    period_ns: tuple[int, int] | None = None

    @property
    def sites(self) -> list[str]:
        """All sites, in order of their names."""
        return sorted(
            {event.site for event in self.events}
            | {s.site for s in self.coverage}
            | {one.site for one in self.surveyed}
            | set(self.expected)
        )

    def by_site(self) -> dict[str, Material]:
        """The same of each site alone."""
        events: dict[str, list[Event]] = {site: [] for site in self.sites}
        spans: dict[str, list[CoverageSpan]] = {site: [] for site in events}
        for event in self.events:
            events[event.site].append(event)
        for span in self.coverage:
            spans[span.site].append(span)
        return {
            site: replace(
                self,
                events=mine,
                coverage=spans[site],
                expected=(site,),
                surveyed=tuple(one for one in self.surveyed if one.site == site),
            )
            for site, mine in events.items()
        }
