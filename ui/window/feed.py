"""What the window needs of a running drive, and nothing more: the door between the engine and the screen.

Everything here is called from the window's own thread and returns at once; the window asks, nothing calls it
back.

And what every screen of the window is.
"""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Protocol

from pyqtgraph.Qt import QtWidgets

from stream.block import Block, StreamInfo
from stream.car import Car
from stream.drive.status import DriveStatus
from stream.events import EventList
from stream.live.records import LiveRows
from stream.record.tables import Weather
from ui.window.theme import Theme


class RawCursor(Protocol):
    """A reader's place in the ring of raw samples."""

    def read(self, max_rows: int) -> Block | None:
        """Up to `max_rows` new rows, None where there are none; `Block.lost` tells what was missed."""
        ...


class LiveCursor(Protocol):
    """A reader's place in the rows of the live rate."""

    def read(self) -> LiveRows:
        """The rows that came since the last call; maybe none."""
        ...


class DriveFeed(Protocol):
    """A running drive as the window sees it.

    `info` is None until the source has described itself; cursors are asked for only after that. The commands
    may raise SteadypullError, whose one line is shown.
    """

    @property
    def events(self) -> EventList:
        """The numbered list of what happened."""
        ...

    @property
    def car(self) -> Car:
        """The car file that is driven with."""
        ...

    @property
    def info(self) -> StreamInfo | None:
        """What the stream carries."""
        ...

    def status(self) -> DriveStatus:
        """One look at the drive."""
        ...

    def raw_cursor(self) -> RawCursor:
        """A new place in the raw ring, at its newest row."""
        ...

    def live_cursor(self) -> LiveCursor:
        """A new place in the live rows, at the newest."""
        ...

    def start_recording(self) -> None:
        """Begin a new session file."""
        ...

    def stop_recording(self) -> None:
        """Finish the session file."""
        ...

    def set_tune(self, label: str) -> None:
        """Name the tune that is in the car now."""
        ...

    def mark(self, text: str = "") -> None:
        """Put a mark at this moment."""
        ...

    def knock_heard(self) -> None:
        """Knock was heard just now."""
        ...

    def zero(self, rolling: bool = False) -> None:
        """Declare the last quiet seconds as zero load."""
        ...

    def set_weather(self, weather: Weather) -> None:
        """The air of the day."""
        ...

    def skip_target(self) -> None:
        """Leave the next target out."""
        ...

    def redo_target(self) -> None:
        """Go back to the target before."""
        ...

    def stop(self) -> None:
        """End the drive: the recording is finished, the port given back."""
        ...


def share_one(some: Iterable[str | Path], others: Iterable[str | Path]) -> bool:
    """Whether a file is among both, by whatever name."""
    return bool({Path(path).resolve() for path in some} & {Path(path).resolve() for path in others})


class Screen(QtWidgets.QWidget):
    """A tab of the main window. The window calls these, always from its own thread."""

    def attach(self, feed: DriveFeed | None) -> None:
        """Begin to show this drive (None: no drive). Called before the first poll, and for a new drive."""

    def poll(self) -> None:
        """Ask for what is new and show it; called at every frame, also while another tab is in front."""

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours, and `unit`, how much larger than at 1280 × 800 everything is."""

    def sessions_in_view(self) -> tuple[str, ...]:
        """The sessions that the screen shows, whatever folder they are in: their steps can be undone from it."""
        return ()

    def sessions_changed(self, paths: Sequence[str]) -> None:
        """An undo or a redo has changed these sessions: what is shown of them is old."""

    def undo_own(self, *, back: bool) -> bool:
        """Take back, or do again, what is only tried on this screen; False where there is nothing of that kind."""
        del back
        return False

    def detach(self) -> None:
        """The window closes: give back what is held."""
