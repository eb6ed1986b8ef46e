"""The lines of a configuration as lists of trimmed fields, each with its number in the file; and notes on them."""

from __future__ import annotations

import math
import re
from pathlib import Path

from halfcycle.pipeline.errors import MalformedRecord
from halfcycle.pipeline.readers.budget import check_time

_LINE_END = re.compile(r"\r\n|\n|\r")
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_SHOWN_CHARACTERS = 40


def number_in(text: str) -> float | None:
    """The finite number that a field holds, or None."""
    value = float(text) if _NUMBER.fullmatch(text) else math.nan
    return value if math.isfinite(value) else None


class Lines:
    """A cursor over the lines that are not blank.

    Trailing commas make no fields; a line of commas only has one empty field. `place` and `n_commas` are of the line
    read last.
    """

    def __init__(self, text: str, *, path: Path, first_line: int) -> None:
        self._path = path
        lines = enumerate(_LINE_END.split(text), start=first_line)
        self._lines = [(i, line) for i, line in lines if line.strip()]
        self._next = 0
        self._number = first_line
        self.n_commas = 0

    @property
    def place(self) -> str:
        """Where the line read last is."""
        return f"line {self._number}"

    def peek(self, ahead: int = 0) -> list[str]:
        """The fields of a line to come; none after the last one."""
        i = self._next + ahead
        return _fields(self._lines[i][1]) if i < len(self._lines) else []

    def ahead(self, n: int) -> list[str]:
        """The text of the next n lines, as far as there are so many."""
        return [line for _, line in self._lines[self._next : self._next + n]]

    def skip(self, n: int) -> None:
        """Pass over the next n lines, which there are."""
        check_time(self.place)
        self._next += n
        self._number, line = self._lines[self._next - 1]
        self.n_commas = line.count(",")

    def take(self, what: str) -> list[str]:
        """The fields of the next line.

        Raises
        ------
        MalformedRecord : there is none; `what` names what was expected there.
        """
        check_time(self.place)
        if self._next >= len(self._lines):
            raise MalformedRecord(self._path, f"after {self.place}", f"the configuration ends before {what}")
        self._number, line = self._lines[self._next]
        self._next += 1
        self.n_commas = line.count(",")
        return _fields(line)

    def broken(self, reason: str) -> MalformedRecord:
        """The error that says what is wrong with the line read last."""
        return MalformedRecord(self._path, self.place, reason)

    def number(self, text: str, what: str) -> float:
        """A number that must be there.

        Raises
        ------
        MalformedRecord : the field holds none.
        """
        value = number_in(text)
        if value is None:
            raise self.broken(f"{what} must be a number, got '{text[:_SHOWN_CHARACTERS]}'")
        return value

    def count(self, text: str, what: str, *, most: int) -> int:
        """A whole number from 0 to `most` that must be there.

        Raises
        ------
        MalformedRecord : the field holds none.
        """
        value = self.number(text, what)
        if not value.is_integer() or not 0 <= value <= most:
            raise self.broken(f"{what} must be a whole number from 0 to {most}, got '{text[:_SHOWN_CHARACTERS]}'")
        return int(value)


def _fields(line: str) -> list[str]:
    fields = [field.strip() for field in line.split(",")]
    while len(fields) > 1 and not fields[-1]:
        fields.pop()
    return fields


_NAMED_CHANNELS = 3


class Notes:
    """What was odd and what was decided: each oddity once, with the channels that have it."""

    def __init__(self, texts: tuple[str, ...] = ()) -> None:
        self._channels: dict[str, list[str]] = {text: [] for text in texts}

    def add(self, text: str) -> None:
        """Note an oddity of the file."""
        self._channels.setdefault(text, [])

    def add_channel(self, text: str, name: str) -> None:
        """Note an oddity of a channel."""
        self._channels.setdefault(text, []).append(name)

    def add_all(self, others: Notes) -> None:
        """Note what others have noted, after what is noted here."""
        for text, names in others._channels.items():
            self._channels.setdefault(text, []).extend(names)

    def texts(self) -> tuple[str, ...]:
        """The notes, in the order in which they were first made; a `Repair` stays one."""
        return tuple(type(text)(text + _listed(names)) for text, names in self._channels.items())


def _listed(names: list[str]) -> str:
    if not names:
        return ""
    more = f" and {len(names) - _NAMED_CHANNELS} more" if len(names) > _NAMED_CHANNELS else ""
    return f" ({', '.join(names[:_NAMED_CHANNELS])}{more})"
