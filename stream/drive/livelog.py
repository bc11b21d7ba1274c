"""Live rows for whoever draws or records them: bounded for the screen, whole for the recorder."""

import threading
from collections import deque

from stream.live.records import LiveRows, join_rows


class LiveLog:
    """Numbered runs of live rows, the last `capacity` kept. One writer; any number of cursors."""

    def __init__(self, capacity: int = 4096) -> None:
        self._parts: deque[tuple[int, LiveRows]] = deque(maxlen=capacity)
        self._last = 0
        self._lock = threading.Lock()

    def add(self, rows: LiveRows) -> None:
        """Append what the stage gave for one block."""
        if len(rows):
            with self._lock:
                self._last += 1
                self._parts.append((self._last, rows))

    def cursor(self) -> "LiveLogCursor":
        """A place at the newest row."""
        return LiveLogCursor(self, self._last)

    def since(self, number: int) -> tuple[LiveRows, int]:
        """The rows behind run `number`, and the number of the newest run."""
        with self._lock:
            parts = []
            for run, rows in reversed(self._parts):
                if run <= number:
                    break
                parts.append(rows)
            last = self._last
        return join_rows(parts[::-1]), last


class LiveLogCursor:
    """One reader's place in the live rows."""

    def __init__(self, log: LiveLog, number: int) -> None:
        self._log = log
        self._number = number

    def read(self) -> LiveRows:
        """The rows that came since the last call; maybe none."""
        rows, self._number = self._log.since(self._number)
        return rows
