"""Captures as delimited text: comments, a header line with units, a relative time column, physical values."""

from __future__ import annotations

import csv
import re
from pathlib import Path
from typing import Any

import numpy as np

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.errors import ConfigError, StoreError
from halfcycle.pipeline.terms import phase_of, quantity_of_unit

SEPARATORS = (",", ";", "\t")
DECIMALS = (".", ",")


def write_delimited(capture: Capture, path: Path, *, separator: str = ",", decimal: str = ".") -> None:
    """Write a capture as text that reads back as the same capture, to float32 precision; missing samples are empty.

    Parameters
    ----------
    capture : to be written.
    path : of the file; an existing one is replaced.
    separator : between cells: comma, semicolon or tab.
    decimal : point or comma; a comma needs another separator.

    Raises
    ------
    ConfigError : separator or decimal mark is not allowed.
    StoreError : the file cannot be written.
    """
    if separator not in SEPARATORS or decimal not in DECIMALS or separator == decimal:
        raise ConfigError(f"separator {separator!r} with decimal mark {decimal!r}; allowed separators are comma, "
                          "semicolon and tab, decimal marks are point and comma, and the two must differ")  # fmt: skip
    import pandas as pd

    from halfcycle.pipeline.waveform_table import column_names

    header = capture.header
    names = [re.sub(r"\s+", " ", name).strip() for name in column_names(header.channels)]
    labels = [f"{name} ({channel.unit})" for name, channel in zip(names, header.channels, strict=True)]
    times = [f"{t_s:.9f}".replace(".", decimal) for t_s in (np.arange(header.n_samples) / header.rate_hz).tolist()]
    columns: list[Any] = [times, *(capture.physical(i) for i in range(len(labels)))]
    table = pd.DataFrame(dict(enumerate(columns)))
    try:
        with path.open("w", encoding="utf-8", newline="") as stream:
            stream.writelines(f"# {line}\n" for line in _comments(capture, names))
            csv.writer(stream, delimiter=separator, lineterminator="\n").writerow(["t (s)", *labels])
            table.to_csv(
                stream,
                sep=separator,
                decimal=decimal,
                header=False,
                index=False,
                float_format="%.9g",
                lineterminator="\n",
            )
    except OSError as error:
        raise StoreError(f"{path.name} cannot be written ({error.strerror or error})") from error


def _comments(capture: Capture, names: list[str]) -> list[str]:
    """What columns do not say, as ``key: value``."""
    header = capture.header
    lines = [f"station: {header.station}"] if header.station else []
    lines += [f"start: {np.datetime64(header.start_ns, 'ns')}Z", f"rate_hz: {header.rate_hz!r}"]
    if header.nominal_frequency_hz is not None:
        lines.append(f"frequency: {header.nominal_frequency_hz!r}")
    if header.trigger_ns is not None:
        lines.append(f"trigger: {np.datetime64(header.trigger_ns, 'ns')}Z")
    for name, channel in zip(names, header.channels, strict=True):
        if quantity_of_unit(channel.unit)[0] != channel.quantity or not channel.unit:
            lines.append(f"channels.{name}.quantity: {channel.quantity}")
        if not channel.phase or phase_of("", name) != channel.phase:
            lines.append(f"channels.{name}.phase: {channel.phase}")
        if channel.point:
            lines.append(f"channels.{name}.point: {channel.point}")
        if channel.rated is not None:
            lines.append(f"channels.{name}.rated: {channel.rated!r}")
    return lines
