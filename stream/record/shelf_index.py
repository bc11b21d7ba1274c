"""The shelf's index: summaries of session files in SQLite, by path, size and time of change.

Two programs may use it at once: SQLite locks it, writes are short, and whoever cannot write goes on without. A broken
or older index is made anew, for all it holds can be read again from the sessions.
"""

import os
import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

import msgspec

from stream.findings import Finding, warning
from stream.record.summary import Summary

VERSION = 2  # of the table and of Summary: raise it when either changes
_WAIT_S = 2.0  # for another program's write

_TABLE = """
CREATE TABLE IF NOT EXISTS session (
    path BLOB PRIMARY KEY, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, summary BLOB NOT NULL
) WITHOUT ROWID
"""


class FileKey(NamedTuple):
    """A file as it was: path, bytes, time of change in ns."""

    path: str
    size: int
    mtime_ns: int


def default_index_path() -> Path:
    """Where the platform keeps what can be made again."""
    import platformdirs

    return Path(platformdirs.user_cache_dir("steadypull", appauthor=False)) / "shelf.sqlite"


class ShelfIndex:
    """An open index. Use it as a context manager, from one thread. Never raises for its own trouble: see `findings`."""

    def __init__(self, path: Path | None = None) -> None:
        self.path = default_index_path() if path is None else path
        self.findings: list[Finding] = []
        self._encode = msgspec.json.Encoder().encode
        self._decode = msgspec.json.Decoder(Summary).decode
        self._db: sqlite3.Connection | None = None
        self._db = self._open()

    def __enter__(self) -> "ShelfIndex":
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    def close(self) -> None:
        """Give the file back. Safe to call twice."""
        if self._db is not None:
            self._db.close()
            self._db = None

    def known(self, folder: Path) -> dict[FileKey, Summary]:
        """What the index holds of files under a folder."""
        if self._db is None:
            return {}
        low, high = _span(folder)
        try:
            rows = self._db.execute(
                "SELECT path, size, mtime_ns, summary FROM session WHERE path > ? AND path < ?", (low, high)
            ).fetchall()
            keys = [FileKey(os.fsdecode(row[0]), row[1], row[2]) for row in rows]
            return {
                key: msgspec.structs.replace(self._decode(row[3]), path=key.path)
                for key, row in zip(keys, rows, strict=True)
            }
        except sqlite3.OperationalError as error:  # locked for too long, or the disk
            self._leave(error)
        except (sqlite3.DatabaseError, msgspec.MsgspecError, TypeError):
            self._renew()
        return {}

    def save(self, rows: Sequence[tuple[FileKey, Summary]]) -> None:
        """Take in what was read, in one transaction."""
        values = [
            # without the path: a name that is no UTF-8 cannot stand in JSON
            (os.fsencode(key.path), key.size, key.mtime_ns, self._encode(msgspec.structs.replace(summary, path="")))
            for key, summary in rows
        ]
        self._write("INSERT OR REPLACE INTO session VALUES (?, ?, ?, ?)", values)

    def forget(self, keys: Iterable[FileKey]) -> None:
        """Drop files that are gone or have changed since."""
        values = [(os.fsencode(key.path), key.size, key.mtime_ns) for key in keys]
        self._write("DELETE FROM session WHERE path = ? AND size = ? AND mtime_ns = ?", values)

    def _write(self, command: str, values: Sequence[tuple[object, ...]]) -> None:
        if self._db is None or not values:
            return
        try:
            with self._db:
                self._db.executemany(command, values)
        except sqlite3.OperationalError as error:
            self._leave(error)
        except sqlite3.DatabaseError:
            self._renew()

    def _open(self) -> sqlite3.Connection | None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            return self._connect()
        except sqlite3.OperationalError as error:
            self._leave(error)
            return None
        except sqlite3.DatabaseError:  # not a database, or a damaged one
            return self._made_anew()
        except OSError as error:
            self._leave(error)
            return None

    def _connect(self) -> sqlite3.Connection:
        database = sqlite3.connect(self.path, timeout=_WAIT_S)
        try:
            with database:
                if database.execute("PRAGMA user_version").fetchone()[0] != VERSION:
                    database.execute("BEGIN IMMEDIATE")
                    database.execute("DROP TABLE IF EXISTS session")
                    database.execute(f"PRAGMA user_version = {VERSION:d}")
                database.execute(_TABLE)
        except sqlite3.Error:
            database.close()
            raise
        return database

    def _renew(self) -> None:
        """The index turned out to be broken while it was used."""
        self.close()
        self._db = self._made_anew()

    def _made_anew(self) -> sqlite3.Connection | None:
        try:
            for ending in ("", "-journal"):
                with suppress(FileNotFoundError):
                    self.path.with_name(self.path.name + ending).unlink()
            return self._connect()
        except (sqlite3.Error, OSError) as error:
            self._leave(error)
            return None

    def _leave(self, error: Exception) -> None:
        """Go on without an index, and say so."""
        self.close()
        reason = getattr(error, "strerror", None) or str(error)
        self.findings.append(warning("shelf-index-unusable", path=str(self.path), reason=str(reason)))


def _span(folder: Path) -> tuple[bytes, bytes]:
    """Bounds of every path inside a folder, in the order of bytes."""
    inside = os.fsencode(folder / "x")[:-1]
    return inside, inside[:-1] + bytes([inside[-1] + 1])
