"""Writing a text file that a person asked for."""

from pathlib import Path

from stream.errors import StorageError


def write_text(path: Path, text: str) -> None:
    """Write a new UTF-8 file whole, or not at all. Raises StorageError where the disk does not take it."""
    draft = path.with_name(path.name + ".part")
    try:
        draft.write_text(text, encoding="utf-8", newline="")
        draft.replace(path)
    except OSError as error:
        draft.unlink(missing_ok=True)
        raise StorageError(f"{path}: cannot be written ({error.strerror}); choose another folder") from None
