"""The logs of RMS among the files of a screening: judged like its waveforms, once these are known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from halfcycle.pipeline.catalogue.rms_logs import JudgedLog, judge_log
from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.readers import intervals_in
from halfcycle.pipeline.readers.source_digest import source_digest
from halfcycle.pipeline.records.archive import SetAside
from halfcycle.pipeline.screening.units import Basis
from halfcycle.pipeline.sites.account import Account
from halfcycle.pipeline.sites.recorded import declared_of, header_of, in_primary


@dataclass(frozen=True, slots=True)
class LogLook:
    """What is found in the logs of one file, and why it had to be set aside where it had."""

    path: Path
    judged: tuple[JudgedLog, ...] = ()
    set_aside: tuple[SetAside, ...] = ()


def judge_logs(paths: Sequence[Path], *, basis: Basis, accounts: Sequence[Account]) -> list[LogLook]:
    """What is found in the logs of some files.

    Parameters
    ----------
    paths : files that hold no waveform, or something besides waveforms.
    basis : what all files are judged by.
    accounts : of the recorders whose waveforms were judged.
    """
    return [_judged(path, basis, accounts) for path in paths]


def lost_log(path: Path, reason: str) -> LogLook:
    """A file whose logs could not be judged, with the reason."""
    return LogLook(path, set_aside=(SetAside(path, f"{path.name}: its log of RMS cannot be judged ({reason})"),))


def _judged(path: Path, basis: Basis, accounts: Sequence[Account]) -> LogLook:
    found: list[JudgedLog] = []
    try:
        for records in intervals_in(path, strict=basis.reading.strict):
            header = header_of(records)
            name = basis.sites.name_of(header, path)
            one = judge_log(
                in_primary(records, basis.sites.site(header, path)), path=path, digest=source_digest(path), site=name,
                declared=declared_of(records, name, basis.sites, basis.terms.declared),
                thresholds=basis.terms_of(name).thresholds, accounts=accounts,
            )  # fmt: skip
            found += [] if one is None else [one]
    except ReadError as error:
        return LogLook(path, set_aside=(SetAside(path, str(error)),))
    return LogLook(path, tuple(found))
