"""People told of what a night found, each matter once: when it comes up, and again where it has gone and come back.

What has been told is kept beside the files of runs. What could not be sent goes out with the next night.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Final, NoReturn

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import ConfigError, HalfcycleError, StoreError
from halfcycle.pipeline.events import Event, events_of
from halfcycle.pipeline.nightly.days import Day, read_days
from halfcycle.pipeline.nightly.run import RunSummary
from halfcycle.pipeline.nightly.run_files import mishaps_of, recorded
from halfcycle.pipeline.nightly.status import fleet_status
from halfcycle.pipeline.nightly.working import carry_over
from halfcycle.pipeline.report.event_words import duration_words, magnitude_words, time_words, what_words
from halfcycle.pipeline.settings import Notify
from halfcycle.pipeline.store.documents import document_at, write_document
from halfcycle.pipeline.store.partitions import today

_EVENT_DAYS: Final = 7  # events of earlier days are history made anew, not news
_KEPT_DAYS: Final = 30  # that an event is remembered as told
_SHOWN: Final = 20  # of each kind in a message
_HEADS: Final = {
    "night": "The night failed",
    "failure": "Failed",
    "set aside": "Set aside",
    "silence": "Silent recorders",
    "clock": "Clocks",
    "events": "Events",
}


def fleet_name(config: Path) -> str:
    """What a fleet is called in messages and in Prefect: by its folder and file, and a mark that no other path has."""
    path = config.resolve()
    mark = hashlib.sha256(str(path).encode()).hexdigest()[:6]
    words = path.parent.name if path.stem == "fleet" else f"{path.parent.name}-{path.stem}"
    return f"{words}-{mark}"


def night(fleet: Fleet, name: str, work: Callable[[], RunSummary]) -> RunSummary:
    """Do a night's work, leave a file of the run, and tell people what is new.

    Parameters
    ----------
    fleet : the configuration.
    name : of the fleet, in messages.
    work : gives the summary of the run.

    Returns
    -------
    The summary, with who could not be told.

    Raises
    ------
    Whatever the work raises, after people were told of it.
    """
    try:
        summary = recorded(fleet, work)
    except HalfcycleError as error:
        if fleet.notify is not None and "failure" in fleet.notify.about:
            tell_news(fleet, name, {"night": {str(error): str(error)}})
        carry_over(fleet)
        raise
    untold = tell_news(fleet, name, news_of(fleet, summary))
    carry_over(fleet)
    return replace(summary, untold=tuple(untold))


def night_that_failed(fleet: Fleet, name: str, error: HalfcycleError) -> NoReturn:
    """Leave a file of a night that failed outside of its work, and tell people of it as of any other.

    Raises
    ------
    The error.
    """

    def fails() -> RunSummary:
        raise error

    night(fleet, name, fails)
    raise error


def news_of(fleet: Fleet, summary: RunSummary) -> dict[str, dict[str, str]]:
    """What a fleet wants told of a night: by kind, sentences by a key that lasts as long as the matter does."""
    if fleet.notify is None:
        return {}
    about = fleet.notify.about
    found: dict[str, dict[str, str]] = {"night": {}}
    found |= {kind: {words: words for words in said} for kind, said in mishaps_of(summary).items() if kind in about}
    if "silence" in about or "clock" in about:
        try:
            findings = fleet_status(fleet, today()).findings
        except StoreError as error:
            return {**found, "failure": {**found.get("failure", {}), str(error): str(error)}}
        for kind, what in (("silence", "silent"), ("clock", "clock")):
            if kind in about:
                said = [one for one in findings if one.what == what]
                found[kind] = {f"{kind} {one.site}": f"{one.site}: {one.words}" for one in said}
    if "events" in about:
        first = today() - timedelta(days=_EVENT_DAYS)
        days = [Day(day.day.site, day.day.day) for day in summary.days if day.day.day >= first]
        events = [event for event in events_of(read_days(fleet, days)[0]) if _is_told(event, fleet.notify)]
        found["events"] = {event.event_id: _words(event) for event in events}
    return found


def tell_news(fleet: Fleet, name: str, news: Mapping[str, Mapping[str, str]]) -> list[str]:
    """Tell people what of the news they were not told before; returns who could not be told, in words without secrets.

    Parameters
    ----------
    fleet : the configuration; without a table ``[notify]`` nothing is done.
    name : of the fleet.
    news : by kind, sentences by their keys.
    """
    if fleet.notify is None:
        return []
    path = fleet.store / "runs" / "told.json"
    told: dict[str, dict[str, str]] = document_at(path)
    new = {
        kind: unsaid
        for kind, said in news.items()
        if (unsaid := {key: words for key, words in said.items() if key not in told.get(kind, {})})
    }
    failures: list[str] = []
    kept = {kind: _still(kind, days, news) for kind, days in told.items()}
    if new:
        failures, has_arrived = _send(fleet.notify, *_message(name, new))
        for kind, said in new.items() if has_arrived else ():
            kept[kind] = {**kept.get(kind, {}), **dict.fromkeys(said, today().isoformat())}
    kept = {kind: days for kind, days in kept.items() if days and kind != "set aside"}  # that happens once
    if kept != told:
        try:
            write_document(kept, path, path.parent)
        except StoreError as error:
            failures.append(f"the record of notices could not be written, so they will be sent again: {error}")
    return failures


def _still(kind: str, told: Mapping[str, str], news: Mapping[str, Mapping[str, str]]) -> dict[str, str]:
    """What of the matters told is to be remembered: what is still so, and events for some time."""
    if kind == "events":
        first = (today() - timedelta(days=_KEPT_DAYS)).isoformat()
        return {key: day for key, day in told.items() if day >= first}
    return {key: day for key, day in told.items() if kind not in news or key in news[kind]}


def _is_told(event: Event, notify: Notify) -> bool:
    if event.kind == "interruption":
        return True
    deep = event.magnitude_unit == "pu" and event.magnitude <= notify.residual_pu
    return event.kind in ("sag", "dip") and deep


def _words(event: Event) -> str:
    what = what_words(event)
    return f"{event.site}, {time_words(event.start)}: {what}, {magnitude_words(event)}, {duration_words(event)}"


def _message(name: str, news: Mapping[str, Mapping[str, str]]) -> tuple[str, str]:
    title = f"{name}: " + ", ".join(f"{_HEADS[kind].lower()}: {len(said)}" for kind, said in news.items())
    lines: list[str] = []
    for kind, said in news.items():
        lines += [_HEADS[kind], *(f"- {words}" for words in list(said.values())[:_SHOWN])]
        if len(said) > _SHOWN:
            lines.append(f"- and {len(said) - _SHOWN} more")
        lines.append("")
    return title, "\n".join(lines)


def _send(notify: Notify, title: str, body: str) -> tuple[list[str], bool]:
    """Send a message; returns which addresses failed, and whether anybody has it."""
    from apprise import Apprise, NotifyFormat

    logging.getLogger("apprise").setLevel(logging.CRITICAL)  # it would name addresses with their passwords
    failures, is_told = [], False
    for i, address in enumerate(addresses(notify)):
        one = Apprise()
        if not one.add(address):
            failures.append(f"address {i + 1} of [notify] is not known to apprise")
        elif one.notify(body=body, title=title, body_format=NotifyFormat.TEXT):
            is_told = True
        else:
            where: str = one[0].url(privacy=True)
            failures.append(f"{where} could not be notified; the next night tries again")
    return failures, is_told


def addresses(notify: Notify) -> list[str]:
    """Addresses of the settings and of their file.

    Raises
    ------
    ConfigError : the file cannot be read.
    """
    if notify.to_file is None:
        return list(notify.to)
    try:
        lines = Path(notify.to_file).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"notify.to_file {notify.to_file}: {error}") from error
    return [*notify.to, *(line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#"))]
