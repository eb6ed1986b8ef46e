"""One capture out of a file that was read before: the same one, or the capture file named with what has changed."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from readers.comtrade_files import LINES, VALUES, binary_rows, put
from readers.reader_contract import at_most_samples

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import ReadError
from halfcycle.pipeline.readers import (
    capture_at,
    comtrade,
    delimited,
    known_headers,
    matlab,
    numpy_archive,
    parquet,
    read_captures,
    release,
    stored_parquet,
)
from halfcycle.pipeline.readers.comtrade.binary_rows import BinaryRows
from halfcycle.pipeline.readers.pqdif.observed import ObservationReading
from halfcycle.pipeline.writers.comtrade import write_comtrade
from halfcycle.pipeline.writers.delimited import write_delimited
from halfcycle.pipeline.writers.matlab import write_mat
from halfcycle.pipeline.writers.numpy_archive import write_npz
from halfcycle.pipeline.writers.parquet import write_waveform_parquet
from halfcycle.pipeline.writers.pqdif import write_pqdif

# Two sampling rates, so that the file holds two captures: IEEE C37.111-2013, 7.4.8 (from memory).
TWO_RATES = {**LINES, 9: "2", 10: "1000,3\r\n500,6"}


def test_each_capture_of_a_file_is_found_by_its_place(tmp_path: Path) -> None:
    path = put(tmp_path, TWO_RATES, binary_rows(VALUES))
    captures = list(read_captures(path, quantities=("voltage",)))
    assert len(captures) == 2
    for index, capture in enumerate(captures):
        found = capture_at(path, index, quantities=("voltage",))
        assert found.header == capture.header
        assert np.array_equal(found.samples, capture.samples)


def test_a_configuration_is_parsed_once_for_headers_and_captures_unless_its_files_have_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    parsed: list[bytes] = []
    parse = comtrade.parse_configuration
    monkeypatch.setattr(
        comtrade, "parse_configuration", lambda content, **more: (parsed.append(content), parse(content, **more))[1]
    )
    path = put(tmp_path, LINES, binary_rows(VALUES))
    (header,) = known_headers(path, quantities=("voltage",)) or ()
    assert capture_at(path, 0, quantities=("voltage",)).header == header
    assert len(parsed) == 1
    known_headers(path, quantities=("voltage",))
    release()
    changed = put(tmp_path, {**LINES, 3: LINES[3].replace("0.5", "0.75")}, binary_rows(VALUES))
    assert changed == path
    assert capture_at(path, 0, quantities=("voltage",)).header.channels[0].scale == 0.75
    assert len(parsed) == 3


def test_a_capture_that_has_gone_is_said(tmp_path: Path) -> None:
    path = put(tmp_path, TWO_RATES, binary_rows(VALUES))
    with pytest.raises(ReadError, match="capture 3: has gone") as caught:
        capture_at(path, 2)
    assert caught.value.path == path


def test_where_a_companion_is_at_fault_the_capture_file_is_named_and_so_is_the_companion(tmp_path: Path) -> None:
    path = put(tmp_path, LINES, binary_rows(VALUES))
    data = path.with_suffix(".dat")
    data.write_bytes(data.read_bytes()[:-5])  # no whole number of rows
    with pytest.raises(ReadError) as plain:
        list(read_captures(path))
    with pytest.raises(ReadError, match=r"r\.dat") as caught:
        capture_at(path, 0)
    assert caught.value.path == path
    assert plain.value.path == data


def test_a_file_that_changes_between_two_readings_is_read_anew(tmp_path: Path) -> None:
    path = put(tmp_path, TWO_RATES, binary_rows(VALUES))
    before = capture_at(path, 1)
    data = path.with_suffix(".dat")
    data.write_bytes(binary_rows(VALUES[::-1]))
    os.utime(data, ns=(1, 1))
    after = capture_at(path, 1)
    assert not np.array_equal(after.samples, before.samples)
    assert np.array_equal(after.samples, list(read_captures(path))[1].samples)


def test_two_files_in_turn_give_their_own_captures(tmp_path: Path) -> None:
    paths = []
    for i in range(2):
        paths.append(tmp_path / f"{i}.csv")
        paths[-1].write_text("t_s,v_V\n" + "".join(f"{k / 1000},{k * (i + 1)}\n" for k in range(400)))
    with at_most_samples(100):
        for index in (0, 1, 3, 2):
            for i, path in enumerate(paths):
                want = np.arange(100 * index, 100 * index + 100) * (i + 1)
                assert np.array_equal(capture_at(path, index).samples[0], want)


N_ROWS = 1 << 20


def _drawn() -> Capture:
    rng = np.random.default_rng(1)
    header = Header("Weir 3", 0, 6400.0, N_ROWS, (Channel("u", "voltage", "A", "V", 0.01),), "int16", 50.0)
    return Capture(header, rng.integers(-9000, 9000, (1, N_ROWS)).astype(np.int16))


def _plain_parquet(capture: Capture, path: Path) -> None:
    table = pa.table({"v_V": capture.samples[0]}).replace_schema_metadata({"rate_hz": "6400"})
    pq.write_table(table, path, row_group_size=1 << 14)


def _pqdif(capture: Capture, path: Path) -> None:
    parts = []
    for first in range(0, N_ROWS, N_ROWS // 4):
        header = replace(capture.header, start_ns=capture.header.time_ns(first), n_samples=N_ROWS // 4)
        parts.append(Capture(header, capture.samples[:, first : first + N_ROWS // 4].copy()))
    write_pqdif(parts, path)


WRITERS: dict[str, Callable[[Capture, Path], object]] = {
    "r.parquet": write_waveform_parquet,
    "plain.parquet": _plain_parquet,
    "r.cfg": lambda capture, path: write_comtrade(capture, path, data="BINARY"),
    "a.cfg": lambda capture, path: write_comtrade(capture, path, data="ASCII"),
    "r.pqd": _pqdif,
    "r.csv": write_delimited,
    "r.npz": write_npz,
    "r.mat": write_mat,
}


@pytest.mark.parametrize("name", WRITERS)
@pytest.mark.long
def test_captures_one_by_one_cost_as_many_decoded_rows_as_all_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Counted, not timed: rows that leave the decoders of each format, and files that are read from their start."""
    path = tmp_path / name
    WRITERS[name](_drawn(), path)
    counts = _Counts(monkeypatch)
    with at_most_samples(N_ROWS // 16):
        n_captures = sum(1 for _ in read_captures(path))
        at_once = counts.taken()
        for index in range(n_captures):
            capture_at(path, index)
        one_by_one = counts.taken()
        capture_at(path, n_captures - 1)  # once more
        again = counts.taken()
    assert n_captures == 16
    assert at_once >= N_ROWS
    assert one_by_one <= at_once
    if name not in ("r.csv", "r.npz"):  # read in order: what was passed is read from the start
        assert again <= at_once / 8


class _Counts:
    """Rows that the decoders give, of all formats."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self._n = 0
        batches = stored_parquet.batches_from

        def counted_batches(*args: Any) -> Iterator[Any]:
            for batch in batches(*args):
                self._n += batch.num_rows
                yield batch

        for module in (parquet, stored_parquet):  # of plain tables, and of captures of our own
            monkeypatch.setattr(module, "batches_from", counted_batches)
        for owner, attribute, rows_of in (
            (delimited._Table, "blocks", None),
            (numpy_archive._Archive, "blocks", None),
            (matlab, "_load", lambda loaded: N_ROWS),
            (comtrade, "ascii_rows", lambda rows: rows.n_rows),
            (BinaryRows, "values", lambda values: values.shape[1]),
            (ObservationReading, "samples", lambda found: found[0].shape[1]),
        ):
            monkeypatch.setattr(owner, attribute, self._counted(getattr(owner, attribute), rows_of))

    def _counted(self, function: Callable[..., Any], rows_of: Callable[[Any], int] | None) -> Callable[..., Any]:
        def counted(*args: Any, **kwargs: Any) -> Any:
            found = function(*args, **kwargs)
            if rows_of is None:
                return self._counted_blocks(found)
            self._n += rows_of(found)
            return found

        return counted

    def _counted_blocks(self, blocks: Iterator[Any]) -> Iterator[Any]:
        for n_rows, arrays in blocks:
            self._n += n_rows
            yield n_rows, arrays

    def taken(self) -> int:
        n, self._n = self._n, 0
        return n
