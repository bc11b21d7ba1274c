"""The one door through which a finished session changes: by copy, sync and rename, and never its raw part."""

import glob
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import h5py
import msgspec
import numpy as np

from stream.errors import InputError, SteadypullError, StorageError, reason_of
from stream.record import disk, history, layout, tables
from stream.record.guard import read_rows
from stream.record.history import Act, History, Step
from stream.record.session import open_session, reading_words
from stream.record.tables import Heard, Weather

_UNCHANGED = "the session is unchanged"
_ROWS_AT_ONCE = 1 << 17
_LEFT_S = 3600.0  # chosen: no change takes so long; what is older was left by one that was killed


class RawTouchedError(RuntimeError):
    """An edit tried to change /raw: a fault of the program, never of the person. The session is unchanged."""


Seen = tuple[int, ...]


def seen(path: str | Path) -> Seen:
    """What tells a session's file from one that another program has put or left in its place since; () for none."""
    try:
        about = Path(path).stat()
    except OSError:  # whoever opens it says why
        return ()
    return about.st_dev, about.st_ino, about.st_size, about.st_mtime_ns


def change_session(
    path: str | Path,
    edit: Callable[[Any], None],
    acts: Sequence[Act] = (),
    together: str = "",
    since: Seen | None = None,
) -> None:
    """Let `edit` change a session, given as an open h5py.File: all of it, or (if anything fails) nothing.

    With `acts` it is a step that can be taken back, named by them; `together` marks the steps of one deed in several
    sessions. The edit works on a copy beside the session, which takes its place once it is on the disk, and only where
    nothing else has changed the session since it was copied (or since `since`, where the edit rests on what was `seen`
    then): two who change it at once never lose what one of them said. /raw and its attributes are compared before and
    after. Raises InputError (not a session, being recorded, changed meanwhile), StorageError (no room), what `edit`
    raises, and RawTouchedError.
    """

    def remembered(file: Any) -> None:
        before = history.read_state(file)
        edit(file)
        history.remember(file, before, acts, together)

    if acts:
        with open_session(path) as session, reading_words(Path(path)):
            history.read_state(session.h5)  # damage is told in words before anything is copied
    _change(path, remembered if acts else edit, since)


def undo_session(path: str | Path, only: Step | None = None) -> tuple[Step, ...]:
    """Take the last step back, and with it those of the same deed; returns them, the last first.

    Raises InputError where there is none, or it is not `only` (which a person was shown), and as `change_session`.
    """
    return _turned(path, only, back=True)


def redo_session(path: str | Path, only: Step | None = None) -> tuple[Step, ...]:
    """Do again what was taken back last; returns the steps, the first first. Raises as `undo_session`."""
    return _turned(path, only, back=False)


def session_history(path: str | Path) -> History:
    """The steps of a session that can be taken back or done again. Raises InputError."""
    with open_session(path) as session, reading_words(Path(path)):
        return history.current(session.h5)


def _turned(path: str | Path, only: Step | None, *, back: bool) -> tuple[Step, ...]:
    since = seen(path)
    with open_session(path) as session, reading_words(Path(path)):
        kept = history.current(session.h5)
    if (kept.back if back else kept.forth) is None:
        what = "taken back" if back else "done again"
        raise InputError(f"{path}: holds no change that could be {what}", "no-step-back" if back else "no-step-forth")
    if only is not None and (kept.back if back else kept.forth) != only:
        raise _meanwhile(path)
    taken: list[Step] = []

    def edit(file: Any) -> None:
        following: Step | None = kept.back if back else kept.forth
        while following is not None and (not taken or following.together == taken[0].together != ""):
            taken.append(history.turn(file, path, back=back))
            now = history.read_history(file)
            following = now.back if back else now.forth

    _change(path, edit, since)
    return tuple(taken)


def _change(path: str | Path, edit: Callable[[Any], None], since: Seen | None) -> None:
    path = Path(path).resolve()  # a link stays a link; the file it points to is what changes
    open_session(path).close()  # what cannot be read is told before anything is copied
    since = seen(path) if since is None else since
    copy = _copy_beside(path)
    try:
        _edit_copy(path, copy, edit)
        with open_session(path) as session, reading_words(path), h5py.File(copy, "r") as file:
            untouched = _same_raw(session.h5, file)
        if not untouched:
            raise RawTouchedError(f"{path}: an edit tried to change what came off the wire; {_UNCHANGED}")
        with _alone_in(path.parent):
            if seen(path) != since:
                raise _meanwhile(path)
            with disk.storage_words(path, _UNCHANGED):
                copy.replace(path)
    finally:
        with suppress(OSError):
            copy.unlink(missing_ok=True)
    disk.sync_folder(path.parent)


def _meanwhile(path: str | Path) -> InputError:
    return InputError(
        f"{path}: was changed by something else in the meantime; it stays as that left it: look, and say it again",
        "changed-meanwhile",
    )


@contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """No other change of ours puts its copy in place meanwhile, where the system can say so; it takes microseconds."""
    try:
        import fcntl

        handle = os.open(folder, os.O_RDONLY)
    except (ImportError, OSError):  # not this system, or this folder; then what was seen alone tells
        yield
        return
    try:
        with suppress(OSError):  # a share that knows no locks
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _same_raw(one: Any, other: Any) -> bool:
    """Whether two files have the same shapes, types, attributes and bytes under /raw."""
    for name in (layout.SAMPLES, layout.GAPS, layout.CLOCK):
        if name not in other or _about(one[name]) != _about(other[name]):
            return False
        for start in range(0, len(one[name]), _ROWS_AT_ONCE):
            rows = [np.ascontiguousarray(file[name][start : start + _ROWS_AT_ONCE]) for file in (one, other)]
            if rows[0].tobytes() != rows[1].tobytes():
                return False
    return True


def _about(dataset: Any) -> str:
    attributes = sorted((key, repr(np.asarray(value).tolist())) for key, value in dataset.attrs.items())
    return repr((dataset.shape, str(dataset.dtype), attributes))


def _sweep(path: Path) -> None:
    """Take away what a change that was killed, or a computer that lost its power, left beside a session."""
    for left in path.parent.glob(f".{glob.escape(path.stem)}-*.changing"):
        with suppress(OSError):
            about = left.lstat()
            if time.time() - max(about.st_mtime, about.st_ctime) > _LEFT_S:
                left.unlink()


def _copy_beside(path: Path) -> Path:
    _sweep(path)
    with disk.storage_words(path, _UNCHANGED):
        handle, name = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=".changing", dir=path.parent)
        os.close(handle)
        copy = Path(name)
        try:
            shutil.copy2(path, copy)
        except OSError:
            copy.unlink(missing_ok=True)
            raise
    return copy


def _edit_copy(path: Path, copy: Path, edit: Callable[[Any], None]) -> None:
    """Run the edit on the copy and wait for the disk; errors name the session, for nobody knows the copy."""
    try:
        with h5py.File(copy, "r+", libver="earliest") as file:
            edit(file)
            file.flush()
        with copy.open("rb+") as plain:
            os.fsync(plain.fileno())
    except SteadypullError:
        raise
    except OSError as error:
        raise disk.storage_error(path, error, _UNCHANGED) from error
    except RuntimeError as error:  # HDF5 that cannot write what it holds when it closes
        raise StorageError(f"{path}: cannot be changed ({reason_of(error)}); {_UNCHANGED}") from error


def set_calibration(file: Any, name: str, attributes: dict[str, Any]) -> None:
    """For an edit: attach a calibration under /calibrations, in place of one of the same name."""
    group = file[layout.CALIBRATIONS]
    if name in group:
        del group[name]
    item = group.create_group(name)
    for key, value in attributes.items():
        item.attrs[key] = layout.clean_text(value) if isinstance(value, str) else value


def set_conditions(file: Any, weather: Weather | None) -> None:
    """For an edit: keep the air of the day, in place of what was kept; None takes it away."""
    if layout.CONDITIONS in file:
        del file[layout.CONDITIONS]
    if weather is not None:
        file.create_group(layout.CONDITIONS).attrs.update(msgspec.structs.asdict(weather))


def add_heard(file: Any, said: Sequence[Heard]) -> None:
    """For an edit: keep what a person heard. Knock that was heard stays beside whatever is said later of the same
    pulls, until `forget_heard`; 'heard none' takes the place of 'heard none' of the same pulls.
    """
    rows = read_rows(file[layout.HEARD]) if layout.HEARD in file else np.empty(0, layout.HEARD_DTYPE)
    again = {(row.pull, row.heard, row.rpm_from, row.rpm_to) for row in said}
    before = tables.from_rows(Heard, rows)
    kept = [row for row in before if (row.pull, row.heard, row.rpm_from, row.rpm_to) not in again]
    tables.replace_rows(file, layout.HEARD, tables.heard_rows([*kept, *said]))


def forget_heard(file: Any, pull: int | None) -> None:
    """For an edit: take back what was said of one pull (0: of the whole session); None: all of it."""
    rows = read_rows(file[layout.HEARD]) if layout.HEARD in file else np.empty(0, layout.HEARD_DTYPE)
    kept = [row for row in tables.from_rows(Heard, rows) if pull is not None and row.pull != pull]
    tables.replace_rows(file, layout.HEARD, tables.heard_rows(kept))
    if not pull and layout.EVENTS in file:  # the moments of the key stay as what they were: something that was said
        events = read_rows(file[layout.EVENTS])
        pressed = np.array([tables.text_of(kind) == "knock-heard" for kind in events["kind"]], dtype=bool)
        events["kind"][pressed] = "note"
        tables.replace_rows(file, layout.EVENTS, events)


def write_note(path: str | Path, note: str) -> None:
    """Put a person's note on a session, in place of the one it had. Raises as `change_session`."""

    def edit(file: Any) -> None:
        file.attrs["note"] = layout.clean_text(note)

    change_session(path, edit, [Act("note")])
