"""Trends in the store: a file a day, what was written is read, and a month of a survey in seconds."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.store.trends import read_trend, write_trend

START = np.datetime64("2026-03-01T22:00:00", "ns")


def trend(n: int, *, interval_s: float = 600.0, n_series: int = 2, seed: int = 0) -> pa.Table:
    rng = np.random.default_rng(seed)
    starts = START + (np.arange(n) * interval_s * 1e9).astype("timedelta64[ns]")
    columns = {"start": pa.array(starts, pa.timestamp("ns", tz="UTC")), "measured": np.ones(n, np.float32)}
    columns["flag"] = rng.random(n) < 0.01
    for i in range(n_series):
        columns[f"u_rms_{'abc'[i % 3]}{i}"] = (230 + rng.normal(0, 1, n)).astype(np.float32)
    return pa.table(columns)


def test_a_trend_is_written_by_utc_day_and_read_back_as_it_was(tmp_path: Path) -> None:
    table = trend(300)
    paths = write_trend(table, tmp_path, site="Mill Lane", interval_s=600.0)
    assert [path.parent.name for path in paths] == ["date=2026-03-01", "date=2026-03-02", "date=2026-03-03"]
    assert paths[0].relative_to(tmp_path).as_posix() == "trends/site=Mill Lane/date=2026-03-01/interval=600s.parquet"
    assert read_trend(tmp_path, site="Mill Lane", interval_s=600.0).equals(table)
    day = read_trend(tmp_path, site="Mill Lane", interval_s=600.0, first=date(2026, 3, 2), last=date(2026, 3, 2))
    assert day.num_rows == 144
    some = read_trend(tmp_path, site="Mill Lane", interval_s=600.0, columns=["u_rms_a0"])
    assert some.column_names == ["start", "measured", "flag", "u_rms_a0"]


def test_a_day_written_again_is_replaced_and_other_intervals_lie_beside_it(tmp_path: Path) -> None:
    write_trend(trend(300), tmp_path, site="s", interval_s=600.0)
    write_trend(trend(100, interval_s=1.0), tmp_path, site="s", interval_s=1.0)
    again = trend(300, seed=1)
    write_trend(again, tmp_path, site="s", interval_s=600.0)
    assert read_trend(tmp_path, site="s", interval_s=600.0).equals(again)
    assert read_trend(tmp_path, site="s", interval_s=1.0).num_rows == 100
    assert not list((tmp_path / ".staging").iterdir())


def test_what_is_no_trend_or_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no trend of 600 s"):
        read_trend(tmp_path, site="s", interval_s=600.0)
    with pytest.raises(StoreError, match="without measured, flag"):
        write_trend(trend(10).select(["start"]), tmp_path, site="s", interval_s=600.0)
    with pytest.raises(StoreError, match="in order"):
        write_trend(pa.concat_tables([trend(10), trend(10)]), tmp_path, site="s", interval_s=600.0)
    (path,) = write_trend(trend(5), tmp_path, site="s", interval_s=600.0)
    path.write_bytes(path.read_bytes()[:200])
    with pytest.raises(StoreError, match="damaged"):
        read_trend(tmp_path, site="s", interval_s=600.0)
