"""One road for whatever a survey is made of: captures are measured, trends that recorders or we wrote are read."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path

from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.records.archive import SetAside, files_below, may_hold_both
from halfcycle.pipeline.sites.account import Declared
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.spread import Progress, Spread
from halfcycle.pipeline.survey.compared import compared
from halfcycle.pipeline.survey.compliance import LimitProfile
from halfcycle.pipeline.survey.files import Measured, measure_files
from halfcycle.pipeline.survey.measure import Survey
from halfcycle.pipeline.survey.recorded import recorded_trends
from halfcycle.pipeline.survey.stored import StoredTrend, by_point, is_trend, judge_trends, neighbours_of, read_trends


def measure(
    paths: Sequence[Path],
    survey: Survey,
    *,
    profile: LimitProfile | None = None,
    hookup: str | None = None,
    sites: SiteTable | None = None,
    workers: int | None = 1,
    spread: Spread | None = None,
    progress: Progress | None = None,
    leave_out: Collection[Path] = (),
    strict: bool = False,
) -> Measured:
    """What `files.measure_files` makes of the captures below some paths, beside the trends that lie there.

    Parameters
    ----------
    paths : files, or folders that are searched through all levels. With a trend those in other intervals beside it
        count, too; see `stored.neighbours_of`.
    survey, profile, hookup, sites, workers, spread, progress, leave_out, strict : see `measure_files`. No waveform is
        read for a trend: its verdict rests on its values.

    Raises
    ------
    ReadError : a path does not exist.
    """
    files = files_below(paths, leave_out=leave_out)
    trends = [path for path in files if is_trend(path)]
    trends = list(dict.fromkeys([*trends, *(other for path in trends for other in neighbours_of(path))]))
    declared = Declared(survey.nominal_voltage_v, survey.nominal_frequency_hz, hookup)
    recorded, refused = _recorded(sorted({*files} - {*trends}), survey, declared, sites or SiteTable(), strict=strict)
    own = [path for path in (*recorded, *(item.path for item in refused)) if not may_hold_both(path)]
    found = measure_files(
        paths, survey, profile=profile, hookup=hookup, sites=sites, workers=workers, progress=progress, spread=spread,
        leave_out=[*leave_out, *trends, *own], strict=strict,
    )  # fmt: skip
    known = {path.stem for path in recorded}
    found = replace(found, not_measured=tuple(one for one in found.not_measured if one[0] not in known or one[1]))
    refused = [item for item in refused if item.path not in {other.path for other in found.set_aside}]
    stored, set_aside = _read(trends)
    stored += [one for ones in recorded.values() for one in ones]
    if not stored:
        return replace(found, set_aside=(*found.set_aside, *refused, *set_aside))
    assessments = {} if profile is None else judge_trends(
        stored, profile, declared=declared, sites=sites, demand_current_a=survey.demand_current_a
    )  # fmt: skip
    joined = tuple(one for of_point in by_point(stored).values() for one in of_point.values())
    certified = (*found.certified, *joined)
    told, findings = compared(certified)
    return replace(
        found,
        set_aside=(*found.set_aside, *refused, *set_aside),
        assessments=found.assessments | assessments,
        certified=certified,
        compared=told,
        disagreements=findings,
    )


def _recorded(
    files: Sequence[Path], survey: Survey, declared: Declared, sites: SiteTable, *, strict: bool
) -> tuple[dict[Path, list[StoredTrend]], list[SetAside]]:
    """The trends that recorders made, by file, and files of such that cannot be read."""
    found: dict[Path, list[StoredTrend]] = {}
    refused: list[SetAside] = []
    for path in files:
        try:
            trends = recorded_trends(
                path,
                sites=sites,
                declared=declared,
                thresholds=survey.thresholds,
                interval_s=survey.interval_s,
                strict=strict,
            )
        except ReadError as error:
            refused.append(SetAside(path, str(error)))
            continue
        if trends:
            found[path] = trends
    return found, refused


def _read(paths: Sequence[Path]) -> tuple[list[StoredTrend], list[SetAside]]:
    stored: list[StoredTrend] = []
    set_aside: list[SetAside] = []
    for path in paths:
        try:
            stored += read_trends(path)
        except ReadError as error:
            set_aside.append(SetAside(path, str(error)))
    return stored, set_aside
