"""Surveys of capture files: by site and point, each file loaded as it is needed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path
from typing import Final

from pipeline.capture import Header
from pipeline.errors import ReadError, SignalError
from pipeline.quantities import chosen_quantities
from pipeline.readers import capture_at, capture_files, known_headers, read_captures, remarks_on, samples_at
from pipeline.records.points import points_of
from pipeline.records.record import Piece, Record, records_of
from pipeline.survey.compliance import Assessment, LimitProfile, assess, needed_quantities
from pipeline.survey.measure import Survey, Trend, joined_trends, measure_record
from pipeline.terms import Quantity

_KEPT_CAPTURES: Final = 4
_QUANTITIES: Final[tuple[Quantity, ...]] = ("voltage", "current")


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured of some files.

    Attributes
    ----------
    trends : by site and point ("" where a site has one), see `measure_record`.
    set_aside : (path, reason) of files that could not be read.
    not_measured : (site, point, reason) of records that could not be measured.
    """

    trends: dict[tuple[str, str], Trend]
    set_aside: tuple[tuple[Path, str], ...]
    not_measured: tuple[tuple[str, str, str], ...]


def measure_files(
    paths: Sequence[Path],
    survey: Survey,
    *,
    hookup: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Measured:
    """Measure all capture files below some paths.

    Parameters
    ----------
    paths : files, or folders that are searched through all levels.
    survey : what to measure.
    hookup : a name of `terms.HOOKUPS`; None: told from the channels.
    progress : called with (done, all) records.

    Raises
    ------
    ReadError : a path does not exist.
    """
    (found,) = _measure_once(paths, [survey], hookup=hookup, progress=progress)
    return found


def judge_files(
    paths: Sequence[Path], profile: LimitProfile, survey: Survey, *, hookup: str | None = None
) -> dict[tuple[str, str], list[Assessment]]:
    """Whether the sites of some capture files keep a profile's limits, by site and point.

    Parameters
    ----------
    paths, hookup : as for `measure_files`.
    profile : the limits; its quantities and intervals are measured.
    survey : nominal values; its quantities and interval do not matter. Its nominal voltage, or else the profile's
        declared one, is declared; one that is told from the data is inferred, and no verdict rests on it.
    """
    declared_v = survey.nominal_voltage_v or profile.declared_voltage_v
    survey = replace(survey, nominal_voltage_v=declared_v)
    needed = needed_quantities(profile)
    surveys = [
        replace(survey, interval_s=interval_s, quantities=chosen_quantities(symbols))
        for interval_s, symbols in needed.items()
    ]
    trends: dict[tuple[str, str], dict[float, Trend]] = {}
    for one, found in zip(surveys, _measure_once(paths, surveys, hookup=hookup), strict=True):
        for key, trend in found.trends.items():
            trends.setdefault(key, {})[one.interval_s] = trend
    return {
        key: assess(
            {interval_s: trend.table for interval_s, trend in of_point.items()},
            profile,
            nominal_voltage_v=next(iter(of_point.values())).nominal_voltage_v,
            declared=declared_v is not None,
            demand_current_a=survey.demand_current_a,
        )
        for key, of_point in trends.items()
    }


def _measure_once(
    paths: Sequence[Path],
    surveys: Sequence[Survey],
    *,
    hookup: str | None,
    progress: Callable[[int, int], None] | None = None,
) -> list[Measured]:
    """What each survey comes to, the files read once for all."""
    records, set_aside, remarks = _records(paths)
    found: list[dict[tuple[str, str], list[Trend]]] = [{} for _ in surveys]
    not_measured = [list(remarks) for _ in surveys]
    for i, (site, record) in enumerate(records):
        for point, outcomes in _measured(record, surveys, hookup):
            for k, outcome in enumerate(outcomes):
                if isinstance(outcome, SignalError):
                    not_measured[k].append((site, point, str(outcome)))
                else:
                    found[k].setdefault((site, point), []).append(outcome)
        if progress is not None:
            progress(i + 1, len(records))
    return [
        Measured({key: joined_trends(trends) for key, trends in of_survey.items()}, set_aside, tuple(reasons))
        for of_survey, reasons in zip(found, not_measured, strict=True)
    ]


def _records(
    paths: Sequence[Path],
) -> tuple[list[tuple[str, Record]], tuple[tuple[Path, str], ...], list[tuple[str, str, str]]]:
    """(site, record) of all files, (path, reason) of those set aside, and what those without waveforms hold."""
    load = lru_cache(maxsize=_KEPT_CAPTURES)(partial(capture_at, quantities=_QUANTITIES))
    by_site: dict[str, list[Piece]] = {}
    set_aside: list[tuple[Path, str]] = []
    without: list[tuple[str, str, str]] = []
    for path in capture_files(paths):
        try:
            headers = _headers(path)
            remarks = [] if headers else list(remarks_on(path))
        except ReadError as error:
            set_aside.append((path, str(error)))
            continue
        without += [(path.stem, "", remark) for remark in remarks]
        for i, header in enumerate(headers):
            part = partial(samples_at, path, i, quantities=_QUANTITIES)
            piece = Piece(header, partial(load, path, i), str, samples=part)
            by_site.setdefault(header.station or path.stem, []).append(piece)
    records = [(site, record) for site, pieces in by_site.items() for record in records_of(pieces)]
    return records, tuple(set_aside), without


def _measured(
    record: Record, surveys: Sequence[Survey], hookup: str | None
) -> Iterator[tuple[str, Sequence[Trend | SignalError]]]:
    """(point, for each survey its trend or why there is none) of each point of a record."""
    try:
        points = points_of(record.header, hookup=hookup)
    except SignalError as error:
        yield "", [error] * len(surveys)
        return
    if not points:
        yield "", [SignalError("no voltage channel")] * len(surveys)
    for point in points:
        yield point.name or "", measure_record(record, point, surveys)


def _headers(path: Path) -> list[Header]:
    known = known_headers(path, quantities=_QUANTITIES)
    return [capture.header for capture in read_captures(path, quantities=_QUANTITIES)] if known is None else known
