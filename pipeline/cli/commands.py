"""The command table. Each command's work is imported when it is called, so that help is quick."""

from __future__ import annotations

import sys
from enum import IntEnum
from typing import Annotated, Any

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.errors import ConfigError, HalfcycleError


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


_INTERRUPTED = 130  # what some versions of typer return after Ctrl-C, where others raise

# The parser's own errors. Some versions of typer have them from click, others bring their own.
_USAGE_ERROR: Any = next(base for base in typer.BadParameter.__mro__ if base.__name__ == "ClickException")


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


def _command() -> Any:
    """The command line as the parser has it, whose help names arguments without the types of Python."""
    root = typer.main.get_command(typer_app)
    waiting: list[Any] = [root]
    while waiting:
        command = waiting.pop()
        waiting += getattr(command, "commands", {}).values()
        for parameter in command.params:
            if parameter.param_type_name == "argument":
                parameter.display_type_rich = lambda ctx: ""  # of what newer versions of typer show
            elif parameter.name == "detect" and "--help" in sys.argv:
                parameter.help += _detectors_of_others()
    return root


def _detectors_of_others() -> str:
    """What the help of ``--detect`` adds: the detectors that other installed packages bring."""
    from importlib.metadata import entry_points

    names = sorted(point.name for point in entry_points(group="halfcycle.detectors"))
    return f" Of other packages: {', '.join(names)}." if names else ""


def _register() -> None:
    """Import the modules of the commands; each registers its own, in the order of the help."""
    from halfcycle.pipeline.cli import (  # noqa: F401, I001
        demo_command,
        screen_command,
        inspect_command,
        hookup_command,
        measure_command,
        export_command,
        show_command,
        why_command,
        report_command,
        indices_command,
        incidents_command,
        fleet_commands,
        status_command,
        plan_command,
        store_commands,
        train_command,
        benchmark_command,
    )

    for command in (*typer_app.registered_commands, *benchmark_command.benchmark_app.registered_commands):
        first = (command.callback.__doc__ or "").strip().split("\n\n")[0] if command.callback else ""
        command.short_help = (
            " ".join(first.split()).split(". ")[0].removesuffix(".")
        )  # else the list of commands cuts it short


def app() -> int:
    """Run the command line. Returns the exit status."""
    _register()

    result: Any
    try:
        result = _command()(standalone_mode=False)
    except typer.Exit as leave:
        result = leave.exit_code
    except (typer.Abort, KeyboardInterrupt):
        result = _INTERRUPTED
    except ConfigError as error:
        for problem in str(error).split("\n"):  # one a line
            show.warning(problem)
        result = Exit.USAGE
    except HalfcycleError as error:
        show.warning(str(error))
        result = Exit.FAILED
    except BrokenPipeError:  # whoever read the output has had enough
        result = Exit.FAILED
    except OSError as error:  # what the system refuses outside the store
        show.warning(f"{error.filename or 'failed'}: {error.strerror or error}")
        result = Exit.FAILED
    except _USAGE_ERROR as error:
        error.show()
        result = Exit.USAGE
    if result == _INTERRUPTED:
        show.warning("stopped")
        result = Exit.FAILED
    return int(result or Exit.DONE)
