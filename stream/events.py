"""One numbered, bounded list of plain records: the same for the window, the ear, JSON and the session."""

import threading
from collections import deque
from dataclasses import dataclass

KINDS = (
    "recording-began", "recording-ended", "hold-began", "hold-done", "hold-broken", "pinned",
    "pull-began", "pull-done", "gap", "clipped", "fault", "note", "mark", "device-away", "device-back",
    "zero", "target", "alarm",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened at `time_s` of the session; `number` counts from 1 without holes."""

    number: int
    time_s: float
    kind: str
    text: str
    value: float | None = None


class EventList:
    """Bounded and thread-safe: writers append, readers ask for what is new since the number they saw last."""

    def __init__(self, capacity: int = 4096) -> None:
        self._events: deque[Event] = deque(maxlen=capacity)
        self._lock = threading.Lock()
        self._last = 0

    def add(self, time_s: float, kind: str, text: str, value: float | None = None) -> Event:
        """Append one event and return it. Raises ValueError for a kind that is not in KINDS."""
        if kind not in KINDS:
            raise ValueError(f"unknown event kind {kind!r}; one of {', '.join(KINDS)}")
        text = text.encode("utf-8", "replace").decode()  # a file's name may hold bytes that are no text
        with self._lock:
            self._last += 1
            event = Event(self._last, time_s, kind, text, value)
            self._events.append(event)
        return event

    @property
    def last(self) -> int:
        """The number of the newest event; 0 before there is one."""
        return self._last

    def since(self, number: int) -> tuple[list[Event], int]:
        """The events after `number`, and how many of them were dropped before they could be read."""
        with self._lock:
            kept = [event for event in self._events if event.number > number]
            oldest = self._events[0].number if self._events else self._last + 1
        return kept, max(0, oldest - number - 1)
