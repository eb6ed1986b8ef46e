"""What a working copy knows: its files as they were last looked at, and those of the address as they last were.

In one SQLite file. Where that is lost all files are looked at anew, and taken for ones that the address does not know.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from halfcycle.pipeline.errors import StoreError
from halfcycle.pipeline.replica.state import Entry, part_of

_MANNER: Final = "PRAGMA locking_mode=EXCLUSIVE; PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL;"
_TABLES: Final = """
CREATE TABLE IF NOT EXISTS said (what TEXT PRIMARY KEY, value TEXT) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS folders (parent TEXT, name TEXT, stamp INTEGER, has_folders INTEGER,
    PRIMARY KEY (parent, name)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS files (folder TEXT, name TEXT, stamp TEXT, digest TEXT, size INTEGER, changed_s INTEGER,
    PRIMARY KEY (folder, name)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS changed (path TEXT PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS base (path TEXT PRIMARY KEY, part TEXT, key TEXT, digest TEXT, size INTEGER,
    changed_s INTEGER) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS base_parts ON base (part);
CREATE INDEX IF NOT EXISTS base_digests ON base (digest);
CREATE TABLE IF NOT EXISTS parts (part TEXT PRIMARY KEY, key TEXT) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS sent (digest TEXT PRIMARY KEY, key TEXT) WITHOUT ROWID;
"""
"""changed: files that may not be as in base. base: the files of the address by path, as of the state last agreed on.
sent: objects put there that no state names yet."""
_NAME: Final = "memory.sqlite"


class Memory:
    """The memory of a working copy, open.

    Parameters
    ----------
    folder : in which its file lies.

    Raises
    ------
    StoreError : it cannot be opened; also raised by all else, where it cannot be read or written.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / _NAME
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"{folder}: cannot be made ({error.strerror or error})") from error
        try:
            self.db = self._opened()
        except sqlite3.DatabaseError:  # damaged: it is no more than a memory
            with self._told():
                self._path.unlink(missing_ok=True)
                self.db = self._opened()

    def _opened(self) -> sqlite3.Connection:
        db = sqlite3.connect(self._path, isolation_level=None)
        try:
            # Not flushed at each step: after a loss of power it is as it was some steps before, and that does.
            db.executescript(_MANNER + _TABLES)
        except sqlite3.Error:
            db.close()
            raise
        return db

    def close(self) -> None:
        """Close its file."""
        self.db.close()

    @contextmanager
    def at_once(self) -> Iterator[None]:
        """Keep all that is written within, or nothing of it."""
        with self._told():
            self.db.execute("BEGIN")
            try:
                yield
            except BaseException:
                self.db.execute("ROLLBACK")
                raise
            self.db.execute("COMMIT")

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            raise StoreError(f"{self._path}: cannot be read or written ({error})") from error

    def rows(self, query: str, *values: Any) -> list[Any]:
        """The rows that a query gives."""
        with self._told():
            return self.db.execute(query, values).fetchall()

    def write(self, statement: str, rows: Iterable[tuple[Any, ...]]) -> None:
        """Run a statement for each of some rows of values."""
        with self._told():
            self.db.executemany(statement, rows)

    def said(self, what: str) -> str:
        """What was noted last; "" where nothing was."""
        found = self.rows("SELECT value FROM said WHERE what = ?", what)
        return str(found[0][0]) if found else ""

    def say(self, what: str, value: str) -> None:
        """Note something."""
        self.write("REPLACE INTO said VALUES (?, ?)", [(what, value)])

    def local(self, path: str) -> str | None:
        """Digest of a file of the working copy as it was last looked at; None where it is not there."""
        folder, _, name = path.rpartition("/")
        found = self.rows("SELECT digest FROM files WHERE folder = ? AND name = ?", folder, name)
        return str(found[0][0]) if found else None

    def base(self, path: str) -> Entry | None:
        """A file of the state last agreed on."""
        found = self.rows("SELECT key, size, changed_s FROM base WHERE path = ?", path)
        return Entry(*found[0]) if found else None

    def base_below(self, prefix: str) -> dict[str, Entry]:
        """All of its files whose path begins so."""
        above = prefix[:-1] + chr(ord(prefix[-1]) + 1)
        query = "SELECT path, key, size, changed_s FROM base WHERE path >= ? AND path < ?"
        return {path: Entry(*rest) for path, *rest in self.rows(query, prefix, above)}

    def part(self, part: str) -> dict[str, Entry]:
        """The files of a part of it."""
        query = "SELECT path, key, size, changed_s FROM base WHERE part = ?"
        return {path: Entry(*rest) for path, *rest in self.rows(query, part)}

    def parts(self) -> dict[str, str]:
        """The keys of its parts."""
        return dict(self.rows("SELECT part, key FROM parts"))

    def is_named(self, key: str) -> bool:
        """Whether it names an object."""
        digest = Entry(key, 0, 0).digest
        return bool(self.rows("SELECT 1 FROM base WHERE digest = ? AND key = ?", digest, key))

    def key_for(self, digest: str) -> str | None:
        """An object that is there already and holds content of a digest."""
        for query in ("SELECT key FROM base WHERE digest = ? LIMIT 1", "SELECT key FROM sent WHERE digest = ?"):
            found = self.rows(query, digest)
            if found:
                return str(found[0][0])
        return None

    def forget_base(self) -> None:
        """Know of no state any more: all files are new."""
        for table in ("base", "parts", "sent"):
            self.write(f"DELETE FROM {table}", [()])
        self.write("INSERT OR IGNORE INTO changed SELECT folder || '/' || name FROM files", [()])
        self.write("DELETE FROM said WHERE what IN ('index', 'generation')", [()])

    def agree(self, parts: Mapping[str, tuple[str, Mapping[str, Entry]]], index: str) -> None:
        """Take a state for the one last agreed on.

        parts : those that are other ones than before, with their keys and files; "" and no files: a part has gone.
        """
        self.write("DELETE FROM base WHERE part = ?", [(part,) for part in parts])
        self.write("DELETE FROM parts WHERE part = ?", [(part,) for part in parts])
        self.write("INSERT INTO parts VALUES (?, ?)", [(part, key) for part, (key, _) in parts.items() if key])
        self.write(
            "INSERT INTO base VALUES (?, ?, ?, ?, ?, ?)",
            [
                (path, part_of(path), one.key, one.digest, one.size, one.changed_s)
                for _, files in parts.values()
                for path, one in files.items()
            ],
        )
        self.say("index", index)
