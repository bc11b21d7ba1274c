"""The ring: one writer, many readers with their own cursors, memory flat, gaps told.

Preallocated rows with two-slice wraparound. Writing each row twice, so that every window is contiguous, was measured
1.5 to 1.8 times slower to append, and a deque of arrays keeps memory only as flat as its sender's block size.
"""

import threading
from bisect import bisect_right
from dataclasses import dataclass

import numpy as np

from stream.block import Block, Samples, StreamInfo


@dataclass(frozen=True, slots=True)
class _Mark:
    """A block as it was written: its row in the ring's own count, and what belongs to its first sample."""

    row: int
    first: int
    device_us: int
    host_ns: int
    restarted: bool


class Ring:
    """Rows of the last `capacity` samples. One thread writes; each cursor is read by one thread."""

    def __init__(self, info: StreamInfo, capacity: int) -> None:
        if capacity < 1:
            raise ValueError(f"a ring needs room for at least one row, not {capacity}")
        self.info = info
        self.capacity = capacity
        self._rows = np.empty((capacity, len(info.channels)), dtype=np.float32)
        self._marks: list[_Mark] = []
        self._mark_base = 0  # the number of the first mark that is kept
        self._written = 0
        self._closed = False
        self._cursors: list[Cursor] = []
        self._changed = threading.Condition()

    def write(self, block: Block, *, wait: bool = False) -> None:
        """Append a block. With `wait` the writer waits for every claiming cursor that would be overrun;
        without, that cursor is told of a gap. A closed ring takes nothing more."""
        for start in range(0, len(block), self.capacity):
            self._write_part(block, start, min(len(block), start + self.capacity), wait)

    def close(self) -> None:
        """No more will be written: waiting readers and the writer are let go."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def cursor(self, *, claim: bool = False, from_start: bool = False) -> "Cursor":
        """A new reader: from the newest row on, or from the oldest that is kept."""
        with self._changed:
            row = self._oldest() if from_start else self._written
            cursor = Cursor(self, row, claim)
            self._cursors.append(cursor)
        return cursor

    def cursor_at(self, row: int) -> "Cursor":
        """A claiming reader from a row on that another cursor has just reached."""
        with self._changed:
            cursor = Cursor(self, row, True)
            self._cursors.append(cursor)
        return cursor

    @property
    def written(self) -> int:
        """Rows written so far."""
        return self._written

    @property
    def closed(self) -> bool:
        """True once nothing more will be written."""
        return self._closed

    def _oldest(self) -> int:
        return max(0, self._written - self.capacity)

    def _write_part(self, block: Block, start: int, stop: int, wait: bool) -> None:
        count = stop - start
        with self._changed:
            while wait and not self._closed and self._would_overrun(count):
                self._changed.wait()
            if self._closed:
                return
            at = self._written % self.capacity
            head = min(count, self.capacity - at)
            self._rows[at : at + head] = block.samples[start : start + head]
            self._rows[: count - head] = block.samples[start + head : stop]
            elapsed_us = round(start * 1e6 / block.rate_hz)
            self._marks.append(
                _Mark(
                    row=self._written,
                    first=block.first + start,
                    device_us=block.device_us + elapsed_us,
                    host_ns=block.host_ns,
                    restarted=block.restarted and start == 0,
                )
            )
            self._written += count
            self._drop_old_marks()
            self._changed.notify_all()

    def _would_overrun(self, count: int) -> bool:
        claims = [cursor.row for cursor in self._cursors if cursor.claim]
        return bool(claims) and self._written + count - min(claims) > self.capacity

    def _drop_old_marks(self) -> None:
        """Forget the marks whose rows are all overwritten; in batches, since a list shifts when cut."""
        oldest = self._oldest()
        if len(self._marks) < 1024 or self._marks[512].row > oldest:
            return
        cut = next(number for number, mark in enumerate(self._marks) if mark.row > oldest) - 1
        del self._marks[:cut]
        self._mark_base += cut

    def _copy(self, row: int, count: int) -> Samples:
        at = row % self.capacity
        head = min(count, self.capacity - at)
        if head == count:
            return self._rows[at : at + count].copy()
        return np.concatenate((self._rows[at:], self._rows[: count - head]))


class Cursor:
    """One reader's place in the ring. `missed` counts the samples it lost by falling behind."""

    def __init__(self, ring: Ring, row: int, claim: bool) -> None:
        self.ring = ring
        self.row = row
        self.claim = claim
        self.missed = 0
        self._mark = 0  # the number of the mark that the next row belongs to; found at each read
        self._expected: int | None = None

    def read(self, max_rows: int = 65536) -> Block | None:
        """The next rows without a gap inside, at most `max_rows`; None where there is nothing new.

        `lost` of the Block is all that is missing since the row read before: on the wire, and by falling behind.
        """
        ring = self.ring
        with ring._changed:
            if self.row >= ring._written:
                return None
            self._catch_up()
            mark, end, restarted = self._span(max_rows)
            offset = self.row - mark.row
            first = mark.first + offset
            lost = 0 if self._expected is None else max(0, first - self._expected)
            block = Block(
                samples=ring._copy(self.row, end - self.row),
                first=first,
                rate_hz=ring.info.rate_hz,
                device_us=mark.device_us + round(offset * 1e6 / ring.info.rate_hz),
                host_ns=mark.host_ns,
                lost=lost,
                restarted=restarted,
            )
            self.row = end
            self._expected = block.end
            if self.claim:
                ring._changed.notify_all()
        return block

    def wait(self, timeout_s: float, rows: int = 1) -> bool:
        """Block until there are so many rows to read or the ring is closed; False when the time ran out."""
        ring = self.ring
        rows = min(rows, ring.capacity)
        with ring._changed:
            return ring._changed.wait_for(lambda: ring._written - self.row >= rows or ring._closed, timeout_s)

    @property
    def drained(self) -> bool:
        """True when the ring is closed and all of it was read."""
        return self.ring.closed and self.row >= self.ring.written

    def close(self) -> None:
        """Give the place back: the writer no longer waits for this reader."""
        with self.ring._changed:
            if self in self.ring._cursors:
                self.ring._cursors.remove(self)
            self.ring._changed.notify_all()

    def _catch_up(self) -> None:
        """Jump over what was overwritten, and find the mark that the next row belongs to."""
        ring = self.ring
        oldest = ring._oldest()
        if self.row < oldest:
            self.missed += oldest - self.row
            self.row = oldest
        found = bisect_right(ring._marks, self.row, key=lambda mark: mark.row)
        self._mark = ring._mark_base + found - 1

    def _span(self, max_rows: int) -> tuple[_Mark, int, bool]:
        """The mark of the next row, the row where the Block ends, and whether the device restarted before it.

        A Block ends where a written block ended, so that the next one starts on a real device clock.
        """
        ring = self.ring
        mark = self._at(self._mark)
        restarted = mark.restarted and mark.row == self.row
        end = self.row
        number = self._mark
        newest = ring._mark_base + len(ring._marks)
        while number < newest:
            this = self._at(number)
            if number > self._mark and (this.first - this.row != mark.first - mark.row or this.restarted):
                break
            stop = self._at(number + 1).row if number + 1 < newest else ring._written
            if stop - self.row > max_rows:
                end = end if end > self.row else self.row + max_rows
                break
            end = stop
            number += 1
        return mark, end, restarted

    def _at(self, number: int) -> _Mark:
        return self.ring._marks[number - self.ring._mark_base]
