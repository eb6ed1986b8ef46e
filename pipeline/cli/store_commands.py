"""`halfcycle quarantine` and `verify`: what a fleet has set aside, and whether its store is sound."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import FleetFile, fleet_to_read

if TYPE_CHECKING:
    from halfcycle.pipeline.nightly.verify import StoreFault


@typer_app.command("quarantine", epilog="Example:  halfcycle quarantine --config configs/fleet.toml --retry 'Weir/*'")
def quarantine_command(
    config: FleetFile,
    retry: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(metavar="NAME", help="Put this item back for the next night; * and ? match. Repeatable."),
    ] = None,
    retry_all: Annotated[bool, typer.Option("--retry-all", help="Put everything back for the next night.")] = False,
    out: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="Write the list too: .csv, .parquet or .ndjson."),
    ] = None,
) -> int:
    """List quarantined files and captures with the reasons; put them back.

    Files of the quarantine go back into the inbox; stored captures are judged again.
    """
    from halfcycle.pipeline.catalogue.tables import writer_for
    from halfcycle.pipeline.errors import ConfigError
    from halfcycle.pipeline.nightly.quarantine import all_set_aside, chosen, put_back
    from halfcycle.pipeline.report.summary import TextTable

    if retry and retry_all:
        raise ConfigError("--retry and --retry-all exclude each other")
    if out is not None:
        writer_for(out)
    fleet = fleet_to_read(config)
    held = all_set_aside(fleet)
    heads = ("set aside (UTC)", "what", "name", "reason")
    rows = [(f"{one.since:%Y-%m-%d %H:%M}", one.what, one.name, one.reason) for one in held]
    if out is not None:
        _write(out, heads, rows)
    if not held:
        show.line("nothing is set aside")
        return Exit.DONE
    if not (retry or retry_all):
        show.table(TextTable(f"{len(held)} set aside", heads, tuple(rows)))
        return Exit.DONE
    wanted = held if retry_all else chosen(held, retry or [])
    failed = put_back(wanted, fleet)
    for one, reason in failed:
        show.warning(f"not put back {one.name}: {reason}")
    show.line(f"{len(wanted) - len(failed)} put back; the next nightly run tries again")
    return Exit.QUARANTINED if failed else Exit.DONE


@typer_app.command("verify", epilog="Example:  halfcycle verify --config configs/fleet.toml --repair")
def verify_command(
    config: FleetFile,
    repair: Annotated[
        bool,
        typer.Option("--repair", help="Rebuild damaged catalogues; set damaged captures aside."),
    ] = False,
    out: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="Write the findings too: .csv, .parquet or .ndjson."),
    ] = None,
) -> int:
    """Check a fleet's store: every capture, catalogue and trend.

    Exit status: 0, the store is sound; 3, something was found (with --repair: and not repaired).
    """
    from halfcycle.pipeline.catalogue.tables import writer_for
    from halfcycle.pipeline.cluster import spread_with
    from halfcycle.pipeline.nightly.verify import repair as repaired
    from halfcycle.pipeline.nightly.verify import verify

    if out is not None:
        writer_for(out)
    fleet = fleet_to_read(config)
    with spread_with(fleet.run.engine, scheduler=fleet.run.scheduler, workers=fleet.run.workers) as spread:
        found = verify(fleet, spread)
        left = repaired(found, fleet, spread) if repair and found else found
    if repair and found:
        show.line(f"{len(found)} findings before the repair, {len(left)} after it")
    _show_findings(left, fleet.store)
    if out is not None:
        rows = [(one.what, one.path.relative_to(fleet.store).as_posix(), one.words) for one in left]
        _write(out, ("what", "path", "words"), rows)
    return Exit.QUARANTINED if left else Exit.DONE


def _show_findings(found: Sequence[StoreFault], root: Path) -> None:
    from halfcycle.pipeline.report.summary import TextTable

    if not found:
        show.line(f"{root}: sound")
        return
    rows = tuple((one.what, one.path.relative_to(root).as_posix(), one.words) for one in found)
    show.table(TextTable(f"{len(found)} findings in {root}", ("what", "where", "found"), rows))
    if any(one.what in ("damaged capture", "capture set aside") for one in found):
        show.line("Put the file of a damaged capture into the inbox again to replace it.")


def _write(out: Path, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    import pyarrow as pa

    from halfcycle.pipeline.catalogue.tables import write_table

    write_table(pa.table({head: pa.array([row[i] for row in rows], pa.string()) for i, head in enumerate(heads)}), out)
    show.line(f"table: {out}")
