"""Files that hold no waveform and are not broken: what is said of them, by themselves and in bundles."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pqdif_bytes as made
import pytest
from comtrade_files import LINES, VALUES, binary_rows, put
from reader_contract import check_broken_copies

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.errors import MalformedRecord, ReadError
from halfcycle.pipeline.inspection import inspect
from halfcycle.pipeline.readers import companions_of, read_captures, remarks_on
from halfcycle.pipeline.readers.contract import Repair
from halfcycle.pipeline.readers.pqdif import READER
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.settings import Thresholds

SOURCE = "IEEE 1159.3 for the files; the project's own design for what is said of them"
TERMS = Terms(Thresholds())
INTERVALS = "3 interval observations (RMS) not read as waveforms"


def saved(folder: Path, *records: tuple[str, bytes], name: str = "x.pqd", **options: object) -> Path:
    path = folder / name
    path.write_bytes(made.file(made.container(), *records, **options))  # type: ignore[arg-type]
    return path


def zipped(folder: Path, **members: Path) -> Path:
    """A bundle of files with what belongs to them, each below a folder of the name given."""
    path = folder / "night.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for name, member in members.items():
            for part in (member, *companions_of(member)):
                archive.write(part, f"{name}/{part.name}")
    return path


@pytest.fixture
def trend(tmp_path: Path) -> Path:
    return saved(tmp_path, *made.interval_records())


@pytest.mark.parametrize("strict", [False, True])
def test_a_file_of_interval_values_says_what_it_holds(trend: Path, strict: bool) -> None:
    assert list(read_captures(trend, strict=strict)) == []
    assert remarks_on(trend, strict=strict) == (INTERVALS,)


def test_a_compressed_file_says_the_same(tmp_path: Path) -> None:
    path = tmp_path / "x.pqd"
    path.write_bytes(made.file(made.container(style=2), *made.interval_records(), compressed=True))
    assert remarks_on(path) == (INTERVALS,)


def test_a_file_without_observations_and_records_of_unknown_types_are_told(tmp_path: Path) -> None:
    assert remarks_on(saved(tmp_path)) == ("it holds no observation",)
    odd = ("tagSeriesScale", b"what is this")
    path = saved(tmp_path, *made.interval_records(), ("tagBlank", bytes(40)), odd, odd)
    assert remarks_on(path) == (INTERVALS, "2 records of unknown type ignored")


def test_a_file_with_captures_has_no_remarks(tmp_path: Path) -> None:
    source, *trends = made.interval_records()
    waveform = made.instance(0, made.steps((8, 0.001)), made.stored(21, [1] * 8))
    path = saved(tmp_path, source, *trends, made.source(made.channel("UA")), made.observation(waveform))
    (capture,) = read_captures(path)
    assert capture.header.notes == (INTERVALS,)
    assert READER.remarks(path) == ()


@pytest.mark.parametrize("i_record", [1, 2, 4])
def test_damage_in_any_record_of_a_file_without_waveforms_is_found(tmp_path: Path, i_record: int) -> None:
    # derived: a header of 64 bytes stands before each body, and the last byte of a body is no link.
    records = [made.container(), *made.interval_records()]
    content = bytearray(made.file(*records))
    content[sum(64 + len(body) for _, body in records[: i_record + 1]) - 1] ^= 1
    path = tmp_path / "x.pqd"
    path.write_bytes(content)
    with pytest.raises(MalformedRecord, match="it is damaged"):
        remarks_on(path)
    assert [item.path for item in screen([path], terms=TERMS).set_aside] == [path]
    with pytest.raises(MalformedRecord, match="it is damaged"):
        inspect(path)


@pytest.mark.slow
@pytest.mark.parametrize("compressed", [False, True])
def test_damaged_copies_are_told_or_refused(tmp_path: Path, compressed: bool) -> None:
    container = made.container(style=2) if compressed else made.container()
    path = tmp_path / "x.pqd"
    path.write_bytes(made.file(container, *made.interval_records(), compressed=compressed, checksum=lambda stored: 0))
    check_broken_copies(path, n_copies=300)


def test_checksums_of_another_kind_are_a_repair_said_once(tmp_path: Path) -> None:
    path = saved(tmp_path, *made.interval_records(), checksum=lambda stored: 7)
    said, guessed = remarks_on(path)
    assert said == INTERVALS
    assert isinstance(guessed, Repair)
    assert not isinstance(said, Repair)
    with pytest.raises(MalformedRecord, match=r"x\.pqd: needs repair, which strict reading refuses: record checksums"):
        remarks_on(path, strict=True)


def test_a_format_whose_files_always_hold_captures_has_nothing_to_say(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text("t (s),ua (V)\n0,1\n1,2\n", encoding="utf-8")
    with pytest.raises(MalformedRecord, match=r"x\.csv: holds no capture"):
        remarks_on(path)


def test_a_bundle_of_files_without_waveforms_names_each(tmp_path: Path, trend: Path) -> None:
    other = saved(tmp_path, name="y.pqd")
    notes = tmp_path / "notes.txt"
    notes.write_text("a note of the crew")
    path = zipped(tmp_path, a=trend, b=other, c=notes)
    assert list(read_captures(path)) == []
    assert remarks_on(path) == (
        f"a/x.pqd: {INTERVALS}",
        "b/y.pqd: it holds no observation",
        "the bundle also holds files that no reader recognises: c/notes.txt",
    )
    assert remarks_on(path / "a" / "x.pqd") == (INTERVALS,)


def test_a_repair_in_a_bundle_stays_one(tmp_path: Path) -> None:
    path = zipped(tmp_path, a=saved(tmp_path, *made.interval_records(), checksum=lambda stored: 7))
    for named in (path, path / "a" / "x.pqd"):
        assert any(isinstance(remark, Repair) for remark in remarks_on(named))
        with pytest.raises(ReadError, match="strict reading refuses"):
            remarks_on(named, strict=True)


def test_captures_of_a_bundle_note_the_files_without_waveforms_beside_them(tmp_path: Path, trend: Path) -> None:
    path = zipped(tmp_path, a=put(tmp_path, LINES, binary_rows(VALUES)), b=trend)
    (capture,) = read_captures(path)
    assert f"b/x.pqd: {INTERVALS}" in capture.header.notes


@pytest.mark.parametrize("in_bundle", [False, True])
def test_screening_counts_and_notes_files_without_waveforms(tmp_path: Path, trend: Path, in_bundle: bool) -> None:
    path = zipped(tmp_path, a=trend) if in_bundle else trend
    result = screen([path], terms=TERMS)
    assert (result.n_files, result.n_captures, result.n_without_waveform, result.set_aside) == (1, 0, 1, ())
    assert result.notes == ((str(path / "a" / "x.pqd" if in_bundle else path), INTERVALS),)


def test_inspection_says_what_a_file_without_waveforms_holds(trend: Path) -> None:
    found = inspect(trend)
    assert (found.format, found.headers, found.points, found.notes) == ("PQDIF", (), (), (INTERVALS,))
