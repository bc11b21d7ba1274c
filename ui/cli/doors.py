"""The doors from the commands to the window and the printed report: imported here, when asked for, and nowhere else."""

import os
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from stream.drive.drive import Drive

UNSEEN = ("offscreen", "minimal")  # Qt platforms that draw where nobody looks


def write_report(session_paths: "Sequence[str]", path: "Path", **wishes: Any) -> None:
    """Print sessions to a file; `wishes` are those of `ui.report.write`. Raises InputError, StorageError."""
    from ui.report.write import write_report as write

    write(session_paths, path, **wishes)


def wants_window(headless: bool, as_json: bool) -> bool:
    """A window is opened where there is a display that a person can see, unless text or JSON was asked for."""
    if headless or as_json or os.environ.get("QT_QPA_PLATFORM", "").split(":")[0] in UNSEEN:
        return False
    from ui.window.start import display_available

    return display_available()


def open_window(drive: "Drive | None") -> int:
    """Open the window on a running drive (or on nothing) and return when it is closed."""
    from ui.window.start import open_road

    return open_road(drive)


def open_show(show: "Any") -> int:
    """Open the window on a day of drives; it stays until the person closes it."""
    from ui.window.start import open_road

    return open_road(None, caution=False, show=show)
