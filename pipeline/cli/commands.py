"""The command table. Each command's work is imported when it is called, so that help is quick."""

from __future__ import annotations

from enum import IntEnum
from typing import Annotated, Any

import typer

from pipeline.cli import show
from pipeline.errors import ConfigError, HalfcycleError


class Exit(IntEnum):
    """Exit status: done; failed; wrong usage or config; done, but some inputs were quarantined."""

    DONE = 0
    FAILED = 1
    USAGE = 2
    QUARANTINED = 3


typer_app = typer.Typer(
    name="halfcycle",
    help="Power-quality captures in, event catalogue out.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        show.line(f"halfcycle {version('halfcycle')}")
        raise typer.Exit


@typer_app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Power-quality captures in, event catalogue out."""


def app() -> int:
    """Run the command line. Returns the exit status."""
    from pipeline.cli import demo_command, fleet_commands, screen_command  # noqa: F401  (each registers its commands)

    try:
        result: Any = typer_app(standalone_mode=False)
    except typer.Exit as leave:
        return int(leave.exit_code)
    except (typer.Abort, KeyboardInterrupt):
        show.warning("stopped")
        return int(Exit.FAILED)
    except ConfigError as error:
        show.warning(str(error))
        return int(Exit.USAGE)
    except HalfcycleError as error:
        show.warning(str(error))
        return int(Exit.FAILED)
    except Exception as error:
        import click

        if not isinstance(error, click.ClickException):
            raise
        error.show()
        return int(Exit.USAGE)
    return int(result or Exit.DONE)
