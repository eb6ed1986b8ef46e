"""Days' catalogues made: from stored captures to a file, each day for itself.

What keeps a day from being made is a `DayFailure`, and the other days are made.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from typing import Any, Final

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.catalogue.mishaps import has_mishap, is_of_a_detector
from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import DamagedCapture, PlaceError, ReadError, SignalError, StoreError
from halfcycle.pipeline.events import Event, catalogue_table, events_of
from halfcycle.pipeline.nightly.at_hand import AtHand
from halfcycle.pipeline.nightly.catalogue_file import Row, metadata_if_whole, read_events_table, write_catalogue
from halfcycle.pipeline.nightly.day_incidents import open_incident, with_open_incident
from halfcycle.pipeline.nightly.day_looks import DayLooks
from halfcycle.pipeline.nightly.days import Day, held_names, names_digest, path_of, terms_of
from halfcycle.pipeline.nightly.judging import day_accounts, judged_day, touches
from halfcycle.pipeline.nightly.logs import log_paths, named, stored_logs
from halfcycle.pipeline.nightly.recorded import former_records
from halfcycle.pipeline.nightly.standing import CAPTURES, Standing, standing
from halfcycle.pipeline.nightly.stored import StoredCaptures
from halfcycle.pipeline.records.record import Record, records_of
from halfcycle.pipeline.resources import code_version, judging_version
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.sites.account import Account
from halfcycle.pipeline.store.content import stored_header
from halfcycle.pipeline.store.partitions import DAY_NS, Store, day_of, day_start_ns

_ONE_DAY: Final = timedelta(days=1)
_EDGE_NS: Final = 100_000_000  # an event that is under way so close to the end of what was read may go on after it


@dataclass(frozen=True, slots=True)
class DayOutcome:
    """What a rebuilt day holds.

    Attributes
    ----------
    day : which.
    n_events : in its catalogue.
    judged_s, not_judged_s : time that was judged and that was not. [s]
    reasons : why not, in words.
    n_mishaps : events with a fault of explaining or naming them in their notes, and detectors that failed.
    """

    day: Day
    n_events: int
    judged_s: float
    not_judged_s: float
    reasons: tuple[str, ...]
    n_mishaps: int = 0


@dataclass(frozen=True, slots=True)
class DayFailure:
    """A day whose catalogue could not be made; the one that was there, if any, is as it was.

    Attributes
    ----------
    day : which.
    reason : in words.
    damaged : the stored capture that is damaged, where that is why.
    in_judging : whether it failed in judging, so that one of its captures may be why.
    """

    day: Day
    reason: str
    damaged: Path | None = None
    in_judging: bool = False

    @property
    def words(self) -> str:
        """The day and the reason in a sentence."""
        return f"no catalogue of {self.day.site}, {self.day.day}: {self.reason}"


@dataclass(frozen=True, slots=True)
class Trial:
    """A day judged with some of its captures only, to see whether that can be done."""

    day: Day
    captures: frozenset[Path]


def build_days(days: Iterable[Day], fleet: Fleet) -> list[DayOutcome | DayFailure]:
    """Bring the catalogues of some days up to date; events whose captures are as they were are not looked for again.

    Raises
    ------
    StoreError : nothing can be written any more, as where the disk is full; catalogues written before stay.
    """
    return _built(days, fleet, anew=False)


def rebuild_days(days: Iterable[Day], fleet: Fleet) -> list[DayOutcome | DayFailure]:
    """Make the catalogues of some days anew, whatever is there; not for frozen days, whose catalogue is all there is.

    Raises
    ------
    StoreError : as for `build_days`.
    """
    return _built(days, fleet, anew=True)


def key_of_day(day: Day) -> str:
    """The key of a day among what is at hand."""
    return f"day {day.day.isoformat()} {day.site}"


def _built(days: Iterable[Day], fleet: Fleet, *, anew: bool) -> list[DayOutcome | DayFailure]:
    outcomes: list[DayOutcome | DayFailure] = []
    stored = StoredCaptures(Store(fleet.store))  # of days side by side each is read once
    with AtHand(fleet) as mark:
        for day in days:
            mark.on(key_of_day(day))
            try:
                outcomes.append(_build(day, fleet, None if anew else metadata_if_whole(path_of(day, fleet)), stored))
            except DamagedCapture as error:
                outcomes.append(DayFailure(day, str(error), damaged=error.path))
            except PlaceError as error:
                outcomes.append(DayFailure(day, str(error)))
            except (ReadError, SignalError) as error:
                outcomes.append(DayFailure(day, str(error), in_judging=True))
    return outcomes


def try_days(trials: Iterable[Trial], fleet: Fleet) -> list[str]:
    """Judge days without writing anything; for each "" or, in words, what went wrong."""
    told = []
    with AtHand(fleet) as mark:
        for trial in trials:
            mark.on(key_of_day(trial.day))
            told.append(_tried(trial, fleet))
    return told


def _tried(trial: Trial, fleet: Fleet) -> str:
    site, store = _site_of(trial.day, fleet), Store(fleet.store)

    def held(day: date) -> list[Path]:
        return [path for path in store.captures(site.name, day) if path in trial.captures]

    try:
        _found(trial.day, site, fleet, StoredCaptures(store), captures=held)
    except (StoreError, ReadError, SignalError) as error:
        return str(error)
    return ""


@dataclass(frozen=True, slots=True)
class _Found:
    """What a day's captures give.

    Attributes
    ----------
    events, rows : that start in the day, and its coverage.
    inputs : digest of what was judged.
    days_after : that were read.
    runs_on : whether an event is still under way at the end of what was read.
    runs_into_next_day : whether a capture of the day does.
    records : that lead into the day or lie in it.
    """

    events: Sequence[Event]
    rows: Sequence[Row]
    inputs: str
    days_after: int
    runs_on: bool
    runs_into_next_day: bool
    records: Sequence[Record] = ()


def _build(day: Day, fleet: Fleet, former: dict[str, Any] | None, stored: StoredCaptures) -> DayOutcome:
    """Write a day's catalogue. former: metadata of the one that is there, if its events may be kept."""
    site, store = _site_of(day, fleet), Store(fleet.store)
    then, stands = site.on(day.day), standing(site.name, day.day, store)
    for path in former_records(store, site.name, day.day):
        store.remove(path)
    own = [path.stem for path in store.captures(site.name, day.day)]
    aside = [
        row
        for d in (day.day - _ONE_DAY, day.day)
        for path, reason in store.set_aside(site.name, d).items()
        if (row := _row_of_aside(path, reason, day)) is not None
    ]
    document: dict[str, Any] = {
        "site": site.name,
        "date": day.day.isoformat(),
        "settings": fleet.site_digest(then),
        "judged_by": fleet.judged_by(then),
        "version": code_version(),
        "judging": judging_version(),
        "incident_before": open_incident(Day(site.name, day.day - _ONE_DAY), fleet),
    }

    def kept(inputs: str) -> tuple[Sequence[Event], Sequence[Row]] | None:
        """What the former catalogue holds, where only unrelated captures came or went."""
        now = document | {"inputs": inputs}
        if not former or any(former.get(key) != now[key] for key in ("inputs", "settings", "judging")):
            return None
        try:
            return events_of(read_events_table(path_of(day, fleet))), former["coverage"]
        except PlaceError:
            return None

    captures, memory = partial(store.captures, site.name), DayLooks(store, site.name, day.day)
    if stands is None:
        found = _found(day, site, fleet, stored, captures=captures, kept=kept, memory=memory)
    else:
        late = frozenset(own) - stands.captures
        found = _beside(stands, _found(day, site, fleet, stored, captures=captures, only=late))
    events, open_after = with_open_incident(found.events, day, document["incident_before"], fleet)
    set_aside = _at_points(aside, found.rows)
    rows = [*found.rows, *set_aside]
    watched = found.days_after + found.runs_on  # captures that come for the day after would go on with its event
    around = {day.day + _ONE_DAY * n for n in range(-1, watched + 1)}
    names = {d: held_names(store, site.name, d) for d in around}
    document |= {
        "inputs": found.inputs,
        "days_after": watched,
        "names": names_digest(names, day.day, watched),
        "coverage": found.rows,
        CAPTURES: sorted({*own, *(() if stands is None else stands.captures)}),
        "incident_after": open_after,
        "runs_into_next_day": found.runs_into_next_day,
    }
    if set_aside:
        document["set_aside"] = set_aside
    write_catalogue(catalogue_table(events), document, path_of(day, fleet), store, key=fleet.secret)
    memory.write()
    return DayOutcome(
        day, len(events), sum(r[1] for r in rows), sum(r[2] for r in rows),
        tuple(dict.fromkeys(r[3] for r in rows if r[3])),
        sum(map(has_mishap, events)) + sum(is_of_a_detector(row[3]) for row in rows),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class DayAgain:
    """A day judged once more, and nothing written: its events, and the records, accounts and terms that they are by."""

    events: Sequence[Event]
    records: Sequence[Record]
    accounts: Sequence[Account]
    terms: Terms


def judge_day_again(day: Day, fleet: Fleet) -> DayAgain:
    """What a day's catalogue would hold if it were made now; its incidents go on from what the day before says.

    Raises
    ------
    StoreError : the site is not configured, or a capture is damaged.
    ReadError, SignalError : a capture cannot be judged.
    """
    site, store = _site_of(day, fleet), Store(fleet.store)
    found = _found(day, site, fleet, StoredCaptures(store), captures=lambda d: store.captures(site.name, d))
    events, _ = with_open_incident(found.events, day, open_incident(Day(site.name, day.day - _ONE_DAY), fleet), fleet)
    terms = terms_of(site.on(day.day), fleet)
    return DayAgain(events, found.records, day_accounts(found.records, day, terms), terms)


def _beside(stands: Standing, found: _Found) -> _Found:
    """What stands of a day, with what captures that came later give."""
    ids = {event.event_id for event in stands.events}
    late = [event for event in found.events if event.event_id not in ids]
    return replace(found, events=[*stands.events, *late], rows=[*stands.rows, *found.rows])


def _site_of(day: Day, fleet: Fleet) -> Site:
    site = fleet.site(day.site)
    if site is None:
        raise StoreError(f"site {day.site!r} is not configured")
    return site


def _found(
    day: Day,
    site: Site,
    fleet: Fleet,
    stored: StoredCaptures,
    *,
    captures: Callable[[date], Sequence[Path]],
    only: frozenset[str] | None = None,
    kept: Callable[[str], tuple[Sequence[Event], Sequence[Row]] | None] = lambda inputs: None,
    memory: DayLooks | None = None,
) -> _Found:
    """A day judged.

    Parameters
    ----------
    stored : gives what is in them.
    captures : those of a day.
    only : records that hold one of these captures; None: all.
    kept : events and coverage that are known for a digest of inputs, or None.
    memory : of what its records showed before.
    """
    then, store = site.on(day.day), Store(fleet.store)
    terms = terms_of(then, fleet)
    days_after = 1
    while True:
        around = [day.day + _ONE_DAY * n for n in range(-1, days_after + 1)]
        pieces = (stored.piece(path, site=site, quantities=terms.quantities) for d in around for path in captures(d))
        read = records_of(pieces, memory=memory)
        records = [
            one
            for one in read
            if touches(one, day_start_ns(day.day), day_start_ns(day.day + _ONE_DAY))
            and (only is None or any(piece.digest() in only for piece in one.pieces))
        ]
        logs: dict[Path, str] = {}  # of what comes late beside what stands, captures alone are judged
        if only is None:
            logs = {path: content for d in around for path, content in log_paths(store, site.name, d).items()}
        inputs = _inputs_digest(list(read) if logs else records, named(logs))
        known = kept(inputs)
        if known is not None:
            events, rows = known
        else:
            events, rows = judged_day(stored_logs(list(logs)), store, read, records, day, then, terms)
        read_to_ns = day_start_ns(around[-1] + _ONE_DAY)
        runs_on = any(event.open_end and event.end > read_to_ns - _EDGE_NS for event in events)
        after = around[-1] + _ONE_DAY
        if not (runs_on and (captures(after) or log_paths(store, site.name, after))):
            break
        days_after *= 2
    runs_into_next_day = any(
        day_of(piece.given.header.end_ns - 1) > day.day for record in records for piece in record.pieces
        if day_of(piece.given.header.start_ns) == day.day
    )  # fmt: skip
    return _Found(events, rows, inputs, days_after, runs_on, runs_into_next_day, records)


def _row_of_aside(path: Path, reason: str, day: Day) -> Row | None:
    """The coverage of a stored capture of which no catalogue is made; None where nothing of it lies in the day."""
    first = day_start_ns(day.day)
    try:
        header = stored_header(path)
    except StoreError:  # for how long it was cannot be told
        return (None, 0.0, 0.0, f"{path.name}: {reason}") if f"date={day.day.isoformat()}" == path.parent.name else None
    seconds = (min(header.end_ns, first + DAY_NS) - max(header.start_ns, first)) / 1e9
    return (None, 0.0, seconds, f"{path.name}: {reason}") if seconds > 0 else None


def _at_points(aside: Sequence[Row], rows: Sequence[Row]) -> list[Row]:
    """Rows of captures that are set aside for each point that the day's others name: there it was not judged."""
    points = list(dict.fromkeys(row[0] for row in rows)) or [None]
    return [(point, *row[1:]) for row in aside for point in points]


def _inputs_digest(records: Sequence[Record], logs: Sequence[str]) -> str:
    content = [list(dict.fromkeys(piece.digest() for piece in record.pieces)) for record in records]
    content += [list(logs)] if logs else []
    return hashlib.sha256(json.dumps(content).encode()).hexdigest()[:32]
