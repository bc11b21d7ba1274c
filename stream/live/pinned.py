"""Pinned stretches: the speed signal stands at one value, at the bottom or the top of what it ever showed, while the
engine's speed changes. No hold for the line, but the evidence for a dead band and a ceiling.

A signal that stands still is no proof by itself: a very even hold looks the same. What tells them apart is another
channel that moves as it only does when speed changes, a stillness that no foot has (far below the wander of the
drive's other holds), or a leap: a converter that begins to work above some speed goes from its stuck level, whatever
that is, to where its line is at once, and then follows the engine. Without any of them, and until targets say
otherwise, a hold stays a hold.

A still stretch is found once, as it ends, with what the other channels did meanwhile. Which of them were pinned, the
session's holds and the ends of its signal tell; that takes a few numbers of each.
"""

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from stream.live.history import History, RunView, Steps
from stream.live.holds import LONGEST_S, FoundHold, HoldFinder
from stream.live.records import Hold, Pinned
from stream.live.steadiness import Steadiness
from stream.units import Floats

STILL_RPM = 8.0  # half of the span that a stuck signal may have, beyond its noise
NOISE_SHARE = 6.0
END_ROWS = 4
SHORTEST_S = 1.5
LASTING_STEPS = 15
BRIDGED_STEPS = 3  # a spark or a bump may lift the signal for 0.3 s
STILL_SHARE = 0.34  # of the wander of the other holds
ALIVE_SHARE = 3.0  # times what another channel moves in the holds
AS_GOOD_AS_STILL_RPM = 1.5
WANDER_SEEN_RPM = 4.0
WHITE_RATIO = 1.6
ABOVE_IDLE_RPM = 1300.0  # by a provisional line; a mean above it is no idle
LEAP_RPM = 600.0  # by the provisional line, within LEAP_ROWS: 3 000 rpm/s and more
LEAP_ROWS = 2
LEAP_SHARE = 4.0  # times what follows in the same time: an engine that revs up goes on, a leap is over
MOST_SHARE_OF_SPAN = 0.02  # a stuck level is a point, not a region
BEFORE_S = 120.0  # of ticks before a still stretch are searched for a hold that runs into it
AFTER_S = 5.0  # after one, at the least


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the steps of a stretch show: the signal's mean and scatter, and how far each other channel moved.

    rows       steps of 0.1 s
    white      whether the signal is noise about one value, nothing slow in it
    moves      per other channel its movement, NaN where too short; blank where that is white
    """

    signal: float
    sd: float
    rows: int
    white: bool
    moves: tuple[float, ...]


@dataclass(slots=True)
class _Still:
    """A still stretch in steps, what it shows, and whether its neighbours were searched."""

    start: int
    end: int
    evidence: Evidence
    leaps: bool  # the signal leaps away from its level at the end, or down to it at the beginning


@dataclass(slots=True)
class _Region:
    """Holds found between still stretches, as if those were gaps; ticks from..to."""

    start: int
    end: int
    beside: tuple[int, ...]  # which still stretches border on it
    holds: list[FoundHold] = field(default_factory=list)


class PinnedFinder:
    """Tell it of the steps and holds of a session as they come; ask for the verdict at any time."""

    def __init__(self, history: History, steps: Steps, steady: Steadiness, line: tuple[float, float], start_s: float):
        self._history, self._steps, self._steady, self._line, self._start_s = history, steps, steady, line, start_s
        self._per_rpm = 1.0 / abs(line[0])
        self._low, self._high = np.inf, -np.inf
        self._newest: deque[float] = deque(maxlen=LASTING_STEPS)
        self._noise = 0.0
        self._noise_at = -1
        self._count = self._number = 0
        self._run: tuple[int, int, float, int] | None = None  # first step, step behind the last, sum, count
        self._still: list[_Still] = []
        self._regions: list[_Region] = []
        self._after: tuple[HoldFinder, int, int] | None = None  # a search behind a still stretch: finder, from, fed to
        self._references: list[Evidence] = []

    # -- what comes in ----------------------------------------------------------------------------------------------

    def step(self, number: int, signal: float) -> None:
        """The next step: its number and mean signal."""
        # What lasts for half of SHORTEST_S, without a filter's overshoot behind a leap.
        self._newest.append(signal)
        if 2 * len(self._newest) > LASTING_STEPS:
            lasting = sorted(self._newest)[len(self._newest) // 2]
            self._low, self._high = min(self._low, lasting), max(self._high, lasting)
        self._count += 1
        self._number = number
        run = self._run
        if run is not None:
            first, end, total, count = run
            if number - end > BRIDGED_STEPS or end - first >= LONGEST_S / self._step_s:
                self._end_still()
            elif abs(signal - total / count) <= self._reach():
                self._run = (first, number + 1, total + signal, count + 1)
                return
            else:
                if count < 4:  # hardly begun: it begins here instead
                    self._run = (number, number + 1, signal, 1)
                return
        self._run = (number, number + 1, signal, 1)

    def feed(self, tick: int) -> None:
        """All ticks before this one are in the history."""
        if self._after is None:
            return
        finder, start, fed = self._after
        finder.history = RunView(self._history, start, tick)
        finder.push(fed, tick)
        self._after = (finder, start, tick)
        if tick - start > AFTER_S * self._steady.rate_hz and not finder.busy:
            self._end_after(tick)

    def hold(self, hold: Hold, first: int, end: int) -> None:
        """A hold that was found, in ticks: what others are compared to."""
        rows = self._steps.rows(-(-first // self._steps.size), -(-end // self._steps.size))
        moves = tuple(_movement(rows[:, column]) for column in range(2, rows.shape[1]))
        self._references.append(Evidence(hold.signal_mean, _sd(rows[:, 0]), len(rows), False, moves))

    def end_run(self) -> None:
        """A gap, or the end."""
        self._end_still()
        if self._after is not None:
            self._end_after(self._history.run_end)

    # -- still stretches ----------------------------------------------------------------------------------------------

    @property
    def _step_s(self) -> float:
        return self._steps.size / self._steady.rate_hz

    def _reach(self) -> float:
        if self._noise_at < 0 or self._count >= 2 * self._noise_at or self._count - self._noise_at >= 600:
            self._noise = self._steps.quiet_spread(self._number + 1)
            self._noise_at = self._count
        return STILL_RPM * self._per_rpm + NOISE_SHARE * self._noise / 4.0

    def _end_still(self) -> None:
        run, self._run = self._run, None
        if run is None or (run[1] - run[0]) * self._step_s < SHORTEST_S - 1e-6:
            return
        first, end = run[0], run[1]
        evidence = self._evidence(first, end)
        reach = self._reach()
        at_an_end = min(evidence.signal - self._low, self._high - evidence.signal) <= 2.0 * reach
        if not at_an_end or not (evidence.white or evidence.sd * abs(self._line[0]) <= AS_GOOD_AS_STILL_RPM):
            return
        self._still.append(_Still(first, end, evidence, self._leaps(first, end, evidence.signal)))
        self._search_before(first * self._steps.size)
        start = max(end * self._steps.size, self._history.run_first)
        self._after = (self._searcher(start, start), start, start)

    def _searcher(self, start: int, end: int) -> HoldFinder:
        finder = HoldFinder(RunView(self._history, start, end), self._steady, self._line, self._start_s)
        finder.begin_run(start)
        return finder

    def _leaps(self, first: int, end: int, level: float) -> bool:
        """Whether the signal goes far at once at one end of a stretch, and is then no quicker than an engine is. No
        step may be missing between."""
        reach = 2 * LEAP_ROWS
        for rows in (self._steps.rows(end - 1, end + reach), self._steps.rows(first - reach, first + 1)[::-1]):
            if len(rows) < reach + 1:
                continue
            away = np.abs(rows[[LEAP_ROWS, reach], 0] - level) * abs(self._line[0])
            if away[0] >= LEAP_RPM and away[0] >= LEAP_SHARE * abs(away[1] - away[0]):
                return True
        return False

    def _search_before(self, end: int) -> None:
        """Look for holds between the still stretch before, or so far back as is searched, and this one."""
        number = len(self._still) - 1
        before = self._still[number - 1].end * self._steps.size if number else 0
        start = max(self._history.run_first, before, end - round(BEFORE_S * self._steady.rate_hz))
        beside = (number - 1, number) if self._after is not None else (number,)
        self._after = None
        if end <= start:
            return
        finder = self._searcher(start, end)
        finder.push(start, end)
        finder.end_run()
        self._regions.append(_Region(start, end, beside, finder.found))

    def _end_after(self, tick: int) -> None:
        if self._after is None:
            return
        finder, start, _ = self._after
        finder.history = RunView(self._history, start, tick)
        finder.end_run()
        self._after = None
        self._regions.append(_Region(start, tick, (len(self._still) - 1,), finder.found))

    def _evidence(self, first: int, end: int) -> Evidence:
        rows = self._steps.rows(first, end)
        signal = rows[:, 0]
        inner = rows[END_ROWS : max(END_ROWS, len(rows) - END_ROWS)]
        moves = tuple(
            float("nan") if _is_white(inner[:, column]) else _movement(inner[:, column])
            for column in range(2, rows.shape[1])
        )
        return Evidence(float(np.mean(signal)), _sd(signal), len(rows), _is_white(signal), moves)

    # -- the verdict --------------------------------------------------------------------------------------------------

    def verdict(self, found: list[FoundHold]) -> tuple[list[Pinned], list[FoundHold]]:
        """The pinned stretches by all that is known, in order, and the holds without what was pinned.

        A speed held just above a dead band lies in one band with the stuck signal below it, so that both may have been
        taken for one stretch: next to a pinned stretch the holds that were found without it count.
        """
        reach = min(self._reach(), MOST_SHARE_OF_SPAN * (self._high - self._low)) if self._still else 0.0
        if reach <= 0:
            return [], found
        stuck: set[int] = set()
        pinned: list[Pinned] = []
        for at, extreme in (("bottom", self._low), ("top", self._high)):
            near = [n for n, still in enumerate(self._still) if abs(still.evidence.signal - extreme) <= 2.0 * reach]
            if not near:
                continue
            signals = np.array([self._still[n].evidence.signal for n in near])
            level = float(np.median(np.repeat(signals, [self._still[n].evidence.rows for n in near])))
            others = [
                reference
                for hold, reference in zip(found, self._references, strict=True)
                if abs(hold.record.signal_mean - level) > 2.0 * reach
            ]
            mine = [n for n in near if abs(self._still[n].evidence.signal - level) <= reach]
            # What is stuck at this level once is stuck at it whenever it stands still there.
            if any(self._still[n].leaps or self._stuck(self._still[n].evidence, others) for n in mine):
                stuck.update(mine)
                pinned += [self._record(self._still[n], at) for n in mine]
        return _merged(sorted(pinned, key=lambda one: one.start_s)), self._without(stuck, found)

    def _record(self, still: _Still, at: str) -> Pinned:
        start, end = (
            max(0.0, self._start_s + step * self._steps.size / self._steady.rate_hz)
            for step in (still.start, still.end)
        )
        return Pinned(start_s=start, end_s=end, signal=still.evidence.signal, at=at)  # type: ignore[arg-type]

    def _without(self, stuck: set[int], found: list[FoundHold]) -> list[FoundHold]:
        if not stuck:
            return found
        size, margin = self._steps.size, round(AFTER_S * self._steady.rate_hz / 3.0)
        spans = [(self._still[n].start * size - margin, self._still[n].end * size + margin) for n in sorted(stuck)]
        kept = [hold for hold in found if not any(hold.start < end and hold.end > start for start, end in spans)]
        for region in self._regions:
            if stuck.isdisjoint(region.beside):
                continue
            kept += [
                hold
                for hold in region.holds
                if not any(hold.start < other.end and hold.end > other.start for other in kept)
            ]
        return sorted(kept, key=lambda hold: hold.start)

    def _stuck(self, still: Evidence, others: list[Evidence]) -> bool:
        """Whether a stretch at one end of the signal is stuck: the engine's speed changes under it."""
        rpm_per_unit, rpm_at_zero = self._line
        sd = still.sd * abs(rpm_per_unit)
        least = self._steady.rule.min_s / self._step_s
        others = [other for other in others if other.rows >= least / 2]
        wander = float(np.median([other.sd for other in others])) * abs(rpm_per_unit) if others else 0.0
        # Where all holds are as still as the noise, stillness says nothing.
        stiller = wander > WANDER_SEEN_RPM and sd < STILL_SHARE * wander
        for number, here in enumerate(still.moves):
            if _alive(here, [other.moves[number] for other in others], stiller):
                return True
        # Nothing but the signal to go by: an engine at rest or at idle may be as still as this, a driven one may not.
        long_enough = len(others) >= 2 and still.rows >= least
        return stiller and long_enough and still.signal * rpm_per_unit + rpm_at_zero > ABOVE_IDLE_RPM


def _merged(pinned: list[Pinned]) -> list[Pinned]:
    """Stretches at one level with no more than a second between them as one."""
    joined: list[Pinned] = []
    for stretch in pinned:
        last = joined[-1] if joined else None
        if last is not None and last.at == stretch.at and stretch.start_s - last.end_s <= 1.0:
            length, added = last.end_s - last.start_s, stretch.end_s - stretch.start_s
            signal = (last.signal * length + stretch.signal * added) / (length + added)
            joined[-1] = Pinned(start_s=last.start_s, end_s=stretch.end_s, signal=signal, at=last.at)
        else:
            joined.append(stretch)
    return joined


def _alive(here: float, usual: list[float], stiller: bool) -> bool:
    """Whether another channel shows the engine alive under a still signal: it changes by far more than while speed
    is held; or, where feet wander and this signal does not, it changes as it does under a wandering foot. The ends of
    the stretch are left out: the ramps on both sides begin there."""
    usual = [value for value in usual if np.isfinite(value)]
    if not usual or not np.isfinite(here) or here <= 0:
        return False
    scale = float(np.median(usual))
    return here > ALIVE_SHARE * scale or (stiller and here > 0.5 * scale)


def _is_white(values: Floats) -> bool:
    """Whether neighbours differ as much as strangers do: noise about one value, with nothing slow in it.

    The ratio of the two scatters is 1 for white noise (von Neumann 1941, of its inverse square) and 2.3 to 11 for a
    wander with a period of 1 to 5 s on a step of 0.1 s.
    """
    values = values[np.isfinite(values)]
    if not len(values):
        return True
    steps = float(np.std(np.diff(values))) / 2**0.5 if len(values) > 2 else 0.0
    return float(np.std(values)) <= WHITE_RATIO * steps


def _sd(values: Floats) -> float:
    return float(np.std(values)) if len(values) else float("nan")


def _movement(values: Floats) -> float:
    """How far a channel moves, single bumps left out: the span of the middle nine tenths, of means of half a second."""
    values = values[np.isfinite(values)]
    count = len(values) // 5
    if count < 4:
        return float("nan")
    low, high = np.quantile(values[: 5 * count].reshape(count, 5).mean(axis=1), [0.05, 0.95])
    return float(high - low)
