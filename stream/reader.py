"""The reader thread: bytes to ring, and as little else as can be."""

import threading
from collections import deque
from collections.abc import Callable

from stream.block import StreamInfo
from stream.errors import SteadypullError
from stream.ring import Ring
from stream.sources.source import Source, SourceNote

POLL_S = 0.1


class Reader(threading.Thread):
    """Opens the source, makes the ring, and fills it until the source is finished or stop() is called.

    With `wait` it holds the source up rather than overrun a claiming cursor. What the source has to tell goes into
    `notes`, for the engine's thread to place in its session.

    `failure` keeps what ended it, for whoever owns the thread: a SteadypullError has words for the person, anything
    else is a defect and is raised again by the owner. It never dies silently.
    """

    def __init__(
        self, source: Source, notes: deque[SourceNote], ring_rows: Callable[[StreamInfo], int], *, wait: bool
    ) -> None:
        super().__init__(name="steadypull-reader", daemon=True)
        self.source = source
        self.failure: BaseException | None = None
        self.ring: Ring | None = None
        self.opened = threading.Event()  # set when the ring is there, or when there will be none
        self.go = threading.Event()  # set by the owner once its cursors are in place
        self._notes = notes
        self._ring_rows = ring_rows
        self._wait = wait
        self._stopping = threading.Event()

    def run(self) -> None:
        """The thread's whole life."""
        try:
            info = self.source.open()
            self.ring = Ring(info, self._ring_rows(info))
            self.opened.set()
            self.go.wait()
            self._pump(self.ring)
        except SteadypullError as error:
            if self.ring is not None or not self._stopping.is_set():  # an end before the device spoke is no failure
                self.failure = error
        except BaseException as error:  # noqa: BLE001 - kept, and raised again in the owner's thread
            self.failure = error
        finally:
            if self.ring is not None:
                self.ring.close()
            self.opened.set()
            self.source.close()

    def stop(self) -> None:
        """End soon. Safe from any thread and more than once."""
        self._stopping.set()
        self.source.stop()
        self.go.set()
        if self.ring is not None:
            self.ring.close()

    def _pump(self, ring: Ring) -> None:
        while not (self._stopping.is_set() or self.source.finished):
            for block in self.source.read(POLL_S):
                ring.write(block, wait=self._wait)
            self._notes.extend(self.source.take_notes())
