"""The records of an archive, in units that are judged at once: each by the account of its recorder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from halfcycle.pipeline.catalogue.judge import Terms, judge
from halfcycle.pipeline.catalogue.span import judge_span, spans_of
from halfcycle.pipeline.quick_pickle import by_position
from halfcycle.pipeline.readers import keep_unpacked
from halfcycle.pipeline.records.archive import (
    FileLook,
    Part,
    Reading,
    SetAside,
    look_at,
    lost_file,
    may_hold_both,
    records_by_site,
    records_of_captures,
    records_of_parts,
    without_unreadable,
)
from halfcycle.pipeline.records.record import Record
from halfcycle.pipeline.screening.inputs import Owned
from halfcycle.pipeline.screening.results import Screening, screening_of, together
from halfcycle.pipeline.sites.account import Account, draft
from halfcycle.pipeline.sites.evidence import RecordEvidence
from halfcycle.pipeline.sites.recorders import Seen, accounts_of, each_once, recorder_key
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.spread import Progress, Spread, each_outcome


@dataclass(frozen=True, slots=True)
class Basis:
    """What all files are read and judged by."""

    terms: Terms
    reading: Reading
    sites: SiteTable

    def terms_of(self, site: str) -> Terms:
        """What a site is judged by: what its table declares, and the rest as for all."""
        declared = self.sites.declared(site, self.terms.declared)
        thresholds = self.sites.thresholds_of(site) or self.terms.thresholds
        own = self.sites.named(site)
        return replace(
            self.terms,
            thresholds=thresholds,
            nominal_voltage_v=declared.nominal_voltage_v,
            nominal_frequency_hz=declared.nominal_frequency_hz,
            hookup=declared.hookup,
            clamps_checked=declared.clamps_checked,
            voltage_class_pct=None if own is None else own.voltage_class_pct,
            clock_u_s=None if own is None else own.clock_u_s,
            own_side=None if own is None else own.own_side,
        )


@by_position
@dataclass(frozen=True, slots=True, eq=False)  # each is one of its own: to compare all headers in it takes long
class _Unit:
    """What is judged at once: a record, or a span of a long one.

    Attributes
    ----------
    site : by its files.
    parts : the captures of the whole record.
    from_ns, to_ns : the span.
    account : that it is judged by; None: drafted from the record alone.
    """

    site: str
    parts: tuple[Part, ...]
    from_ns: int
    to_ns: int
    account: Account | None = None


@by_position
@dataclass(frozen=True, slots=True)
class _Judged:
    """A unit's findings, what its record shows of the site, and the account that it was judged by."""

    found: Screening
    evidence: RecordEvidence | None = None  # None where the account was given
    account: Account | None = None
    failed: str = ""


@by_position
@dataclass(frozen=True, slots=True)
class JudgedFile:
    """A file, and its records that were judged as it was read, by the places of their captures.

    Formats that give headers without their samples are looked at first, so that captures that follow one another are
    judged together at once. Of the others each file is judged as it is read, and again only where another follows it,
    or where the site's account turns out otherwise.
    """

    file: FileLook
    judged: dict[tuple[int, ...], _Judged] = field(default_factory=dict)

    @property
    def may_hold_a_log(self) -> bool:
        """Whether it may hold a recorder's own log of RMS: no waveform, or more than waveforms."""
        return self.file.kind == "no waveform" or (self.file.kind == "recording" and may_hold_both(self.file.path))


def look_at_files(paths: Sequence[Path], *, basis: Basis) -> list[JudgedFile]:
    """Look at some files, and judge the records of those that had to be read for it."""
    with keep_unpacked():
        return [_look_at_file(path, basis) for path in paths]


def _look_at_file(path: Path, basis: Basis) -> JudgedFile:
    look, captures = look_at(path, basis.reading)
    if captures is None:
        return JudgedFile(look)
    judged = {}
    for record, parts in records_of_captures(look.parts, captures, basis.reading):
        unit = _whole(record, parts, basis.sites.name_of(record.header, path))
        judged[tuple(part.index for part in unit.parts)] = _judged_record(record, unit, basis)
    return JudgedFile(look, judged)


def lost_look(path: Path, reason: str) -> JudgedFile:
    """A file that could not even be looked at, with the reason."""
    return JudgedFile(lost_file(path, reason))


class JudgedArchive:
    """The records of an archive and how they are judged: each by the account of its recorder."""

    def __init__(self, basis: Basis, run: Spread, tell: Progress) -> None:
        self._basis, self._run, self._tell = basis, run, tell

    def judged(self, looks: Sequence[JudgedFile]) -> tuple[list[Screening], tuple[Account, ...], list[Owned]]:
        """What is found in all records, the accounts of their recorders, and which files each account is of."""
        records, done, results = self._planned(looks)
        # What a record begins with is judged at once, as far as its own account goes; that of its recorder, which all
        # records make, is then the one that counts: by it the rest is judged, and again what it judges otherwise.
        firsts = [units[0] for units in records]
        self._judge([unit for unit in firsts if unit not in done], done)
        known = [units for units in records if done[units[0]].evidence is not None]
        seen = [
            Seen(first.site, first.parts[0].path, shown)
            for first, *_ in known
            if (shown := done[first].evidence) is not None
        ]
        declared = self._basis.terms.declared
        accounts = accounts_of(seen, lambda site: self._basis.sites.declared(site, declared))
        later: dict[_Unit, _Unit] = {}
        for units, account in zip(known, accounts, strict=True):
            former = done[units[0]].account
            stands = former is not None and former.judges_like(account)
            later |= {unit: replace(unit, account=account) for unit in units[1 if stands else 0 :]}
        by_account: dict[_Unit, _Judged] = {}
        self._judge(list(later.values()), by_account)
        done |= {unit: by_account[with_account] for unit, with_account in later.items()}
        results += [done[unit].found for units in records for unit in units if unit in done]
        owned = [
            Owned(
                tuple(dict.fromkeys(part.path for part in units[0].parts)), units[0].site,
                recorder_key(one.evidence.header, one.path), account,
            )
            for units, one, account in zip(known, seen, accounts, strict=True)
        ]  # fmt: skip
        return results, each_once(accounts), owned

    def _planned(self, looks: Sequence[JudgedFile]) -> tuple[list[list[_Unit]], dict[_Unit, _Judged], list[Screening]]:
        """The units of each record of all files, those that are judged already, and what is known besides."""
        as_read = {(one.file.path, indices): found for one in looks for indices, found in one.judged.items()}
        records, set_aside = records_by_site(
            (one.file for one in looks), self._basis.sites.name_of, self._basis.reading
        )
        planned: list[list[_Unit]] = []
        done: dict[_Unit, _Judged] = {}
        for site, record, parts in records:
            units = _units_of(record, parts, site)
            indices = tuple(part.index for part in _each(parts))
            judged = as_read.get((parts[0].path, indices)) if len({part.path for part in parts}) == 1 else None
            if judged is not None:
                units = [_whole(record, parts, site)]
                done[units[0]] = judged
            planned.append(units)
        return planned, done, [Screening(set_aside=tuple(set_aside))]

    def _judge(self, units: Sequence[_Unit], done: dict[_Unit, _Judged]) -> None:
        """Judge some units; one that fails is judged again without the file that makes it fail."""
        function = partial(_judge_units, basis=self._basis)
        judged = each_outcome(self._run, function, [[unit] for unit in units], lost=_lost_unit, tell=self._tell)
        for unit, found in zip(units, judged, strict=True):
            done[unit] = self._without_culprits(unit, found) if found.failed else found

    def _without_culprits(self, unit: _Unit, failed: _Judged) -> _Judged:
        """A unit that failed, judged without those of its files that fail alone."""
        paths = list(dict.fromkeys(part.path for part in unit.parts))
        function = partial(_judge_units, basis=self._basis)
        alone = [replace(unit, parts=tuple(part for part in unit.parts if part.path == path)) for path in paths]
        if len(paths) > 1:
            outcomes = list(each_outcome(self._run, function, [[one] for one in alone], lost=_lost_unit))
            bad = {path: one.failed for path, one in zip(paths, outcomes, strict=True) if one.failed}
            rest = tuple(part for part in unit.parts if part.path not in bad)
            if bad and rest:
                (found,) = each_outcome(self._run, function, [[replace(unit, parts=rest)]], lost=_lost_unit)
                if not found.failed:
                    named = Screening(set_aside=tuple(_failure(path, reason) for path, reason in bad.items()))
                    return replace(found, found=together([named, found.found]))
        return replace(failed, found=Screening(set_aside=tuple(_failure(path, failed.failed) for path in paths)))


def _failure(path: Path, reason: str) -> SetAside:
    return SetAside(path, f"{path.name}: cannot be judged ({reason})")


def _lost_unit(unit: _Unit, reason: str) -> _Judged:
    return _Judged(Screening(), account=unit.account, failed=reason)


def _each(parts: Sequence[Part]) -> tuple[Part, ...]:
    """The captures that the pieces of a record are of, each once."""
    return tuple({id(part): part for part in parts}.values())


def _whole(record: Record, parts: tuple[Part, ...], site: str) -> _Unit:
    return _Unit(site, _each(parts), record.start_ns(0), record.time_ns(record.n_samples) + 1)


def _units_of(record: Record, parts: tuple[Part, ...], site: str) -> list[_Unit]:
    """A record as spans of a size that a worker can hold."""
    own = _each(parts)
    return [_Unit(site, own, start, stop) for start, stop in spans_of(record)]


def _judge_units(units: Sequence[_Unit], *, basis: Basis) -> list[_Judged]:
    with keep_unpacked():
        return [_judge_unit(unit, basis) for unit in units]


def _judge_unit(unit: _Unit, basis: Basis) -> _Judged:
    def work(parts: tuple[Part, ...]) -> list[_Judged]:
        return [_judged_record(record, unit, basis) for record, _ in records_of_parts(parts, basis.reading)]

    outcomes, set_aside = without_unreadable(unit.parts, work)
    first = next((one for one in outcomes if one.evidence is not None), _Judged(Screening()))
    return replace(first, found=together([Screening(set_aside=set_aside), *(one.found for one in outcomes)]))


def _judged_record(record: Record, unit: _Unit, basis: Basis) -> _Judged:
    terms = basis.terms_of(unit.site)
    evidence, account = None, unit.account
    if account is None:
        evidence = terms.evidence_of(record, judged_next=True)
        account = draft(unit.site, [evidence], terms.declared)
    whole = unit.from_ns <= record.start_ns(0) and unit.to_ns > record.time_ns(record.n_samples)
    if whole:
        findings = judge(record, site=account.site, terms=terms, account=account)
    else:
        findings = judge_span(
            record, from_ns=unit.from_ns, to_ns=unit.to_ns, site=account.site, terms=terms, account=account
        ).findings
    return _Judged(screening_of(findings, unit.parts[0].path), evidence, account)
