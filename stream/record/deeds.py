"""What a person did in the sessions of a folder, in order: one deed may be steps of several sessions."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from stream.errors import InputError
from stream.record.change import redo_session, session_history, undo_session
from stream.record.history import Step


@dataclass(frozen=True, slots=True)
class Deed:
    """Steps that were one deed: their sessions, each once; `done` False where it was taken back."""

    steps: tuple[Step, ...]
    paths: tuple[str, ...]
    done: bool

    @property
    def when(self) -> str:
        """When its last step was made, ISO 8601."""
        return max(step.when for step in self.steps)


def read_deeds(paths: Sequence[str], tell: Callable[[int, int], None] = lambda *_: None) -> tuple[Deed, ...]:
    """The deeds of these sessions, the oldest first; a session that cannot be read has none."""
    found: dict[tuple[str, ...], list[tuple[Step, str, bool]]] = {}
    for number, path in enumerate(paths, 1):
        try:
            history = session_history(path)
        except InputError:
            continue
        for place, step in enumerate(history.steps):
            done = place < history.done
            key = (step.together, str(done)) if step.together else (path, str(place))
            found.setdefault(key, []).append((step, path, done))
        tell(number, len(paths))
    deeds = [
        Deed(tuple(row[0] for row in rows), tuple(dict.fromkeys(row[1] for row in rows)), rows[0][2])
        for rows in found.values()
    ]
    return tuple(sorted(deeds, key=lambda deed: deed.when))  # of one second: as they stand in their session


def last_done(deeds: Sequence[Deed]) -> Deed | None:
    """The deed that is taken back next."""
    return next((deed for deed in reversed(deeds) if deed.done), None)


def first_undone(deeds: Sequence[Deed]) -> Deed | None:
    """The deed that is done again next."""
    return next((deed for deed in deeds if not deed.done), None)


def undo_deed(deed: Deed) -> None:
    """Take a deed back in all its sessions. Raises InputError, StorageError; each session whole or not at all."""
    for path in deed.paths:
        undo_session(Path(path))


def redo_deed(deed: Deed) -> None:
    """Do again what was taken back. Raises as `undo_deed`."""
    for path in deed.paths:
        redo_session(Path(path))
