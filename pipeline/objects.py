"""Files at an address, such as ``s3://bucket/folder`` or ``sftp://host/folder``, copied to this machine.

By fsspec: what it knows is known here, with the credentials and the environment that each service's own library takes.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any, Final

from halfcycle.pipeline.errors import ConfigError, PlaceError
from halfcycle.pipeline.plain_text import counted
from halfcycle.pipeline.store.documents import document_at, write_document

_AT_ONCE: Final = 8  # copies
_INDEX: Final = ".states.json"  # of the copies below a folder; hidden, so that nobody takes it for a capture
_UNUSUAL: Final = re.compile(r"[^\w./=+ -]")  # in names of folders
_USER: Final = re.compile(r"(?<=://)[^/@]*@")


@dataclass(frozen=True, slots=True)
class RemoteFile:
    """A file at an address.

    Attributes
    ----------
    name : below the address, with ``/``; of a single file its own name.
    path : by which its file system knows it.
    size_bytes : as listed.
    changed_s : when it last changed, in seconds since 1970; None where that is not told.
    version : another one whenever the content is another; "" where that is not told.
    """

    name: str
    path: str
    size_bytes: int
    changed_s: float | None
    version: str

    @property
    def stem(self) -> str:
        """What the parts of a record have in common."""
        return stem_of(self.name)

    @property
    def state(self) -> str:
        """Another one whenever the content is another, as far as that is told."""
        return f"{self.size_bytes} {self.version}"


def is_address(text: str) -> bool:
    """Whether words name a file or folder by an address, and not by a path of this machine."""
    return "://" in text


def without_user(address: str) -> str:
    """An address in words, without a user's name and password."""
    return _USER.sub("", address)


def stem_of(name: str) -> str:
    """What the parts of a record have in common: ``x`` of ``x.cfg``, ``x.dat``, ``x.npz`` and ``x.npz.toml``."""
    folder, slash, last = name.lower().removesuffix(".toml").rpartition("/")
    return folder + slash + (last.rpartition(".")[0] or last)


class Remote:
    """A file or folder at an address.

    Parameters
    ----------
    address : such as ``s3://bucket/folder``.

    Attributes
    ----------
    words : the address, without a user's name and password.
    is_file : whether it names a single file; known once `files` was asked.

    Raises
    ------
    ConfigError : no such kind of address, or its library is not installed.
    PlaceError : it cannot be reached; also raised by `files` and `copy`.
    """

    def __init__(self, address: str) -> None:
        from fsspec.core import url_to_fs

        self.words = without_user(address).rstrip("/")
        self.is_file = False
        try:
            # Listed anew each time: what came since the last look is what is asked for.
            self._files, self._root = url_to_fs(address, use_listings_cache=False, skip_instance_cache=True)
        except ImportError as error:
            raise ConfigError(
                f"{self.words}: {error} (pip install 'halfcycle[objects]' brings it for s3://)"
            ) from error
        except ValueError as error:
            raise ConfigError(f"{self.words}: {error}") from error
        except Exception as error:
            raise PlaceError(f"{self.words}: cannot be reached ({one_line(error)})") from error

    def files(self) -> list[RemoteFile]:
        """All files below the address, or the file that it names and those of its stem; ordered by name."""
        with self._told():
            found: dict[str, dict[str, Any]] = self._files.find(self._root, detail=True)
            folder = self._root
            self.is_file = list(found) == [self._root]
            if self.is_file:
                folder = self._root.rpartition("/")[0]
                beside = self._files.find(folder, maxdepth=1, detail=True)
                found = {path: info for path, info in beside.items() if stem_of(path) == stem_of(self._root)}
        if not found:
            raise PlaceError(f"{self.words}: there is no file")
        files = [
            _remote_file(path, path.removeprefix(folder).lstrip("/"), info)
            for path, info in found.items()
            if not path.endswith("/")  # what some services keep in place of an empty folder
        ]
        return sorted((file for file in files if _is_below(file.name)), key=lambda file: file.name)

    @property
    def folder(self) -> str:
        """The address of the folder that names of files are below."""
        return self.words.rpartition("/")[0] if self.is_file else self.words

    def copy(self, file: RemoteFile, path: Path) -> None:
        """Copy a file; what lies at the path is replaced as a whole, and has the time of the file it is a copy of."""
        path.parent.mkdir(parents=True, exist_ok=True)
        aside = path.with_name(f".{path.name}.{os.getpid()}.part")
        try:
            with self._told():
                self._files.get_file(file.path, str(aside))
            if aside.stat().st_size != file.size_bytes:
                raise PlaceError(f"{self.words}, {file.name}: it changed while it was copied")
            if file.changed_s is not None:
                os.utime(aside, (file.changed_s, file.changed_s))
            os.replace(aside, path)
        finally:
            aside.unlink(missing_ok=True)

    def copy_all(self, files: Sequence[RemoteFile], folder: Path) -> list[PlaceError | None]:
        """Copy files below a folder, several at once; what kept each from it, or None."""
        with ThreadPoolExecutor(_AT_ONCE) as pool:
            return list(pool.map(lambda file: self._tried(file, folder / file.name), files))

    def _tried(self, file: RemoteFile, path: Path) -> PlaceError | None:
        try:
            self.copy(file, path)
        except OSError as error:
            return PlaceError(f"{path}: cannot be written ({error.strerror})")
        except PlaceError as error:
            return error
        return None

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Whatever its library raises, as one sentence."""
        try:
            yield
        except Exception as error:
            raise PlaceError(f"{self.words}: cannot be read ({one_line(error)})") from error


def local_copy(address: str, *, tell: Callable[[str], None] = lambda words: None) -> Path:
    """The path of a copy of a file or folder at an address, in the user's folder of cached files.

    What is there from before, and the same at the address as it was then, is not copied again; what is no longer at
    the address goes.

    Parameters
    ----------
    address : such as ``s3://bucket/folder``.
    tell : is called with what is about to be copied, in words.

    Raises
    ------
    ConfigError, PlaceError : see `Remote`; also where a file cannot be copied.
    """
    try:
        from platformdirs import user_cache_path
    except ImportError as error:
        raise ConfigError(f"{without_user(address)}: addresses need more: pip install 'halfcycle[objects]'") from error
    remote = Remote(address)
    files = remote.files()
    folder = user_cache_path("halfcycle") / "copies" / _UNUSUAL.sub("_", remote.folder.replace("://", "/"))
    index = folder / _INDEX
    known = document_at(index)
    new = [file for file in files if known.get(file.name) != file.state or not _is_whole(folder / file.name, file)]
    if new:
        megabytes = sum(file.size_bytes for file in new) / 1e6
        tell(f"copying {counted(len(new), 'file')} ({megabytes:.1f} MB) from {remote.words} to {folder} …")
    for failure in remote.copy_all(new, folder):
        if failure is not None:
            raise failure
    write_document({**known, **{file.name: file.state for file in files}}, index, folder)
    if remote.is_file:
        return folder / remote.words.rpartition("/")[2]
    listed = {index, *(folder / file.name for file in files)}
    for path in [path for path in folder.rglob("*") if path.is_file() and path not in listed]:
        path.unlink(missing_ok=True)
    return folder


def _is_whole(path: Path, file: RemoteFile) -> bool:
    try:
        return path.stat().st_size == file.size_bytes
    except OSError:
        return False


def _remote_file(path: str, name: str, info: dict[str, Any]) -> RemoteFile:
    changed = info.get("LastModified", info.get("mtime", info.get("modified")))
    changed_s = changed.timestamp() if isinstance(changed, datetime) else changed
    version = str(info.get("ETag") or changed_s or "")
    return RemoteFile(name, path, int(info.get("size") or 0), changed_s, version)


def _is_below(name: str) -> bool:
    """Whether a name stays below the folder that it is put in."""
    parts = PurePosixPath(name).parts
    return bool(parts) and ".." not in parts and not PurePosixPath(name).is_absolute()


def one_line(error: BaseException) -> str:
    """What a library says of an error, or its kind where it says nothing; the first line."""
    return (str(error) or type(error).__name__).splitlines()[0]
