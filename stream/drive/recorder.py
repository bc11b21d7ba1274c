"""The recorder thread: rows from the ring into the session file, so that a slow disk delays nothing else.

It follows the live stage and never overtakes it, so that a session ends on the very sample that the stage ended on.
"""

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from stream.drive.beside import Companion, take_in
from stream.errors import StorageError
from stream.events import EventList
from stream.live.records import LiveRows, join_rows
from stream.live.stage import LiveStage
from stream.record.tables import Command, Heard, HoldMark, Weather, Zero
from stream.record.writer import SessionWriter
from stream.ring import Cursor

FLUSH_S = 0.5
CHUNK_ROWS = 65536
IDLE_S = 0.1  # without anything new; the end of the take is noticed within it
MOST_ROWS = 1 << 15  # five minutes of 100 ticks a second
COMPANION_S = 10.0  # so long a further device may take to finish its file


@dataclass
class Take:
    """One session being recorded: what the stage hands to the recorder, and how far.

    The stage's thread raises `stage_row` (rows of the ring that it has seen), and behind the last one sets `marks`
    (what was said of the holds) and `ended`. `heard` is knock that a person heard
    while it ran, `commands` what a person did, `zeros` and `weather` what was taken and said; `companions` are the
    files of further devices.
    """

    writer: SessionWriter
    cursor: Cursor
    stage: LiveStage
    events: EventList
    stage_row: int
    live: list[LiveRows] = field(default_factory=list)
    ended: threading.Event = field(default_factory=threading.Event)
    news: threading.Event = field(default_factory=threading.Event)
    lock: threading.Lock = field(default_factory=threading.Lock)
    seen_event: int = 0
    marks: tuple[HoldMark, ...] | None = None
    heard: list[Heard] = field(default_factory=list)
    commands: deque[Command] = field(default_factory=deque)
    zeros: deque[Zero] = field(default_factory=deque)
    weather: deque[Weather] = field(default_factory=deque)
    companions: list[Companion] = field(default_factory=list)

    def passed(self, row: int, rows: LiveRows) -> None:
        """The stage has seen the ring up to `row` and gave these live rows."""
        with self.lock:
            self.stage_row = row
            if len(rows):
                self.live.append(rows)
        self.news.set()

    def take_live(self) -> tuple[int, LiveRows]:
        """The row that the stage has reached, and the live rows since the last call."""
        with self.lock:
            parts, self.live = self.live, []
            return self.stage_row, join_rows(parts)


class Recorder(threading.Thread):
    """Writes one take until it has ended and is drained, then finishes the session.

    `failure` keeps what went wrong; the session is then left as the last flush had it, with its journal beside it.
    """

    def __init__(self, take: Take, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__(name="steadypull-recorder", daemon=True)
        self.take = take
        self.failure: BaseException | None = None
        self._clock = clock

    def run(self) -> None:
        """The thread's whole life."""
        try:
            self._record()
        except StorageError as error:
            self.failure = error
            self.take.events.add(self.take.stage.time_s, "fault", str(error))
            self.take.writer.abandon()
        except BaseException as error:  # noqa: BLE001 - kept, and raised again in the owner's thread
            self.failure = error
            self.take.writer.abandon()
        finally:
            self.take.cursor.close()
            for companion in self.take.companions:
                companion.ended.set()

    def _record(self) -> None:
        take = self.take
        next_flush = self._clock() + FLUSH_S
        while not self._drained():
            limit, rows = take.take_live()
            take.writer.append_live(rows)
            self._copy_up_to(limit)
            if self._clock() >= next_flush:
                self._keep_place()
                self._add_events()
                take.writer.flush()
                next_flush = self._clock() + FLUSH_S
            if not self._drained():
                take.news.wait(IDLE_S)
                take.news.clear()
        _, rows = take.take_live()
        take.writer.append_live(rows)
        self._keep_place()
        self._add_events()
        stage = take.stage
        take.writer.finish(stage.holds, stage.pinned, stage.pulls, marks=take.marks, heard=take.heard)
        for said in take_in(take.writer.path, take.companions, COMPANION_S) if take.companions else ():
            take.events.add(stage.time_s, "note", said)

    def _keep_place(self) -> None:
        """Tell at once where somebody moved or removed the file that is being recorded."""
        said = self.take.writer.keep_place()
        if said is not None:
            self.take.events.add(self.take.stage.time_s, "fault", said)

    def _drained(self) -> bool:
        return self.take.ended.is_set() and self.take.cursor.row >= self.take.stage_row

    def _copy_up_to(self, limit: int) -> None:
        cursor = self.take.cursor
        while cursor.row < limit:
            block = cursor.read(min(CHUNK_ROWS, limit - cursor.row))
            if block is None:
                return
            self.take.writer.append(block)

    def _add_events(self) -> None:
        """Write the events and commands that are new."""
        commands: list[Command] = []
        while self.take.commands:
            commands.append(self.take.commands.popleft())
        self.take.writer.add_commands(commands)
        while self.take.zeros:
            self.take.writer.add_zero(self.take.zeros.popleft())
        while self.take.weather:
            self.take.writer.set_weather(self.take.weather.popleft())
        events, _ = self.take.events.since(self.take.seen_event)
        if events:
            self.take.seen_event = events[-1].number
            self.take.writer.add_events(events)


class LiveLog:
    """Numbered runs of live rows, the last `capacity` kept, and of long ones no more than MOST_ROWS rows. One writer;
    any number of cursors."""

    def __init__(self, capacity: int = 4096) -> None:
        self._parts: deque[tuple[int, LiveRows]] = deque(maxlen=capacity)
        self._rows = 0
        self._last = 0
        self._lock = threading.Lock()

    def add(self, rows: LiveRows) -> None:
        """Append what the stage gave for one block."""
        if len(rows):
            with self._lock:
                self._last += 1
                if len(self._parts) == self._parts.maxlen:
                    self._rows -= len(self._parts[0][1])
                self._parts.append((self._last, rows))
                self._rows += len(rows)
                while self._rows > MOST_ROWS and len(self._parts) > 1:  # a replay at full pace brings minutes at a time
                    self._rows -= len(self._parts.popleft()[1])

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
