"""Text lines: bytes in, at any split, the description, Blocks and notes out. No port, no clock of its own."""

from itertools import pairwise

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.errors import InputError
from stream.findings import note, warning
from stream.units import Floats
from stream.wire.items import FLOAT32_MAX, MAX_HELD, MAX_LOST, SET_ANEW_S, Counts, Item, WireNote, clean_text
from stream.wire.lines import LineParser, without_comment
from stream.wire.texthead import Layout, Pace, TextHead, enough_stamps, on_line, pace_of

_WRAPS = (2.0**32, 2.0**16)  # counters of 32 and 16 bits that start over, in units of the clock column
_LATEST = 1e15  # in the unit of the clock column: thirty years of microseconds
_CONFIRMED, _CONFIRMED_FAR = 3, 10  # lines that agree on a clock's new line before it is believed
_FAR_US = 1e7  # a jump back, or ahead by more than this, wants the more of them
_WRAP_STEP_S = 10.0  # a step across the wrap that is longer than this is taken for a restart


class TextDecoder:
    """Decodes the text lines of one recording.

    Block.first counts from 0 at the first sample and runs on over gaps and restarts. Text has no sample
    index: loss shows only where the device's clock jumps. Between calls it holds at most one unfinished line
    (64 KiB), and until layout and rate are known the first lines, at most some 4096.
    """

    def __init__(
        self,
        expected: tuple[ChannelInfo, ...],
        clock_names: frozenset[str] = frozenset(),
        rate_hz: float | None = None,
    ) -> None:
        self.counts = Counts()
        self.last_bad = ""  # the last line that did not parse, in print
        self.count = 0  # samples so far on our own count, lost ones included
        self._head = TextHead(expected, clock_names)
        self._given_rate_hz = rate_hz
        self._layout: Layout | None = None
        self._pace: Pace | None = None
        self._waiting: list[Floats] = []  # rows until the pace is known
        self._parser = LineParser(b",", 1)
        self._tail = bytearray()
        self._skipping = False
        self._items: list[Item] = []
        self._host_ns = self._last_ns = 0
        self._last_us: float | None = None  # device clock of the last line used
        self._held: Floats = np.empty((0, 0))  # lines whose time is off the line of those before, not yet judged
        self._order: list[int] | None = None  # where the columns stand since a header in mid-stream named them so
        self._refused = False  # such a header named other columns: its lines are not used
        self._reopened = False
        self._mind_cut = False  # the next line may be the rest of one whose beginning was missed

    def interrupted(self) -> None:
        """The port went away: an unfinished line is lost, and the next one may lack its beginning."""
        if self._tail or self._skipping:
            self.counts.bad_lines += 1
        self._tail.clear()
        self._skipping = False
        self.counts.bad_lines += len(self._held)
        self._held = self._held[:0]
        self._reopened = self._mind_cut = True

    def feed(self, data: bytes, host_ns: int = 0) -> list[Item]:
        """Decode `data`, which came at `host_ns`.

        Raises InputError where the layout is known and cannot be used: no rate, or columns that do not fit.
        """
        self.counts.bytes += len(data)
        self._host_ns = host_ns
        for start in range(0, len(data), MAX_HELD):
            chunk = self._whole_lines(data[start : start + MAX_HELD])
            if chunk is not None:
                self._lines(chunk)
        items, self._items = self._items, []
        return items

    def _whole_lines(self, data: bytes) -> bytes | None:
        """The complete lines in what was held and `data`, without the last line's end."""
        head, end, rest = data.rpartition(b"\n")
        chunk: bytes | None = None
        if end:
            if self._skipping or len(self._tail) + (head + end).index(b"\n") > MAX_HELD:
                self.counts.bad_lines += 1
                self._skipping = False
                self._tail.clear()
                _, more, head = head.partition(b"\n")
                chunk = head if more else None
            else:
                chunk = bytes(self._tail) + head
                self._tail.clear()
            if self._mind_cut and chunk is not None:
                self._mind_cut = False
                _, more, chunk = chunk.partition(b"\n")
                chunk = chunk if more else None
        if len(self._tail) + len(rest) > MAX_HELD:
            self._skipping = True
            self._tail.clear()
        elif not self._skipping:
            self._tail += rest
        return chunk

    def _lines(self, chunk: bytes) -> None:
        if self._layout is None:
            lines = chunk.split(b"\n")
            for number, line in enumerate(lines, start=1):
                layout = self._head.add(line)
                if layout is not None:
                    self._begin(layout)
                    chunk = b"\n".join(lines[number:])
                    break
            else:
                return
        if chunk and self._layout is not None:
            self._pieces(self._layout, chunk)

    def _pieces(self, layout: Layout, chunk: bytes) -> None:
        """Use the lines, cut where a line of names says that the columns stand otherwise from there on."""
        values = None if self._refused else self._parser.quickly(chunk)
        if values is not None:  # plain numbers all through, as nearly always
            self._rows(layout, self._placed(layout, values))
            return
        start = 0
        for begin, end in self._head.names_in(chunk):
            if begin > start:
                self._use(layout, chunk[start : begin - 1])
            self._obey(layout, chunk[begin:end])
            start = end + 1
        if start < len(chunk):
            self._use(layout, chunk[start:])

    def _use(self, layout: Layout, chunk: bytes) -> None:
        if not self._refused:
            self._rows(layout, self._parse(layout, chunk))
            return
        dropped = sum(bool(without_comment(line)) for line in chunk.split(b"\n"))
        self.counts.bad_lines += dropped
        self.last_bad = clean_text(chunk.rpartition(b"\n")[2].decode("utf-8", "replace"), 40)

    def _obey(self, layout: Layout, line: bytes) -> None:
        """A header in mid-stream: the same columns are mapped by name, others are refused until they come again."""
        order = self._head.order_of(line, layout)
        if order is None:
            if not self._refused:
                names = clean_text(line.decode("utf-8", "replace"), 120)
                self._items.append(WireNote("fault", self.count, warning("header-changed", names=names)))
            self._refused = True
            self.counts.bad_lines += 1
            return
        self._refused = False
        self._order = None if order == list(range(layout.columns)) else order

    def _begin(self, layout: Layout) -> None:
        self._layout = layout
        self._parser = LineParser(layout.separator, layout.columns)
        first, self._head.lines = b"\n".join(self._head.lines), []
        if first:
            self._pieces(layout, first)

    def _rows(self, layout: Layout, values: Floats) -> None:
        """Use the rows, or keep them until there are enough to tell the rate."""
        if self._pace is None:
            self._waiting.append(values)
            values = np.concatenate(self._waiting)
            if layout.clock is None:
                self._pace = self._given_pace()
            elif len(values):
                stamps = values[:, layout.clock] * layout.clock_us
                steady = stamps[:-1][on_line(stamps)]
                enough = enough_stamps(steady)
                self._waiting = [values]
                if not enough:
                    return
                self._pace = self._measured_pace(steady[:enough])
                if not 0 <= stamps[1] - stamps[0] <= self._pace.late_us:
                    self.counts.bad_lines += 1  # its beginning was missed, so its time is wrong
                    values = values[1:]
            else:
                return
            self._waiting = []
            self._items.append(StreamInfo(self._pace.rate_hz, layout.channels))
        if len(values):
            self._samples(layout, self._pace, values)

    def _measured_pace(self, stamps: Floats) -> Pace:
        try:
            return pace_of(stamps)
        except InputError:
            if self._given_rate_hz is None:
                raise
            return Pace(self._given_rate_hz, late_us=float("inf"))  # a clock that stands shows no loss

    def _given_pace(self) -> Pace:
        if self._given_rate_hz is None:
            raise InputError(
                "text lines without a clock column t[s], t[ms] or t[us]: the rate is not known; send one, or give it",
                code="line-rate-unknown",
            )
        return Pace(self._given_rate_hz)

    def _parse(self, layout: Layout, chunk: bytes) -> Floats:
        values = self._placed(layout, self._parser.parse(chunk))
        if self._parser.bad:
            bad = [line for line in self._parser.bad if not self._head.repeats(line)]
            self._parser.bad.clear()
            self.counts.bad_lines += len(bad)
            if bad:
                self.last_bad = clean_text(bad[-1].decode("utf-8", "replace"), 40)
        return values

    def _placed(self, layout: Layout, values: Floats) -> Floats:
        """The values in the layout's order of columns, without lines that have no time."""
        if self._order is not None:
            values = values[:, self._order]
        clock = layout.clock
        if clock is not None and not np.abs(values[:, clock]).max(initial=0.0) <= _LATEST:
            timed = np.abs(values[:, clock]) <= _LATEST  # a line without a time has no place
            self.counts.bad_lines += int(np.count_nonzero(~timed))
            values = values[timed]
        return values

    def _samples(self, layout: Layout, pace: Pace, values: Floats) -> None:
        """Cut the rows where samples are missing, and hand out the pieces as Blocks."""
        if layout.clock is None:
            self.counts.lines += len(values)
            lost = self._lost_by_host(pace) if self._reopened else 0
            self._block(pace, values, 0, lost, False)
        else:
            if len(self._held):
                values = np.concatenate((self._held, values))
            stamps, steps, breaks = self._breaks(layout, layout.clock, pace, values)
            if len(breaks) or len(self._held):
                values = self._timed(layout, stamps, breaks, pace, values)
                if not len(values):
                    return
                stamps, steps, breaks = self._breaks(layout, layout.clock, pace, values)
            self.counts.lines += len(values)
            edges = [0, *(row for row in breaks if row > 0), len(values)]
            for start, stop in pairwise(edges):
                lost, restarted = self._lost_by_clock(layout, pace, float(steps[start]))
                piece = np.delete(values[start:stop], layout.clock, axis=1)
                self._last_us = float(stamps[stop - 1])
                self._block(pace, piece, int(np.clip(stamps[start], 0, 2.0**62)), lost, restarted)
        self._last_ns = self._host_ns

    def _breaks(self, layout: Layout, clock: int, pace: Pace, values: Floats) -> tuple[Floats, Floats, list[int]]:
        """(times in µs, their steps, the rows with which the clock leaps or turns back)"""
        stamps = values[:, clock] * layout.clock_us
        before = stamps[0] if self._last_us is None else self._last_us
        steps = np.diff(stamps, prepend=before)
        return stamps, steps, np.flatnonzero((steps < 0) | (steps > pace.late_us)).tolist()

    def _timed(self, layout: Layout, stamps: Floats, breaks: list[int], pace: Pace, values: Floats) -> Floats:
        """The lines whose time is believed. One that is off the line of those before is held until others agree with
        it; where they go on from before instead, it was wrong, and is dropped and counted."""
        self._held = self._held[:0]
        if not len(breaks):
            return values
        last = float(stamps[0]) if self._last_us is None else self._last_us
        keep = np.ones(len(values), dtype=np.bool_)
        ends = [*breaks[1:], len(values)]
        last = float(stamps[breaks[0] - 1]) if breaks[0] else last
        for begin, end in zip(breaks, ends, strict=True):
            step = float(stamps[begin]) - last
            if 0 <= step <= pace.late_us or self._wraps(layout, step):
                last = float(stamps[end - 1])
                continue
            far = step < 0 or step > _FAR_US
            if end - begin < (_CONFIRMED_FAR if far else _CONFIRMED):
                if end == len(values):
                    self._held = values[begin:]
                    keep[begin:] = False
                    break
                behind = float(stamps[end])
                if step >= 0 > behind - float(stamps[end - 1]) or (step < 0 and behind >= last):
                    keep[begin:end] = False
                    self.counts.bad_lines += end - begin
                    self.last_bad = f"t = {stamps[begin] / layout.clock_us:.15g}"
                    continue
            last = float(stamps[end - 1])
        return values[keep]

    def _wraps(self, layout: Layout, step_us: float) -> bool:
        """Whether a step back is a counter of 32 or 16 bits that starts over."""
        return any(0 <= step_us + wrap * layout.clock_us < _WRAP_STEP_S * 1e6 for wrap in _WRAPS)

    def _lost_by_clock(self, layout: Layout, pace: Pace, step_us: float) -> tuple[int, bool]:
        """(samples missing, restarted) at a step of the device's clock."""
        if step_us < 0:
            for wrap in _WRAPS:
                onward = step_us + wrap * layout.clock_us
                if 0 <= onward < _WRAP_STEP_S * 1e6:
                    return self._lost_by_clock(layout, pace, onward)[0], False
            return self._lost_by_host(pace), True
        if step_us <= pace.late_us:
            return 0, False
        host_s = max(0, self._host_ns - self._last_ns) * 1e-9 if self._last_ns else 0.0
        if step_us * 1e-6 > host_s + SET_ANEW_S:
            return self._lost_by_host(pace), True
        usual = max(1, round(pace.shared_us * 1e-6 * pace.rate_hz))
        return min(MAX_LOST, max(1, round(step_us * 1e-6 * pace.rate_hz) - usual)), False

    def _lost_by_host(self, pace: Pace) -> int:
        if not self._last_ns:  # both sides came in one piece, as those first lines do that were held: nobody knows
            return 1
        return min(MAX_LOST, max(1, round((self._host_ns - self._last_ns) * 1e-9 * pace.rate_hz) - 1))

    def _block(self, pace: Pace, values: Floats, device_us: int, lost: int, restarted: bool) -> None:
        with np.errstate(invalid="ignore"):
            wrong = ~(np.abs(values) <= FLOAT32_MAX)
        if wrong.any():
            self.counts.cells_not_finite += int(np.count_nonzero(wrong))
            values = np.where(wrong, np.nan, values)
        self.counts.lost_samples += lost
        self.counts.restarts += restarted
        first = self.count + lost
        if restarted:
            self._items.append(WireNote("fault", first, warning("device-restarted", lost=lost)))
        elif lost:
            self._items.append(WireNote("gap", first, note("samples-missing-here", lost=lost)))
        samples = values.astype(np.float32)
        self._items.append(Block(samples, first, pace.rate_hz, device_us, self._host_ns, lost, restarted))
        self.count = first + len(values)
        self._reopened = False
