"""What a person did in the sessions of a folder, in order: one deed may be steps of several sessions."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from stream.errors import InputError
from stream.record.change import redo_session, session_history, undo_session
from stream.record.history import Step


@dataclass(frozen=True, slots=True)
class Deed:
    """Steps that were one deed: their sessions, each once; `done` False where it was taken back.

    first   of each session, the step that is taken back (done again) first, as it was read
    near    nothing stands between: it is what each of its sessions takes back (does again) next
    """

    steps: tuple[Step, ...]
    paths: tuple[str, ...]
    done: bool
    first: tuple[Step, ...]
    near: bool

    @property
    def when(self) -> str:
        """When its last step was made, ISO 8601."""
        return max(step.when for step in self.steps)


def read_deeds(paths: Sequence[str], tell: Callable[[int, int], None] = lambda *_: None) -> tuple[Deed, ...]:
    """The deeds of these sessions, the oldest first; a session that cannot be read has none."""
    found: dict[tuple[str, ...], list[tuple[Step, str]]] = {}
    next_of: dict[tuple[str, bool], Step | None] = {}
    for number, path in enumerate(paths, 1):
        try:
            history = session_history(path)
        except InputError:
            continue
        next_of |= {(path, True): history.back, (path, False): history.forth}
        for place, step in enumerate(history.steps):
            done = place < history.done
            key = (step.together, str(done)) if step.together else (path, str(place), str(done))
            found.setdefault(key, []).append((step, path))
        tell(number, len(paths))
    deeds = [_deed(rows, next_of, done=key[-1] == str(True)) for key, rows in found.items()]
    return tuple(sorted(deeds, key=lambda deed: deed.when))


def _deed(rows: Sequence[tuple[Step, str]], next_of: Mapping[tuple[str, bool], Step | None], *, done: bool) -> Deed:
    own = {path: step for step, path in (rows if done else reversed(rows))}  # of each session its last, or its first
    paths = tuple(dict.fromkeys(path for _, path in rows))
    near = all(next_of[path, done] is own[path] for path in paths)
    return Deed(tuple(step for step, _ in rows), paths, done, tuple(own[path] for path in paths), near)


def last_done(deeds: Sequence[Deed]) -> Deed | None:
    """The deed that is taken back next. By the order of steps in their sessions first, for a clock may be set back."""
    return next((deed for deed in reversed(deeds) if deed.done and deed.near), None)


def first_undone(deeds: Sequence[Deed]) -> Deed | None:
    """The deed that is done again next."""
    return next((deed for deed in deeds if not deed.done and deed.near), None)


def undo_deed(deed: Deed) -> None:
    """Take a deed back in all its sessions, as it was read and nothing else in its place. Raises InputError,
    StorageError; each session whole or not at all."""
    for path, step in zip(deed.paths, deed.first, strict=True):
        undo_session(Path(path), step)


def redo_deed(deed: Deed) -> None:
    """Do again what was taken back. Raises as `undo_deed`."""
    for path, step in zip(deed.paths, deed.first, strict=True):
        redo_session(Path(path), step)
