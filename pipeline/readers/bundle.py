"""Bundles: .zip and .tar.gz files of captures, read as small file systems of their own.

A bundle is unpacked into a private folder that is removed again. What is in it is named by a path through it,
``night.zip/feeder 3/r.cfg``, which `halfcycle.pipeline.readers` takes like any other path.

A bundle comes from anybody, so it is refused as a whole where a member would land outside (absolute names, ``..``),
is no plain file (links, devices), or where there is more in it than a bundle may hold; see the limits below.
"""

from __future__ import annotations

import gzip
import shutil
import stat
import tarfile
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import IO, Final

from halfcycle.pipeline.capture import Capture
from halfcycle.pipeline.errors import MalformedRecord, ReadError, UnknownFormat, Unsupported
from halfcycle.pipeline.readers.budget import Budget, check_time
from halfcycle.pipeline.readers.contract import Reader, no_companions
from halfcycle.pipeline.readers.kept import release
from halfcycle.pipeline.terms import Quantity

MAX_MEMBERS: Final = 20_000
MAX_MEMBER_BYTES: Final = 1 << 30  # inflated
MAX_TOTAL_BYTES: Final = 1 << 31  # inflated
_COPY_BYTES: Final = 1 << 20
_ZIP_MAGIC: Final = (b"PK\x03\x04", b"PK\x05\x06")
_GZIP_MAGIC: Final = b"\x1f\x8b"
_TAR_MAGIC: Final = b"ustar"
_TAR_MAGIC_AT: Final = 257
_BUNDLE_ENDINGS: Final = (".zip", ".tar", ".tgz", ".tar.gz", ".tar.bz2", ".tar.xz", ".7z", ".rar")
_LEFT_ALONE: Final = "__MACOSX"  # what one system adds for itself; hidden files are left alone, too
_BROKEN: Final = (
    zipfile.BadZipFile, tarfile.TarError, zlib.error, gzip.BadGzipFile, EOFError, OSError, ValueError,
    NotImplementedError, RuntimeError, OverflowError,
)  # fmt: skip


@dataclass(slots=True)
class _Kept:
    """The bundle that stays unpacked for the time being, and how many readings of it are under way."""

    bundle: Path | None = None
    folder: Path | None = None
    n_readings: int = 0
    stack: ExitStack = field(default_factory=ExitStack)


_KEPT: ContextVar[_Kept | None] = ContextVar("_KEPT", default=None)


@contextmanager
def keep_unpacked() -> Iterator[None]:
    """Keep the bundle that was read last unpacked while this lasts, for callers that read one member after another."""
    kept = _Kept()
    token = _KEPT.set(kept)
    try:
        yield
    finally:
        _KEPT.reset(token)
        kept.stack.close()


@contextmanager
def unpacked(bundle: Path) -> Iterator[Path]:
    """A folder with what is in a bundle.

    Parameters
    ----------
    bundle : path of it.

    Raises
    ------
    ReadError : it is broken, or refused for what is in it, naming the member.
    """
    kept = _KEPT.get()
    if kept is None or (kept.n_readings and kept.bundle != bundle):
        with _temporary_folder(bundle) as folder:
            _unpack(bundle, folder)
            yield folder
        return
    if kept.bundle != bundle or kept.folder is None:
        kept.stack.close()
        kept.bundle, kept.folder = None, None
        kept.folder = kept.stack.enter_context(_temporary_folder(bundle))
        _unpack(bundle, kept.folder)
        kept.bundle = bundle
    kept.n_readings += 1
    try:
        yield kept.folder
    finally:
        kept.n_readings -= 1


@contextmanager
def _temporary_folder(bundle: Path) -> Iterator[Path]:
    try:
        folder = Path(tempfile.mkdtemp(prefix="halfcycle-bundle-"))
    except OSError as error:
        raise ReadError(bundle, "", f"there is no room to unpack it ({error.strerror or error})") from error
    try:
        yield folder
    finally:
        release(folder)
        shutil.rmtree(folder)


def bundle_of(path: Path) -> Path | None:
    """The bundle that a path leads through: the file among its parents, if there is one."""
    return next((parent for parent in path.parents if parent.is_file()), None)


def is_bundle(path: Path) -> bool:
    """Whether a file is a bundle that is read."""
    if not path.is_file():  # a pipe would be waited for
        return False
    try:
        with path.open("rb") as stream:
            return recognises(path, stream.read(4096))
    except OSError:
        return False


def members_of(bundle: Path) -> list[Path]:
    """Paths of the capture files in a bundle, sorted, unknown files among them; those that belong to another left out.

    Raises
    ------
    ReadError : as `unpacked`.
    """
    from halfcycle.pipeline.readers import capture_files  # which knows this module as one of its readers

    with unpacked(bundle) as folder:
        return [bundle / path.relative_to(folder) for path in capture_files([folder])]


@contextmanager
def member_file(path: Path) -> Iterator[Path]:
    """A member of a bundle as a file, with its companions beside it.

    Raises
    ------
    ReadError : there is no such member, it is a bundle itself, or as `unpacked`.
    """
    bundle = bundle_of(path)
    if bundle is None:
        raise ReadError(path, "", "no such file, nor a bundle that could hold it")
    with unpacked(bundle) as folder, _named(bundle, folder):
        real = folder / path.relative_to(bundle)
        if not real.is_file():
            raise ReadError(real, "", "the bundle holds no such file")
        _refuse_bundle(real)
        yield real


@contextmanager
def _named(bundle: Path, folder: Path) -> Iterator[None]:
    """Let errors name the bundle, and in their place the member."""
    try:
        yield
    except ReadError as error:
        if not error.path.is_relative_to(folder):
            raise
        member = error.path.relative_to(folder).as_posix()
        raise type(error)(bundle, f"{member}, {error.place}".removesuffix(", "), error.reason) from error


def _refuse_bundle(real: Path) -> None:
    if real.name.lower().endswith(_BUNDLE_ENDINGS) or is_bundle(real):
        raise Unsupported(real, "", "nested bundles are not read; unpack the inner one first")


def _read_member(path: Path, *, quantities: frozenset[Quantity] | None) -> Iterator[Capture]:
    """Captures of a file in a bundle."""
    from halfcycle.pipeline.readers import reader_of

    with member_file(path) as real:
        for capture in reader_of(real).read(real, quantities=quantities):
            yield as_member(capture, path)


def as_member(capture: Capture, path: Path) -> Capture:
    """A capture of a file in a bundle with the path through it as its source; that of any other file as it is."""
    bundle = None if path.exists() else bundle_of(path)
    if bundle is None:
        return capture
    return replace(capture, header=replace(capture.header, source=path.relative_to(bundle.parent).as_posix()))


def _read(path: Path, *, quantities: frozenset[Quantity] | None) -> Iterator[Capture]:
    """Captures of all files in a bundle, one file after the other by name; files that give none are noted."""
    n_captures = 0
    with unpacked(path) as folder, _named(path, folder):
        known, unknown = _sorted_out(folder)
        remarks = [_remarks_of(reader, real, folder) for reader, real in known]
        notes = (*(remark for of_file in remarks for remark in of_file), *_unknown_note(unknown))
        for reader, real in known:
            source = f"{path.name}/{real.relative_to(folder).as_posix()}"
            for capture in reader.read(real, quantities=quantities):
                n_captures += 1
                header = capture.header
                yield replace(capture, header=replace(header, source=source, notes=(*header.notes, *notes)))
    if not n_captures and not any(remarks):
        raise MalformedRecord(
            path, "", f"holds no capture{'; no reader recognises ' * bool(unknown)}{', '.join(unknown)}"
        )


def _remarks(path: Path) -> tuple[str, ...]:
    """What is in a bundle of files that all hold no waveform."""
    with unpacked(path) as folder, _named(path, folder):
        known, unknown = _sorted_out(folder)
        remarks = [_remarks_of(reader, real, folder) for reader, real in known]
    if not remarks or not all(remarks):
        return ()
    return (*(remark for of_file in remarks for remark in of_file), *_unknown_note(unknown))


def _member_remarks(path: Path) -> tuple[str, ...]:
    from halfcycle.pipeline.readers import reader_of

    with member_file(path) as real:
        return reader_of(real).remarks(real)


def _sorted_out(folder: Path) -> tuple[list[tuple[Reader, Path]], list[str]]:
    """The files of an unpacked bundle with their readers, and the names of those that no reader knows."""
    from halfcycle.pipeline.readers import capture_files, reader_of

    known: list[tuple[Reader, Path]] = []
    unknown: list[str] = []
    for real in capture_files([folder]):
        _refuse_bundle(real)
        try:
            known.append((reader_of(real), real))
        except UnknownFormat:
            unknown.append(real.relative_to(folder).as_posix())
    return known, unknown


def _remarks_of(reader: Reader, real: Path, folder: Path) -> list[str]:
    """The remarks on a file in a bundle, with its name; a `Repair` stays one."""
    name = real.relative_to(folder).as_posix()
    return [type(remark)(f"{name}: {remark}") for remark in reader.remarks(real)]


def _unknown_note(unknown: list[str]) -> tuple[str, ...]:
    return (f"the bundle also holds files that no reader recognises: {', '.join(unknown)}",) if unknown else ()


def _unpack(bundle: Path, folder: Path) -> None:
    try:
        with bundle.open("rb") as stream:
            unpack = _unpack_zip if stream.read(len(_GZIP_MAGIC)) != _GZIP_MAGIC else _unpack_tar
            stream.seek(0)
            unpack(bundle, stream, folder)
    except _BROKEN as error:
        raise MalformedRecord(bundle, "", f"the bundle is broken ({error or type(error).__name__})") from error


def _unpack_zip(bundle: Path, stream: IO[bytes], folder: Path) -> None:
    quota = _Quota(bundle)
    with zipfile.ZipFile(stream) as archive:
        members = [info for info in archive.infolist() if not info.is_dir()]
        for info in members:
            kind = stat.S_IFMT(info.external_attr >> 16)
            if kind not in (0, stat.S_IFREG):
                raise Unsupported(bundle, info.filename, "is a link or not a regular file; such members are refused")
            if info.flag_bits & 1:
                raise Unsupported(bundle, info.filename, "is encrypted")
            if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise Unsupported(bundle, info.filename, "uses an unsupported compression; only deflate is read")
            quota.count(info.filename, info.file_size)
        for info in members:
            if (place := _place(bundle, folder, info.filename)) is not None:
                with archive.open(info) as member:
                    _copy(member, place, info.file_size)


def _unpack_tar(bundle: Path, stream: IO[bytes], folder: Path) -> None:
    quota = _Quota(bundle)
    with gzip.GzipFile(fileobj=stream) as inflated:
        bounded = _Bounded(inflated, bundle)
        with tarfile.open(fileobj=bounded, mode="r:") as archive:  # type: ignore[call-overload]  # reads and seeks
            for info in archive:
                if info.isdir():
                    continue
                if not info.isreg() or info.issparse():
                    raise Unsupported(bundle, info.name, "is a link or not a regular file; such members are refused")
                quota.count(info.name, info.size)
                place, member = _place(bundle, folder, info.name), archive.extractfile(info)
                if place is not None and member is not None:
                    _copy(member, place, info.size)


class _Quota:
    """Counts members and bytes, and refuses a bundle with too much in it, by itself or for its size."""

    def __init__(self, bundle: Path) -> None:
        self._bundle = bundle
        self._budget = Budget(bundle)
        self._n_members = self._n_bytes = 0

    def count(self, name: str, n_bytes: int) -> None:
        self._n_members += 1
        self._n_bytes += n_bytes
        if self._n_members > MAX_MEMBERS:
            raise Unsupported(self._bundle, name, f"the bundle holds more than {MAX_MEMBERS} files")
        if n_bytes > MAX_MEMBER_BYTES:
            raise Unsupported(self._bundle, name, f"holds {n_bytes} bytes; a member may hold {MAX_MEMBER_BYTES}")
        if self._n_bytes > MAX_TOTAL_BYTES:
            raise Unsupported(self._bundle, name, f"the bundle holds more than {MAX_TOTAL_BYTES} bytes in total")
        self._budget.use(n_bytes, name)


class _Bounded:
    """An inflated stream that does not give more at once, nor go further, than a bundle may need."""

    def __init__(self, stream: gzip.GzipFile, bundle: Path) -> None:
        self._stream = stream
        self._bundle = bundle

    def read(self, size: int = -1) -> bytes:
        if not 0 <= size <= _COPY_BYTES:
            raise Unsupported(self._bundle, "", f"a header of {size} bytes; allowed are {_COPY_BYTES}")
        return self._stream.read(size)

    def seek(self, position: int) -> int:
        if position > MAX_TOTAL_BYTES + MAX_MEMBERS * tarfile.RECORDSIZE:
            raise Unsupported(self._bundle, "", f"the bundle holds more than {MAX_TOTAL_BYTES} bytes in total")
        return self._stream.seek(position)

    def tell(self) -> int:
        return self._stream.tell()


def _place(bundle: Path, folder: Path, name: str) -> Path | None:
    """Where a member goes; None for what is left alone.

    Raises
    ------
    ReadError : its name points outside the bundle, or there is another of the same name.
    """
    parts = PurePosixPath(name.replace("\\", "/")).parts
    if not parts or "\0" in name or ".." in parts or parts[0] == "/" or parts[0][1:2] == ":":
        raise MalformedRecord(bundle, name, "its name points outside the bundle")
    if parts[0] == _LEFT_ALONE or any(part.startswith(".") for part in parts):
        return None
    place = folder.joinpath(*parts)
    if place.exists():
        raise MalformedRecord(bundle, name, "the bundle holds two files of this name")
    place.parent.mkdir(parents=True, exist_ok=True)
    return place


def _copy(member: IO[bytes], place: Path, n_bytes: int) -> None:
    """Write a member, but no more than it was said to hold."""
    left = n_bytes
    with place.open("xb") as out:
        while left:
            check_time(place.name)
            chunk = member.read(min(left, _COPY_BYTES))
            if not chunk:
                raise EOFError(f"{place.name} ends {left} bytes early")
            out.write(chunk)
            left -= len(chunk)
        if member.read(1):
            raise ValueError(f"{place.name} holds more than its header states")


def recognises(path: Path, head: bytes) -> bool:
    """Whether a file is a .zip, but none of NumPy arrays, or a compressed tar archive."""
    if head.startswith(_ZIP_MAGIC):
        n_name = int.from_bytes(head[26:28], "little")
        return path.suffix.lower() == ".zip" and not head[30 : 30 + n_name].endswith(b".npy")
    if not head.startswith(_GZIP_MAGIC):
        return False
    try:
        start = zlib.decompressobj(wbits=31).decompress(head, 512)
    except zlib.error:
        start = b""
    return start[_TAR_MAGIC_AT:].startswith(_TAR_MAGIC) or path.name.lower().endswith((".tar.gz", ".tgz"))


READER: Final = Reader("bundle (.zip, .tar.gz)", recognises, _read, no_companions, remarks=_remarks)
MEMBER: Final = Reader("member of a bundle", lambda *_: False, _read_member, no_companions, remarks=_member_remarks)
