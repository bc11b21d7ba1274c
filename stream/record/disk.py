"""What a session needs of the disk: room kept before it is needed, sync, and the system's errors as words.

HDF5 that runs out of room half way through a flush can leave a file that no longer opens. So room is set
aside first: if the disk refuses, HDF5 has not been touched and the file is as good as after its last flush.
"""

import errno
import os
import shutil
import signal
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from stream.errors import StorageError, reason_of

SAFE = "what was recorded is safe"
_COPY_BYTES = 1 << 22
_bound_s: float | None = None
_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


def storage_error(path: Path, error: Exception, after: str = SAFE) -> StorageError:
    """One line for the person: the file, what the system said, the cure, and what became of the data."""
    number = error.errno if isinstance(error, OSError) else None
    if number in _FULL:
        return StorageError(f"{path}: the disk is full; free some room or record to another disk; {after}")
    if isinstance(error, FileNotFoundError):
        return StorageError(f"{path}: the folder does not exist; make it first; {after}")
    if isinstance(error, PermissionError) or number == errno.EROFS:
        return StorageError(f"{path}: cannot be written (no permission); choose another folder; {after}")
    if number == errno.ENAMETOOLONG:
        return StorageError(f"{path}: the name is too long; give a shorter one; {after}")
    reason = (error.strerror if isinstance(error, OSError) else None) or reason_of(error)
    return StorageError(f"{path}: cannot be written ({reason}); check the disk; {after}")


def bound_reading(seconds: float) -> None:
    """End this process where opening a file takes more processor time than that: HDF5 can spin for ever in C over a
    damaged one, where nothing but the system can end it. For a process that another one watches."""
    global _bound_s
    _bound_s = seconds


@contextmanager
def in_time() -> Iterator[None]:
    """While this is open, the process has so much time as `bound_reading` said, and then ends by SIGVTALRM."""
    if _bound_s is None or not hasattr(signal, "setitimer"):
        yield
        return
    signal.setitimer(signal.ITIMER_VIRTUAL, _bound_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)


@contextmanager
def storage_words(path: Path, after: str = SAFE) -> Iterator[None]:
    """Turn what the system or HDF5 raises while writing into a StorageError. HDF5 raises both kinds."""
    try:
        yield
    except (OSError, RuntimeError) as error:
        raise storage_error(path, error, after) from error


def reserve(fd: int, start: int, end: int, folder: Path) -> None:
    """Make sure that there is room for the bytes from `start` to `end`. Raises OSError (ENOSPC, EFBIG,
    EDQUOT).

    Where the system cannot set room aside, the free space is looked at instead.
    """
    if hasattr(os, "posix_fallocate"):
        os.posix_fallocate(fd, start, end - start)
        return
    missing = end - os.fstat(fd).st_size
    if missing > 0 and shutil.disk_usage(folder).free < missing:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def claim(path: Path, room: int) -> None:
    """Make a new, empty file that certainly was not there before, on a disk with `room` bytes left.

    Raises FileExistsError, or OSError; nothing is left behind where there is no room.
    """
    fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o644)
    try:
        reserve(fd, 0, room, path.parent)
    except OSError:
        with suppress(OSError):
            path.unlink()
        raise
    finally:
        os.close(fd)


def whereabouts(fd: int, path: Path) -> Path | None:
    """Where an open file stands now: `path`, where it was moved to if the system tells, None where it was removed."""
    about = os.fstat(fd)
    with suppress(OSError):
        if os.path.samestat(about, path.stat()):
            return path
    if about.st_nlink == 0:
        return None
    with suppress(OSError):
        moved = Path(f"/proc/self/fd/{fd}").readlink()
        if os.path.samestat(about, moved.stat()):
            return moved
    return path


def copy_open(fd: int, new: Path, end: int) -> None:
    """Copy the first `end` bytes of an open file, which may have no name any more, into a new one. Raises OSError."""
    with new.open("xb") as out:
        place = 0
        while place < end and (part := os.pread(fd, min(_COPY_BYTES, end - place), place)):
            out.write(part)
            place += len(part)
        out.flush()
        os.fsync(out.fileno())


def sync_folder(folder: Path) -> None:
    """Make a new or renamed file's name last through a power cut, where the system knows how."""
    with suppress(OSError):  # not every file system can sync a folder; the file itself is synced already
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
