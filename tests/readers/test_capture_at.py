"""One capture out of a file that was read before: the same one, or the capture file named with what has changed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from readers.comtrade_files import LINES, VALUES, binary_rows, put

from pipeline.errors import ReadError
from pipeline.readers import capture_at, read_captures

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
