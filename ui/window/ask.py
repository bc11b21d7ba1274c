"""Asking for a folder or a file name, by the system's own dialogs."""

from collections.abc import Mapping
from pathlib import Path

from pyqtgraph.Qt import QtWidgets


def folder(parent: QtWidgets.QWidget, title: str, start: Path | None) -> Path | None:
    """A folder that is there; None where the person thought better of it."""
    chosen = QtWidgets.QFileDialog.getExistingDirectory(parent, title, str(start or Path.home()))
    return Path(chosen) if chosen else None


def save_as(
    parent: QtWidgets.QWidget, title: str, start: Path, kind: str, others: Mapping[str, str] | None = None
) -> Path | None:
    """A file to write; `kind` is an ending such as 'csv', put on where none is. `others` are endings that may be
    chosen instead, with what each is in words."""
    filters = {f"{kind.upper()} (*.{kind})": kind}
    filters |= {f"{said} (*.{ending})": ending for ending, said in (others or {}).items()}
    chosen, by = QtWidgets.QFileDialog.getSaveFileName(parent, title, str(start), ";;".join(filters))
    if not chosen:
        return None
    path = Path(chosen)
    ending = filters.get(by, kind)
    return path if path.suffix.lower()[1:] in filters.values() else path.with_name(f"{path.name}.{ending}")


def open_file(parent: QtWidgets.QWidget, title: str, start: Path | None, kind: str, words: str) -> Path | None:
    """A file that is there, with an ending of `kind` ('csv txt'); None where the person thought better of it."""
    endings = " ".join(f"*.{ending}" for ending in kind.split())
    chosen, _ = QtWidgets.QFileDialog.getOpenFileName(parent, title, str(start or Path.home()), f"{words} ({endings})")
    return Path(chosen) if chosen else None
