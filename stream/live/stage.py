"""The live stage: Blocks in; speed and load at the live rate, holds, pinned stretches, pulls and health out.

The same code runs on the wire, in a replay and on a log. Arithmetic is float64; decisions fall on live ticks only, so
any split of the same samples gives the same result to the bit.
"""

from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from stream.block import Block, StreamInfo
from stream.car import Car
from stream.events import EventList
from stream.findings import Finding, note, warning
from stream.live.bridge import SHORTEST_GAP_S, Bridge, Piece
from stream.live.filters import LowPass, cutoff_for, stage_columns, stage_settings, throttle_place
from stream.live.health import HealthMonitor
from stream.live.history import (
    BRIDGED,
    CHUNK_S,
    CLIPPED,
    COLUMNS,
    LOAD,
    PUSH,
    RPM,
    SIGNAL,
    SPEED_CLIPPED,
    THROTTLE,
    History,
    Steps,
)
from stream.live.holds import DECISIONS_PER_S, HoldFinder
from stream.live.limits import Limits
from stream.live.pinned import PinnedFinder
from stream.live.pull_finder import PullChange, PullFinder
from stream.live.records import Health, Hold, LiveHead, LiveRows, Pinned, Pull, PullNow, Steady, join_rows
from stream.live.steadiness import Steadiness
from stream.live.ticker import Ticker, Ticks, any_row
from stream.units import Flags, Floats

CLIPPED_AGAIN_S = 0.5  # chosen: a signal that chatters at an end of its range is told of once


class LiveStage:
    """One session's live stage. Push its Blocks in order, then finish(); read `holds`, `pinned`, `pulls`."""

    def __init__(
        self, car: Car, info: StreamInfo, events: EventList | None = None, tune: str = "", gear: int | None = None
    ) -> None:
        speed = car.need("engine_speed", "the live stage")
        self.car, self.info, self.tune, self.gear = car, info, tune, gear
        self.events = EventList() if events is None else events
        self.line = car.speed_line("the live stage")
        self.pinned: list[Pinned] = []
        self._holds: list[Hold] | None = None  # what is left of them once pinned stretches are known
        self._reported = 0
        self._columns = stage_columns(car, info)
        load = car.by_role("load")
        self._has_load = load is not None and load.name in info.names
        self._load_sign = load.sign if load is not None else 1
        low_pass = LowPass(info.rate_hz, cutoff_for(info.rate_hz, car.live.cutoff_hz))
        every = max(1, round(info.rate_hz / car.live.rate_hz))
        live_rate = info.rate_hz / every
        self.settings = stage_settings(car, info, low_pass, every)
        self._bridge = Bridge(info.rate_hz, len(self._columns), 1 + self._has_load)
        self._ticker = Ticker(low_pass, every, len(self._columns), 1 + self._has_load)
        self._history = History(live_rate)
        self._steady = Steadiness.of(car.hold, live_rate, provisional=speed.unit != "rpm")
        self._finder = HoldFinder(self._history, self._steady, self.line, -low_pass.delay_s)
        self._pull_finder = PullFinder(
            self._history,
            live_rate,
            low_pass.cutoff_hz,
            -low_pass.delay_s,
            min_span_rpm=car.pull.min_span_rpm,
            tune=tune,
            gear=gear,
        )
        self._throttle = throttle_place(car, info, self._columns)
        self._health = HealthMonitor(car, info)
        self._limits = Limits(car, info) if car.limit else None
        self._step_ticks = max(1, round(live_rate / DECISIONS_PER_S))
        self._steps = Steps(self._step_ticks, live_rate, len(self._columns) - 1)
        self._pinned_finder = PinnedFinder(self._history, self._steps, self._steady, self.line, -low_pass.delay_s)
        self._referred = 0  # holds that the finder of pinned stretches has seen
        self._origin: int | None = None
        self._rows = 0
        self._expected = 0  # index, from the session's first sample, that comes next
        self._judging = False
        self._clipped_at = np.full(1 + self._has_load, -(1 << 60), dtype=np.int64)  # last sample outside the range
        self._pending = np.empty((0, len(self._columns)))  # ticks of the decision step that is not yet full
        self._pending_from = 0
        self._finished = False
        self._gaps = 0  # long gaps in engine speed
        for remark in self.settings.remarks:
            self.events.add(0.0, "note", remark)

    @property
    def holds(self) -> list[Hold]:
        """The holds found so far, in order of time."""
        return [found.record for found in self._finder.found] if self._holds is None else self._holds

    @property
    def cut_by_gaps_s(self) -> float | None:
        """Seconds of the longest stretch without a gap, where gaps in engine speed alone leave no stretch as long as a
        hold; else None."""
        if not self._gaps or self._finder.longest_run >= self._steady.min_ticks:
            return None
        return self._finder.longest_run / self.settings.live_rate_hz

    @property
    def pulls(self) -> list[Pull]:
        """The pulls found so far, in order of time."""
        return self._pull_finder.pulls

    @property
    def pull_now(self) -> PullNow | None:
        """The pull that goes on; None where there is none."""
        return self._pull_finder.now

    @property
    def changed_verdicts(self) -> int:
        """Pulls whose verdict was changed after it had been told."""
        return self._pull_finder.changed

    @property
    def blind_limits(self) -> tuple[str, ...]:
        """Channels with a limit that cannot show an excursion now."""
        return () if self._limits is None else self._limits.blind

    @property
    def head(self) -> LiveHead:
        """How the live rows are made."""
        load, made = self.car.by_role("load"), self.settings
        unit = self.car.need("engine_speed", "the live stage").unit
        return LiveHead(made.live_rate_hz, made.filter, made.delay_s, "" if load is None else load.unit, unit)

    @property
    def rows(self) -> int:
        """Rows taken so far."""
        return self._rows

    @property
    def next_sample(self) -> int:
        """Index of the sample that comes next, from the session's first one."""
        return self._expected

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
        parts = self._take(self._bridge.flush()) if block.restarted else []
        if lost or block.restarted:
            self._tell_gap(index, lost)
        clipped = self._health.clipped(block.samples)
        values = block.samples[:, self._columns].astype(np.float64)
        finite = np.isfinite(values[:, 0])
        self._health.push(block, clipped, lost + len(finite) - int(np.count_nonzero(finite)))
        clips = clipped[:, self._columns[: 1 + self._has_load]]
        self._tell_clipping(index, clips)
        if self._limits is not None:
            self._limits.push(index, block.samples)
            rate = self.info.rate_hz
            self._pull_finder.over_limit = [(first / rate, last / rate) for first, last in self._limits.over]
        parts += self._take(self._bridge.push(index, values, clips))
        self._tell_limits()
        self._expected = index + len(block)
        self._rows += len(block)
        self._tell()
        return join_rows(parts)

    def finish(self) -> LiveRows:
        """The session is over: close what is open, and find what needs the whole of it; the last live rows come back.
        Safe to call twice."""
        if self._finished:
            return join_rows([])
        rows = join_rows(self._take(self._bridge.flush(), by_gap=False))
        self._end_run()
        self._tell_limits()
        if self.settings.pull_verdicts:
            self._pull_finder.finish()
            self.pinned, kept = self._pinned_finder.verdict(self._finder.found)
            self._holds = [found.record for found in kept]
            self._tell()
        for stretch in self.pinned:
            self.events.add(stretch.start_s, "pinned", warning("signal-stuck", at=stretch.at), stretch.signal)
        self._finished = True
        return rows

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
            steady_s=steady_s,
            needed_s=self._steady.rule.min_s,
            holding=holding,
            mean_rpm=mean,
        )

    # -- samples to ticks -----------------------------------------------------------------------------------------

    def _take(self, pieces: list[Piece], *, by_gap: bool = True) -> list[LiveRows]:
        """Run what the bridge gives out; it ends the runs."""
        parts = []
        for piece in pieces:
            if len(piece.values):
                parts.append(self._run(piece))
            if piece.ends:
                self._end_run(by_gap=by_gap)
        return parts

    def _run(self, piece: Piece) -> LiveRows:
        """Take rows of a run; the live rows carry what was measured, NaN where it was bridged."""
        found = self._ticker.run(piece.index, piece.values, piece.clips, piece.bridged)
        judged = found.judged_from
        self._judge(found)
        signal = found.rows[:, 0].copy()
        signal[:judged] = np.nan
        load = found.rows[:, 1].copy() if self._has_load else np.full(len(found.sample), np.nan)
        if found.bridged is not None:
            signal[found.bridged[:, 0]] = np.nan
            if self._has_load:
                load[found.bridged[:, 1]] = np.nan
        time_s = found.sample / self.info.rate_hz - self.settings.delay_s
        speed = signal * self.line[0] + self.line[1]
        return LiveRows(time_s, _to_float32(speed), _to_float32(load), _to_float32(signal))

    # -- ticks to findings ----------------------------------------------------------------------------------------

    def _judge(self, found: Ticks) -> None:
        """Add the ticks that the filter has settled for to the history, and look at them."""
        first = found.judged_from
        if not self.settings.verdicts or first >= len(found.sample):
            return
        tick = int(found.sample[first]) // self.settings.decimation
        if not self._judging:
            self._history.begin_run(tick)
            self._finder.begin_run(tick)
            self._judging = True
            self._pending, self._pending_from = found.rows[:0], tick
        columns = self._columns_of(found)[:, first:]
        chunk = max(1, round(CHUNK_S * self.settings.live_rate_hz))
        for a in range(0, columns.shape[1], chunk):
            part = columns[:, a : a + chunk]
            self._history.append(part)
            self._finder.push(tick + a, tick + a + part.shape[1])
            if self.settings.pull_verdicts:
                self._step(found.rows[first + a : first + a + part.shape[1]])
                self._refer()

    def _columns_of(self, found: Ticks) -> Floats:
        """Ticks as columns of the history."""
        columns = np.empty((COLUMNS, len(found.sample)))
        columns[SIGNAL] = found.rows[:, 0]
        columns[RPM] = columns[SIGNAL] * self.line[0] + self.line[1]
        columns[LOAD] = found.rows[:, 1] if self._has_load else np.nan
        columns[SPEED_CLIPPED] = found.clipped[:, 0]
        columns[CLIPPED] = np.logical_or.reduce(found.clipped, axis=1)
        columns[BRIDGED] = 0.0
        columns[THROTTLE] = found.rows[:, 1 + self._throttle] if self._throttle is not None else np.nan
        # Without a load the throttle, or the manifold pressure, tells how hard the car is driven.
        columns[PUSH] = columns[LOAD] * self._load_sign if self._has_load else columns[THROTTLE]
        if found.bridged is not None:
            columns[BRIDGED] = found.bridged[:, 0]
            if self._has_load:
                columns[LOAD, found.bridged[:, 1]] = np.nan
        return columns

    def _step(self, rows: Floats) -> None:
        """Hand full decision steps to the coarse trace; steps are aligned to the tick count."""
        size, first = self._step_ticks, self._pending_from
        # In one order of memory, so that numpy adds in one order, however the stream was cut.
        rows = np.ascontiguousarray(np.concatenate((self._pending, rows)))
        skipped = -first % size  # of a step that the run began in
        steps = max(0, len(rows) - skipped) // size
        if steps:
            first += skipped
            ticks = rows[skipped : skipped + steps * size].reshape(steps, size, -1)
            signal = self._steps.add(first // size, ticks)
            rpm = signal * self.line[0] + self.line[1]
            load = throttle = np.full(steps, np.nan)
            if self._has_load:
                load = _known_mean(ticks[:, :, 1]) * self._load_sign
            if self._throttle is not None:
                throttle = _known_mean(ticks[:, :, 1 + self._throttle])
                load = load if self._has_load else throttle
            for step in range(steps):
                number = first // size + step
                self._pull_finder.step(number, float(rpm[step]), float(load[step]), float(throttle[step]))
                self._pinned_finder.step(number, float(signal[step]))
                self._pinned_finder.feed((number + 1) * size)
            rows = rows[skipped + steps * size :]
            self._pending_from = first + steps * size
        self._pending = rows

    def _tell_gap(self, index: int, lost: int) -> None:
        rate = self.info.rate_hz
        self.events.add(index / rate, "gap", note("samples-lost", lost=lost, seconds=lost / rate), float(lost))

    def _refer(self) -> None:
        """Show the finder of pinned stretches the holds that are new."""
        for found in self._finder.found[self._referred :]:
            self._pinned_finder.hold(found.record, found.start, found.end)
        self._referred = len(self._finder.found)

    def _end_run(self, *, by_gap: bool = False) -> None:
        self._ticker.end_run()
        if self._judging:
            self._finder.end_run(by_gap=by_gap)
            self._gaps += by_gap
            self._refer()
            self._pinned_finder.end_run()
            self._judging = False

    def _tell_limits(self) -> None:
        if self._limits is None:
            return
        loaded, every = self._pull_finder.loaded, self.settings.decimation
        self._limits.pulling([(tick * every, pulls) for tick, pulls in loaded], self._bridge.given_to)
        del loaded[:-1]
        for over in self._limits.found:
            at = over.index / self.info.rate_hz
            self.events.add(at, over.kind, over.finding, over.value, said_s=at, details={"channel": over.channel})
        self._limits.found.clear()

    def _tell_clipping(self, index: int, clips: Flags) -> None:
        """Each time a channel leaves its range; back inside for CLIPPED_AGAIN_S, that time is over."""
        began: list[tuple[int, int]] = []
        for column in np.flatnonzero(any_row(clips)).tolist():
            at = index + np.flatnonzero(clips[:, column])
            after = np.diff(at, prepend=self._clipped_at[column]) > CLIPPED_AGAIN_S * self.info.rate_hz
            began += [(start, column) for start in at[after].tolist()]
            self._clipped_at[column] = at[-1]
        for start, column in sorted(began):
            name = self.info.names[self._columns[column]]
            self.events.add(start / self.info.rate_hz, "clipped", warning("channel-clipped", channel=name))

    def _tell(self) -> None:
        """Turn what the finders noticed into events, in the order in which it was known."""
        rate = self.settings.live_rate_hz
        told: list[tuple[float, tuple[float, str, Finding | str, float], dict[str, Any] | None]] = []
        while self._finder.changes:
            change = self._finder.changes.popleft()
            why: Finding | str = note("hold-ended-by-gap", gap_s=SHORTEST_GAP_S) if change.by_gap else ""
            told.append((change.said / rate, (self._finder.time_of(change.tick), change.kind, why, change.rpm), None))
        for found in self._finder.found[self._reported :]:
            hold = found.record
            seen = note(
                "hold-found",
                rpm=hold.speed_rpm,
                start_s=hold.start_s,
                end_s=hold.end_s,
                gap_s=SHORTEST_GAP_S if found.by_gap else None,
            )
            row = {"hold": msgspec.to_builtins(hold)}
            told.append((found.said / rate, (hold.end_s, "hold-done", seen, hold.speed_rpm), row))
        self._reported = len(self._finder.found)
        while self._pull_finder.changes:
            pull = self._pull_finder.changes.popleft()
            told.append((pull.said_s, (pull.time_s, pull.kind, _pull_finding(pull), pull.rpm), _pull_row(pull)))
        for said_s, event, details in sorted(told, key=lambda one: one[0]):
            self.events.add(*event, said_s=said_s, details=details)


def _pull_finding(change: PullChange) -> Finding | str:
    """A pull as it is told: its span, and its verdict or what it is not clean for."""
    pull = change.pull
    if pull is None:
        return ""
    span = {"start_rpm": pull.start_rpm, "end_rpm": pull.end_rpm}
    if change.withdrawn:
        return note("pull-withdrawn", **span)
    return note("pull-found", **span, verdict=pull.verdict, faults=tuple(pull.faults))


def _pull_row(change: PullChange) -> dict[str, Any] | None:
    if change.pull is None:
        return None
    row: dict[str, Any] = {"pull": msgspec.to_builtins(change.pull)}
    return {**row, "withdrawn": True} if change.withdrawn else row


def _known_mean(values: Floats) -> Floats:
    """Means of rows, shape (n, k), over what is known; NaN where nothing is."""
    known = np.isfinite(values)
    if known.all():
        means: Floats = np.mean(values, axis=1)
        return means
    count = np.count_nonzero(known, axis=1)
    total = np.sum(np.where(known, values, 0.0), axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _to_float32(values: Floats) -> npt.NDArray[np.float32]:
    """For the screen and the file; what does not fit, which no engine does, becomes NaN."""
    with np.errstate(over="ignore"):
        result = values.astype(np.float32)
    result[np.isinf(result)] = np.nan
    return result
