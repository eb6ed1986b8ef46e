"""What a place holds: one head that is swapped whole names an index, which names parts, which name objects.

head.json            names the index
index/KEY            the parts by name, as JSON
part/KEY             the files of a site-month, or of a folder without dates: object, size and time of each
object/KEY           a file's content; the key begins with its digest
garbage/KEY          keys that nothing names any more, and since when

Nothing but the head (and the lease) is ever written twice under one key, so who has read a head sees one state of all
files, without a lock and without listing, for as long as what has gone from later states is kept: a day.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import re
import uuid
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any, Final
from urllib.parse import quote, unquote_to_bytes

from halfcycle.pipeline.errors import PlaceError
from halfcycle.pipeline.replica.places import Place, is_put

HEAD: Final = "head.json"
_MONTH: Final = re.compile(r"(.*/site=[^/]*)/date=(\d{4}-\d\d)-\d\d/")
_SAFE: Final = " !#$&'()*+,/:;=@[]^_`{|}~-."  # in names of files; the rest is told by its bytes
_DIGEST_SIGNS: Final = 32


@dataclass(frozen=True, slots=True)
class Entry:
    """A file as a state names it.

    Attributes
    ----------
    key : of its object.
    size : [bytes]
    changed_s : when the file last changed where it was made, in whole seconds since 1970.
    """

    key: str
    size: int
    changed_s: int

    @property
    def digest(self) -> str:
        """Of its content."""
        return self.key[:_DIGEST_SIGNS]

    def row(self) -> tuple[str, int, int]:
        """As a document has it."""
        return self.key, self.size, self.changed_s


@dataclass(frozen=True, slots=True)
class Head:
    """The object that makes a state the present one.

    Attributes
    ----------
    generation : one more with each writing.
    index, garbage : keys; "" where there is none yet.
    lease : token of the lease under which it was last written.
    mark : drawn anew with each writing.
    version : of the object; "" before it is written.
    """

    generation: int = 0
    index: str = ""
    garbage: str = ""
    lease: str = ""
    mark: str = ""
    version: str = ""

    def content(self) -> bytes:
        """As an object."""
        document = asdict(self)
        del document["version"]
        return json.dumps(document, sort_keys=True).encode()


def head_at(place: Place) -> Head | None:
    """The head of a place; None where nothing was ever put.

    Raises
    ------
    PlaceError : it cannot be read, or is none of ours.
    """
    there = place.get(HEAD)
    if there is None:
        return None
    try:
        return Head(**json.loads(there[0]), version=there[1])
    except (ValueError, TypeError) as error:
        raise PlaceError(f"{place.words}: {HEAD} is not that of a fleet's store") from error


def swapped(place: Place, before: Head | None, *, index: str, garbage: str, lease: str) -> Head | None:
    """Make another state the present one; None, and nothing is done, where the head is not the one from before."""
    generation = 1 if before is None else before.generation + 1
    head = Head(generation, index, garbage, lease, uuid.uuid4().hex)
    content = head.content()
    if before is None:
        version = place.put_if_absent(HEAD, content)
    else:
        version = place.swap_if_unchanged(HEAD, content, before.version)
    version = is_put(place, HEAD, content, version)
    return None if version is None else replace(head, version=version)


def new_key(digest: str) -> str:
    """A key for content of a digest, under which nothing was ever put."""
    return f"{digest}-{uuid.uuid4().hex[:12]}"


def digest_of(content: bytes) -> str:
    """Digest of content: 32 hexadecimal digits of its SHA-256."""
    return hashlib.sha256(content).hexdigest()[:_DIGEST_SIGNS]


def file_digest(path: Path) -> str:
    """The same of a file.

    Raises
    ------
    OSError : it cannot be read.
    """
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()[:_DIGEST_SIGNS]


def put_document(place: Place, kind: str, document: Mapping[str, Any]) -> str:
    """Put a document of a kind; returns its key."""
    content = gzip.compress(json.dumps(document, sort_keys=True).encode(), 6, mtime=0)
    key = new_key(digest_of(content))
    place.put_if_absent(f"{kind}/{key}", content)
    return key


def document_of(place: Place, kind: str, key: str) -> dict[str, Any] | None:
    """A document of a kind; None where there is none under the key any more.

    Raises
    ------
    PlaceError : it cannot be read, or is damaged.
    """
    if not key:
        return {}
    there = place.get(f"{kind}/{key}")
    if there is None:
        return None
    if digest_of(there[0]) != key[:_DIGEST_SIGNS]:
        raise PlaceError(f"{place.words}: {kind}/{key} is damaged")
    document: dict[str, Any] = json.loads(gzip.decompress(there[0]))
    return document


def put_part(place: Place, files: Mapping[str, Entry]) -> str:
    """Put a part; returns its key, "" where it holds no files."""
    return put_document(place, "part", {path: one.row() for path, one in files.items()}) if files else ""


def part_at(place: Place, key: str) -> dict[str, Entry] | None:
    """The files of a part; None where there is none under the key any more.

    Raises
    ------
    PlaceError : it cannot be read, or is damaged.
    """
    document = document_of(place, "part", key)
    return None if document is None else {path: Entry(*row) for path, row in document.items()}


def part_of(path: str) -> str:
    """The part that a file belongs to: of a site's month, else one of sixteen of its folder."""
    dated = _MONTH.match(path)
    if dated:
        return f"{dated[1]}/{dated[2]}"
    folder = "/".join(path.split("/")[:2]) if path.count("/") > 1 else path.partition("/")[0]
    return f"{folder}/~{digest_of(path.encode())[0]}"


def name_of(relative: Path) -> str:
    """A path below a root in printable signs, whatever its bytes are."""
    return quote(os.fsencode(relative.as_posix()), safe=_SAFE)


def path_named(name: str) -> Path:
    """The path that `name_of` gave a name to.

    Raises
    ------
    PlaceError : it leads out of its root.
    """
    text = os.fsdecode(unquote_to_bytes(name))
    parts = PurePosixPath(text).parts
    if not parts or ".." in parts or PurePosixPath(text).is_absolute():
        raise PlaceError(f"{name!r} is no name of a file of a store")
    return Path(text)
