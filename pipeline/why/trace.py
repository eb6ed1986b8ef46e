"""The measures that an event was found in, taken once more: Urms(1/2) of its record, and where it crossed what."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from halfcycle.pipeline.catalogue.busbars import busbars_of
from halfcycle.pipeline.catalogue.judge import Terms, against, measured_parts, variations_in
from halfcycle.pipeline.catalogue.reference import Reference
from halfcycle.pipeline.catalogue.span import LEAD_IN_S, SLIDING_LEAD_IN_S
from halfcycle.pipeline.detectors.measured import PointMeasures
from halfcycle.pipeline.detectors.rms_variations import RmsVariation
from halfcycle.pipeline.errors import SignalError
from halfcycle.pipeline.events import Event
from halfcycle.pipeline.records.points import points_of
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.sites.account import Account

_WHOLE_SAMPLES: Final = 1 << 24  # up to which a record is judged at once
_NEAR_NS: Final = 1_000_000  # by which instants of one event may differ, seen in a part of its record


@dataclass(frozen=True, slots=True)
class Trace:
    """An RMS variation with what it was found in.

    Attributes
    ----------
    record : that it lies in, or the part of it around the event.
    reference : what 1 pu stands for.
    measured : the series; positions are the record's.
    variation : the event.
    """

    record: Record
    reference: Reference
    measured: PointMeasures
    variation: RmsVariation


def trace_of(event: Event, records: Iterable[Record], accounts: Sequence[Account], terms: Terms) -> Trace | None:
    """The variation that a row is of; None where the row is of no variation, or its record holds none at that time.

    Parameters
    ----------
    event : a row of the catalogue.
    records : of its recorder or day.
    accounts : of their sites.
    terms : that it was judged by.
    """
    own = [account for account in accounts if account.site == event.site]
    lying = [one for one in records if one.header.start_ns <= event.start < one.time_ns(one.n_samples)]
    found = [
        trace
        for record in lying
        for account in own
        if (trace := _in_record(event, _around(record, event, terms, account), account, terms)) is not None
    ]
    # Files of one recorder may show one event from several points of time on, or with several filters.
    return min(found, key=lambda trace: abs(trace.variation.magnitude_pu - event.magnitude), default=None)


def _in_record(event: Event, record: Record, account: Account, terms: Terms) -> Trace | None:
    try:
        points = points_of(record.header, hookup=terms.hookup)
        busbars = busbars_of(record, points, account)
        point = next(one.point for one in busbars if one.point.name == event.point)
        look, reference = against(record, point, terms, account)
    except (SignalError, StopIteration):
        return None
    for measured in measured_parts(record, point, look, reference):
        for variation in variations_in(measured, reference.thresholds):
            if abs(record.time_ns(variation.start) - event.start) <= _NEAR_NS and _is_of(event, variation):
                return Trace(record, reference, measured, variation)
    return None


def _is_of(event: Event, variation: RmsVariation) -> bool:
    kinds = {"undervoltage": "sag", "overvoltage": "swell"}
    return variation.kind == kinds.get(event.kind, event.kind)


def _around(record: Record, event: Event, terms: Terms, account: Account) -> Record:
    """A record, or of a long one the captures from what leads in to an event to the one after it."""
    if record.n_samples <= _WHOLE_SAMPLES:
        return record
    slides = terms.thresholds.reference == "sliding" or any(point.nominal_v is None for point in account.points)
    lead_ns = round((SLIDING_LEAD_IN_S if slides else LEAD_IN_S) * 1e9)
    n = len(record.pieces)
    starts = [record.start_ns(k) for k in range(n)]
    first = max((k for k in range(n) if starts[k] <= event.start - lead_ns), default=0)
    stop = next((k for k in range(first + 1, n) if starts[k] > event.end), n)
    return record.part(first, min(stop + 1, n))
