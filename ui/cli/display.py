"""Whether a window can be opened, and opening one. Qt is imported here and nowhere else in ui/cli."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from stream.drive.drive import Drive


def wants_window(headless: bool, as_json: bool) -> bool:
    """A window is opened where there is a display, unless text or JSON was asked for."""
    if headless or as_json:
        return False
    from ui.window.start import display_available

    return display_available()


def open_window(drive: "Drive | None") -> int:
    """Open the window on a running drive (or on nothing) and return when it is closed."""
    from ui.window.start import open_road

    return open_road(drive)
