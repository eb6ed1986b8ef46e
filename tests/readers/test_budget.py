"""A small file may not become a large one in memory."""

from __future__ import annotations

import time
import zipfile
import zlib
from pathlib import Path

import numpy as np
import pytest
import scipy.io

from halfcycle.pipeline.errors import ConfigError, Unsupported
from halfcycle.pipeline.readers import budget, read_captures

SOURCE = "the project's own design: a stated multiple of the file's size, with a floor and a cap"


def mat_bomb(path: Path, n: int) -> Path:
    scipy.io.savemat(path, {"v1_V": np.zeros((n, 1)), "fs": 1000.0}, do_compression=True)
    return path


def npz_bomb(path: Path, n: int) -> Path:
    np.savez_compressed(path, v1_V=np.zeros(n), fs=1000.0)
    return path


@pytest.mark.slow
@pytest.mark.parametrize(("make", "name"), [(mat_bomb, "x.mat"), (npz_bomb, "x.npz")])
def test_what_would_grow_beyond_its_budget_is_refused_and_the_budget_can_be_set(
    tmp_path: Path, make, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE.
    path = make(tmp_path / name, (budget.LEAST_BYTES >> 3) + 1000)
    assert path.stat().st_size * budget.BYTES_PER_BYTE < budget.LEAST_BYTES
    with pytest.raises(Unsupported, match=budget.VARIABLE):
        list(read_captures(path))
    monkeypatch.setenv(budget.VARIABLE, str(2 * budget.LEAST_BYTES))
    assert sum(capture.header.n_samples for capture in read_captures(path)) == (budget.LEAST_BYTES >> 3) + 1000
    monkeypatch.setenv(budget.VARIABLE, "lots")
    with pytest.raises(ConfigError, match="number of bytes"):
        list(read_captures(path))


def test_the_budget_grows_with_the_file_up_to_a_cap() -> None:
    # SOURCE.
    for size, allowed in ((1, budget.LEAST_BYTES), (1 << 20, 100 << 20), (1 << 30, budget.MOST_BYTES)):
        assert budget.allowed_bytes(size) == allowed


def test_many_columns_cost_their_number_and_not_its_square(tmp_path: Path) -> None:
    # Derived: four times the columns take about four times as long, and not sixteen times.
    import pyarrow as pa
    import pyarrow.parquet as pq

    from halfcycle.pipeline.capture import Channel
    from halfcycle.pipeline.waveform_table import column_names

    seconds = []
    for n in (10_000, 40_000):
        channels = tuple(Channel(f"u{i}", "voltage", "A", "V") for i in range(n))
        began = time.process_time()
        assert len(set(column_names(channels))) == n
        seconds.append(time.process_time() - began)
    assert seconds[1] < 10 * max(seconds[0], 0.01)
    table = pa.table({f"u{i} (V)": pa.array([1.0, 2.0]) for i in range(3000)})
    pq.write_table(table.replace_schema_metadata({"rate_hz": "1000"}), tmp_path / "x.parquet")
    (capture,) = read_captures(tmp_path / "x.parquet")
    assert len(capture.header.channels) == 3000


def test_a_compressed_variable_that_ends_early_is_refused(tmp_path: Path) -> None:
    # Derived from the layout: the stream of a compressed variable has an end of its own.
    from halfcycle.pipeline.errors import MalformedRecord

    path = mat_bomb(tmp_path / "x.mat", 1000)
    data = bytearray(path.read_bytes())
    n = int.from_bytes(data[132:136], "little")
    whole = zlib.decompress(bytes(data[136 : 136 + n]))
    cut = zlib.compress(whole)[:-6]
    path.write_bytes(bytes(data[:132]) + len(cut).to_bytes(4, "little") + cut + bytes(data[136 + n :]))
    with pytest.raises(MalformedRecord):
        list(read_captures(path))
    assert not zipfile.is_zipfile(path)


def test_the_time_to_read_grows_with_the_file_from_a_floor_to_a_cap_and_can_be_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE.
    path = tmp_path / "x.zip"
    for size, allowed in ((1, budget.LEAST_SECONDS), (10**7, 200.0), (10**10, budget.MOST_SECONDS)):
        with path.open("wb") as stream:
            stream.truncate(size)
        assert budget.allowed_seconds(path) == allowed
        assert budget.allowed_seconds(path / "in it" / "r.cfg") == allowed
    monkeypatch.setenv(budget.SECONDS_VARIABLE, "2.5")
    assert budget.allowed_seconds(path) == 2.5
    for wrong in ("soon", "0", "nan", "-1"):
        monkeypatch.setenv(budget.SECONDS_VARIABLE, wrong)
        with pytest.raises(ConfigError, match="number of seconds"):
            budget.allowed_seconds(path)
