"""A recorded session as a source: the same Blocks as the wire gave, at their own pace or as fast as they are
taken.

With further columns beside its own it is a merged session.
"""

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.findings import note, warning
from stream.record.session import Session, open_session
from stream.sources.source import SourceNote
from stream.units import Floats

_UNPACED_BLOCK_S = 5.0  # the stage costs a fixed sum a block; any split of the samples gives the same bits
_PACED_BLOCK_S = 0.02  # as often as a serial line is read, so that what is drawn moves as it did


class ReplaySource:
    """Implements Source. `pace` is times real time (1.0 as it was), None as fast as possible.

    `clock` (seconds, monotonic) and `wait` (seconds; True once stopped) can be given by a test.
    `rows_per_block` is the most rows of a Block; where None 20 ms when paced, five seconds otherwise.
    """

    realtime = False

    def __init__(
        self,
        path: str | Path,
        pace: float | None = None,
        *,
        rows_per_block: int | None = None,
        clock: Callable[[], float] = time.monotonic,
        wait: Callable[[float], bool] | None = None,
    ) -> None:
        if pace is not None and not pace > 0:
            raise ValueError(f"pace is {pace}; above 0, or None for as fast as possible")
        self.path = Path(path)
        self._pace = pace
        self._rows_per_block = rows_per_block
        self._clock = clock
        self._stopped = threading.Event()
        self._wait = self._stopped.wait if wait is None else wait
        self._session: Session | None = None
        self._blocks: Iterator[Block] = iter(())
        self._next: Block | None = None
        self._began_s = 0.0
        self._notes: list[SourceNote] = []
        self._said: deque[SourceNote] = deque()
        self._counters = {"rows": 0, "lost_samples": 0, "restarts": 0}

    def open(self) -> StreamInfo:
        """Open the session. Raises InputError, one line with the cure."""
        session = open_session(self.path)
        self._session = session
        rows = self._rows_per_block
        if rows is None and self._pace is not None:
            rows = max(1, round(session.rate_hz * _PACED_BLOCK_S))
        elif rows is None:
            rows = max(1, round(session.rate_hz * _UNPACED_BLOCK_S))
        self._blocks = session.blocks(rows)
        commands = [SourceNote(one.kind, one.index, one.value, command=True) for one in session.commands]
        marked = any(one.kind == "mark" for one in commands)
        remarks = [
            SourceNote(event.kind, round(event.time_s * session.rate_hz), event.text)
            for event in session.events
            if event.kind == "note" or (event.kind == "mark" and not marked)
        ]
        self._said.extend(sorted([*commands, *remarks], key=lambda one: one.index))
        self._next = next(self._blocks, None)
        self._began_s = self._clock()
        return session.info

    @property
    def session(self) -> Session:
        """The session that is replayed, once open: its car, tune and gear."""
        if self._session is None:
            raise ValueError("the source is not open")
        return self._session

    def read(self, timeout_s: float) -> list[Block]:
        """The next Block; empty after `timeout_s` where it is not due yet, and at the end."""
        block = self._next
        if block is None or self._stopped.is_set():
            return []
        if self._pace is not None:
            due = self._began_s + block.end / block.rate_hz / self._pace
            left = due - self._clock()
            if left > 0 and (self._wait(min(left, timeout_s)) or left > timeout_s):
                return []
        self._next = next(self._blocks, None)
        self._tell(block)
        return [block]

    @property
    def finished(self) -> bool:
        """True at the end of the session, or once stopped."""
        return self._stopped.is_set() or (self._session is not None and self._next is None)

    def take_notes(self) -> list[SourceNote]:
        """Gaps, restarts, what a person did in the recording and what the device said, since the last call."""
        notes, self._notes = self._notes, []
        return notes

    def counters(self) -> dict[str, int]:
        """Running totals: rows, lost_samples, restarts."""
        return dict(self._counters)

    def stop(self) -> None:
        """Make a waiting read return and end the replay; any thread may call it."""
        self._stopped.set()

    def close(self) -> None:
        """Give the file back. Safe to call twice."""
        self._next = None
        if self._session is not None:
            self._session.close()

    def _tell(self, block: Block) -> None:
        self._counters["rows"] += len(block)
        self._counters["lost_samples"] += block.lost
        self._counters["restarts"] += block.restarted
        if block.lost:
            self._notes.append(SourceNote("gap", block.first, note("samples-missing-here", lost=block.lost)))
        if block.restarted:
            self._notes.append(SourceNote("device-back", block.first, warning("device-restarted", lost=block.lost)))
        while self._said and (
            self._next is None or self._said[0].index < block.end
        ):  # some came behind the last sample
            self._notes.append(self._said.popleft())


HOLE_STEPS = 5.0  # usual steps of the log; over a longer hole nothing is drawn
LEAST_HOLE_S = 0.5


class MergedSource(ReplaySource):
    """Replays a session, as fast as it is taken, with columns that another clock's log gives.

    channels     of the further columns, in order
    time_s       (rows,) stamps of the log on the session's clock, rising
    values       (rows, channels); a cell that is missing is bridged where its neighbours are near
    Outside the log, and over holes of it, the columns are NaN.
    """

    def __init__(self, path: str | Path, channels: Sequence[ChannelInfo], time_s: Floats, values: Floats) -> None:
        super().__init__(path)
        self._channels = tuple(channels)
        self._known = [known(time_s, column) for column in values.T]
        self._hole_s = max(HOLE_STEPS * float(np.median(np.diff(time_s))), LEAST_HOLE_S)

    def open(self) -> StreamInfo:
        """Open the session. Raises InputError, one line with the cure."""
        info = super().open()
        return StreamInfo(info.rate_hz, info.channels + self._channels, info.name)

    def read(self, timeout_s: float) -> list[Block]:
        """The next Block, wider."""
        return [self._widen(block) for block in super().read(timeout_s)]

    def _widen(self, block: Block) -> Block:
        at = (block.first + np.arange(len(block))) / block.rate_hz
        more = [resampled(at, time, values, self._hole_s) for time, values in self._known]
        samples = np.column_stack([block.samples, *more]).astype(np.float32)
        return Block(samples, block.first, block.rate_hz, block.device_us, block.host_ns, block.lost, block.restarted)


def known(time_s: Floats, column: Floats) -> tuple[Floats, Floats]:
    """Stamps and values of the cells that are numbers."""
    good = np.isfinite(column)
    return time_s[good], column[good]


def resampled(at: Floats, time: Floats, values: Floats, hole_s: float) -> Floats:
    """Linear between rows of the log; NaN outside it and where two rows lie further apart than hole_s."""
    if len(time) < 2:
        return np.full(len(at), np.nan)
    out = np.interp(at, time, values, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(time, at), 1, len(time) - 1)
    out[time[after] - time[after - 1] > hole_s] = np.nan
    return out
