"""The account of a site: what is declared, stated by its files or inferred, for every command the same."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from statistics import median
from typing import Final, Literal

from halfcycle.pipeline.locales import scaled
from halfcycle.pipeline.quick_pickle import by_position
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.sites.evidence import LEAST_V, PointEvidence, RecordEvidence
from halfcycle.pipeline.sites.kept_evidence import evidence_kept
from halfcycle.pipeline.sites.system_voltages import SURE, Candidate, candidates, joint_candidates
from halfcycle.pipeline.sites.wiring_correction import Wiring, agreed

NominalKind = Literal["declared", "stated by the file", "inferred"]

CAN_BE: Final = (0.8, 1.2)
"""Of a nominal voltage: where the steady level of a point must lie for the nominal to be the point's."""
_ALIKE: Final = 0.12  # of the middle level: captures farther off are in an event, or of another voltage
_DRIFTS: Final = 0.03  # of a usual voltage: a difference within it changes no judgement
_SHOWN: Final = 3  # rival candidates that the account names


@dataclass(frozen=True, slots=True)
class Declared:
    """What a person says of a site; None where nothing is said.

    Attributes
    ----------
    nominal_voltage_v : of the judged voltages; of a high leg, that of the other legs. [V]
    nominal_frequency_hz : [Hz]
    hookup : a name of `terms.HOOKUPS`.
    clamps_checked : each clamp is round its own conductor, its arrow to the load.
    """

    nominal_voltage_v: float | None = None
    nominal_frequency_hz: float | None = None
    hookup: str | None = None
    clamps_checked: bool = False

    def evidence_of(self, record: Record, *, judged_next: bool = False) -> RecordEvidence:
        """What a record shows of its site, looked at as is declared; see `evidence.evidence_of`."""
        return evidence_kept(
            record,
            hookup=self.hookup,
            frequency_hz=self.nominal_frequency_hz,
            clamps_checked=self.clamps_checked,
            judged_next=judged_next,
        )


@by_position
@dataclass(frozen=True, slots=True)
class PointAccount:
    """What is known of one measuring point.

    Attributes
    ----------
    name : "" where the site has one only.
    phases, line_to_line : of the judged voltages.
    nominal_v : nominal voltage of the judged voltages (of a high leg, of that leg); None: not told. [V]
    nominal_kind : where it comes from; None where it is not told.
    probability : of an inferred nominal voltage.
    usual_v : steady voltage that most captures begin with; None: none does. [V]
    in_use : by phase, whether any capture shows voltage.
    begins_before_events : whether a record that goes on at a higher voltage still shows at its beginning the voltage
        before its events; without other records only the system voltages that are usual can tell.
    wiring : what the voltages before events say of leads and clamps; None: nothing is known.
    told : how the nominal voltage was found, in words.
    same_as : the point whose voltages these are: that of a busbar under another feeder's name. They are judged there.
    other_frequency : nothing is steady at the declared frequency, as the voltages have another; `told` says which.
    """

    name: str
    phases: tuple[str, ...]
    line_to_line: bool
    nominal_v: float | None = None
    nominal_kind: NominalKind | None = None
    probability: float | None = None
    usual_v: float | None = None
    in_use: tuple[bool, ...] = ()
    begins_before_events: bool = True
    wiring: Wiring | None = None
    told: str = ""
    same_as: str | None = None
    other_frequency: bool = False

    def live(self, *, declared_hookup: bool) -> list[int]:
        """The judged voltages that are in use: all of them where hookup and nominal voltage are declared."""
        every = list(range(len(self.phases)))
        if (declared_hookup and self.nominal_kind == "declared") or not any(self.in_use):
            return every
        return [k for k in every if self.in_use[k]]


@by_position
@dataclass(frozen=True, slots=True)
class Account:
    """What is known of a site.

    Attributes
    ----------
    site : its name.
    nominal_frequency_hz : None: not told. [Hz]
    frequency_kind : ``declared`` or ``inferred``; None where it is not told.
    hookup : declared; None: told from each capture's channels.
    points : measuring points, in the order of the captures.
    n_records : that it was drafted from.
    """

    site: str
    nominal_frequency_hz: float | None = None
    frequency_kind: NominalKind | None = None
    hookup: str | None = None
    points: tuple[PointAccount, ...] = field(default=())
    n_records: int = 0

    def point(self, name: str | None) -> PointAccount | None:
        """The account of a point by its name, or None."""
        return next((point for point in self.points if point.name == (name or "")), None)

    @property
    def feeders(self) -> dict[str, list[str]]:
        """For each point whose voltages others have too, the names of these."""
        found: dict[str, list[str]] = {}
        for point in self.points:
            if point.same_as is not None:
                found.setdefault(point.same_as, []).append(point.name)
        return found

    def named(self, site: str) -> Account:
        """The same account under another site's name."""
        return replace(self, site=site)

    def judges_like(self, other: Account) -> bool:
        """Whether a record is judged alike by two accounts."""
        ours, theirs = self._decisive, other._decisive
        if ours != theirs:
            return False
        return all(
            _near(mine.usual_v, its.usual_v) for mine, its in zip(self.points, other.points, strict=True)
            if mine.nominal_v is None
        )  # fmt: skip

    @property
    def _decisive(self) -> tuple[object, ...]:
        points = [
            (
                one.name,
                one.nominal_v,
                one.nominal_kind,
                one.in_use,
                one.nominal_v is None and one.begins_before_events,
                one.wiring and one.wiring.effect,
                one.same_as,
            )
            for one in self.points
        ]
        return self.site, self.nominal_frequency_hz, self.hookup, *points

    @property
    def document(self) -> dict[str, object]:
        """The account as plain values, for the metadata of what is made by it."""
        document = asdict(self)
        for point, values in zip(self.points, document["points"], strict=True):
            values["wiring"] = None if point.wiring is None else [point.wiring.verdict, point.wiring.words]
        return document

    @property
    def line(self) -> str:
        """The account in one line."""
        hertz = "frequency unknown" if self.nominal_frequency_hz is None else f"{self.nominal_frequency_hz:g} Hz"
        by_words: dict[str, list[str]] = {}
        for point in self.points:
            by_words.setdefault(point.told, []).append(point.name)
        parts = [f"{_named(names)}{told}" for told, names in by_words.items()]
        parts += [f"{_named(names)}{same_words(first)}" for first, names in self.feeders.items()]
        return "; ".join([hertz, *parts])


def same_words(first: str) -> str:
    """What is said of points that have the voltages of another one."""
    return f"the voltages of {first}, judged once; each with its own currents"


def _named(points: Sequence[str]) -> str:
    """Names of points before what is said of them."""
    if points == [""]:
        return ""
    shown = ", ".join(points[:_SHOWN])
    return f"{shown} and {len(points) - _SHOWN} more: " if len(points) > _SHOWN else f"{shown}: "


def _near(one: float | None, other: float | None) -> bool:
    return one == other if one is None or other is None else abs(one / other - 1) < _DRIFTS


def draft(site: str, evidence: Sequence[RecordEvidence], declared: Declared) -> Account:
    """The account of a site from what its records show.

    Parameters
    ----------
    site : its name.
    evidence : of its records, at least one, of the same channels.
    declared : what a person says; it goes before what a file states, and that before what is inferred.

    Returns
    -------
    Account. A nominal voltage that is neither declared nor stated is inferred from the voltages before events over all
    records; where several system voltages are possible it is not told, and the account says which there are.
    """
    hertz = [one.frequency_hz for one in evidence if one.frequency_hz is not None]
    frequency_hz = declared.nominal_frequency_hz
    kind: NominalKind | None = None if frequency_hz is None else "declared"
    if frequency_hz is None and hertz:
        frequency_hz, kind = max(sorted(set(hertz)), key=hertz.count), "inferred"
    names = list(dict.fromkeys(point.name for one in evidence for point in one.points))
    of_points = [[p for one in evidence for p in one.points if p.name == name] for name in names]
    fits = [_fits(records, declared.nominal_voltage_v) for records in of_points]
    points = [
        _point_account(
            records,
            declared.nominal_voltage_v if fit or not any(fits) else None,
            frequency_hz,
            refused_v=declared.nominal_voltage_v,
        )
        for records, fit in zip(of_points, fits, strict=True)
    ]
    if other := next((one.problem for one in evidence if one.other_frequency), ""):
        untold = [point.nominal_v is None for point in points]
        points = [
            replace(p, told=other, other_frequency=True) if no else p for p, no in zip(points, untold, strict=True)
        ]
    return Account(
        site,
        frequency_hz,
        kind if frequency_hz else None,
        declared.hookup,
        tuple(points),
        len(evidence),
    )


def _fits(records: Sequence[PointEvidence], nominal_v: float | None) -> bool:
    """Whether a declared nominal voltage can be that of a point: some record lies near it."""
    if nominal_v is None:
        return False
    low, high = CAN_BE
    levels = [v for one in records for v in (one.level_v, one.elsewhere_v) if v is not None]
    return any(low <= v / nominal_v <= high for v in levels)


def _point_account(
    records: Sequence[PointEvidence], declared_v: float | None, frequency_hz: float | None, *, refused_v: float | None
) -> PointAccount:
    first = records[0]
    levels = _alike([one.level_v for one in records if one.level_v is not None])
    usual = median(levels) if levels else None
    found = _nominal(records, levels, declared_v, frequency_hz)
    told = found.told
    if refused_v is not None and declared_v is None and usual is not None:
        told = (
            f"the {volts(refused_v)} given cannot be its nominal voltage, as its steady voltage is {volts(usual)}; "
            f"{told}"
        )
    ratio = first.nominal_ratio
    return PointAccount(
        name=first.name,
        phases=first.phases,
        line_to_line=first.line_to_line,
        nominal_v=None if found.volts is None else found.volts * ratio,
        nominal_kind=found.kind,
        probability=found.probability,
        usual_v=None if usual is None else usual * ratio,
        in_use=tuple(
            any(one.shows_voltage[k] for one in records if one.shows_voltage) for k in range(len(first.phases))
        ),
        begins_before_events=found.begins_before_events,
        wiring=agreed([one.wiring for one in records if one.wiring is not None]),
        told=told,
        same_as=next((one.same_as for one in records if one.same_as is not None), None),
    )


def _alike(levels: Sequence[float]) -> list[float]:
    """Levels near the middle one; of two that differ, none."""
    if len(levels) == 2 and max(levels) > (1 + _ALIKE) * min(levels):
        return []
    middle = median(levels) if levels else 0.0
    return [level for level in levels if abs(level / middle - 1) <= _ALIKE]


@dataclass(frozen=True, slots=True)
class _Nominal:
    """A nominal voltage or why it is not told; see `PointAccount`."""

    told: str
    volts: float | None = None
    kind: NominalKind | None = None
    probability: float | None = None
    begins_before_events: bool = True


def _nominal(
    records: Sequence[PointEvidence], levels: Sequence[float], declared_v: float | None, frequency_hz: float | None
) -> _Nominal:
    line_to_line = records[0].line_to_line
    between = "line to line" if line_to_line else "phase to neutral"
    if declared_v is not None:
        return _Nominal(f"nominal {volts(declared_v)} {between}, declared", declared_v, "declared")
    others = _alike([one.elsewhere_v for one in records if one.elsewhere_v is not None])
    seen = list(levels) or others
    if not seen:
        return _Nominal("nominal voltage unknown: no record begins with a steady voltage")
    level = median(seen)
    stated = _stated(records, level, line_to_line=line_to_line)
    if stated is not None:
        return _Nominal(f"nominal {volts(stated)} {between}, as the file states", stated, "stated by the file")
    if level < LEAST_V:
        return _Nominal(f"no voltage above {LEAST_V:g} V: channels not in use, or give the nominal voltage")
    return _inferred(records, seen, others if levels else [], frequency_hz, between)


def _inferred(
    records: Sequence[PointEvidence],
    seen: Sequence[float],
    later: Sequence[float],
    frequency_hz: float | None,
    between: str,
) -> _Nominal:
    line_to_line, p_before = records[0].line_to_line, 1.0
    found: Sequence[Candidate]
    if len(records) == 1 and later:
        found, p_before = joint_candidates(
            seen[0], later[0], line_to_line=line_to_line, frequency_hz=frequency_hz, triggered=records[0].triggered
        )
    else:
        found = candidates(seen, line_to_line=line_to_line, frequency_hz=frequency_hz)
    level = volts(median(seen))
    of_how_many = f"{len(seen)} records" if len(seen) > 1 else "one record"
    if found and found[0].probability >= SURE:
        best = found[0]
        how = f"inferred (confidence {100 * best.probability:.0f} %) from {level} in {of_how_many}"
        return _Nominal(
            f"nominal {volts(best.volts)} {between}, {how}", best.volts, "inferred", best.probability, p_before >= SURE
        )
    rivals = [volts(one.volts) for one in found[:_SHOWN] if one.probability > 0.03]
    named = f"may be {' or '.join(rivals)}" if rivals else "near no standard system voltage"
    words = f"nominal voltage unknown: {level} {between} in {of_how_many}, {named}"
    return _Nominal(words, begins_before_events=p_before >= SURE)


def _stated(records: Sequence[PointEvidence], level_v: float, *, line_to_line: bool) -> float | None:
    """The nominal voltage by the rated values of the files, in the form that lies near the level; None: none does. [V]

    A rated value may be between lines or to neutral, and in PQDIF files a peak.
    """
    rated = [one.stated_v for one in records if one.stated_v is not None and one.stated_v >= LEAST_V]
    if not rated:
        return None
    value = max(sorted(set(rated)), key=rated.count)
    other = value * math.sqrt(3) if line_to_line else value / math.sqrt(3)
    forms = [value, other, value / math.sqrt(2), other / math.sqrt(2)]
    low, high = CAN_BE
    near = [form for form in forms if low <= level_v / form <= high]
    return min(near, key=lambda form: abs(math.log(level_v / form))) if near else None


def volts(value: float) -> str:
    """A voltage in words, with its prefix: ``230 V``, ``6.35 kV``."""
    return scaled(value, "V", digits=4)
