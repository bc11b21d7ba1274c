"""Names of session files: readable, safe on every file system, and never one that is taken.

Files that a person asked for by name are written here too.
"""

import unicodedata
from datetime import datetime
from pathlib import Path

from stream.errors import InputError, StorageError

_UNSAFE = set('/\\:*?"<>|')  # separators, and what other systems refuse in a name
_LONGEST_TUNE = 60


def journal_path(session: Path) -> Path:
    """The raw journal beside a session while it is recorded."""
    return session.with_name(session.name + ".journal")


def session_of(path: Path) -> Path:
    """The session that a journal stands beside; any other path is a session's own."""
    return path.with_suffix("") if path.suffix == ".journal" else path


def need_name(path: Path) -> Path:
    """The path, which must end in a file's name: '/', '.' and '' end in none. Raises InputError."""
    if not path.name:
        raise InputError(f"{path}: is a folder; give the name of a file in it")
    return path


def is_taken(session: Path) -> bool:
    """Whether a session of this name, or what a cut-off recording left of one, is already there."""
    return session.exists() or session.is_symlink() or journal_path(session).exists()


def clean_tune(tune: str) -> str:
    """A tune label as part of a file name: no control characters, no separators, no blanks, not too long."""
    text = unicodedata.normalize("NFC", tune)
    kept = "".join("-" if c in _UNSAFE or c.isspace() or not c.isprintable() else c for c in text)
    kept = "-".join(part for part in kept.split("-") if part).strip(".-")
    while len(kept.encode()) > _LONGEST_TUNE:
        kept = kept[:-1]
    return kept


def new_session_path(folder: str | Path, tune: str, when: datetime) -> Path:
    """A name for a new session in `folder`: date, time and tune, with a number where that is taken."""
    label = clean_tune(tune)
    stem = f"{when:%Y-%m-%d_%H%M%S}" + (f"-{label}" if label else "")
    return free_path(Path(folder), f"{stem}.h5")


def free_path(folder: Path, name: str) -> Path:
    """A name that no session has in `folder`: `name`, with a number where that is taken."""
    path = folder / name
    number = 2
    while is_taken(path):
        path = folder / f"{Path(name).stem}-{number}{Path(name).suffix}"
        number += 1
    return path


def write_text(path: Path, text: str, encoding: str = "utf-8") -> None:
    """Write a new text file whole, or not at all. Raises StorageError where the disk does not take it."""
    draft = path.with_name(path.name + ".part")
    try:
        draft.write_text(text, encoding=encoding, newline="")
        draft.replace(path)
    except OSError as error:
        draft.unlink(missing_ok=True)
        raise StorageError(f"{path}: cannot be written ({error.strerror}); choose another folder") from None
