"""The demo fleet: synthetic captures of an invented utility, in the files that its recorders would leave."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any, ClassVar, Literal

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.config import read_toml
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.resources import resource
from halfcycle.pipeline.synthesis import Synthesis, TrueEvent, Waveform, from_table, synthesise
from halfcycle.pipeline.synthesis.parameters import CHECKED


@dataclass(frozen=True, slots=True, kw_only=True)
class ComtradeFormat:
    """COMTRADE: year of the standard, encoding of the data, number of empty digital channels."""

    __pydantic_config__: ClassVar[dict[str, Any]] = CHECKED

    name: Literal["comtrade"]
    revision: Literal[1991, 1999, 2013]
    data: Literal["ASCII", "BINARY", "BINARY32", "FLOAT32"]
    digital_channels: int = 0

    def write(self, capture: Capture, path: Path) -> None:
        """Write a capture; the ending of the path says whether as a file pair or as a single file."""
        from halfcycle.pipeline.writers.comtrade import write_comtrade

        write_comtrade(capture, path, revision=self.revision, data=self.data, digital_channels=self.digital_channels)


@dataclass(frozen=True, slots=True, kw_only=True)
class DelimitedFormat:
    """Delimited text: the sign between columns and the decimal sign."""

    __pydantic_config__: ClassVar[dict[str, Any]] = CHECKED

    name: Literal["delimited"]
    separator: str
    decimal: str

    def write(self, capture: Capture, path: Path) -> None:
        """Write a capture."""
        from halfcycle.pipeline.writers.delimited import write_delimited

        write_delimited(capture, path, separator=self.separator, decimal=self.decimal)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainFormat:
    """A format without choices."""

    __pydantic_config__: ClassVar[dict[str, Any]] = CHECKED

    name: Literal["parquet", "npz", "mat"]

    def write(self, capture: Capture, path: Path) -> None:
        """Write a capture."""
        if self.name == "parquet":
            from halfcycle.pipeline.writers.parquet import write_waveform_parquet

            write_waveform_parquet(capture, path)
        elif self.name == "npz":
            from halfcycle.pipeline.writers.numpy_archive import write_npz

            write_npz(capture, path)
        else:
            from halfcycle.pipeline.writers.matlab import write_mat

            write_mat(capture, path)


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoCapture:
    """One recording.

    Attributes
    ----------
    files : path of each file below the site's folder; several files hold one recording, cut in pieces.
    cut_at_s : where it is cut, from its start. [s]
    start : time of the first sample, with a time zone.
    seed : of the noise.
    format : what the recorder writes.
    waveform : what it records.
    damaged_after : part of each file that was written before the recorder lost power; None: all of it.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = CHECKED

    files: tuple[str, ...]
    start: datetime
    seed: int
    format: ComtradeFormat | DelimitedFormat | PlainFormat
    waveform: Waveform
    cut_at_s: tuple[float, ...] = ()
    damaged_after: float | None = None

    def __post_init__(self) -> None:
        if len(self.files) != len(self.cut_at_s) + 1:
            raise ConfigError(
                f"cut_at_s has {len(self.cut_at_s)} values for {len(self.files)} files; one fewer than files is needed"
            )
        if self.start.tzinfo is None:
            raise ConfigError(f"start is {self.start}, without a time zone")
        if self.damaged_after is not None and not 0 < self.damaged_after < 1:
            raise ConfigError(f"damaged_after is {self.damaged_after}; it must lie between 0 and 1")

    @property
    def start_ns(self) -> int:
        """Time of the first sample. [ns since 1970-01-01]"""
        return (self.start - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoSite:
    """The facts of a site, and what its recorder recorded.

    Attributes
    ----------
    name : also the name of its folder below the inbox.
    nominal_voltage_v : of the judged voltages, to neutral or line to line as the hookup says. [V]
    nominal_frequency_hz : [Hz]
    hookup : a key of `terms.HOOKUPS`.
    time_zone : IANA name.
    captures : in the order of the description.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = CHECKED

    name: str
    nominal_voltage_v: float
    nominal_frequency_hz: float
    hookup: str
    time_zone: str
    captures: tuple[DemoCapture, ...]


@dataclass(frozen=True, slots=True)
class DemoEvent:
    """An event that the demo fleet really holds, and the files that show it."""

    site: str
    files: tuple[Path, ...]
    event: TrueEvent


@dataclass(frozen=True, slots=True)
class DemoFleet:
    """The demo fleet on disk.

    Attributes
    ----------
    inbox : folder with one folder a site.
    files : the capture files, damaged ones among them, in the order of the description; companions are not listed.
    events : what the readable files hold, in order of time within a site.
    damaged : the files that cannot be read.
    """

    inbox: Path
    files: tuple[Path, ...]
    events: tuple[DemoEvent, ...]
    damaged: tuple[Path, ...]


def demo_sites() -> tuple[DemoSite, ...]:
    """The sites of the demo fleet and their captures, as `datasets/demo-fleet.toml` describes them.

    Raises
    ------
    ConfigError : the description has an unknown key or a value that is not allowed.
    """
    path = resource("datasets", "demo-fleet.toml")
    tables = read_toml(path)["site"]
    return tuple(from_table(DemoSite, _whole(table), place=f"{path.name}, {table.get('name')}") for table in tables)


def _whole(table: Mapping[str, Any]) -> dict[str, Any]:
    """A site's table with what its captures share copied into each of them."""
    facts = {key: value for key, value in table.items() if key not in ("format", "waveform", "capture")}
    electrical = {key: facts[key] for key in ("hookup", "nominal_voltage_v", "nominal_frequency_hz") if key in facts}
    captures = [
        {
            "format": table.get("format"),
            **capture,
            "waveform": {**electrical, **table.get("waveform", {}), **capture.get("waveform", {})},
        }
        for capture in table.get("capture", ())
    ]
    return {**facts, "captures": captures}


def recording(site: DemoSite, capture: DemoCapture) -> Synthesis:
    """The recording of one capture, before it is cut into files."""
    return synthesise(capture.waveform, start_ns=capture.start_ns, station=site.name, seed=capture.seed)


def pieces(capture: Capture, *, cut_at_s: tuple[float, ...]) -> tuple[Capture, ...]:
    """Captures that follow one another and together are the one given.

    Parameters
    ----------
    capture : to be cut.
    cut_at_s : instants from its start, ascending. [s]

    Returns
    -------
    One capture more than there are cuts, each cut at the nearest sample.
    """
    header = capture.header
    ends = [0, *(round(cut_s * header.rate_hz) for cut_s in cut_at_s), header.n_samples]
    return tuple(
        Capture(
            replace(header, start_ns=header.time_ns(first), n_samples=last - first),
            capture.samples[:, first:last].copy(),
        )
        for first, last in pairwise(ends)
    )


def build_demo_fleet(root: Path) -> DemoFleet:
    """Write the demo fleet's capture files below ``root/inbox``. The same bytes in every build.

    Parameters
    ----------
    root : folder, made where it does not exist; files of an earlier build are replaced.

    Returns
    -------
    DemoFleet, with the events that the files hold.

    Raises
    ------
    StoreError, OSError : a file or folder cannot be written.
    """
    inbox = root / "inbox"
    files: list[Path] = []
    damaged: list[Path] = []
    events: list[DemoEvent] = []
    for site in demo_sites():
        of_site: list[DemoEvent] = []
        for capture in site.captures:
            paths = tuple(inbox / site.name / name for name in capture.files)
            truth = _write(site, capture, paths)
            files.extend(paths)
            if capture.damaged_after is None:
                of_site.extend(DemoEvent(site.name, _showing(capture, paths, event), event) for event in truth)
            else:
                damaged.extend(paths)
        events.extend(sorted(of_site, key=lambda one: (one.event.start_ns, one.event.kind)))
    return DemoFleet(inbox, tuple(files), tuple(events), tuple(damaged))


def _write(site: DemoSite, capture: DemoCapture, paths: tuple[Path, ...]) -> tuple[TrueEvent, ...]:
    synthesis = recording(site, capture)
    for path, piece in zip(paths, pieces(synthesis.capture, cut_at_s=capture.cut_at_s), strict=True):
        path.parent.mkdir(parents=True, exist_ok=True)
        capture.format.write(piece, path)
        if capture.damaged_after is not None:
            content = path.read_bytes()
            path.write_bytes(content[: int(len(content) * capture.damaged_after)])
    return synthesis.truth


def _showing(capture: DemoCapture, paths: tuple[Path, ...], event: TrueEvent) -> tuple[Path, ...]:
    """The files of a recording in which an event is under way."""
    start_s = (event.start_ns - capture.start_ns) / 1e9
    ends_s = [0.0, *capture.cut_at_s, capture.waveform.duration_s]
    spans = zip(paths, pairwise(ends_s), strict=True)
    return tuple(path for path, (first_s, last_s) in spans if start_s < last_s and start_s + event.duration_s > first_s)


def write_demo_config(root: Path) -> Path:
    """Write the demo fleet's configuration, as `config.load_fleet` reads it, to ``root/fleet.toml``."""
    lines = ["# Written by `halfcycle demo`; configs/fleet.toml explains each key.", ""]
    lines += ["[run]", "settle_s = 0.0  # the demo files are complete once written", ""]
    for site in demo_sites():
        lines += [
            "[[sites]]",
            f"name = {json.dumps(site.name, ensure_ascii=False)}",
            f"nominal_voltage_v = {site.nominal_voltage_v!r}",
            f"nominal_frequency_hz = {round(site.nominal_frequency_hz)}",
            f"hookup = {json.dumps(site.hookup)}",
            f"time_zone = {json.dumps(site.time_zone)}",
            "",
        ]
    path = root / "fleet.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path
