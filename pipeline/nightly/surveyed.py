"""What a fleet's store holds of its survey: where a site's trends and verdicts lie, and what they say of some days."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final

from halfcycle.pipeline.config import Fleet
from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.resources import judging_version
from halfcycle.pipeline.store.documents import document_at
from halfcycle.pipeline.store.partitions import DAY_NS, Store, day_start_ns
from halfcycle.pipeline.survey.compliance import Assessment, assessments_at, calendar_period_ns
from halfcycle.pipeline.survey.stored import certificates_at, told_key
from halfcycle.pipeline.trend_table import Certificate

MADE: Final = "_made.json"
_OTHER_PERIOD: Final = re.compile(r" \(of a (day|month)\)")  # as `of_a` names it


@dataclass(frozen=True, slots=True)
class SurveyFolders:
    """Where the trends and verdicts of a site lie."""

    store: Store
    site: str

    def made_path(self, day: date) -> Path:
        """What says of what a day's trends were made, and which files they are."""
        return self.store.trend_path(self.site, day, 1.0).with_name(MADE)

    @property
    def verdicts_path(self) -> Path:
        """The verdicts on all days."""
        return self.store.root / "verdicts" / f"site={self.site}" / "verdicts.parquet"

    def made_days(self) -> dict[date, dict[str, Any]]:
        """What `made_path` says, of each day that has one, in order."""
        return {day: document_at(path) for day, path in self.made_paths().items()}

    def made_paths(self) -> dict[date, Path]:
        """The `made_path` of each day that has one, in order."""
        folder = self.made_path(date(1970, 1, 1)).parent.parent
        return {
            date.fromisoformat(path.parent.name.removeprefix("date=")): path
            for path in sorted(folder.glob(f"date=*/{MADE}"))
        }

    def are_verdicts_current(self) -> bool:
        """Whether the verdicts rest on the trends that are there."""
        made = document_at(self.verdicts_path.with_name(MADE))
        return bool(made.get("inputs") == verdict_inputs(self.made_days()))


@dataclass(frozen=True, slots=True, kw_only=True)
class PointOfSurvey:
    """What the store holds of one point.

    Attributes
    ----------
    site, point : where; point "" where the site has one.
    columns : of its trends, by length of their intervals. [s]
    files : of its trends in order of time, likewise. [s]
    assessments : by the fleet's limits, of the periods of the calendar that the limits have.
    note : what is not known of it, in words; "".
    disagreements : what its recorder's own values show that its waveforms do not, over all days.
    """

    site: str
    point: str
    columns: Mapping[float, Sequence[str]]
    files: Mapping[float, Sequence[Path]]
    assessments: Sequence[Assessment] = ()
    note: str = ""
    disagreements: Sequence[str] = ()


def points_of_survey(fleet: Fleet, *, first: date | None = None, last: date | None = None) -> Iterator[PointOfSurvey]:
    """What the store holds of the fleet's survey, site by site; nothing where the fleet asks for none.

    Parameters
    ----------
    fleet : the configuration.
    first, last : range of UTC days, both included; None: open.
    """
    for site in fleet.sites if fleet.survey is not None else ():
        folders = SurveyFolders(Store(fleet.store), site.name)
        made = {day: one for day, one in folders.made_days().items() if (first or day) <= day <= (last or day)}
        series: dict[tuple[str, str], list[Path]] = {}
        for name in (name for document in made.values() for name in document.get("files", ())):
            path = fleet.store / name
            series.setdefault((path.parent.parent.name, path.name), []).append(path)
        points: dict[tuple[str, str], list[tuple[Certificate, list[Path]]]] = {}
        for paths in series.values():
            certificate = _certificate_of(paths)
            if certificate is not None:
                key = told_key(certificate.site, certificate.point, certificate.origin)
                points.setdefault(key, []).append((certificate, paths))
        verdicts, note = _verdicts_of(fleet, folders, first, last)
        apart = document_at(folders.verdicts_path.with_name(MADE)).get("disagreements", ())
        for (name, point), held in sorted(points.items()):
            yield PointOfSurvey(
                site=name,
                point=point,
                columns={one.interval_s: [c for q in one.quantities for c in q.columns] for one, _ in held},
                files={one.interval_s: paths for one, paths in held},
                assessments=verdicts.get((name, point), ()),
                note=note,
                disagreements=[text for at, text in apart if at == f"{name} {point}".strip()],
            )


def _certificate_of(paths: Sequence[Path]) -> Certificate | None:
    """That of the last file which has one."""
    for path in reversed(paths):
        try:
            return certificates_at(path)[0]
        except ReadError:
            continue
    return None


def _verdicts_of(
    fleet: Fleet, folders: SurveyFolders, first: date | None, last: date | None
) -> tuple[dict[tuple[str, str], list[Assessment]], str]:
    """The verdicts on the periods that some days lie in, by site and point, or why there are none."""
    if fleet.survey is None or not fleet.survey.limits:
        return {}, ""
    if not folders.are_verdicts_current():
        return {}, "its verdicts are older than its trends; the next night rebuilds them"
    try:
        found = assessments_at(folders.verdicts_path)
    except ReadError as error:
        return {}, f"its verdicts cannot be read ({error})"
    start = None if first is None else day_start_ns(first)
    stop = None if last is None else day_start_ns(last) + DAY_NS
    return {
        key: [one for one in of_point if not _OTHER_PERIOD.search(one.name) and _touches(one.period, start, stop)]
        for key, of_point in found.items()
    }, ""


def _touches(period: str, start: int | None, stop: int | None) -> bool:
    if not period:  # a limit without a series
        return True
    begin, end = calendar_period_ns(period)
    return (stop is None or begin < stop) and (start is None or end > start)


def survey_state(fleet: Fleet, site: str, *, first: date, last: date) -> list[str]:
    """What changes whenever a site's trends of some days, or the verdicts on them, are made anew: a line a file."""
    folders = SurveyFolders(Store(fleet.store), site)
    paths = [path for day, path in folders.made_paths().items() if first <= day <= last]
    lines = []
    for path in [*paths, folders.verdicts_path.with_name(MADE)]:
        try:
            status = path.stat()
        except OSError:
            continue
        lines.append(f"{path.parent.name}/{path.name} {status.st_size} {status.st_mtime_ns}")
    return lines


def of_a(name: str, period: str) -> str:
    """What a limit is called where it is judged over another period than its own, a day or a month."""
    return f"{name} (of a {period})"


def verdict_inputs(made_days: Mapping[date, Mapping[str, Any]]) -> str:
    """Digest of what the verdicts of a site rest on. made_days: of `SurveyFolders.made_days`."""
    made = {day.isoformat(): one.get("inputs") for day, one in made_days.items()}
    return hashlib.sha256(json.dumps([made, judging_version()], sort_keys=True).encode()).hexdigest()[:32]
