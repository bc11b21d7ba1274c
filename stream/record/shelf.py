"""The shelf: every session under a folder, listed from an index so that thousands cost no more than a look.

A file is read anew only where its size or its time of change differ from what the index knows. The index is a cache
and nothing else: without it, or with a broken one, the list is the same and only takes longer. It is SQLite: two
programs may use it at once, writes are short, and whoever cannot write goes on without.
"""

import os
import sqlite3
import threading
from collections.abc import Callable, Generator, Iterable, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, cast

import msgspec

from stream.errors import InputError
from stream.findings import Finding, warning
from stream.record.probe import Prober
from stream.record.summary import Summary

VERSION = 3  # of the table and of Summary: raise it when either changes
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


SUFFIXES = (".h5", ".hdf5")
MOST_CHILDREN = 4
FEWEST_A_CHILD = 20  # to start one takes as long as to read so many files
_SAVE_EVERY = 200  # files read between two writes of the index: what a scan cut short keeps

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Shelf:
    """The sessions of a folder, newest first, those that cannot be read last; and what must be said of the list."""

    folder: Path
    sessions: tuple[Summary, ...]
    findings: tuple[Finding, ...] = ()


def scan(
    folder: str | Path,
    index: ShelfIndex | None = None,
    progress: Progress | None = None,
    stop: threading.Event | None = None,
) -> Shelf:
    """List the sessions of a folder and the folders in it.

    `progress` is told (files known, files found) as files are read; `stop`, once set, ends the scan with what is
    known so far. The index is the caller's to close; None lists without one. Raises InputError for no such folder.
    """
    root = Path(folder).expanduser().resolve()
    found, findings = _find(root, Path(folder))
    known = {} if index is None else index.known(root)
    sessions = [known[key] for key in found if key in known]
    missing = [key for key in found if key not in known]
    fresh: list[tuple[FileKey, Summary]] = []
    # a file that hangs or bloats its reader must not keep the others from being listed
    with closing(_probed([key.path for key in missing], stop)) as probed:
        for number, key in enumerate(missing, 1):
            summary = None if stop is not None and stop.is_set() else next(probed, None)
            if summary is None:
                findings.append(warning("shelf-stopped", unread=len(missing) - number + 1))
                break
            sessions.append(summary)
            if summary.state != "busy":  # it will be another file in a moment
                fresh.append((key, summary))
            if index is not None and len(fresh) >= _SAVE_EVERY:
                index.save(fresh)
                fresh.clear()
            if progress is not None:
                progress(len(sessions), len(found))
    if index is not None:
        index.save(fresh)
        index.forget(set(known) - set(found))
        findings += index.findings
    sessions.sort(key=_place)
    return Shelf(root, tuple(sessions), tuple(findings))


def summaries(paths: Sequence[Path], index: ShelfIndex | None = None) -> list[Summary]:
    """The summaries of session files, from the index or read anew in a child, in their order; busy ones too."""
    keys = [key for path in paths if (key := _key_of(path.resolve())) is not None]
    known: dict[FileKey, Summary] = {}
    if index is not None:
        for folder in {Path(key.path).parent for key in keys}:
            known |= index.known(folder)
    found, fresh = [], []
    with closing(_probed([key.path for key in keys if key not in known])) as probed:
        for key in keys:
            summary = known.get(key)
            if summary is None:
                summary = next(probed)
                if summary.state != "busy":
                    fresh.append((key, summary))
            found.append(summary)
    if index is not None:
        index.save(fresh)
    return found


def _probed(paths: Sequence[str], stop: threading.Event | None = None) -> Generator[Summary, None, None]:
    """The summaries of files in their order, read in as many children as there are cores, four at most; fewer where
    `stop` is set on the way."""
    if not paths:
        return
    from concurrent.futures import ThreadPoolExecutor  # two threads that wait for two children

    kept = threading.local()
    probers: list[Prober] = []

    def read(path: str) -> Summary | None:
        if ended.is_set() or (stop is not None and stop.is_set()):
            return None
        if not hasattr(kept, "prober"):
            kept.prober = Prober()
            probers.append(kept.prober)
        return cast(Prober, kept.prober).summary(path)

    ended = threading.Event()
    workers = max(1, min(MOST_CHILDREN, os.cpu_count() or 1, len(paths) // FEWEST_A_CHILD))
    pool = ThreadPoolExecutor(workers)
    try:
        for found in pool.map(read, paths):
            if found is None:
                return
            yield found
    finally:
        ended.set()
        for prober in probers:
            prober.interrupt()  # one may be in a file that never ends
        pool.shutdown()
        for prober in probers:
            prober.close()


def _place(session: Summary) -> tuple[bool, float, str]:
    when = session.started_utc
    return (not session.readable, 0.0 if when is None else -when.timestamp(), session.path)


def _find(root: Path, given: Path) -> tuple[list[FileKey], list[Finding]]:
    """Every session file under a folder, and the folders that could not be looked into."""
    if not root.is_dir():
        what = "is a file; give the folder it is in" if root.exists() else "no such folder; check the name"
        raise InputError(f"{given}: {what}")
    found: list[FileKey] = []
    findings: list[Finding] = []
    waiting = [str(root)]
    while waiting:
        place = waiting.pop()
        try:
            with os.scandir(place) as entries:
                for entry in entries:
                    if entry.is_dir(follow_symlinks=False):
                        waiting.append(entry.path)
                    elif entry.name.lower().endswith(SUFFIXES) and not entry.name.startswith("."):
                        key = _key(entry)
                        if key is not None:
                            found.append(key)
        except OSError as error:
            findings.append(warning("folder-not-readable", folder=place, reason=error.strerror or ""))
    return found, findings


def _key(entry: "os.DirEntry[str]") -> FileKey | None:
    """None for what is no file, or is gone again."""
    try:
        stat = entry.stat()
    except FileNotFoundError:  # moved while we looked, or a link to nowhere
        return None
    return FileKey(entry.path, stat.st_size, stat.st_mtime_ns) if entry.is_file() else None


def _key_of(path: Path) -> FileKey | None:
    try:
        stat = path.stat()
    except OSError:
        return None
    return FileKey(str(path), stat.st_size, stat.st_mtime_ns) if path.is_file() else None
