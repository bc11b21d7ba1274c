"""The live stage: Blocks in; speed and load at the live rate, holds, pinned stretches, pulls and health out.

The same code runs on the wire, in a replay and on a log. Arithmetic is float64; decisions fall on live ticks only, so
any split of the same samples gives the same result to the bit.
"""

import numpy as np
import numpy.typing as npt

from stream.block import Block, StreamInfo
from stream.car import Car
from stream.events import EventList
from stream.live.filters import LowPass, cutoff_for
from stream.live.health import HealthMonitor
from stream.live.history import History
from stream.live.holds import DECISIONS_PER_S, HoldFinder
from stream.live.pinned import find_pinned
from stream.live.pull_finder import PullFinder
from stream.live.records import Hold, Pinned, Pull
from stream.live.runs import runs_of
from stream.live.settings import stage_columns, stage_settings, throttle_place
from stream.live.steadiness import Steadiness
from stream.live.ticker import Ticker, any_row
from stream.live.trace import CoarseTrace
from stream.live.uncover import holds_beside
from stream.live.view import Health, LiveRows, Steady, join_rows

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


class LiveStage:
    """One session's live stage. Push its Blocks in order, then finish(); read `holds`, `pinned`, `pulls`."""

    def __init__(self, car: Car, info: StreamInfo, events: EventList | None = None, tune: str = "",
                 gear: int | None = None) -> None:  # fmt: skip
        speed = car.need("engine_speed", "the live stage")
        self.car, self.info, self.tune, self.gear = car, info, tune, gear
        self.events = EventList() if events is None else events
        self.line = car.speed_line("the live stage")
        self.pinned: list[Pinned] = []
        self.pulls: list[Pull] = []
        self._holds: list[Hold] | None = None  # what is left of them once pinned stretches are known
        self._told = 0
        self._columns = stage_columns(car, info)
        load = car.by_role("load")
        self._has_load = load is not None and load.name in info.names
        self._load_sign = load.sign if load is not None else 1
        low_pass = LowPass(info.rate_hz, cutoff_for(info.rate_hz, car.live.cutoff_hz))
        every = max(1, round(info.rate_hz / car.live.rate_hz))
        live_rate = info.rate_hz / every
        self.settings = stage_settings(car, info, low_pass, every)
        self._ticker = Ticker(low_pass, every, len(self._columns), 1 + self._has_load)
        self._steady = Steadiness.of(car.hold, live_rate, provisional=speed.unit != "rpm")
        self._finder = HoldFinder(self._steady, self.line, -low_pass.delay_s)
        self._pull_finder = PullFinder(
            live_rate, low_pass.cutoff_hz, -low_pass.delay_s, min_span_rpm=car.pull.min_span_rpm, tune=tune, gear=gear
        )
        self._throttle = throttle_place(car, info, self._columns)
        self._health = HealthMonitor(car, info)
        self._step_ticks = max(1, round(live_rate / DECISIONS_PER_S))
        self._trace = CoarseTrace(len(self._columns) - 1)
        self._origin: int | None = None
        self._rows = 0
        self._expected = 0  # index, from the session's first sample, that comes next
        self._judging = False
        self._was_clipped: Flags = np.zeros(1 + self._has_load, dtype=np.bool_)
        self._pending = np.empty((0, len(self._columns)))  # ticks of the decision step that is not yet full
        self._pending_from = 0
        self._finished = False
        for remark in self.settings.remarks:
            self.events.add(0.0, "note", remark)

    @property
    def holds(self) -> list[Hold]:
        """The holds found so far, in order of time."""
        return [found.record for found in self._finder.found] if self._holds is None else self._holds

    @property
    def rows(self) -> int:
        """Rows taken so far."""
        return self._rows

    @property
    def time_s(self) -> float:
        """Session time of the newest sample."""
        return self._expected / self.info.rate_hz

    def push(self, block: Block) -> LiveRows:
        """Take the next Block; the new live rows come back."""
        if not len(block):
            return join_rows([])
        if self._origin is None:
            self._origin = block.first
        index = block.first - self._origin
        lost = max(0, index - self._expected)
        if lost or block.restarted:
            self._break_run(index, lost)
        clipped = self._health.clipped(block.samples)
        values = block.samples[:, self._columns].astype(np.float64)
        finite = np.isfinite(values[:, 0])
        self._health.push(block, clipped, lost + len(finite) - int(np.count_nonzero(finite)))
        clips = clipped[:, self._columns[: 1 + self._has_load]]
        self._tell_clipping(index, clips)
        parts = [self._run(index + a, values[a:b], clips[a:b]) for a, b in self._segments(finite)]
        self._expected = index + len(block)
        self._rows += len(block)
        self._tell()
        return join_rows(parts)

    def finish(self) -> None:
        """The session is over: close what is open, and find what needs the whole of it. Safe to call twice."""
        if self._finished:
            return
        self._end_run()
        self._tell()
        if self.settings.pull_verdicts:
            self.pinned = find_pinned(
                self._trace.array(),
                [found.record for found in self._finder.found],
                self.line,
                self._steady.rule.min_s,
                self._step_ticks / self.settings.live_rate_hz,
            )
            history = self._pull_finder.history()
            if self.pinned:
                start_s = -self.settings.delay_s
                self._holds = holds_beside(self.pinned, history, self.line, self._steady, start_s)
            self.pulls = self._pull_finder.finish()
        for stretch in self.pinned:
            self.events.add(stretch.start_s, "pinned", f"signal stuck at the {stretch.at}", stretch.signal)
        self._finished = True

    def health(self) -> Health:
        """The chain's health now."""
        return self._health.snapshot()

    def steady(self) -> Steady:
        """How steady the speed is now."""
        recent = self._finder.recent_rpm()
        candidate = self._finder.candidate
        enough = len(recent) >= self._steady.min_ticks
        mean = float(np.mean(recent)) if len(recent) else float("nan")
        steady_s, holding = 0.0, False
        if candidate is not None:
            start, end, holding, mean = candidate
            steady_s = (end - start) / self.settings.live_rate_hz
        return Steady(
            spread_rpm=float(np.ptp(recent)) / 2.0 if enough else float("nan"),
            band_rpm=self._steady.band(mean) if np.isfinite(mean) else float("nan"),
            steady_s=steady_s, needed_s=self._steady.rule.min_s, holding=holding, mean_rpm=mean,
        )  # fmt: skip

    # -- samples to ticks -----------------------------------------------------------------------------------------

    def _segments(self, finite: Flags) -> list[tuple[int, int]]:
        """The runs of rows whose speed is a number; a missing cell breaks the run as a lost sample does."""
        if finite.all():
            return [(0, len(finite))]
        if not finite[0]:
            self._end_run()
        return runs_of(finite)

    def _run(self, index: int, values: Floats, clips: Flags) -> LiveRows:
        """Take one run of rows without a gap; values (n, channels) with the speed signal first."""
        if not self._ticker.follows(index):
            self._end_run()
        found = self._ticker.run(index, values, clips)
        judged = found.judged_from
        self._judge(found.sample[judged:] // self.settings.decimation, found.rows[judged:], found.clipped[judged:])
        signal = found.rows[:, 0].copy()
        signal[:judged] = np.nan
        speed = signal * self.line[0] + self.line[1]
        load = found.rows[:, 1] if self._has_load else np.full(len(found.sample), np.nan)
        time_s = found.sample / self.info.rate_hz - self.settings.delay_s
        return LiveRows(time_s, _to_float32(speed), _to_float32(load), _to_float32(signal))

    # -- ticks to findings ----------------------------------------------------------------------------------------

    def _judge(self, ticks: npt.NDArray[np.int64], rows: Floats, clipped: Flags) -> None:
        if not self.settings.verdicts or not len(ticks):
            return
        if not self._judging:
            self._finder.begin_run(int(ticks[0]))
            self._judging = True
            self._pending, self._pending_from = rows[:0], int(ticks[0])
        columns = np.empty((3, len(ticks)))
        columns[0] = rows[:, 0]
        columns[1] = rows[:, 1] if self._has_load else np.nan
        columns[2] = clipped[:, 0]
        self._finder.push(columns)
        if not self.settings.pull_verdicts:
            return
        # A copy, for a view would keep all of the filtered samples: a gigabyte in an hour of 10 kHz.
        throttle = rows[:, 1 + self._throttle].copy() if self._throttle is not None else np.full(len(ticks), np.nan)
        rpm = columns[0] * self.line[0] + self.line[1]
        either = np.logical_or.reduce(clipped, axis=1)
        # Without a load the throttle, or the manifold pressure, tells how hard the car is driven.
        push = columns[1] * self._load_sign if self._has_load else throttle
        self._pull_finder.add(History(ticks, columns[0], rpm, columns[1], push, clipped[:, 0], either, throttle))
        self._step(rows)

    def _step(self, rows: Floats) -> None:
        """Hand full decision steps to the coarse trace; steps are aligned to the tick count."""
        size, first = self._step_ticks, self._pending_from
        # In one order of memory, so that numpy adds in one order, however the stream was cut.
        rows = np.ascontiguousarray(np.concatenate((self._pending, rows)))
        skipped = -first % size  # of a step that the run began in
        steps = max(0, len(rows) - skipped) // size
        if steps:
            first += skipped
            times_s = [self._finder.time_of(first + size * step) for step in range(steps)]
            means = self._trace.add(times_s, rows[skipped : skipped + steps * size].reshape(steps, size, -1))
            for time_s, mean in zip(times_s, means.tolist(), strict=True):
                self._pull_finder.step(time_s, mean * self.line[0] + self.line[1])
            rows = rows[skipped + steps * size :]
            self._pending_from = first + steps * size
        self._pending = rows

    def _break_run(self, index: int, lost: int) -> None:
        self._end_run()
        rate = self.info.rate_hz
        self.events.add(index / rate, "gap", f"{lost} samples lost ({lost / rate:.3g} s)", float(lost))

    def _end_run(self) -> None:
        self._ticker.end_run()
        if self._judging:
            self._finder.end_run()
            self._judging = False

    def _tell_clipping(self, index: int, clips: Flags) -> None:
        now = any_row(clips)
        for column in np.flatnonzero(now & ~self._was_clipped):
            at = (index + int(np.argmax(clips[:, column]))) / self.info.rate_hz
            self.events.add(at, "clipped", f"{self.info.names[self._columns[column]]} is outside its range")
        self._was_clipped = now

    def _tell(self) -> None:
        """Turn what the finder noticed into events."""
        while self._finder.changes:
            kind, tick, rpm = self._finder.changes.popleft()
            self.events.add(self._finder.time_of(tick), kind, "", rpm)
        for found in self._finder.found[self._told :]:
            hold = found.record
            text = f"{hold.speed_rpm:.0f} rpm from {hold.start_s:.1f} to {hold.end_s:.1f} s"
            self.events.add(hold.end_s, "hold-done", text, hold.speed_rpm)
        self._told = len(self._finder.found)
        while self._pull_finder.changes:
            kind, time_s, text, rpm = self._pull_finder.changes.popleft()
            self.events.add(time_s, kind, text, rpm)


def _to_float32(values: Floats) -> npt.NDArray[np.float32]:
    """For the screen and the file; what does not fit, which no engine does, becomes NaN."""
    with np.errstate(over="ignore"):
        result = values.astype(np.float32)
    result[np.isinf(result)] = np.nan
    return result
