"""From a recorder's own log of RMS to rows of the catalogue, and which of them waveforms or finer logs show as well."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from halfcycle.classifiers.category import classify_category, is_typical_magnitude, long_duration_kind
from halfcycle.pipeline.catalogue.rms_rows import by_phase, with_enclosing, worst_kind
from halfcycle.pipeline.catalogue.rows import phases_word
from halfcycle.pipeline.detectors.rms_logs import RmsLog, find_in_log
from halfcycle.pipeline.detectors.rms_variations import LASTING_S, RmsVariation
from halfcycle.pipeline.events import Event, event_order, with_identity
from halfcycle.pipeline.readers.intervals import IntervalRecords
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.sites.account import CAN_BE, Account, Declared, PointAccount, draft, volts
from halfcycle.pipeline.sites.evidence import LEAST_V
from halfcycle.pipeline.sites.recorded import ASSUMED_HZ, evidence_of_log, judged_voltages, nominal_of
from halfcycle.pipeline.terms import LINE_TO_LINE_PHASES

_NEAR_NS: Final = (
    100_000_000  # by which two accounts of one event may lie apart: stamps of the ends of windows, rounding
)
_LOW: Final = frozenset({"sag", "undervoltage", "interruption"})


@dataclass(frozen=True, slots=True)
class JudgedLog:
    """What is found in one point of a log.

    Attributes
    ----------
    events : without incidents.
    step_s : between its rows. [s]
    judged_s : time of its rows. [s]
    line : what its voltages were judged against, in words; or why they were not.
    site : its name.
    """

    events: tuple[Event, ...]
    step_s: float
    judged_s: float
    line: str
    site: str = ""


def judge_log(
    records: IntervalRecords,
    *,
    path: Path,
    digest: str,
    site: str,
    declared: Declared,
    thresholds: Thresholds,
    accounts: Sequence[Account] = (),
) -> JudgedLog | None:
    """The sags, swells and interruptions in the rows of one point.

    Parameters
    ----------
    records : in primary values.
    path, digest : of the file.
    site : its name.
    declared : of the site.
    thresholds : the profile, hysteresis and all, as for waveforms.
    accounts : of the recorders whose waveforms were judged; one of the site tells the nominal voltage where nobody
        declares it.

    Returns
    -------
    JudgedLog, or None where the rows are too far apart for events, or hold no voltage.
    """
    found = judged_voltages(records, hookup=declared.hookup) if records.shows_events else None
    if found is None:
        return None
    phases, log = found
    account = draft(site, [evidence_of_log(records, phases, log)], declared)
    hertz = account.nominal_frequency_hz or next(
        (one.nominal_frequency_hz for one in accounts if one.site == site and one.nominal_frequency_hz), ASSUMED_HZ
    )
    against = _against(account.points[0], site, accounts)
    name = f"{site} {records.point}".strip()
    if against is None:
        return JudgedLog((), records.step_s, 0.0, f"{name}, log of RMS: {account.points[0].told}; not judged", site)
    known, nominal_v, kind = against
    reference = nominal_of(phases, nominal_v, hookup=declared.hookup)
    limits = {one: getattr(thresholds, one) for one in ("sag_pu", "swell_pu", "interruption_pu", "hysteresis_pu")}
    variations = find_in_log(log, reference_v=reference, thresholds=limits, frequency_hz=hertz)
    rows = _Rows(log, phases, reference, site, records.point, str(path), digest, kind, known.nominal_kind, hertz)
    events = with_enclosing([rows.event(one, thresholds.interruption_pu) for one in variations])
    line = f"{name}, {log.resolution(hertz)}: {known.told}"
    return JudgedLog(tuple(events), records.step_s, log.covered_s, line, site)


def _against(own: PointAccount, site: str, accounts: Iterable[Account]) -> tuple[PointAccount, float, str] | None:
    """What is known of a point, the volts that 1 pu stands for, and their kind; None: nothing tells them."""
    if own.nominal_v is not None and own.nominal_kind == "declared":
        return own, own.nominal_v, "nominal"
    low, high = CAN_BE
    for account in accounts:
        for point in account.points if account.site == site else ():
            if point.line_to_line != own.line_to_line or point.nominal_v is None or own.usual_v is None:
                continue
            if low <= own.usual_v / point.nominal_v <= high:
                return point, point.nominal_v, "nominal"
    if own.nominal_v is not None:
        return own, own.nominal_v, "nominal"
    if own.usual_v is None or own.usual_v < LEAST_V:
        return None
    told = f"{own.told}; judged against its usual {volts(own.usual_v)}"
    return replace(own, told=told), own.usual_v, "pre-event"


@dataclass(frozen=True, slots=True)
class _Rows:
    """Makes rows of the catalogue of a log's variations."""

    log: RmsLog
    phases: tuple[str, ...]
    reference_v: Any
    site: str
    point: str
    source: str
    digest: str
    kind: str
    nominal_kind: str | None
    frequency_hz: float

    def event(self, variation: RmsVariation, interruption_pu: float) -> Event:
        """A variation as an event."""
        start = int(self.log.starts_ns[0]) + round(variation.start)
        observed_s = (variation.stop - variation.start) / 1e9
        worst = (max if variation.kind == "swell" else min)(variation.channels, key=lambda one: one.extreme_pu)
        category = classify_category(variation.kind, observed_s, nominal_frequency_hz=self.frequency_hz)
        phases = [self.phases[c] for c in sorted({one.channel for one in variation.channels})]
        first = min(one.i_start for one in variation.channels)
        last = max(one.i_stop for one in variation.channels)
        words = [self.log.resolution(self.frequency_hz)]
        if not is_typical_magnitude(category, variation.magnitude_pu):
            words.append("magnitude outside the typical range of the category")
        return with_identity(
            Event(
                site=self.site,
                point=self.point or None,
                kind=long_duration_kind(variation.kind, observed_s),
                category=category,
                start=start,
                duration_s=None if variation.open_start or variation.open_stop else observed_s,
                observed_s=observed_s,
                magnitude=variation.magnitude_pu,
                phases=phases_word(phases),
                line_to_line=phases[0] in LINE_TO_LINE_PHASES,
                open_start=variation.open_start,
                open_end=variation.open_stop,
                reference_v=float(self.reference_v[worst.channel, 0]),
                reference_kind=self.kind,
                nominal_kind=self.nominal_kind if self.kind == "nominal" else None,
                capture=self.digest,
                source=self.source,
                first_sample=first,
                n_samples=last - first,
                worst_phase_kind=worst_kind(variation, worst.extreme_pu, interruption_pu),
                frequency_hz=None,
                quality="missing" if variation.flags else "",
                notes="; ".join(words),
                **by_phase(variation, self.phases, per_second=1e9),
            )
        )


def each_event_once(events: Sequence[Event], logs: Sequence[JudgedLog]) -> tuple[list[Event], int]:
    """Events of waveforms, and those of logs that neither a waveform nor a finer log shows.

    An event of a log is that of a waveform where site and point are the same, both are of low voltage or both of high,
    and they overlap, or lie within two rows of the log of one another; but a sag that was seen whole within an
    undervoltage of minutes is not that undervoltage. The waveform's row stays, and its notes say what the log has; of
    two logs the finer one's. A point without a name stands for any of its site.

    Parameters
    ----------
    events : of waveforms.
    logs : in any order.

    Returns
    -------
    (events in catalogue order, how many of the logs' were left out).
    """
    kept = list(events)
    n_left_out = 0
    for log in sorted(logs, key=lambda one: one.step_s):
        tolerance_ns = max(round(2e9 * log.step_s), _NEAR_NS)
        by_site: dict[str, list[int]] = {}
        for i, one in enumerate(kept):
            by_site.setdefault(one.site, []).append(i)
        fresh = []
        for one in log.events:
            same = [i for i in by_site.get(one.site, ()) if _is_same(kept[i], one, tolerance_ns)]
            n_left_out += bool(same)
            fresh += [] if same else [one]
            for i in same:
                kept[i] = _with_note(kept[i], one)
        kept += fresh
    return sorted(kept, key=event_order), n_left_out


def _is_same(one: Event, other: Event, tolerance_ns: int) -> bool:
    alike = (one.kind in _LOW) == (other.kind in _LOW) and (one.kind in _LOW or one.kind in ("swell", "overvoltage"))
    at_one_point = one.point == other.point or one.point is None or other.point is None
    apart = max(one.start - other.end, other.start - one.end)
    return alike and at_one_point and apart <= tolerance_ns and not (_within(one, other) or _within(other, one))


def _within(one: Event, other: Event) -> bool:
    """Whether an event was seen whole within another of over a minute, and is short against it."""
    return one.duration_s is not None and other.observed_s > max(LASTING_S, 2 * one.duration_s)


def _with_note(event: Event, of_log: Event) -> Event:
    """An event with what a log says of it; said once, and by an interruption's own row where the log has one."""
    length = "over " if of_log.duration_s is None else ""
    said = (
        f"also in the recorder's log: {of_log.kind} of {length}{of_log.observed_s:.4g} s to {of_log.magnitude:.3f} pu"
    )
    return event if said in event.notes else replace(event, notes="; ".join(filter(None, [event.notes, said])))
