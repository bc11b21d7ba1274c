"""One numbered, bounded list of plain records: the same for the window, the ear, JSON and the session."""

import json
import math
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stream.errors import InputError
from stream.findings import Finding, plain

KINDS = (
    "recording-began",
    "recording-ended",
    "hold-began",
    "hold-done",
    "hold-broken",
    "pinned",
    "pull-began",
    "pull-done",
    "pull-changed",
    "limit",
    "limit-blind",
    "gap",
    "clipped",
    "fault",
    "note",
    "mark",
    "knock-heard",
    "device-away",
    "device-back",
    "zero",
    "target",
)


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened at `time_s` of the session; `number` counts from 1 without holes.

    code      what the text says, for those who decide by it; '' for the words of a person, a device or an error
    said_s    session time of the newest sample when it was known; `time_s` where it was known at once
    details   what else belongs to the kind: "hold" or "pull" (its row), "channel", "withdrawn"; not in the session
    """

    number: int
    time_s: float
    kind: str
    text: str
    value: float | None = None
    said_s: float | None = None
    details: dict[str, Any] | None = None
    code: str = ""

    def as_json(self) -> dict[str, Any]:
        """The event as one line of an event file."""
        said = self.time_s if self.said_s is None else self.said_s
        line = {"time_s": self.time_s, "said_s": said, "kind": self.kind, "text": self.text, "value": self.value}
        return {**line, **({"code": self.code} if self.code else {}), **(self.details or {})}


class EventFile:
    """Events as JSON lines, one for each the moment it happens; a file that is there is gone on with.

    Raises InputError where it cannot be opened. What fails later (a disk that is full, a reader that went away) ends
    the writing, not the drive, and is kept in `failure`. `reword` may change a line before it is written.
    """

    def __init__(self, path: str | Path, reword: Callable[[dict[str, Any]], dict[str, Any]] | None = None) -> None:
        self.path = Path(path)
        self._reword = reword
        self.failure = ""
        try:
            self._file = self.path.open("a", encoding="utf-8")
        except OSError as error:
            raise InputError(
                f"{self.path}: events cannot be written there ({error.strerror}); name a file in a folder that is there"
            ) from None

    def write(self, event: Event) -> None:
        """One event, flushed at once."""
        if self.failure:
            return
        try:
            line = event.as_json()
            line = line if self._reword is None else self._reword(line)
            self._file.write(json.dumps(_finite(line), ensure_ascii=False, allow_nan=False) + "\n")
            self._file.flush()
        except OSError as error:
            self.failure = f"{self.path}: events are no longer written ({error.strerror})"

    def close(self) -> None:
        """Give the file back. Safe to call twice."""
        try:
            self._file.close()
        except OSError as error:
            self.failure = self.failure or f"{self.path}: events are no longer written ({error.strerror})"


def _finite(value: Any) -> Any:
    """Numbers that are not finite as null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    return value


class EventList:
    """Bounded and thread-safe: writers append, readers ask for what is new since the number they saw last.

    say     makes the text of an event that is told as a finding
    """

    def __init__(self, capacity: int = 4096, say: Callable[[Finding], str] = plain) -> None:
        self._say = say
        self._events: deque[Event] = deque(maxlen=capacity)
        self._lock = threading.Lock()
        self._last = 0
        self._watchers: list[EventFile] = []  # written to on the thread that adds

    def watch(self, file: "EventFile") -> None:
        """Write every event from now on to a file as well."""
        self._watchers.append(file)

    def add(
        self,
        time_s: float,
        kind: str,
        what: Finding | str,
        value: float | None = None,
        *,
        said_s: float | None = None,
        details: dict[str, Any] | None = None,
    ) -> Event:
        """Append one event and return it; `what` is a finding, or text that somebody gave.

        Raises ValueError for a kind that is not in KINDS.
        """
        if kind not in KINDS:
            raise ValueError(f"unknown event kind {kind!r}; one of {', '.join(KINDS)}")
        text, code = (what, "") if isinstance(what, str) else (self._say(what), what.code)
        text = text.encode("utf-8", "replace").decode()  # a file's name may hold bytes that are no text
        with self._lock:
            self._last += 1
            event = Event(self._last, time_s, kind, text, value, said_s, details, code)
            self._events.append(event)
            for file in self._watchers:
                file.write(event)
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
