"""Screening: a folder of captures from anybody's recorders to one catalogue, without a store and without settings."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from contextlib import nullcontext
from dataclasses import replace
from functools import partial
from pathlib import Path

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.catalogue.rms_logs import each_event_once
from halfcycle.pipeline.catalogue.steady import put_together
from halfcycle.pipeline.events import with_incidents
from halfcycle.pipeline.processes import spread_over_processes
from halfcycle.pipeline.records.archive import Reading, SetAside, batches_of, files_below
from halfcycle.pipeline.screening.inputs import recorders_in
from halfcycle.pipeline.screening.logs import judge_logs, lost_log
from halfcycle.pipeline.screening.results import NotJudged, Screening, together
from halfcycle.pipeline.screening.units import Basis, JudgedArchive, look_at_files, lost_look
from halfcycle.pipeline.sites.table import SiteTable
from halfcycle.pipeline.spread import Progress, Spread, each_outcome

__all__ = ["NotJudged", "Screening", "SetAside", "screen"]


def screen(
    paths: Sequence[Path],
    *,
    terms: Terms,
    workers: int | None = None,
    progress: Progress | None = None,
    leave_out: Collection[Path] = (),
    strict: bool = False,
    sites: SiteTable | None = None,
    spread: Spread | None = None,
) -> Screening:
    """Find the events in all capture files below some paths.

    Parameters
    ----------
    paths : files, or folders that are searched through all levels.
    terms : thresholds, and what is declared of the site; the rest is in the account that is drafted from all records.
    workers : processes; None: as many as cores where the archive is large enough to pay for starting them.
    progress : called with (done, all) files or spans of records.
    leave_out : files that are no inputs although they may lie there, such as the results of an earlier screening.
    strict : set files aside in which something would have to be put right or guessed, as far as they are read.
    sites : what a person declares of the sites; what it leaves out is as in `terms`, and else inferred.
    spread : how the work is spread; None: over `workers` processes.

    Returns
    -------
    Screening. Files that cannot be read are set aside with their reason, whatever happens to them; the rest goes on.

    Raises
    ------
    ReadError : a path does not exist.
    """
    files = files_below(paths, leave_out=leave_out)
    table = sites or SiteTable()
    basis = Basis(terms, Reading(terms.quantities, strict, table.described if table.sites else None), table)
    tell = progress or (lambda done, all_of_them: None)
    with spread_over_processes(workers) if spread is None else nullcontext(spread) as run:
        work = partial(look_at_files, basis=basis)
        looks = list(each_outcome(run, work, batches_of(files), lost=lost_look, tell=tell))
        judged, accounts, owned = JudgedArchive(basis, run, tell).judged(looks)
        held = [one.file.path for one in looks if one.may_hold_a_log]
        of_logs = partial(judge_logs, basis=basis, accounts=accounts)
        logs = list(each_outcome(run, of_logs, batches_of(held), lost=lost_log))
    without = Screening(
        set_aside=tuple(SetAside(one.file.path, one.file.reason) for one in looks if one.file.kind == "damaged"),
        others=tuple(SetAside(one.file.path, one.file.reason) for one in looks if one.file.kind == "other"),
        notes=tuple((str(one.file.path), remark) for one in looks for remark in one.file.remarks),
    )
    unread_logs = Screening(set_aside=tuple(item for log in logs for item in log.set_aside))
    found = together([without, *judged, unread_logs])
    in_logs = [one for log in logs for one in log.judged]
    events, n_in_both = each_event_once(put_together(found.events), in_logs)
    unread = {item.path for item in (*found.set_aside, *found.others)}
    of_sites = [table.site(header, one.file.path) for one in looks for header in one.file.headers]
    of_sites += [table.named(one.site) for one in in_logs]
    return replace(
        found,
        events=tuple(with_incidents(events, window_s=terms.thresholds.incident_window_s)),
        n_files=sum(one.file.path not in unread for one in looks),
        n_captures=sum(len(one.file.headers) for one in looks if one.file.path not in unread),
        n_without_waveform=sum(one.file.kind == "no waveform" for one in looks),
        accounts=accounts,
        logs=tuple(one.line for one in in_logs),
        log_s=sum(one.judged_s for one in in_logs),
        n_in_both=n_in_both,
        recorders=recorders_in(owned, [(log.path, one.site) for log in logs for one in log.judged]),
        is_of_no_site=bool(table.sites and of_sites) and not any(of_sites),
    )
