"""`halfcycle plan`: what the next night would do, before it does it."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import FleetFile, fleet_to_read
from halfcycle.pipeline.plain_text import counted

if TYPE_CHECKING:
    from halfcycle.pipeline.nightly.plan import Plan, PlannedDay

_MOST_SHOWN = 20


@typer_app.command("plan", epilog="Example:  halfcycle plan --config configs/fleet.toml")
def plan_command(
    config: FleetFile,
    out: Annotated[
        Optional[Path],  # noqa: UP045  (typer reads the annotation at run time)
        typer.Option(metavar="FILE", help="Write the list of days: .csv, .parquet or .ndjson."),
    ] = None,
) -> int:
    """Show what the next night would rebuild, and why.

    After a change of settings: which days would be judged again, how much would be read, what would be removed.
    It only reads.
    """
    from halfcycle.pipeline.catalogue.tables import writer_for
    from halfcycle.pipeline.nightly.plan import cost_words, plan
    from halfcycle.pipeline.quick_start import arrow_without_pandas
    from halfcycle.pipeline.report.summary import TextTable
    from halfcycle.pipeline.store.partitions import today

    arrow_without_pandas()
    if out is not None:
        writer_for(out)
    found = plan(fleet_to_read(config), today())
    for words in found.unreadable:
        show.warning(words)
    show.line(f"inbox: {counted(found.inbox, 'file')} to ingest, {found.settling} still being written")
    for old, new in found.renamed:
        show.line(f"what the store holds of {old} becomes that of {new}")
    for name in found.unknown:
        show.line(
            f"{name} is in the store but is no site of the fleet: its days stay unchanged; formerly = [...] of a "
            "site adopts them"
        )  # fmt: skip
    if found.days:
        by_reason: dict[tuple[str, bool], list[PlannedDay]] = defaultdict(list)
        for day in found.days:
            by_reason[day.reason, day.postponed].append(day)
        rows = tuple(
            (reason, "a later night" if late else "the next night", counted(len(days), "day"),
             cost_words(days),
             _first_and_last(days))
            for (reason, late), days in by_reason.items()
        )  # fmt: skip
        show.table(TextTable("catalogues to rebuild", ("why", "when", "days", "to read", "which"), rows[:_MOST_SHOWN]))
    else:
        show.line("no catalogue to rebuild")
    _show_rest(found)
    if out is not None:
        _write(out, found)
        show.line(f"plan: {out}")
    return Exit.QUARANTINED if found.unreadable else Exit.DONE


def _first_and_last(days: list[PlannedDay]) -> str:
    first, last = min(one.day.day for one in days), max(one.day.day for one in days)
    sites = sorted({one.day.site for one in days})
    where = sites[0] if len(sites) == 1 else counted(len(sites), "site")
    return f"{where}, {first}" if first == last else f"{where}, {first} to {last}"


def _show_rest(found: Plan) -> None:
    from halfcycle.pipeline.resources import judging_version

    if found.frozen:
        show.line(f"{counted(found.frozen, 'day')} stay as judged, because their waveforms are gone")
    for judged, n in found.judged_otherwise:
        stay, them = ("stays", "it") if n == 1 else ("stay", "them")
        show.line(
            f"{counted(n, 'day')} judged at {judged} {stay} unchanged (today: {judging_version()}); "
            f"halfcycle catalogue --rebuild rebuilds {them}"
        )
    if found.removed.words:
        show.line(f"older than [retention] allows: {found.removed.words} to remove")
    if found.packs.days:
        show.line(f"to bring together in fewer files: captures {found.packs.words}")
    if found.months.made:
        read = counted(found.months.days, "daily catalogue")
        show.line(f"files of months to write: {found.months.words}, from {read}{found.months.left_words}")


def _write(out: Path, found: Plan) -> None:
    import pyarrow as pa

    from halfcycle.pipeline.catalogue.tables import write_table

    table = pa.table(
        {
            "site": pa.array([one.day.site for one in found.days], pa.string()),
            "date": pa.array([one.day.day for one in found.days], pa.date32()),
            "reason": pa.array([one.reason for one in found.days], pa.string()),
            "captures": pa.array([one.captures for one in found.days], pa.int64()),
            "bytes": pa.array([one.size for one in found.days], pa.int64()),
            "postponed": pa.array([one.postponed for one in found.days], pa.bool_()),
        }
    )
    write_table(table, out)
