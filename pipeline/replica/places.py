"""Where objects lie: few verbs, done alike by a folder and by a service that speaks S3.

An object is bytes under a key, whole or not there. Its version is another one where its content is.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final, Protocol

from halfcycle.pipeline.errors import ConfigError, PlaceError
from halfcycle.pipeline.objects import one_line, without_user

_LOCK: Final = ".lock"
_ASIDE: Final = ".aside-"
_OTHER: Final = frozenset({"PreconditionFailed", "ConditionalRequestConflict", "NoSuchKey", "404", "412", "409"})
"""How services say that an object is another, or not there."""


class Place(Protocol):
    """Where objects lie. Every verb raises a PlaceError, in one sentence, where the place cannot be reached."""

    words: str
    """The address, without a user's name and password."""

    def get(self, key: str) -> tuple[bytes, str] | None:
        """An object and its version; None where there is none."""

    def put_if_absent(self, key: str, content: bytes) -> str | None:
        """Put an object where there is none; its version, or None where there is one, which stays."""

    def swap_if_unchanged(self, key: str, content: bytes, version: str) -> str | None:
        """Replace an object that has a version still; the new version, or None where it has not or is gone."""

    def fetch(self, key: str, path: Path) -> bool:
        """Copy an object into a file, which may be left unfinished where that fails; False where there is none."""

    def send(self, path: Path, key: str) -> None:
        """Put a file as an object, whatever is there."""

    def delete(self, key: str) -> None:
        """Remove an object; that there is none is no error."""

    def list(self, prefix: str) -> list[str]:
        """The keys that begin so, in order."""


def is_put(place: Place, key: str, content: bytes, version: str | None) -> str | None:
    """The version of an object that was put under a condition, None where it was not.

    An answer that was lost is followed by another try, which finds what the first one put. So where a condition was
    not met it is asked what is there; for objects that nobody else could write, such as those with a mark.

    Parameters
    ----------
    place, key, content : what was put where.
    version : as `put_if_absent` or `swap_if_unchanged` gave it.
    """
    if version is not None:
        return version
    there = place.get(key)
    return there[1] if there is not None and there[0] == content else None


def place_at(address: str) -> Place:
    """The place at an address: ``s3://bucket/folder``, or ``file:///folder``.

    Raises
    ------
    ConfigError : no such kind of address, or its library is not installed.
    """
    kind, _, rest = address.partition("://")
    if kind == "file":
        return FolderPlace(Path(rest))
    if kind == "s3" and rest.strip("/"):
        return S3Place(address)
    raise ConfigError(f"{without_user(address)}: a store lies at s3://BUCKET/FOLDER or file:///FOLDER")


class FolderPlace(Place):
    """Objects as files below a folder that several machines may share; its file system has hard links and flock."""

    def __init__(self, root: Path) -> None:
        self.words = f"file://{root}"
        self._root = root

    def get(self, key: str) -> tuple[bytes, str] | None:
        with self._told("read"):
            try:
                content = self._path(key).read_bytes()
            except FileNotFoundError:
                return None
            return content, _version(content)

    def put_if_absent(self, key: str, content: bytes) -> str | None:
        with self._told("written"), self._aside(key) as aside:
            _write(aside, content)
            try:
                os.link(aside, self._path(key))
            except FileExistsError:
                return None
            return _version(content)

    def swap_if_unchanged(self, key: str, content: bytes, version: str) -> str | None:
        with self._told("written"), self._aside(key) as aside, self._alone():
            there = self.get(key)
            if there is None or there[1] != version:
                return None
            _write(aside, content)
            os.replace(aside, self._path(key))
            return _version(content)

    def fetch(self, key: str, path: Path) -> bool:
        with self._told("read"):
            try:
                shutil.copyfile(self._path(key), path)
            except FileNotFoundError:
                return False
            return True

    def send(self, path: Path, key: str) -> None:
        with self._told("written"), self._aside(key) as aside:
            shutil.copyfile(path, aside)
            with aside.open("rb+") as stream:
                os.fsync(stream.fileno())
            os.replace(aside, self._path(key))

    def delete(self, key: str) -> None:
        with self._told("written"):
            self._path(key).unlink(missing_ok=True)

    def list(self, prefix: str) -> list[str]:
        with self._told("read"):
            found = (Path(folder, name) for folder, _, names in os.walk(self._root) for name in names)
            keys = (path.relative_to(self._root).as_posix() for path in found if not path.name.startswith("."))
            return sorted(key for key in keys if key.startswith(prefix))

    def _path(self, key: str) -> Path:
        return self._root / key

    @contextmanager
    def _aside(self, key: str) -> Iterator[Path]:
        """Where a file may be written before it takes its place; the folder of that is made."""
        path = self._path(key)
        path.parent.mkdir(parents=True, exist_ok=True)
        aside = path.with_name(f"{_ASIDE}{uuid.uuid4().hex}")
        try:
            yield aside
        finally:
            aside.unlink(missing_ok=True)

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """One at a time, of all processes that share the folder: for as long as a swap takes."""
        import fcntl

        handle = os.open(self._root / _LOCK, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield
        finally:
            os.close(handle)

    @contextmanager
    def _told(self, done: str) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise PlaceError(f"{self.words}: cannot be {done} ({error.strerror or error})") from error


def _version(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _write(path: Path, content: bytes) -> None:
    with path.open("wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())


class S3Place(Place):
    """Objects of a bucket below a prefix, by conditional writes (If-None-Match and If-Match of RFC 9110)."""

    def __init__(self, address: str) -> None:
        self.words = without_user(address).rstrip("/")
        try:
            from fsspec.core import url_to_fs

            self._files: Any
            self._files, root = url_to_fs(address, use_listings_cache=False, skip_instance_cache=True)
        except ImportError as error:
            raise ConfigError(
                f"{self.words}: {error} (pip install 'halfcycle[objects]' brings it for s3://)"
            ) from error
        except Exception as error:
            raise PlaceError(f"{self.words}: cannot be reached ({one_line(error)})") from error
        self._bucket, _, self._prefix = root.rstrip("/").partition("/")

    def get(self, key: str) -> tuple[bytes, str] | None:
        from fsspec.asyn import sync

        async def got() -> tuple[bytes, str]:
            answer = await self._files._call_s3("get_object", **self._named(key))
            async with answer["Body"] as body:
                return await body.read(), answer["ETag"]

        with self._told("read"):
            try:
                content: tuple[bytes, str] = sync(self._files.loop, got)
            except FileNotFoundError as error:
                return self._absent(error)
            return content

    def put_if_absent(self, key: str, content: bytes) -> str | None:
        return self._put(key, content, IfNoneMatch="*")

    def swap_if_unchanged(self, key: str, content: bytes, version: str) -> str | None:
        return self._put(key, content, IfMatch=version)

    def fetch(self, key: str, path: Path) -> bool:
        with self._told("read"):
            try:
                self._files.get_file(self._full(key), str(path))
            except FileNotFoundError as error:
                self._absent(error)
                return False
            return True

    def send(self, path: Path, key: str) -> None:
        with self._told("written"):
            self._files.put_file(str(path), self._full(key))

    def delete(self, key: str) -> None:
        with self._told("written"):
            self._files.call_s3("delete_object", **self._named(key))

    def list(self, prefix: str) -> list[str]:
        head = f"{self._bucket}/{self._below('')}"
        folder = self._full(prefix.rpartition("/")[0]) if "/" in prefix else head
        with self._told("read"):
            keys = (path.removeprefix(head) for path in self._files.find(folder.rstrip("/")))
            return sorted(key for key in keys if key.startswith(prefix))

    def _put(self, key: str, content: bytes, **condition: str) -> str | None:
        with self._told("written"):
            try:
                answer = self._files.call_s3("put_object", **self._named(key), Body=content, **condition)
            except OSError as error:
                if _code(error) not in _OTHER:
                    raise
                return None
            version: str = answer["ETag"]
            return version

    def _below(self, key: str) -> str:
        return f"{self._prefix}/{key}" if self._prefix else key

    def _full(self, key: str) -> str:
        return f"{self._bucket}/{self._below(key)}"

    def _named(self, key: str) -> dict[str, str]:
        return {"Bucket": self._bucket, "Key": self._below(key)}

    @staticmethod
    def _absent(error: FileNotFoundError) -> None:
        """None where it is an object that is not there; a bucket that is not is another matter."""
        if _code(error) == "NoSuchBucket":
            raise error

    @contextmanager
    def _told(self, done: str) -> Iterator[None]:
        """Whatever its library raises, as one sentence."""
        try:
            yield
        except PlaceError:
            raise
        except Exception as error:
            raise PlaceError(f"{self.words}: cannot be {done} ({one_line(error)})") from error


def _code(error: BaseException) -> str:
    """What a service calls an error; "" where it does not say."""
    with suppress(AttributeError, KeyError, TypeError):
        return str(error.__cause__.response["Error"]["Code"])  # type: ignore[union-attr]
    return ""
