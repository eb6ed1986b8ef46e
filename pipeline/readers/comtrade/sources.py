"""Where the parts of a recording lie: the .dat beside a .cfg, or the sections of a .cff."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from halfcycle.pipeline.errors import MalformedRecord, ReadError
from halfcycle.pipeline.readers.contract import Repair

MAX_CONFIGURATION_BYTES: Final = 1 << 26  # a million channel lines; the text before the data of a .cff, too

SECTION: Final = re.compile(
    rb"(?<![^\r\n])[ \t]*---[ \t]*file type:[ \t]*([a-z]+)(?:[ \t]+([a-z0-9]+))?(?:[ \t]*:[ \t]*([0-9]{1,12}))?"
    rb"[ \t]*---[ \t]*(?:\r\n|\n|\r|\Z)",
    re.IGNORECASE,
)
_BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"
_LINE_END_BYTES: Final = 2
_LINE_END: Final = re.compile(rb"\r\n|\n|\r")


@dataclass(frozen=True, slots=True)
class DataPart:
    """The bytes that hold the samples.

    Attributes
    ----------
    path : file that they are in.
    offset, length : where they lie in it. [bytes]
    first_line : number of their first line in the file, where they are text.
    kind : the kind of data that the file itself names beside them (.cff); else ``""``.
    """

    path: Path
    offset: int
    length: int
    first_line: int
    kind: str


@dataclass(frozen=True, slots=True)
class Sources:
    """The configuration's bytes, the number of their first line in the file, the data, and what was odd in the file."""

    configuration: bytes
    first_line: int
    data: DataPart
    notes: tuple[str, ...] = ()


def locate(path: Path) -> Sources:
    """Find the parts of a recording.

    Parameters
    ----------
    path : of the .cfg or .cff file.

    Returns
    -------
    Sources.

    Raises
    ------
    MalformedRecord : there is no .dat, or a section of a .cff is missing or cut.
    ReadError : a file cannot be read.
    """
    try:
        with path.open("rb") as stream:
            head = stream.read(MAX_CONFIGURATION_BYTES + 1)
        if head.startswith(_BYTE_ORDER_MARK):
            head = b"   " + head[len(_BYTE_ORDER_MARK) :]  # blanks keep the places of what follows
        if SECTION.match(head):
            return _sections(path, head, path.stat().st_size)
        if len(head) > MAX_CONFIGURATION_BYTES:
            raise MalformedRecord(path, "", f"a configuration has at most {MAX_CONFIGURATION_BYTES} bytes")
        data_path = sibling(path, "dat", search=True)
        if data_path is None:
            raise MalformedRecord(path, "", f"its data file {path.stem}.dat is missing")
        return Sources(head, 1, DataPart(data_path, 0, data_path.stat().st_size, 1, ""))
    except OSError as error:
        raise ReadError(path, "", f"cannot be read ({error.strerror or error})") from error


def sibling(path: Path, ending: str, *, search: bool) -> Path | None:
    """The file of the same stem with another ending, in whatever case it is written.

    Parameters
    ----------
    path : of a .cfg file.
    ending : str. Lower case, without its dot.
    search : bool. Whether to look through the folder for other capitals where the usual ones do not exist.

    Returns
    -------
    Path of the file, or None.

    Raises
    ------
    OSError : the folder cannot be listed.
    """
    stem, own = os.path.splitext(path)
    likely = (ending.upper(), ending) if own.isupper() else (ending, ending.upper())
    for variant in (*likely, ending.capitalize()):
        candidate = f"{stem}.{variant}"
        if os.path.isfile(candidate):
            return Path(candidate)
    if not search:
        return None
    wanted = f"{path.stem}.{ending}".lower()
    alike = sorted(found for found in path.parent.iterdir() if found.name.lower() == wanted)
    return next((found for found in alike if found.is_file()), None)


def _sections(path: Path, head: bytes, size: int) -> Sources:
    """The parts of a single-file recording; its configuration stands before its data."""
    configuration: bytes | None = None
    first_line = 1
    matches = list(_section_lines(head))
    for i, match in enumerate(matches):
        start, end = match.end(), matches[i + 1].start() if i + 1 < len(matches) else len(head)
        line = 1 + len(_LINE_END.findall(head, 0, start))
        name = match[1].upper()
        if name == b"CFG":
            configuration, first_line = head[start:end], line
        elif name == b"DAT":
            if configuration is None:
                raise MalformedRecord(path, f"line {line - 1}", "there is no CFG section before the DAT section")
            kind = (match[2] or b"").decode().upper()
            held = (end if i + 1 < len(matches) else size) - start
            length = held if match[3] is None else int(match[3])
            if length > held:
                raise MalformedRecord(path, f"byte {start}", f"the DAT section declares {length} bytes, "
                                                             f"the file holds {held}: it is truncated")  # fmt: skip
            more = held - length
            words = f"{more} bytes follow the {length} that the DAT section declares; they are ignored"
            notes = (Repair(words),) if more > _LINE_END_BYTES else ()
            return Sources(configuration, first_line, DataPart(path, start, length, line, kind), notes)
    raise MalformedRecord(path, "", f"there is no {'CFG' if configuration is None else 'DAT'} section")


def _section_lines(head: bytes) -> list[re.Match[bytes]]:
    """The section lines, those inside binary data left out."""
    found: list[re.Match[bytes]] = []
    for match in SECTION.finditer(head):
        found.append(match)
        if match[1].upper() == b"DAT" and (match[2] or b"").upper() not in (b"", b"ASCII"):
            break
    return found
