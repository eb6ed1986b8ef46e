"""A stored capture read column by column for its digest, or whole, against the capture that was stored."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from halfcycle.pipeline.capture import Capture, Channel, Header
from halfcycle.pipeline.errors import DamagedCapture
from halfcycle.pipeline.store.content import stored_capture, stored_digest
from halfcycle.pipeline.waveform_table import ROW_GROUP_SAMPLES
from halfcycle.pipeline.writers.parquet import write_waveform_parquet

CHANNELS = (
    Channel("U", "voltage", "A", "V", 0.02),
    Channel("U.1", "voltage", "B", "V", 0.02),  # a name within another's by pyarrow's rule of dots
    Channel("U", "current", "A", "A", 0.001),  # a name that is there twice
    Channel("", "other", "", ""),
)


def made(kind: str, n: int) -> Capture:
    samples = np.random.default_rng(n).integers(-3000, 3000, (len(CHANNELS), n)).astype(kind)
    return Capture(Header("Low weir", 5, 1600.0, n, CHANNELS, kind, 50.0), samples)


@pytest.mark.parametrize("kind", ["int16", "int32", "float32"])
@pytest.mark.parametrize("n", [0, 7, 2 * ROW_GROUP_SAMPLES + 3])
def test_it_is_that_of_the_capture(tmp_path: Path, kind: str, n: int) -> None:
    capture = made(kind, n)
    write_waveform_parquet(capture, tmp_path / "x.parquet")
    assert stored_digest(tmp_path / "x.parquet") == capture.digest()
    whole = stored_capture(tmp_path / "x.parquet")
    assert whole.header == capture.header
    assert np.array_equal(whole.samples, capture.samples)


def test_another_sample_or_header_gives_another_digest(tmp_path: Path) -> None:
    capture = made("int16", 100)
    samples = capture.samples.copy()
    samples[2, 99] += 1
    others = (Capture(capture.header, samples), Capture(replace(capture.header, start_ns=6), capture.samples))
    for i, other in enumerate((capture, *others)):
        write_waveform_parquet(other, tmp_path / f"{i}.parquet", digest=capture.digest())
    assert len({stored_digest(tmp_path / f"{i}.parquet") for i in range(3)}) == 3


def test_what_is_cut_or_no_capture_is_damaged(tmp_path: Path) -> None:
    whole = tmp_path / "x.parquet"
    write_waveform_parquet(made("int16", 5000), whole)
    content = bytearray(whole.read_bytes())
    for damaged in (bytes(content[:-100]), b"PAR1", b"", bytes(content[:400] + bytes(200) + content[600:])):
        (tmp_path / "bad.parquet").write_bytes(damaged)
        for read in (stored_digest, stored_capture):
            with pytest.raises(DamagedCapture, match=r"bad\.parquet"):
                read(tmp_path / "bad.parquet")


def test_a_header_that_states_other_rows_than_there_are_is_damage(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    write_waveform_parquet(made("int16", 5000), path)
    table = pq.read_table(path)
    pq.write_table(table.slice(0, 4000), path)
    with pytest.raises(DamagedCapture, match="holds 4000 rows, its header states 5000"):
        stored_capture(path)
