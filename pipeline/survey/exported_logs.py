"""Logs of RMS handed on row by row, as CSV or Parquet with a description beside, and read back as anybody's."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from halfcycle.pipeline.errors import ConfigError, StoreError
from halfcycle.pipeline.quantities import QUANTITIES
from halfcycle.pipeline.readers import intervals_in
from halfcycle.pipeline.readers.description import description_path
from halfcycle.pipeline.readers.intervals import IntervalRecords, IntervalSeries
from halfcycle.pipeline.sites.recorded import header_of, in_primary
from halfcycle.pipeline.sites.table import SiteTable

if TYPE_CHECKING:
    import pyarrow as pa

ENDINGS: Final = (".csv", ".parquet")


def logs_in(path: Path, *, sites: SiteTable) -> list[IntervalRecords]:
    """The logs of RMS in a file, in primary values and under the site's name; none where it holds something else.

    Raises
    ------
    ReadError : it cannot be read.
    """
    found = []
    for one in intervals_in(path):
        if one.is_rms_log:
            site = sites.site(header_of(one), path)
            name = one.station if site is None else site.name
            found.append(replace(in_primary(one, site), station=name))
    return found


def export_logs(logs: Sequence[IntervalRecords], out: Path) -> list[tuple[Path, int]]:
    """Write logs of RMS row by row; several are numbered, ``log-001.csv``.

    Parameters
    ----------
    logs : a point each; what follows in another file is a log of its own.
    out : ends in .csv or .parquet. ``x.csv.toml`` beside it names station and nominal voltage, and of each column its
        quantity, phase, statistic and unit: with it the file reads as what was written.

    Returns
    -------
    (path, number of rows) of each file.

    Raises
    ------
    ConfigError : another ending.
    StoreError : a file cannot be written, or does not read back as what was written to the last digit.
    """
    from halfcycle.pipeline.catalogue.tables import write_table

    if out.suffix.lower() not in ENDINGS:
        raise ConfigError(f"{out.name}: logs of RMS are exported as {' and '.join(ENDINGS)}")
    out.parent.mkdir(parents=True, exist_ok=True)
    written = []
    with tempfile.TemporaryDirectory(prefix=".aside-", dir=out.parent) as folder:
        for k, one in enumerate(logs):
            path = out if len(logs) == 1 else out.with_stem(f"{out.stem}-{k + 1:03}")
            aside = Path(folder) / path.name
            beside = description_path(aside)
            beside.write_text(_description(one), encoding="utf-8")
            write_table(_table(one), aside)
            _check(one, aside)
            try:
                os.replace(beside, path.with_name(beside.name))
                os.replace(aside, path)
            except OSError as error:
                raise StoreError(f"{path}: cannot be written ({error.strerror or error})") from error
            written.append((path, one.starts_ns.size))
    return written


def _table(one: IntervalRecords) -> pa.Table:
    import pyarrow as pa

    columns = {"time": pa.array(one.starts_ns, pa.timestamp("ns", tz="UTC"))}
    columns |= {_label(series): pa.array(series.values, pa.float64(), from_pandas=True) for series in one.series}
    return pa.table(columns | {"flagged": pa.array(one.flagged)})


def _label(series: IntervalSeries) -> str:
    unit = QUANTITIES[series.symbol].unit
    return f"{series.column} ({unit})" if unit else series.column


def _description(one: IntervalRecords) -> str:
    """What is said of a log beside it."""
    lines = ["[intervals]"]
    name = f"{one.station} {one.point}".strip()
    lines += [f"station = {json.dumps(name, ensure_ascii=False)}"] if name else []
    lines += [f"nominal_voltage_v = {float(one.nominal_v)!r}"] if one.nominal_v is not None else []
    for series in one.series:
        said = {"quantity": series.symbol, "phase": series.phase, "statistic": series.statistic,
                "unit": QUANTITIES[series.symbol].unit}  # fmt: skip
        lines.append(f"[intervals.columns.{json.dumps(_label(series))}]")
        lines += [f"{key} = {json.dumps(value)}" for key, value in said.items() if value]
    return "\n".join(lines) + "\n"


def _check(one: IntervalRecords, path: Path) -> None:
    """Refuse a file that does not read back as what was written."""
    found = intervals_in(path)
    again = found[0] if len(found) == 1 else None
    values = {} if again is None else {series.column: series.values for series in again.series}
    if (
        again is None
        or not np.array_equal(again.starts_ns, one.starts_ns)
        or not np.array_equal(again.flagged, one.flagged)
        or values.keys() != {series.column for series in one.series}
        or any(not np.array_equal(series.values, values[series.column], equal_nan=True) for series in one.series)
    ):
        raise StoreError(f"{path.name}: the values read back differ from those written; nothing was written")
