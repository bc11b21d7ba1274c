"""The shelf: every session under a folder, listed from an index so that thousands cost no more than a look.

A file is read anew only where its size or its time of change differ from what the index knows. The index is a cache
and nothing else: without it, or with a broken one, the list is the same and only takes longer.
"""

import os
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from stream.errors import InputError
from stream.findings import Finding, warning
from stream.record.probe import Prober
from stream.record.shelf_index import FileKey, ShelfIndex
from stream.record.summary import Summary

SUFFIXES = (".h5", ".hdf5")
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
    with Prober() as prober:  # a file that hangs or bloats its reader must not keep the others from being listed
        for number, key in enumerate(missing, 1):
            if stop is not None and stop.is_set():
                findings.append(warning("shelf-stopped", unread=len(missing) - number + 1))
                break
            summary = prober.summary(key.path)
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
    with Prober() as prober:
        for key in keys:
            summary = known.get(key)
            if summary is None:
                summary = prober.summary(key.path)
                if summary.state != "busy":
                    fresh.append((key, summary))
            found.append(summary)
    if index is not None:
        index.save(fresh)
    return found


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
