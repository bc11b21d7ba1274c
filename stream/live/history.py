"""The live ticks of the last minutes: what holds and pulls are found on, as they end.

Memory is bounded: at 100 ticks a second about 3 MB, however long the drive.
"""

from dataclasses import dataclass

import numpy as np

from stream.units import Counts, Flags, Floats

FULL_S = 300.0  # ticks kept; chosen: the longest pull (a pull gains 40 rpm/s at least) and the longest hold fit in
CHUNK_S = 10.0  # at most so much is added before it is looked at

SIGNAL, RPM, LOAD, PUSH, SPEED_CLIPPED, CLIPPED, BRIDGED, THROTTLE = range(8)
COLUMNS = 8


@dataclass(frozen=True, slots=True)
class Part:
    """Ticks in order, gaps left out; every array (n,).

    tick            int64, the tick's number; a jump is a gap
    signal          float64, the speed channel in its own unit
    rpm             float64, by the provisional line
    load            float64 in the channel's unit; NaN where not known or bridged
    push            float64, how hard the car is driven: load times the channel's sign, bridged where it was; `throttle`
                    without a load
    speed_clipped   bool, engine speed outside its range since the tick before
    clipped         bool, engine speed or load outside
    bridged         bool, no sample of engine speed since the tick before
    throttle        float64, throttle or manifold pressure; NaN where there is no such channel
    """

    tick: Counts
    signal: Floats
    rpm: Floats
    load: Floats
    push: Floats
    speed_clipped: Flags
    clipped: Flags
    bridged: Flags
    throttle: Floats

    def part(self, first: int, end: int) -> "Part":
        """The ticks with numbers first..end."""
        a, b = np.searchsorted(self.tick, [first, end])
        return Part(
            self.tick[a:b],
            self.signal[a:b],
            self.rpm[a:b],
            self.load[a:b],
            self.push[a:b],
            self.speed_clipped[a:b],
            self.clipped[a:b],
            self.bridged[a:b],
            self.throttle[a:b],
        )


class History:
    """Ticks by number, the last FULL_S of them. A run is a stretch of ticks without a gap; the newest is the current
    one."""

    def __init__(self, rate_hz: float) -> None:
        self._keep = round(FULL_S * rate_hz) + 64
        self._columns: Floats = np.empty((COLUMNS, 1024))
        self._tick: Counts = np.empty(1024, np.int64)
        self._count = 0
        self._run_at = 0  # place of the current run's first kept tick
        self.run_first = 0  # number of that tick

    @property
    def run_end(self) -> int:
        """Number of the tick behind the newest."""
        return self.run_first + self._count - self._run_at

    def begin_run(self, tick: int) -> None:
        """What is added next has a gap before it and starts with this tick."""
        self._run_at, self.run_first = self._count, tick

    def append(self, columns: Floats) -> None:
        """Ticks that go on with the current run, shape (COLUMNS, n)."""
        count = columns.shape[1]
        if self._count + count > self._columns.shape[1]:
            self._make_room(count)
        end = self._count + count
        self._columns[:, self._count : end] = columns
        self._tick[self._count : end] = np.arange(self.run_end, self.run_end + count)
        self._count = end

    def _make_room(self, count: int) -> None:
        drop = max(0, self._count + count - self._keep)
        kept = self._count - drop
        # Half as much again, so that old ticks are moved out of the way now and then, not at every step.
        size = min(2 * (kept + count), self._keep + count + self._keep // 2)
        columns, tick = np.empty((COLUMNS, size)), np.empty(size, np.int64)
        columns[:, :kept] = self._columns[:, drop : self._count]
        tick[:kept] = self._tick[drop : self._count]
        self._columns, self._tick, self._count = columns, tick, kept
        self.run_first += max(0, drop - self._run_at)
        self._run_at = max(0, self._run_at - drop)

    def run(self, column: int, start: int, end: int) -> Floats:
        """A view of one column of the current run, ticks start..end, clamped to what is kept; copy it to keep it."""
        low = max(0, start - self.run_first) + self._run_at
        high = min(self._count, end - self.run_first + self._run_at)
        return self._columns[column, low : max(low, high)]

    def part(self, first: int, end: int) -> Part:
        """The kept ticks with numbers first..end, of whatever run; views."""
        a, b = np.searchsorted(self._tick[: self._count], [first, end])
        c = self._columns[:, a:b]
        return Part(
            self._tick[a:b],
            c[SIGNAL],
            c[RPM],
            c[LOAD],
            c[PUSH],
            c[SPEED_CLIPPED] > 0,
            c[CLIPPED] > 0,
            c[BRIDGED] > 0,
            c[THROTTLE],
        )


@dataclass(frozen=True, slots=True)
class RunView:
    """A part of the current run that stands for a run of its own: ticks run_first..run_end."""

    history: History
    run_first: int
    run_end: int

    def run(self, column: int, start: int, end: int) -> Floats:
        """A view of one column, ticks start..end, clamped to this part."""
        return self.history.run(column, max(start, self.run_first), min(end, self.run_end))


class Steps:
    """The last minutes in steps of 0.1 s: per step the signal's mean, its spread (max - min), and the mean of each
    other channel. `size` is the ticks of a step; a step is numbered by its first tick / size."""

    def __init__(self, size: int, rate_hz: float, others: int) -> None:
        self.size = size
        self._keep = round(FULL_S * rate_hz / size)
        self._rows: Floats = np.empty((1024, 2 + others))
        self._numbers: Counts = np.empty(1024, np.int64)
        self._count = 0

    def add(self, number: int, ticks: Floats) -> Floats:
        """Steps that follow each other, the first one's number, and their ticks (steps, ticks, 1 + others), the signal
        first. Returns the signal's mean over each step."""
        count = len(ticks)
        if self._count + count > len(self._rows):
            self._make_room(count)
        end = self._count + count
        rows, signal = self._rows[self._count : end], ticks[:, :, 0]
        rows[:, 0] = np.mean(signal, axis=1)
        rows[:, 1] = np.max(signal, axis=1) - np.min(signal, axis=1)
        rows[:, 2:] = np.mean(ticks[:, :, 1:], axis=1)
        self._numbers[self._count : end] = np.arange(number, number + count)
        self._count = end
        return rows[:, 0].copy()

    def _make_room(self, count: int) -> None:
        drop = max(0, self._count + count - self._keep)
        kept = self._count - drop
        size = min(2 * (kept + count), self._keep + count + self._keep // 2)
        rows, numbers = np.empty((size, self._rows.shape[1])), np.empty(size, np.int64)
        rows[:kept], numbers[:kept] = self._rows[drop : self._count], self._numbers[drop : self._count]
        self._rows, self._numbers, self._count = rows, numbers, kept

    def rows(self, first: int, end: int) -> Floats:
        """The kept steps with numbers first..end, shape (n, 2 + others); a view."""
        a, b = np.searchsorted(self._numbers[: self._count], [first, end])
        return self._rows[a:b]

    def quiet_spread(self, before: int) -> float:
        """The spread that a tenth of the kept steps before this number stay under."""
        count = int(np.searchsorted(self._numbers[: self._count], before))
        spread = self._rows[max(0, count - self._keep) : count, 1]
        return float(np.quantile(spread, 0.1)) if count else 0.0
