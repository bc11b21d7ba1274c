"""Holds: stretches of steady engine speed, found live, on decision ticks only.

A candidate opens when the last `min_s` stay in the band, grows while they do, and is flagged when no drift shows that
its own wander does not explain. When it ends, one waits for the ramp behind it, places both edges by a hinge between
ramp and plateau, and judges what is left once more. The cost of a decision does not grow with the length of a hold.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stream.live import history as column
from stream.live.edges import CONTEXT_S, plateau_edges
from stream.live.history import History, RunView
from stream.live.mean import mean_with_error
from stream.live.records import Hold
from stream.live.steadiness import (
    FORGIVEN_SHARE,
    STANDING_RPM,
    Slope,
    Steadiness,
    bin_ticks,
    mean_of,
    runs_of,
    slope_of,
)
from stream.units import Floats

DECISIONS_PER_S = 10.0
LENGTH_SLACK_S = 0.05  # edges are placed on bins of 0.04 s
LONGEST_S = 240.0  # a longer stretch becomes two holds: the history does not reach further; chosen
SETTLES_S = 3.0  # so long after its first window a candidate may still drop what its mean has left behind; chosen
HEAD_IS_SURER = (
    2.0  # a stretch too long for its band began where it began: its end gives way, up to twice as much; chosen
)
LINE_GOES_ON = 0.5  # a sweep: what lies outside fits the stretch's line twice as well as its mean


@dataclass(slots=True)
class _Candidate:
    """A stretch that is in its band so far: ticks start..end, with sums about `reference`."""

    start: int
    end: int
    opened: int  # where its first window began
    reference: float
    total: float
    out: int = 0
    trailing_out: int = 0
    flagged: bool = False

    @property
    def mean(self) -> float:
        return self.reference + self.total / (self.end - self.start)


@dataclass(frozen=True, slots=True)
class _Ended:
    """A stretch that waits for the ticks behind it before it is judged."""

    start: int
    end: int
    flagged: bool


@dataclass(frozen=True, slots=True)
class FoundHold:
    """A hold in ticks, with what is known of it."""

    start: int
    end: int
    said: int  # the tick at which it was known
    record: Hold
    by_gap: bool = False  # a gap ended it


@dataclass(frozen=True, slots=True)
class HoldChange:
    """What is to be told of a stretch: 'hold-began' or 'hold-broken', where, at which tick it was known, at what rpm
    (NaN: not known), and whether a gap broke it."""

    kind: str
    tick: int
    said: int
    rpm: float
    by_gap: bool = False


class HoldFinder:
    """Tell it of the ticks that the history got; take holds from `found`.

    `line` turns the signal into rpm (rpm per unit, rpm at zero). `time_of` gives the session time of a tick.
    """

    def __init__(
        self, history: History | RunView, steady: Steadiness, line: tuple[float, float], start_s: float
    ) -> None:
        self.steady = steady
        self.found: list[FoundHold] = []
        self.changes: deque[HoldChange] = deque()
        self._line = line
        self._time_at_zero = start_s
        self._every = max(1, round(steady.rate_hz / DECISIONS_PER_S))
        self.history = history
        self._candidate: _Candidate | None = None
        self._ended: deque[_Ended] = deque()
        self._free_from = 0  # ticks before it belong to a hold, or to another run
        self._settled_to = self._now = self._run_from = 0
        self._gap_at = -1
        self.longest_run = 0  # ticks of the longest run that has ended
        self._next = 0
        self._context = round(CONTEXT_S * steady.rate_hz)
        self._min_ticks = steady.min_ticks
        self._forgiven_ticks = steady.forgiven_ticks
        self._clips_end = 0  # behind the newest clipped tick

    def begin_run(self, tick: int) -> None:
        """An unbroken run of ticks starts here in the history: its start, or the first judged tick after a gap."""
        self._free_from = self._settled_to = self._run_from = tick
        self._gap_at = -1
        self._next = (tick // self._every + 1) * self._every

    def push(self, start: int, end: int) -> None:
        """The history has got the ticks start..end of the current run."""
        clipped = np.flatnonzero(self._clipped(start, end))
        if len(clipped):
            self._clips_end = start + int(clipped[-1]) + 1
        while self._next <= end:
            self._decide(self._next)
            self._next += self._every

    def end_run(self, *, by_gap: bool = False) -> None:
        """The run is over: a gap, or the end. What is open is closed on what there is."""
        self._gap_at = self.history.run_end if by_gap else -1
        self.longest_run = max(self.longest_run, self.history.run_end - self._run_from)
        end = self._now = self.history.run_end
        if end > self._next - self._every:
            self._decide(end)
        if self._candidate is not None:
            self._close(self._candidate.end)
        self._settle(end, final=True)

    @property
    def busy(self) -> bool:
        """Whether a stretch is open, or waits to be judged."""
        return self._candidate is not None or bool(self._ended)

    @property
    def candidate(self) -> tuple[int, int, bool, float] | None:
        """(start tick, end tick, flagged, mean rpm) of the stretch that is steady now."""
        c = self._candidate
        return None if c is None else (c.start, c.end, c.flagged, c.mean)

    def recent_rpm(self) -> Floats:
        """The last `min_s` of ticks, rpm; fewer at the start of a run."""
        end = self.history.run_end
        return self._rpm(end - self._min_ticks, end)

    # -- decisions ------------------------------------------------------------------------------------------------

    def _decide(self, end: int) -> None:
        self._now = end
        if self._candidate is None:
            self._look(end)
        else:
            self._extend(self._candidate, end)
        self._settle(end, final=False)

    def _look(self, end: int) -> None:
        """Open a candidate where the last `min_s` are in the band, the engine turns and nothing was clipped."""
        start = end - self._min_ticks
        if start < self._free_from:
            return
        rpm = self._rpm(start, end)
        mean = mean_of(rpm)
        if mean < STANDING_RPM or self._any_clipped(start, end) or not self.steady.in_band(rpm, mean):
            return
        self._candidate = _Candidate(start, end, start, mean, 0.0)
        self._flag(self._candidate)

    def _extend(self, c: _Candidate, end: int) -> None:
        """Take the new ticks into the candidate, or end it where speed left the band."""
        if self._any_clipped(c.end, end):
            left = self._grow(c, c.end + int(np.argmax(self._clipped(c.end, end))))
            self._close(c.end - c.trailing_out if left is None else left)
            self._free_from = end  # conservative: the next candidate starts behind what was clipped
            return
        left = self._grow(c, end)
        too_many = c.out > max(FORGIVEN_SHARE * (end - c.start), self._forgiven_ticks)
        if left is not None or too_many or end - c.start >= LONGEST_S * self.steady.rate_hz:
            self._close(end - c.trailing_out if left is None else left)
            return
        if end - c.opened <= self._min_ticks + SETTLES_S * self.steady.rate_hz:
            self._trim_head(c)
        if end - c.start < self._min_ticks:
            self._break(c)
            return
        self._flag(c)

    def _grow(self, c: _Candidate, end: int) -> int | None:
        """Take the ticks up to `end` in, each judged by the mean up to it; gives the tick at which speed left the band
        for longer than is forgiven, or None. Whenever decisions fall, the same ticks are in and out."""
        rpm = self._rpm(c.end, end)
        if not len(rpm):
            return None
        totals = c.total + np.cumsum(rpm - c.reference)
        means = c.reference + totals / np.arange(c.end - c.start + 1, end - c.start + 1)
        first, c.end, c.total = c.end, end, float(totals[-1])
        out = np.abs(rpm - means) > self.steady.band(c.mean)
        count = int(np.count_nonzero(out))
        if not count:
            c.trailing_out = 0
            return None
        c.out += count
        runs = [(first + a, first + b) for a, b in runs_of(out)]
        if runs[0][0] == first:
            runs[0] = (first - c.trailing_out, runs[0][1])
        c.trailing_out = end - runs[-1][0] if runs[-1][1] == end else 0
        return next((a for a, b in runs if b - a > self._forgiven_ticks), None)

    def _trim_head(self, c: _Candidate) -> None:
        """Place the start, to the tick, where the speed came into the band about the mean as that settled: the ramp or
        creep that a first window covers is dropped, what a decision later than need be left out is taken in. The tick
        at which decisions fall thus leaves no trace in the mean, which decides where the stretch ends."""
        low = max(self._free_from, c.opened - self._every + 1)
        if self._any_clipped(low, c.opened):
            low += int(np.flatnonzero(self._clipped(low, c.opened))[-1]) + 1
        least, width = max(low, c.end - self._min_ticks + 1), max(1, min(self._every, self._min_ticks // 2))
        while c.end - c.start >= self._min_ticks:
            rpm, mean = self._rpm(low, min(least + width, c.end)), c.mean
            out = np.concatenate(([0], np.cumsum(np.abs(rpm - mean) > self.steady.band(mean))))
            outside = out[width:] - out[:-width]
            came = np.flatnonzero(2 * outside <= width)
            start = low + int(came[0] + outside[came[0]]) if len(came) else least
            if start == c.start:
                return
            a, b, sign = (c.start, start, -1) if start > c.start else (start, c.start, 1)
            c.total += sign * float(np.sum(rpm[a - low : b - low] - c.reference))
            c.out = max(0, c.out + sign * int(out[b - low] - out[a - low]))
            c.start = start
            if sign > 0:
                return

    def _flag(self, c: _Candidate) -> None:
        if c.flagged:
            return
        limit = self.steady.drift_limit(c.mean)
        length_s = (c.end - c.start) / self.steady.rate_hz
        # A long stretch cannot drift above the limit and stay in its band, so there is no need to look.
        short = length_s * limit < 3.0 * self.steady.band(c.mean)
        if short and slope_of(self._rpm(c.start, c.end), self.steady.rate_hz).beyond(limit):
            return
        c.flagged = True
        self.changes.append(HoldChange("hold-began", c.start, self._now, c.mean))

    def _break(self, c: _Candidate) -> None:
        if c.flagged:
            self.changes.append(HoldChange("hold-broken", c.end, self._now, c.mean, c.end == self._gap_at))
        self._candidate = None

    def _close(self, end: int) -> None:
        c = self._candidate
        self._candidate = None
        if c is None:
            return
        if end - c.start >= self._min_ticks - self._forgiven_ticks:
            self._ended.append(_Ended(c.start, end, c.flagged))
        if c.flagged:
            self._free_from = end
        else:
            # It may have hidden the start of a hold; look again from a little later on.
            self._free_from = c.start + self._every

    # -- judgement ------------------------------------------------------------------------------------------------

    def _settle(self, now: int, *, final: bool) -> None:
        while self._ended and (final or self._ended[0].end + self._context <= now):
            ended = self._ended.popleft()
            hold = self._judge(max(ended.start, self._settled_to), ended.end)
            if hold is None and ended.flagged:
                self.changes.append(
                    HoldChange("hold-broken", ended.end, self._now, float("nan"), ended.end == self._gap_at)
                )
            elif hold is not None:
                self._settled_to = hold.end
                self.found.append(hold)

    def _judge(self, start: int, end: int) -> FoundHold | None:
        """Place the edges of an ended stretch; None where what is left is no hold."""
        if end - start < max(self._min_ticks // 2, bin_ticks(self.steady.rate_hz)):
            return None
        stretch = self._rpm(start, end)
        before = self._rpm(max(start - self._context, self._settled_to), start)
        behind = self._rpm(end, end + self._context)
        edges = plateau_edges(before, stretch, behind, self.steady)
        a = max(start + edges.first, self._settled_to, self.history.run_first)
        b = min(start + edges.end, self._now)
        a, b = self._trim(a, b)
        slack = round(LENGTH_SLACK_S * self.steady.rate_hz)
        if b - a < self._min_ticks - slack or self._any_clipped(a, b):
            return None
        rpm = self._rpm(a, b)
        if float(np.mean(rpm)) < STANDING_RPM or not self.steady.in_band(rpm):
            return None
        slope = slope_of(rpm, self.steady.rate_hz)
        if self._drifts(a, b, slope, hinged=edges.ramp_before != 0 and edges.ramp_behind != 0):
            return None
        return FoundHold(a, b, self._now, self._record(a, b), by_gap=b >= self._gap_at > 0)

    def _trim(self, a: int, b: int) -> tuple[int, int]:
        """Cut back until what is left is in its band: first the ticks at the very ends that are out, then, while more
        is out than is forgiven, the end that has to give up less: a stretch that misses the band by a hair loses a
        moment."""
        while b - a >= self._min_ticks // 2:
            rpm = self._rpm(a, b)
            mean = float(np.mean(rpm))
            out = np.abs(rpm - mean) > self.steady.band(mean)
            if out[0] or out[-1]:
                inside = np.flatnonzero(~out)
                a, b = (a + int(inside[0]), a + int(inside[-1]) + 1) if len(inside) else (a, a)
                continue
            if self.steady.in_band(rpm):
                break
            early, late = self._least_cut(rpm[::-1]), self._least_cut(rpm)
            a, b = (a + early, b) if HEAD_IS_SURER * early < late else (a, b - late)
        return a, b

    def _least_cut(self, rpm: Floats) -> int:
        """Ticks to take off the end of a stretch that is out of its band so that the rest is in it; all of them where
        no cut helps. Found by doubling and halving: the cost grows with the logarithm of the cut."""
        misses, step = 0, bin_ticks(self.steady.rate_hz)
        cut = step
        while cut < len(rpm) and not self.steady.in_band(rpm[: len(rpm) - cut]):
            misses, cut = cut, 2 * cut
        if cut >= len(rpm):
            return len(rpm)
        while cut - misses > step:
            middle = (cut + misses) // 2
            if self.steady.in_band(rpm[: len(rpm) - middle]):
                cut = middle
            else:
                misses = middle
        return cut

    def _drifts(self, a: int, b: int, slope: Slope, *, hinged: bool) -> bool:
        """True for a sweep: the drift is above the limit, and neither wander nor the hinges speak against it."""
        rpm = self._rpm(a, b)
        limit = self.steady.drift_limit(float(np.mean(rpm)))
        if abs(slope.rpm_per_s) <= limit:
            return False
        if slope.beyond(limit):
            # In a stretch shorter than the wander's own period, one swing of the foot is all one sees. Where a ramp
            # breaks off at both ends and something wanders, up to twice the limit is a swing.
            wanders = slope.wander_rpm > 2.0 * slope.noise_rpm
            return not (hinged and wanders and abs(slope.rpm_per_s) < 2.0 * limit)
        return self._goes_on(a, b, rpm, slope)

    def _goes_on(self, a: int, b: int, rpm: Floats, slope: Slope) -> bool:
        """True where the ticks on both sides follow the line of the stretch rather than its mean."""
        follows = []
        rate = self.steady.rate_hz
        middle, mean = (a + b - 1) / 2.0, float(np.mean(rpm))
        for low, high in (
            (max(a - self._context, self.history.run_first), a),
            (b, min(b + self._context, self._now)),
        ):
            outside = self._rpm(low, high)
            if len(outside) < rate / 2:
                continue
            line = mean + slope.rpm_per_s * (np.arange(low, low + len(outside)) - middle) / rate
            off_line, off_mean = (
                float(np.mean(np.abs(outside - line))),
                float(np.mean(np.abs(outside - mean))),
            )
            follows.append(off_line < LINE_GOES_ON * off_mean)
        return bool(follows) and all(follows)

    def _record(self, a: int, b: int) -> Hold:
        measured = self.history.run(column.BRIDGED, a, b) == 0
        signal, load = self.history.run(column.SIGNAL, a, b), self.history.run(column.LOAD, a, b)
        return hold_of(signal, load, measured, (self.time_of(a), self.time_of(b)), self._line, self.steady.rate_hz)

    def time_of(self, tick: int) -> float:
        """Session time of a tick, the filter's delay taken off."""
        return max(0.0, self._time_at_zero + tick / self.steady.rate_hz)

    def _rpm(self, start: int, end: int) -> Floats:
        return self.history.run(column.RPM, start, end)

    def _any_clipped(self, start: int, end: int) -> bool:
        return start < self._clips_end and bool(self._clipped(start, end).any())

    def _clipped(self, start: int, end: int) -> npt.NDArray[np.bool_]:
        return self.history.run(column.SPEED_CLIPPED, start, end) > 0


def hold_of(
    signal: Floats,
    load: Floats,
    measured: npt.NDArray[np.bool_],
    span_s: tuple[float, float],
    line: tuple[float, float],
    rate_hz: float,
) -> Hold:
    """The record of a hold from its ticks: signal in the channel's unit, load with NaN where unknown; ticks that were
    not measured but bridged count for neither."""
    mean, sd, error, count = mean_with_error(signal if measured.all() else signal[measured], rate_hz)
    per_unit, at_zero = line
    known = load[~np.isnan(load)]
    return Hold(
        start_s=span_s[0],
        end_s=span_s[1],
        signal_mean=mean,
        signal_sem=error,
        speed_rpm=per_unit * mean + at_zero,
        speed_sd_rpm=abs(per_unit) * sd,
        drift_rpm_per_s=slope_of(signal, rate_hz).rpm_per_s * per_unit,
        load_mean=float(np.mean(known)) if len(known) else None,
        n_effective=count,
    )
