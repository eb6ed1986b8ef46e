"""Bundles (.zip, .tar.gz): read in place like folders, and refused where they could do harm."""

from __future__ import annotations

import io
import os
import stat
import tarfile
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from comtrade_files import LINES, VALUES, binary_rows, put
from made_fleet import SITE, cut, events_in, loaded, made_capture, write_capture, write_fleet
from reader_contract import check_broken_copies

from halfcycle.pipeline.catalogue.judge import Terms
from halfcycle.pipeline.errors import MalformedRecord, ReadError, UnknownFormat, Unsupported
from halfcycle.pipeline.nightly.run import run_nightly
from halfcycle.pipeline.readers import (
    bundle,
    capture_files,
    companions_of,
    keep_unpacked,
    opened,
    read_captures,
    reader_of,
)
from halfcycle.pipeline.screening import screen
from halfcycle.pipeline.settings import Thresholds
from halfcycle.pipeline.writers.delimited import write_delimited

SOURCE = "the project's own design; the attacks are those of the zipfile and tarfile pages of the Python documentation"
Members = list[tuple[str, bytes]]
Pack = Callable[[Path, Members], Path]


def zipped(folder: Path, members: Members, name: str = "night.zip") -> Path:
    path = folder / name
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for member, content in members:
            archive.writestr(member, content)
    return path


def tarred(folder: Path, members: Members, name: str = "night.tar.gz") -> Path:
    path = folder / name
    with tarfile.open(path, "w:gz") as archive:
        for member, content in members:
            info = tarfile.TarInfo(member)
            info.size = len(content)
            archive.addfile(info, io.BytesIO(content))
    return path


both = pytest.mark.parametrize("pack", [zipped, tarred])


def pair(folder: Path, member: str = "a", **changed: str) -> Members:
    """A COMTRADE pair below a folder of the bundle."""
    made = folder / "made" / member.replace("/", "_")
    made.mkdir(parents=True)
    lines = LINES | {int(key[1:]): line for key, line in changed.items()}
    path = put(made, lines, binary_rows(VALUES))
    return [(f"{member}.cfg", path.read_bytes()), (f"{member}.dat", path.with_suffix(".dat").read_bytes())]


@pytest.fixture(autouse=True)
def _nothing_is_left_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):  # type: ignore[no-untyped-def]
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    yield
    assert not list((tmp_path / "temporary").iterdir())


@both
def test_the_captures_of_a_bundle_are_those_of_its_files(tmp_path: Path, pack: Pack) -> None:
    plain = next(read_captures(put(tmp_path, LINES, binary_rows(VALUES))))
    path = pack(tmp_path, pair(tmp_path, "feeder 3/b") + pair(tmp_path, "a"))
    first, second = read_captures(path)
    assert first.digest() == second.digest() == plain.digest()
    assert [c.header.source for c in (first, second)] == [f"{path.name}/a.cfg", f"{path.name}/feeder 3/b.cfg"]
    (currents,) = {c.header.channels for c in read_captures(path, quantities=["current"])}
    assert [channel.name for channel in currents] == ["IA"]
    assert reader_of(path) is bundle.READER
    assert companions_of(path) == ()


@both
def test_a_path_leads_to_one_file_in_a_bundle(tmp_path: Path, pack: Pack) -> None:
    path = pack(tmp_path, pair(tmp_path, "feeder 3/b") + pair(tmp_path, "a"))
    (capture,) = read_captures(path / "feeder 3" / "b.cfg")
    np.testing.assert_array_equal(capture.samples, VALUES.T)
    assert capture.header.source == f"{path.name}/feeder 3/b.cfg"
    with opened(path / "a.cfg") as stream:
        assert stream.read() == dict(pair(tmp_path, "c"))["c.cfg"]
    with pytest.raises(ReadError, match=r"c\.cfg: the bundle holds no such file"):
        list(read_captures(path / "c.cfg"))


@both
def test_files_in_bundles_take_the_place_of_the_bundle_where_that_is_asked_for(tmp_path: Path, pack: Pack) -> None:
    path = pack(
        tmp_path, [*pair(tmp_path), ("notes.txt", b"a note of the crew"), ("__MACOSX/._a.cfg", b"x"), (".x", b"x")]
    )
    assert capture_files([path]) == [path]
    assert capture_files([path], in_bundles=True) == [path / "a.cfg", path / "notes.txt"]


@both
def test_screening_judges_each_file_of_a_bundle_and_sets_broken_ones_aside_by_name(tmp_path: Path, pack: Pack) -> None:
    good, bad = pair(tmp_path), pair(tmp_path, "sub/b", l10="1000,7")
    path = pack(tmp_path, good + bad + [("readme.txt", b"nothing to read")])
    result = screen([path], terms=Terms(Thresholds()), workers=1)
    assert (result.n_files, result.n_captures) == (1, 1)
    reasons = {item.path: item.reason for item in result.set_aside}
    assert set(reasons) == {path / "sub/b.cfg", path / "readme.txt"}
    assert "sub/b.dat: the configuration declares 7 samples" in reasons[path / "sub/b.cfg"]


@both
def test_an_event_is_found_in_a_bundle_as_in_the_bare_file(tmp_path: Path, pack: Pack) -> None:
    rate_hz, n = 3200, 3200
    t = np.arange(n) / rate_hz
    volts = (
        np.stack([np.sin(2 * np.pi * (50 * t - k / 3)) for k in range(3)]) * 325 * np.where(abs(t - 0.5) < 0.1, 0.5, 1)
    )
    rows = "".join(f"{t[i]:.7f},{volts[0, i]:.3f},{volts[1, i]:.3f},{volts[2, i]:.3f}\n" for i in range(n))
    text = f"t (s),ua (V),ub (V),uc (V)\n{rows}"
    (tmp_path / "mill.csv").write_text(text)
    bare = screen([tmp_path / "mill.csv"], terms=Terms(Thresholds()), workers=1)
    packed = screen([pack(tmp_path, [("mill.csv", text.encode())])], terms=Terms(Thresholds()), workers=1)
    assert [event.kind for event in bare.events] == ["sag"]
    # Its site, the file's name, and its digest, too; where it lies is another place.
    assert [replace(one, source=None) for one in packed.events] == [replace(one, source=None) for one in bare.events]


def test_files_of_unknown_formats_are_noted_where_a_whole_bundle_is_read(tmp_path: Path) -> None:
    (capture,) = read_captures(zipped(tmp_path, [*pair(tmp_path), ("notes.txt", b"a note of the crew")]))
    assert any("files that no reader recognises: notes.txt" in note for note in capture.header.notes)
    with pytest.raises(MalformedRecord, match=r"holds no capture; no reader recognises notes\.txt"):
        list(read_captures(zipped(tmp_path, [("notes.txt", b"a note of the crew")])))


@both
def test_errors_name_the_member_and_the_place_in_it(tmp_path: Path, pack: Pack) -> None:
    path = pack(tmp_path, pair(tmp_path, "sub/b", l8="fifty"))
    with pytest.raises(MalformedRecord) as caught:
        list(read_captures(path))
    assert (caught.value.path, caught.value.place) == (path, "sub/b.cfg, line 8")
    assert str(caught.value).startswith(f"{path.name}, sub/b.cfg, line 8: the line frequency")


@both
@pytest.mark.parametrize(
    "name", ["../out.csv", "/out.csv", "a/../../out.csv", "C:/out.csv", "..\\out.csv", "a\\..\\..\\out.csv"]
)
def test_names_that_lead_out_are_refused_and_nothing_is_written(tmp_path: Path, pack: Pack, name: str) -> None:
    # SOURCE.
    path = pack(tmp_path, [*pair(tmp_path), (name, b"t,va\n0,1\n")])
    with pytest.raises(MalformedRecord, match="its name points outside the bundle"):
        list(read_captures(path))
    assert not list(tmp_path.rglob("out.csv"))
    assert screen([path], terms=Terms(Thresholds()), workers=1).set_aside[0].path == path


@pytest.mark.parametrize("kind", [tarfile.SYMTYPE, tarfile.LNKTYPE, tarfile.CHRTYPE, tarfile.BLKTYPE, tarfile.FIFOTYPE])
def test_links_and_devices_in_a_tar_are_refused(tmp_path: Path, kind: bytes) -> None:
    # SOURCE.
    path = tmp_path / "night.tgz"
    with tarfile.open(path, "w:gz") as archive:
        info = tarfile.TarInfo("a.cfg")
        info.type, info.linkname = kind, "/etc/passwd"
        archive.addfile(info)
    with pytest.raises(Unsupported, match=r"a\.cfg: is a link or not a regular file"):
        list(read_captures(path))


def test_links_in_a_zip_are_refused(tmp_path: Path) -> None:
    # SOURCE.
    path = tmp_path / "night.zip"
    with zipfile.ZipFile(path, "w") as archive:
        info = zipfile.ZipInfo("a.cfg")
        info.create_system, info.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
        archive.writestr(info, "/etc/passwd")
    with pytest.raises(Unsupported, match=r"a\.cfg: is a link or not a regular file"):
        list(read_captures(path))


@both
def test_a_bundle_that_would_grow_too_large_is_refused_before_it_does(
    tmp_path: Path, pack: Pack, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = pack(tmp_path, [("a.csv", bytes(50_000)), ("b.csv", bytes(50_000))])
    assert path.stat().st_size < 1000
    monkeypatch.setattr(bundle, "MAX_MEMBER_BYTES", 40_000)
    with pytest.raises(Unsupported, match=r"a\.csv: holds 50000 bytes; a member may hold 40000"):
        list(read_captures(path))
    monkeypatch.setattr(bundle, "MAX_MEMBER_BYTES", 60_000)
    monkeypatch.setattr(bundle, "MAX_TOTAL_BYTES", 90_000)
    with pytest.raises(Unsupported, match=r"b\.csv: the bundle holds more than 90000 bytes"):
        list(read_captures(path))
    monkeypatch.setattr(bundle, "MAX_MEMBERS", 1)
    with pytest.raises(Unsupported, match=r"b\.csv: the bundle holds more than 1 files"):
        list(read_captures(path))


def test_a_zip_that_understates_a_size_does_not_grow_beyond_it(tmp_path: Path) -> None:
    path = zipped(tmp_path, [("a.csv", bytes(500_000))])
    honest, lie = (500_000).to_bytes(4, "little"), (500).to_bytes(4, "little")
    content = path.read_bytes()
    assert content.count(honest) == 2  # beside the member and in the directory
    path.write_bytes(content.replace(honest, lie))
    with pytest.raises(MalformedRecord, match="the bundle is broken"):
        list(read_captures(path))


def test_a_tar_header_that_claims_a_huge_comment_takes_no_memory(tmp_path: Path) -> None:
    path = tmp_path / "night.tar.gz"
    info = tarfile.TarInfo("pax")
    info.type, info.size = tarfile.XHDTYPE, 1 << 29
    with tarfile.open(path, "w:gz", format=tarfile.USTAR_FORMAT) as archive:
        archive.fileobj.write(info.tobuf(tarfile.USTAR_FORMAT))  # type: ignore[union-attr]
        archive.fileobj.write(bytes(1 << 12))  # type: ignore[union-attr]
    with pytest.raises(Unsupported, match="a header of 536870912 bytes"):
        list(read_captures(path))


@both
@pytest.mark.parametrize("inner", ["old.zip", "old.tar.gz", "old.tgz"])
def test_a_bundle_in_a_bundle_is_refused_in_words(tmp_path: Path, pack: Pack, inner: str) -> None:
    inside = (zipped if inner.endswith("zip") else tarred)(tmp_path, pair(tmp_path, "x"), f"made-{inner}")
    path = pack(tmp_path, [*pair(tmp_path), (inner, inside.read_bytes())])
    with pytest.raises(Unsupported, match=rf"{inner}: nested bundles are not read; unpack the inner one first"):
        list(read_captures(path))
    result = screen([path], terms=Terms(Thresholds()), workers=1)
    assert [(item.path, "nested bundles" in item.reason) for item in result.set_aside] == [(path / inner, True)]
    assert result.n_captures == 1


@both
def test_two_members_of_one_name_are_refused(tmp_path: Path, pack: Pack) -> None:
    members = pair(tmp_path)
    if pack is zipped:
        with pytest.warns(UserWarning, match="Duplicate"):
            path = pack(tmp_path, members + members)
    else:
        path = pack(tmp_path, members + members)
    with pytest.raises(MalformedRecord, match=r"a\.cfg: the bundle holds two files of this name"):
        list(read_captures(path))


@pytest.mark.parametrize(
    ("name", "content"), [("n.zip", b"PK\x03\x04" + bytes(40)), ("n.tgz", b"\x1f\x8b\x08" + bytes(40))]
)
def test_a_broken_bundle_is_a_read_error_and_stays_in_the_list_of_files(
    tmp_path: Path, name: str, content: bytes
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(MalformedRecord, match="the bundle is broken"):
        list(read_captures(path))
    assert capture_files([tmp_path], in_bundles=True) == [path]


def test_an_encrypted_or_oddly_packed_zip_is_unsupported(tmp_path: Path) -> None:
    path = tmp_path / "n.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("a.csv", "t,va\n0,1\n")
    with pytest.raises(Unsupported, match=r"a\.csv: uses an unsupported compression"):
        list(read_captures(path))
    path = zipped(tmp_path, [("a.csv", b"t,va\n0,1\n")])
    content = bytearray(path.read_bytes())
    content[content.index(b"PK\x01\x02") + 8] |= 1  # the flag of the directory's entry
    path.write_bytes(content)
    with pytest.raises(Unsupported, match=r"a\.csv: is encrypted"):
        list(read_captures(path))


def test_other_archives_are_no_bundles(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "book.xlsx", "w") as archive:
        archive.writestr("sheet.xml", "<a/>")
    with pytest.raises(UnknownFormat):
        reader_of(tmp_path / "book.xlsx")
    np.savez(tmp_path / "x.npz", v1=np.arange(3))
    assert reader_of(tmp_path / "x.npz").name == "NumPy archive"


def test_a_bundle_stays_unpacked_while_its_members_are_read_one_by_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = [zipped(tmp_path, pair(tmp_path, f"{i}a") + pair(tmp_path, f"{i}b"), f"{i}.zip") for i in range(2)]
    unpacked: list[Path] = []
    really = bundle._unpack
    monkeypatch.setattr(bundle, "_unpack", lambda path, folder: (unpacked.append(path), really(path, folder)))
    members = capture_files(paths, in_bundles=True)
    unpacked.clear()
    with keep_unpacked():
        for member in members:
            assert len(list(read_captures(member))) == 1
        reading = read_captures(members[-1])
        next(reading)
        assert len(list(read_captures(members[0]))) == 1  # unpacked apart, as the other is being read
        reading.close()
    assert unpacked == [*paths, paths[0]]
    with opened(members[0]) as stream:
        assert stream.read(9) == b"Mill Lane"


def test_a_written_capture_comes_back_the_same_from_a_bundle(tmp_path: Path) -> None:
    (capture,) = read_captures(put(tmp_path, LINES, binary_rows(VALUES)))
    write_delimited(capture, tmp_path / "w.csv")
    bare = list(read_captures(tmp_path / "w.csv"))
    path = zipped(tmp_path, [("w.csv", (tmp_path / "w.csv").read_bytes())])
    assert [c.digest() for c in read_captures(path)] == [c.digest() for c in bare]
    assert os.listdir(tmp_path / "temporary") == []


@pytest.mark.slow
@both
def test_damaged_bundles_are_read_or_refused(tmp_path: Path, pack: Pack) -> None:
    check_broken_copies(pack(tmp_path, pair(tmp_path)), n_copies=100)


@both
def test_a_nightly_run_stores_the_captures_of_a_bundle_or_sets_it_aside_whole(tmp_path: Path, pack: Pack) -> None:
    fleet = loaded(write_fleet(tmp_path / "fleet"))
    site = fleet.inbox / SITE
    site.mkdir()
    parts = cut(made_capture("2026-03-01T12:00:00", sags=[(0.8, 0.5, 0.5)]), 1.0)
    members = []
    for i, part in enumerate(parts):
        made = write_capture(part, tmp_path / f"{i}.csv")
        members.append((f"sub/{i}.csv", made.read_bytes()))
    bad = pack(site, [*members, ("sub/2.csv", b"t,va\n0,1\n0.1,x\n")])
    bad = bad.rename(site / f"bad-{bad.name}")
    good = pack(site, members)
    outcomes = {outcome.path: outcome for outcome in run_nightly(fleet).files}
    assert (outcomes[good].state, outcomes[good].n_captures) == ("stored", 2)
    assert outcomes[bad].state == "quarantined"
    assert outcomes[bad].reason.startswith(f"{bad.name}, sub/2.csv, line 3, column va: 'x' is not a valid number")
    (event,) = events_in(fleet, (SITE, "2026-03-01"))
    assert event.duration_s == pytest.approx(0.5, abs=0.02)
