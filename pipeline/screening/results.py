"""What a screening found, what it could not judge, and what it set aside."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from halfcycle.pipeline.catalogue.judge import Findings
from halfcycle.pipeline.catalogue.mishaps import has_mishap, is_of_a_detector
from halfcycle.pipeline.events import Event, catalogue_table
from halfcycle.pipeline.quick_pickle import by_position
from halfcycle.pipeline.records.archive import SetAside
from halfcycle.pipeline.screening.inputs import RecorderFiles
from halfcycle.pipeline.sites.account import Account

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class NotJudged:
    """A part of an input that could not be judged: not the same as nothing found there."""

    source: str
    point: str | None
    seconds: float
    reason: str


@by_position
@dataclass(frozen=True, slots=True)
class Screening:
    """What a screening found.

    Attributes
    ----------
    events : in catalogue order, with incidents.
    n_files, n_captures : that were read.
    n_without_waveform : of these files, those that are sound and hold no waveform; the notes say what they hold.
    judged_s : time judged, summed over measuring points. [s]
    set_aside : recordings that could not be read.
    others : files that are no recordings: documents, pictures, empty ones.
    not_judged : parts that could not be judged.
    notes : (source, what was odd or decided).
    accounts : of the recorders, each once, in order of site.
    logs : a line each of the recorders' logs of RMS: against what they were judged.
    log_s : time of these logs, beside that of waveforms. [s]
    n_in_both : events of logs that a waveform, or a finer log, shows as well.
    recorders : files that were judged together: what one of them shows bears on the rows of the others.
    is_of_no_site : sites were declared, and no recording is of one of them.

    Examples
    --------
    >>> found = hc.screen("demo-fleet/store/waveforms/site=Sorrel Mill")
    >>> found.n_captures, len(found.events), len(found.set_aside)
    (3, 2, 0)
    """

    events: tuple[Event, ...] = ()
    n_files: int = 0
    n_captures: int = 0
    n_without_waveform: int = 0
    judged_s: float = 0.0
    set_aside: tuple[SetAside, ...] = ()
    others: tuple[SetAside, ...] = ()
    not_judged: tuple[NotJudged, ...] = ()
    notes: tuple[tuple[str, str], ...] = ()
    accounts: tuple[Account, ...] = ()
    logs: tuple[str, ...] = ()
    log_s: float = 0.0
    n_in_both: int = 0
    recorders: tuple[RecorderFiles, ...] = ()
    is_of_no_site: bool = False

    def to_pandas(self) -> pd.DataFrame:
        """The events as a data frame, with the columns of a catalogue; times are UTC."""
        frame: pd.DataFrame = catalogue_table(self.events).to_pandas()
        return frame

    @property
    def is_empty(self) -> bool:
        """Whether nothing at all was judged."""
        return self.judged_s == 0 and self.log_s == 0

    @property
    def n_mishaps(self) -> int:
        """How often a detector failed, or an event could not be explained or named to the end."""
        return sum(is_of_a_detector(item.reason) for item in self.not_judged) + sum(map(has_mishap, self.events))

    def not_judged_by_reason(self) -> list[tuple[str, float, int]]:
        """(reason, seconds, how many parts) of what was not judged, the longest first."""
        reasons: dict[str, tuple[float, int]] = {}
        for item in self.not_judged:
            seconds, count = reasons.get(item.reason, (0.0, 0))
            reasons[item.reason] = (seconds + item.seconds, count + 1)
        return sorted(((r, s, n) for r, (s, n) in reasons.items()), key=lambda row: -row[1])


def together(results: Iterable[Screening]) -> Screening:
    """Several findings as one."""
    results = list(results)
    return Screening(
        events=tuple(event for result in results for event in result.events),
        judged_s=sum(result.judged_s for result in results),
        set_aside=tuple(dict.fromkeys(item for result in results for item in result.set_aside)),
        others=tuple(item for result in results for item in result.others),
        not_judged=tuple(item for result in results for item in result.not_judged),
        notes=tuple(dict.fromkeys(note for result in results for note in result.notes)),
    )


def screening_of(findings: Findings, path: Path) -> Screening:
    """The findings in one record, whose first file is named."""
    source = str(path)
    return Screening(
        events=findings.events,
        judged_s=sum(item.judged_s for item in findings.coverage),
        not_judged=tuple(
            NotJudged(source, item.point, item.not_judged_s, item.reason) for item in findings.coverage if item.reason
        ),
        notes=tuple((source, note) for note in findings.notes),
    )
