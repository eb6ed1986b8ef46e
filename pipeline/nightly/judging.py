"""A day judged: its waveforms with what is told of the site, and its logs of RMS."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Final

from halfcycle.pipeline.catalogue.judge import Coverage, Terms
from halfcycle.pipeline.catalogue.span import judge_span, spans_of
from halfcycle.pipeline.catalogue.steady import put_together
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.nightly.catalogue_file import Row
from halfcycle.pipeline.nightly.days import Day
from halfcycle.pipeline.nightly.logs import StoredLog, with_logs
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.settings import Site
from halfcycle.pipeline.sites.account import Account
from halfcycle.pipeline.sites.recorders import Seen, accounts_of
from halfcycle.pipeline.store.partitions import Store, day_start_ns

_ONE_DAY: Final = timedelta(days=1)


def judged_day(
    logs: Sequence[StoredLog],
    store: Store,
    read: Sequence[Record],
    records: Sequence[Record],
    day: Day,
    site: Site,
    terms: Terms,
) -> tuple[Sequence[Event], Sequence[Row]]:
    """The events that start in a day and its coverage, by waveforms and by logs of RMS.

    Parameters
    ----------
    logs, store : that were read, and where they lie.
    read, records : all records that were read, and those of the day.
    day : which.
    site, terms : whose it is, as it is on that day, and what it is judged by.
    """
    begin, end = day_start_ns(day.day), day_start_ns(day.day + _ONE_DAY)
    accounts = day_accounts(records, day, terms)
    events, coverage = _judged(records, accounts, terms, day.site, begin, end)
    rows = [(c.point, c.judged_s, c.not_judged_s, c.reason) for c in coverage]
    if not logs:
        return events, rows

    def between(first: int, last: int) -> list[Event]:
        near = [record for record in read if touches(record, first, last)]
        return _judged(near, day_accounts(near, day, terms), terms, day.site, first, last)[0]

    spans = [(one.header.start_ns, one.time_ns(one.n_samples)) for one in records]
    found = with_logs(
        logs, store, events, day=(begin, end), site=site,
        declared=replace(terms.declared, hookup=site.hookup), thresholds=terms.thresholds, accounts=accounts,
        waveforms=dict.fromkeys({row[0] for row in rows}, spans), events_between=between,
    )  # fmt: skip
    return found.events, [*rows, *found.rows]


def day_accounts(records: Sequence[Record], day: Day, terms: Terms) -> list[Account]:
    """What is told about the site, once for the day: its wiring by all records that lead into it or lie in it."""
    seen = [Seen(day.site, Path(day.site), terms.evidence_of(record)) for record in records]
    return [account.named(day.site) for account in accounts_of(seen, lambda site: terms.declared)]


def _judged(
    records: Sequence[Record], accounts: Sequence[Account], terms: Terms, site: str, from_ns: int, to_ns: int
) -> tuple[list[Event], list[Coverage]]:
    """The events that start in a time, and its coverage."""
    events: list[Event] = []
    coverage: list[Coverage] = []
    for record, account in zip(records, accounts, strict=True):
        spans = [
            judge_span(record, from_ns=first, to_ns=last, site=site, terms=terms, account=account).findings
            for first, last in spans_of(record, from_ns=from_ns, to_ns=to_ns)
        ]
        found = [event for span in spans for event in span.events]
        events += found if len(spans) == 1 else put_together(found)
        coverage += [row for span in spans for row in span.coverage]
    return events, coverage


def touches(record: Record, from_ns: int, to_ns: int) -> bool:
    """Whether some of a record lies in a time. [ns UTC]"""
    return record.header.start_ns < to_ns and record.time_ns(record.n_samples) > from_ns
