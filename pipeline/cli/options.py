"""Options that several commands share: one name, one meaning, one sentence of help."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from halfcycle.pipeline.cli import show

if TYPE_CHECKING:
    from halfcycle.pipeline.config import Fleet

_ALWAYS = ("sag", "dip", "swell", "interruption", "undervoltage", "overvoltage")


def place(text: str) -> Path:
    """A file or folder; of an address, its copy on this machine."""
    from halfcycle.pipeline.objects import is_address, local_copy

    return local_copy(text, tell=show.warning) if is_address(text) else Path(text)


def wanted_detectors(detect: str) -> dict[str, dict[str, object]]:
    """The detectors that an option names, with their defaults.

    Raises
    ------
    ConfigError : it names what is always detected.
    """
    from halfcycle.pipeline.detectors.registry import detectors
    from halfcycle.pipeline.errors import ConfigError

    always = [word for word in re.split(r"[,\s]+", detect.lower()) if word.rstrip("s") in _ALWAYS]
    if always:
        raise ConfigError(f"--detect {', '.join(always)}: always detected; name only additional detectors")
    if detect == "all":
        return {name: {} for name, detector in detectors().items() if not detector.on_request}
    return {name.strip(): {} for name in detect.split(",") if name.strip()}


def fleet_to_read(config: Path) -> Fleet:
    """A fleet's settings, and its folders brought up to where its store lies, where that is an address.

    Raises
    ------
    ConfigError, StoreError : the settings are wrong, or nothing of the store can be had.
    """
    from halfcycle.pipeline.config import load_fleet

    fleet = load_fleet(config)
    if fleet.store_at:
        from halfcycle.pipeline.nightly.working import bring_here

        words = bring_here(fleet, tell=show.warning)
        if words:
            show.warning(f"the store is {words}")
    return fleet


# Optional, not "| None": typer reads these at run time, and its oldest supported version knows no unions.
Captures = Annotated[
    list[Path],
    typer.Argument(
        metavar="PATH", help="Capture files, folders or addresses (s3://…).",
        parser=place, show_default=False,
    ),
]  # fmt: skip
FleetFile = Annotated[
    Path, typer.Option("--config", metavar="FILE", help="The fleet's settings: a TOML file.", show_default=False)
]
NominalVoltage = Annotated[
    Optional[float],  # noqa: UP045
    typer.Option(min=0.001, metavar="V", help="Declared nominal voltage. Default: stated by the files or inferred."),
]
NominalFrequency = Annotated[
    Optional[float],  # noqa: UP045
    typer.Option(min=40, max=70, metavar="HZ", help="Nominal frequency. Default: inferred from the waveform."),
]
HookupName = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option(
        "--hookup", metavar="NAME", help="Hookup, as listed by `halfcycle hookup`. Default: inferred from the channels."
    ),
]
Sites = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option(metavar="FILE", help="TOML of [[sites]]; `inspect --sites` drafts one."),
]
SitesOfCatalogue = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option("--sites", metavar="FILE", help="The TOML file of [[sites]] that the catalogue was made with."),
]
Workers = Annotated[
    Optional[int],  # noqa: UP045
    typer.Option(min=1, metavar="N", help="Worker processes. Default: automatic."),
]
EngineName = Annotated[str, typer.Option("--engine", metavar="NAME", help="Engine: processes or dask.")]
Scheduler = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option(metavar="ADDRESS", help="Dask scheduler: tcp://host:8786. Default: local."),
]
Strict = Annotated[bool, typer.Option("--strict", help="Reject files that need repair.")]
Worst = Annotated[int, typer.Option(min=0, metavar="N", help="Number of worst events to print.")]
Diagram = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option(metavar="FILE", help="Draw hookup and phasors: .svg, or .png (needs matplotlib)."),
]
Files = Annotated[
    Optional[list[Path]],  # noqa: UP045
    typer.Option(metavar="FOLDER", help="Folder to search for moved waveform files. Repeatable.", parser=place),
]
Coverage = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option(
        metavar="FILE", help="Time judged at each site, .parquet or .csv: columns site, point, start, end, judged_s, …"
    ),
]
JudgedDays = Annotated[
    Optional[float],  # noqa: UP045
    typer.Option(
        min=0.001, metavar="DAYS", help="Days judged at each site, declared by you: recorders armed throughout."
    ),
]
FirstDay = Annotated[
    Optional[datetime],  # noqa: UP045
    typer.Option("--from", formats=["%Y-%m-%d"], metavar="YYYY-MM-DD", help="First UTC day."),
]
LastDay = Annotated[
    Optional[datetime],  # noqa: UP045
    typer.Option("--to", formats=["%Y-%m-%d"], metavar="YYYY-MM-DD", help="Last UTC day."),
]
SigningKey = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option("--key", metavar="FILE", help="Key file that signs the provenance."),
]
