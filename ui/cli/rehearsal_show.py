"""A rehearsal day in one window: the day runs on a thread of its own, the window looks at it."""

import threading
import time
from typing import TYPE_CHECKING

from stream.errors import DeviceError
from ui.text.rehearsal import CHANGES, OVER, STUDIES, doing

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from stream.drive.drive import Drive
    from stream.sources.rehearsal.player import RehearsalPort
    from stream.sources.rehearsal.record import Recording

LOOK_S = 0.05
ZERO_AT_S = 4.0  # of a pull session: he has stood long enough for a zero, and still stands


class EndedError(DeviceError):
    """The window was closed before the day was over."""


class DayShow:
    """What the window asks of the day, and what the day tells the window."""

    def __init__(self) -> None:
        self.feed: Drive | None = None
        self.opened: list[str] = []
        self._recording: Recording | None = None
        self._port: RehearsalPort | None = None
        self._said = ("The driver gets in.", "")
        self._paused = False
        self.over = threading.Event()

    def words(self) -> tuple[str, str]:
        """(what the driver does, where to look)."""
        drive, recording = self.feed, self._recording
        if drive is None or recording is None or drive.stage is None:
            return self._said
        return doing(recording, drive.stage.time_s)

    def pause(self, on: bool) -> None:
        """Hold the driver up, or let him go on."""
        self._paused = on
        if self._port is not None:
            self._port.pause(on)

    def stop(self) -> None:
        """The window was closed: the day ends."""
        self.over.set()
        if self.feed is not None:
            self.feed.stop()

    # -- for the day's thread -----------------------------------------------------------------------------------------

    def follow(
        self,
        drive: "Drive",
        port: "RehearsalPort",
        recording: "Recording",
        ended: "Callable[[], bool]",
        *,
        press_zero: bool,
    ) -> None:
        """Let the window look at a drive until it has ended; raises EndedError where the window was closed."""
        port.pause(self._paused)
        self._port, self._recording, self.feed = port, recording, drive
        pressed = not press_zero
        while not self.over.is_set() and not ended() and not drive.done.is_set():
            time.sleep(LOOK_S)
            if not pressed and drive.stage is not None and drive.stage.time_s >= ZERO_AT_S:
                pressed = True
                drive.zero()
        self._port = self._recording = None
        self._said = (CHANGES.format(tune="the next tune"), "")
        if self.over.is_set():
            raise EndedError("the window was closed before the day was over; what was recorded is kept")

    def study(self) -> None:
        """The driving is over."""
        self._said = STUDIES

    def fail(self, why: str) -> None:
        """The day ended in an error."""
        self._recording = None
        self._said = ("The rehearsal has ended.", why)

    def finish(self, sessions: "list[Path]") -> None:
        """The day is over; the window opens these."""
        self._said = OVER
        self.opened = [str(path) for path in sessions]
