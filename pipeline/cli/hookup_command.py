"""`halfcycle hookup`: how a recorder can be connected, told and drawn before anybody goes out."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from halfcycle.pipeline.cli import show
from halfcycle.pipeline.cli.commands import Exit, typer_app
from halfcycle.pipeline.cli.options import Diagram

if TYPE_CHECKING:
    from halfcycle.pipeline.report.hookup_guide import Guide

_EPILOG = "Example:  halfcycle hookup four-wire --diagram four-wire.svg"


@typer_app.command("hookup", epilog=_EPILOG)
def hookup_command(
    name: Annotated[
        Optional[str],  # noqa: UP045  (typer reads the annotation at run time)
        typer.Argument(help="A hookup, such as four-wire. Without one, all are listed.", show_default=False),
    ] = None,
    nominal_voltage: Annotated[
        Optional[float],  # noqa: UP045
        typer.Option(
            metavar="V",
            min=0.001,
            help="Nominal voltage of the voltage channels [V]. Default: a typical value, as an example.",
        ),
    ] = None,
    diagram: Diagram = None,
) -> int:
    """List the hookups, or explain how to connect one.

    The arrows of the clamps point to the load. That side is downstream, the other upstream, whichever way power flows.
    """
    from halfcycle.pipeline.errors import ConfigError
    from halfcycle.pipeline.report.hookup_guide import guide_of, guide_svg, hookup_table
    from halfcycle.pipeline.terms import HOOKUPS

    if name is not None and name not in HOOKUPS:
        raise ConfigError(f"hookup {name!r}; allowed are {', '.join(HOOKUPS)}")
    if nominal_voltage is not None and not math.isfinite(nominal_voltage):
        raise ConfigError(f"--nominal-voltage {nominal_voltage}; it must be a finite number of volts")
    if diagram is not None and diagram.suffix.lower() not in (".svg", ".png"):
        raise ConfigError(f"--diagram {diagram.name}: the ending must be .svg or .png")
    if name is None:
        if diagram is not None:
            raise ConfigError(f"--diagram {diagram.name}: name the hookup to draw; allowed are {', '.join(HOOKUPS)}")
        show.table(hookup_table())
        show.line("details: halfcycle hookup NAME")
        return Exit.DONE
    guide = guide_of(HOOKUPS[name], nominal_v=nominal_voltage)
    if diagram is not None:  # before anything is printed: who reads along may hang up
        show.draw(guide_svg(guide), diagram)
    _show_guide(guide)
    if diagram is not None:
        show.line(f"diagram: {diagram}")
    return Exit.DONE


def _show_guide(guide: Guide) -> None:
    from halfcycle.pipeline.report.hookup_guide import CAUTIONS, expected_table

    show.line(f"{guide.hookup.name}: {guide.hookup.meaning}")
    show.table(guide.connections)
    show.line("in this order:")
    for k, step in enumerate(guide.steps, 1):
        show.line(f"  {k}. {step}")
    show.table(expected_table(guide.expected))
    for sentence in guide.look:
        show.line(f"  - {sentence}")
    show.line()
    show.line("caution:")
    for caution in CAUTIONS:
        show.line(f"  - {caution}")
