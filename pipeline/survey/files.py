"""Surveys of capture files: by site and point, each file loaded as it is needed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path

from pipeline.capture import Capture, Header
from pipeline.catalogue.points import points_of
from pipeline.catalogue.record import Piece, Record, records_of
from pipeline.errors import ReadError, SignalError
from pipeline.quantities import chosen_quantities
from pipeline.readers import capture_files, read_captures, reader_of, remarks_on
from pipeline.survey.compliance import Assessment, LimitProfile, assess, needed_quantities
from pipeline.survey.measure import Survey, Trend, joined_trends, measure_record

_KEPT_CAPTURES = 4


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
    load = lru_cache(maxsize=_KEPT_CAPTURES)(_load)
    by_site: dict[str, list[Piece]] = {}
    set_aside: list[tuple[Path, str]] = []
    not_measured: list[tuple[str, str, str]] = []
    for path in capture_files(paths):
        try:
            headers = _headers(path)
            remarks = [] if headers else list(remarks_on(path))
        except ReadError as error:
            set_aside.append((path, str(error)))
            continue
        not_measured += [(path.stem, "", remark) for remark in remarks]
        for i, header in enumerate(headers):
            piece = Piece(header, partial(load, path, i), str)
            by_site.setdefault(header.station or path.stem, []).append(piece)
    found: dict[tuple[str, str], list[Trend]] = {}
    records = [(site, record) for site, pieces in by_site.items() for record in records_of(pieces)]
    for i, (site, record) in enumerate(records):
        for point, outcome in _measured(record, survey, hookup):
            if isinstance(outcome, str):
                not_measured.append((site, point, outcome))
            else:
                found.setdefault((site, point), []).append(outcome)
        if progress is not None:
            progress(i + 1, len(records))
    return Measured({key: joined_trends(parts) for key, parts in found.items()}, tuple(set_aside), tuple(not_measured))


def judge_files(
    paths: Sequence[Path], profile: LimitProfile, survey: Survey, *, hookup: str | None = None
) -> dict[tuple[str, str], list[Assessment]]:
    """Whether the sites of some capture files keep a profile's limits, by site and point.

    Parameters
    ----------
    paths, hookup : as for `measure_files`.
    profile : the limits; its quantities and intervals are measured.
    survey : nominal values; its quantities and interval do not matter.
    """
    trends: dict[tuple[str, str], dict[float, Trend]] = {}
    for interval_s, symbols in needed_quantities(profile).items():
        one = replace(survey, interval_s=interval_s, quantities=chosen_quantities(symbols))
        for key, trend in measure_files(paths, one, hookup=hookup).trends.items():
            trends.setdefault(key, {})[interval_s] = trend
    return {
        key: assess(
            {interval_s: trend.table for interval_s, trend in of_point.items()},
            profile,
            nominal_voltage_v=next(iter(of_point.values())).nominal_voltage_v,
        )
        for key, of_point in trends.items()
    }


def _measured(record: Record, survey: Survey, hookup: str | None) -> Iterator[tuple[str, Trend | str]]:
    """(point, trend or the reason why there is none) of each point of a record."""
    try:
        points = points_of(record.header, hookup=hookup)
    except SignalError as error:
        yield "", str(error)
        return
    if not points:
        yield "", "no voltage channel"
    for point in points:
        try:
            yield point.name or "", measure_record(record, point, survey)
        except SignalError as error:
            yield point.name or "", str(error)


def _headers(path: Path) -> list[Header]:
    known = reader_of(path).read_headers(path, frozenset(("voltage", "current")))
    if known is not None:
        return list(known)
    return [capture.header for capture in read_captures(path, quantities=("voltage", "current"))]


def _load(path: Path, index: int) -> Capture:
    for i, capture in enumerate(read_captures(path, quantities=("voltage", "current"))):
        if i == index:
            return capture
    raise ReadError(path, f"capture {index + 1}", "has gone since the file was first read")
