"""Asking for a folder or a file name, by the system's own dialogs."""

from pathlib import Path

from pyqtgraph.Qt import QtWidgets


def folder(parent: QtWidgets.QWidget, title: str, start: Path | None) -> Path | None:
    """A folder that is there; None where the person thought better of it."""
    chosen = QtWidgets.QFileDialog.getExistingDirectory(parent, title, str(start or Path.home()))
    return Path(chosen) if chosen else None


def save_as(parent: QtWidgets.QWidget, title: str, start: Path, kind: str) -> Path | None:
    """A file to write; `kind` is an ending such as 'csv', put on where it is missing."""
    chosen, _ = QtWidgets.QFileDialog.getSaveFileName(parent, title, str(start), f"{kind.upper()} (*.{kind})")
    if not chosen:
        return None
    path = Path(chosen)
    return path if path.suffix.lower() == f".{kind}" else path.with_name(f"{path.name}.{kind}")


def open_file(parent: QtWidgets.QWidget, title: str, start: Path | None, kind: str, words: str) -> Path | None:
    """A file that is there, with an ending of `kind` ('csv txt'); None where the person thought better of it."""
    endings = " ".join(f"*.{ending}" for ending in kind.split())
    chosen, _ = QtWidgets.QFileDialog.getOpenFileName(parent, title, str(start or Path.home()), f"{words} ({endings})")
    return Path(chosen) if chosen else None
