"""What a night tells people who look at Prefect: its summary in Markdown and its worst events as a table, with links.

The flow calls this at its end; `halfcycle.pipeline.flows.nightly` sets Prefect's own settings before this is imported.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.nightly.run import RunSummary
from halfcycle.pipeline.plain_text import counted
from halfcycle.pipeline.publishing import Published, front_address, worst_of
from halfcycle.pipeline.report.event_words import duration_words, magnitude_words, time_words, what_words
from halfcycle.pipeline.report.markdown import plain_markdown

SUMMARY_KEY: Final = "halfcycle-night"
WORST_KEY: Final = "halfcycle-worst-events"
_WORST: Final = 20
_FILES: Final = 20
_CLOCKS: Final = 20


def tell_prefect(fleet: Fleet, summary: RunSummary, published: Published | None) -> str:
    """Leave a night's summary, which is returned, and its worst events as artifacts of the flow run under way."""
    from prefect.artifacts import create_markdown_artifact, create_table_artifact

    worst = worst_of(fleet, [day.day for day in summary.days], most=_WORST)
    markdown = night_markdown(fleet, summary, published, worst)
    create_markdown_artifact(key=SUMMARY_KEY, markdown=markdown, description="What the night did")
    create_table_artifact(key=WORST_KEY, table=worst_rows(worst), description="Worst events of the days rebuilt")
    return markdown


def night_markdown(
    fleet: Fleet, summary: RunSummary, published: Published | None, worst: Sequence[tuple[Event, str]]
) -> str:
    """A night in Markdown; words from files are words.

    Parameters
    ----------
    fleet : the configuration.
    summary : what the run did.
    published : the pages written, or None.
    worst : events with the address of their place in a page, or "".
    """
    judged, not_judged = (sum(getattr(day, name) for day in summary.days) for name in ("judged_s", "not_judged_s"))
    lines = [
        "# The night",
        "",
        f"- {counted(len(summary.files), 'file')}; {len(summary.quarantined)} quarantined, "
        f"{len(summary.left)} left in the inbox, "
        f"{summary.n_settling} still being written",
        f"- {counted(len(summary.days), 'day')} rebuilt with {counted(summary.n_events, 'event')}; "
        f"{judged / 60:.1f} min judged, "
        f"{not_judged / 60:.1f} min not judged",
    ]
    if summary.other_version:
        lines.append(
            f"- {counted(len(summary.other_version), 'day')} judged by other rules than today's and left unchanged"
        )
    if summary.joined is not None and summary.joined.n_days:
        joined = summary.joined
        lines.append(
            f"- {counted(joined.n_days, 'day')} joined over sites with {counted(joined.n_incidents, 'incident')} of "
            f"several sites; the incident id of {counted(joined.n_changed, 'event')} has changed"
        )
    front = front_address(fleet)
    if front:
        pages = f"{published.n_pages} pages written" if published else "no page to write"
        lines.append(f"- [report](<{front}>): {pages}")
    clocks = () if summary.joined is None else summary.joined.clocks
    if clocks:
        lines += ["", "## Clocks that are off or drift", ""]
        lines += [f"- {plain_markdown(site)}: {plain_markdown(words)}" for site, words in clocks[:_CLOCKS]]
        lines += [f"- and {len(clocks) - _CLOCKS} more"] if len(clocks) > _CLOCKS else []
    aside = [*summary.quarantined, *summary.left]
    if aside:
        lines += ["", "## Set aside", ""]
        lines += [f"- {plain_markdown(one.words)}" for one in aside[:_FILES]]
        lines += [f"- and {len(aside) - _FILES} more"] if len(aside) > _FILES else []
    if worst:
        lines += ["", "## Worst events", "", "| site | start | what | magnitude | duration |", "|---|---|---|---|---|"]
        for event, address in worst:
            site = plain_markdown(event.site)
            cells = (f"[{site}](<{address}>)" if address else site, *map(plain_markdown, _cells(event)))
            lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def worst_rows(worst: Sequence[tuple[Event, str]]) -> list[dict[str, str]]:
    """Events as rows of a table. worst: with the address of their place in a page, or ""."""
    heads = ("start", "what", "magnitude", "duration")
    return [
        {"site": event.site, **dict(zip(heads, _cells(event), strict=True)), "event": event.event_id, "page": address}
        for event, address in worst
    ]


def _cells(event: Event) -> tuple[str, str, str, str]:
    what = what_words(event)
    return time_words(event.start), what, magnitude_words(event), duration_words(event)
