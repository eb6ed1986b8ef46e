"""The answer of a report: for each site what happened, how bad, how often, from where, and what is not known."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

from halfcycle.pipeline.events import Event
from halfcycle.pipeline.indices.counted import VARIATIONS, Counted, polyphase
from halfcycle.pipeline.indices.coverage import CoverageSpan, exposure_of
from halfcycle.pipeline.indices.curves import Curve
from halfcycle.pipeline.indices.sarfi import brief
from halfcycle.pipeline.locales import number
from halfcycle.pipeline.plain_text import percent
from halfcycle.pipeline.report.event_words import (
    cause_words,
    duration_words,
    kind_words,
    magnitude_words,
    seconds_words,
    what_words,
)
from halfcycle.pipeline.report.summary import distinct_events, severity_s
from halfcycle.pipeline.report.survey_view import SurveyedPoint, disagreement_sentences, verdict_sentences
from halfcycle.pipeline.report.times import LocalTime
from halfcycle.pipeline.survey.compliance import overall

_VERDICTS: Final = {"exceeded": "exceeded at", "met": "met at", "cannot tell": "undetermined at"}


@dataclass(frozen=True, slots=True)
class Sentence:
    """A sentence of the answer, and the place in the page that bears it out."""

    text: str
    href: str = ""


@dataclass(frozen=True, slots=True)
class SiteAnswer:
    """What is said of one site: its name, its anchor, sentences, sags below the curve, and a page of its own or ""."""

    site: str
    anchor: str
    sentences: tuple[Sentence, ...]
    n_below: int
    page: str = ""


def lead(
    events: Sequence[Event],
    sites: Sequence[str],
    *,
    curve: Curve,
    clock: LocalTime,
    coverage: Sequence[CoverageSpan],
    surveyed: Sequence[SurveyedPoint] = (),
) -> list[Sentence]:
    """The report in a few sentences.

    Parameters
    ----------
    events : of all sites.
    sites : that are reported on.
    curve : of ride-through, that sags are held against.
    clock : how times are written.
    coverage : time judged, of any sites.
    surveyed : what surveys say of points of the sites.
    """
    said = [_found(events, sites, clock)]
    counted = polyphase(events)
    sags = [one for one in brief(counted) if one.variation == "sag"]
    below = [one for one in sags if curve.region(one.magnitude_pu, one.duration_s) == "below"]
    if sags:
        hit = _sites(len({one.site for one in below}))
        many = f"{len(below) or 'None'} of {len(sags)} sags and interruptions of at most a minute went"
        alone = f"The sag or interruption of at most a minute {'went' if below else 'did not go'}"
        tail = f", at {hit}: equipment designed to that curve may have tripped." if below else "."
        verb = alone if len(sags) == 1 else many
        said.append(Sentence(f"{verb} below the {curve.title}{tail}", "#magnitude-duration"))
    n_long = sum(one.duration_s > 60 for one in counted)
    if n_long:
        said.append(
            Sentence(f"{_n(n_long, 'event')} lasted longer than a minute; the indices exclude such events.", "#events")
        )
    if events and not any(event.cause for event in events):
        said.append(Sentence("Causes were not determined: the catalogue was made without --explain.", "#method"))
    judged = [one for one in surveyed if one.assessments]
    if judged:
        verdicts = Counter(overall(one.assessments).verdict for one in judged)
        counts = ", ".join(f"{_VERDICTS[verdict]} {n}" for verdict, n in sorted(verdicts.items()))
        profiles = ", ".join(dict.fromkeys(one.profile for one in judged))
        said.append(Sentence(f"Limits of {profiles} at {_n(len(judged), 'measuring point')}: {counts}.", "#compliance"))
    elif not any(event.kind == "limit" for event in events):
        said.append(Sentence("This catalogue does not show whether limits are met.", "#compliance"))
    apart = sum(bool(one.disagreements) for one in surveyed)
    if apart and len(sites) > 1:
        said.append(
            Sentence(
                f"At {_n(apart, 'measuring point')} the recorder's own values disagree with its waveforms.",
                "#disagreements",
            )
        )
    if not coverage:
        said.append(Sentence("The judged time is unknown, so no rates are given unless you declare it.", "#coverage"))
    return said


def _found(events: Sequence[Event], sites: Sequence[str], clock: LocalTime) -> Sentence:
    if not events:
        return Sentence(f"No event was found at {_sites(len(sites))}.", "#coverage")
    first, last = clock.day(min(event.start for event in events)), clock.day(max(event.start for event in events))
    when = f"On {first}" if first == last else f"Between {first} and {last}"
    n_alike = len(polyphase(events))
    tail = ""
    if n_alike and any(event.kind not in VARIATIONS for event in events):
        alike = _n(n_alike, "is a sag, swell or interruption", "are sags, swells and interruptions")
        tail = f"; with phases aggregated, {alike}"
    elif n_alike and n_alike != len(events):
        alike = _n(n_alike, "sag, swell or interruption", "sags, swells and interruptions")
        tail = f"; with phases aggregated they are {alike}"
    found = f"{_n(len(events), 'event')} {'was' if len(events) == 1 else 'were'} found at {_sites(len(sites))}"
    return Sentence(f"{when}, {found}{tail}.", "#events")


def site_answer(
    events: Sequence[Event],
    site: str,
    *,
    curve: Curve,
    coverage: Sequence[CoverageSpan],
    clock: LocalTime,
    anchor: str,
    shown: Collection[str],
    page: str = "",
    surveyed: Sequence[SurveyedPoint] = (),
) -> SiteAnswer:
    """What is said of one site.

    Parameters
    ----------
    events : of the site.
    site : its name.
    curve : of ride-through.
    coverage : time judged, of any sites.
    clock : how times are written.
    anchor : of the site in the page.
    shown : ids of the events that the page shows with their waveforms.
    page : of the site alone, where there is one.
    surveyed : what surveys say of its points.
    """
    counted = polyphase(events)
    said = [_what(events, counted)]
    said += _worst(events, clock, shown)
    sags = [one for one in brief(counted) if one.variation == "sag"]
    below = [one for one in sags if curve.region(one.magnitude_pu, one.duration_s) == "below"]
    if sags:
        said.append(Sentence(_against(len(below), len(sags), curve), "#magnitude-duration"))
    said += [*_sides(events), *_causes(events), *_limits(events)]
    said += [Sentence(text, "#compliance") for text in verdict_sentences(surveyed)]
    said += [Sentence(text, "#disagreements") for text in disagreement_sentences(surveyed)]
    if coverage:
        said.append(_judged(site, coverage))
    return SiteAnswer(site, anchor, tuple(said), len(below), page)


def _against(n_below: int, n: int, curve: Curve) -> str:
    """How many of a site's sags and interruptions, which last a minute at most, are below a curve."""
    if n == 1:
        verb = "went" if n_below else "did not go"
        return f"Its sag or interruption of at most a minute {verb} below the {curve.title}."
    every = "Both of its" if n == 2 else f"All {n}"
    which = f"None of its {n}" if not n_below else every if n_below == n else f"{n_below} of its {n}"
    return f"{which} sags and interruptions of at most a minute went below the {curve.title}."


def _what(events: Sequence[Event], counted: Sequence[Counted]) -> Sentence:
    if not events:
        return Sentence("No event was found.", "#coverage")
    kinds = Counter(kind_words(event.kind) for event in distinct_events(events))
    kinds.update(kind_words(event.kind) for event in events if event.kind not in VARIATIONS)
    words = [_n(n, kind) for kind, n in sorted(kinds.items(), key=lambda item: (-item[1], item[0]))]
    listed = words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
    incidents = len({event.incident_id for event in events})
    return Sentence(f"It had {listed}, in {_n(incidents, 'incident')}.", "#events")


def _worst(events: Sequence[Event], clock: LocalTime, shown: Collection[str]) -> list[Sentence]:
    ranked = sorted(distinct_events(events), key=lambda event: (-severity_s(event), event.start))
    if not ranked:
        ranked = sorted(events, key=lambda event: (-event.observed_s, event.start))
    if not ranked:
        return []
    worst = ranked[0]
    which = "worst" if worst.kind in VARIATIONS else "longest"
    what = what_words(worst)
    text = f"The {which} was the {what} of {clock.moment(worst.start)}: {magnitude_words(worst)} for "
    href = f"#event-{worst.event_id}" if worst.event_id in shown else "#events"
    return [Sentence(f"{text}{duration_words(worst)}.", href)]


def _sides(events: Sequence[Event]) -> list[Sentence]:
    told = Counter(event.direction or "" for event in events if event.kind in VARIATIONS)
    known = told["upstream"] + told["downstream"]
    total = sum(told.values())
    if not total:
        return []
    if not known:
        return [Sentence("Side: unknown.", "#events")]
    parts = [f"{told[side]} from {side}" for side in ("upstream", "downstream") if told[side]]
    rest = total - known
    if total == 1:
        return [Sentence(f"It came from {parts[0].removeprefix('1 from ')}.", "#events")]
    return [Sentence(f"Side: {' and '.join(parts)}" + (f"; {rest} unknown." if rest else "."), "#events")]


def _causes(events: Sequence[Event]) -> list[Sentence]:
    causes = Counter(event.cause for event in events if event.cause and event.cause != "unknown")
    total = sum(1 for event in events if event.cause)
    if not total:
        return []
    if not causes:
        return [Sentence("No cause could be determined.", "#events")]
    cause, n = min(causes.items(), key=lambda item: (-item[1], item[0]))
    shares = sorted(e.cause_confidence for e in events if e.cause == cause and e.cause_confidence is not None)
    ends = dict.fromkeys(percent(share).removesuffix(" %") for share in (*shares[:1], *shares[-1:]))
    span = f" ({' to '.join(ends)} % probable)" if ends else ""
    of = (
        "the event"
        if total == 1
        else f"{n} of {total} events"
        if n < total
        else "both events"
        if total == 2
        else f"all {total} events"
    )
    return [Sentence(f"The likely cause of {of} is {cause_words(cause)}{span}.", "#events")]


def _limits(events: Sequence[Event]) -> list[Sentence]:
    beyond = sum(event.kind == "limit" for event in events)
    return [Sentence(f"{_n(beyond, 'time')} a stated limit was exceeded.", "#compliance")] if beyond else []


def _judged(site: str, coverage: Sequence[CoverageSpan]) -> Sentence:
    exposure = exposure_of(coverage, site)
    if exposure is None:
        return Sentence("The judged time is unknown.", "#coverage")
    mine = [span for span in coverage if span.site == site]
    failed = sum(span.not_judged_s for span in mine)
    reasons = "; ".join(dict.fromkeys(span.reason for span in mine if span.reason))
    text = f"Judged were {seconds_words(exposure.judged_s)}, {number(100 * exposure.availability, '.3g')} % of the time"
    if failed:
        text += f"; {seconds_words(failed)} could not be ({reasons})"
    return Sentence(text + ".", "#coverage")


def _n(n: int, what: str, many: str = "") -> str:
    return f"{n} {what}" if n == 1 else f"{n} {many or what + 's'}"


def _sites(n: int) -> str:
    return "one site" if n == 1 else f"{n} sites"
