"""Pulls, live: each found and judged once, when it has ended, on what the session has shown by then.

What only a later part of the session can tell (the throttle goes further, the load goes far higher, three other pulls
show what is usual, a gear change follows) is a change: rare, counted, and told as one.
"""

from bisect import insort
from collections import deque
from dataclasses import dataclass
from math import isfinite

import msgspec
import numpy as np

from stream.live.history import History, Part
from stream.live.pull_faults import (
    FEWEST_OTHERS,
    LEAST_THROTTLE,
    Course,
    References,
    course_of,
    course_under,
    faults_of,
    in_order,
)
from stream.live.pulls import (
    FULL_SCATTERS,
    GAIN_STEPS,
    HIGH_SHARE,
    RISING_RPM_S,
    SHORT_SHARE,
    STEP_S,
    Cruise,
    Grid,
    Levels,
    Rise,
    find_rises,
)
from stream.live.records import Pull, PullFault, PullNow
from stream.units import Floats

SAID_S = 1.5  # a pull is told no later than this after its end; fixed by the interface
PLACED_S = 0.2  # by so much the end on ticks may lie before the last step under high load; measured
LONGEST_LIFT_S = 1.2  # a lift as short as this is a fault inside a pull, where SAID_S leaves the time
BEGINS_SHARE = 0.4  # of the least span: from here on a rise under high load is called a pull
SUSTAINED_STEPS = 5  # a throttle counts as reached when it was kept for so many steps
LONGEST_STEPS = 2400  # in one go under high load; no pull lasts so long, and the history reaches little further
WAITING = 8  # pulls whose ticks are kept until three others show what is usual


@dataclass(frozen=True, slots=True)
class PullChange:
    """What is to be told: `pull-began`, `pull-done` or `pull-changed`; `pull` is None for one that has only begun, and
    `withdrawn` means that it was none after all."""

    kind: str
    time_s: float
    said_s: float
    rpm: float
    pull: Pull | None = None
    withdrawn: bool = False


@dataclass(slots=True)
class _Found:
    """A pull that was told, with what later knowledge is compared to."""

    pull: Pull
    rise: Rise
    push: float  # median, in the load's unit times its sign
    throttle: float  # median; NaN where unknown
    course: Course | None
    withdrawn: bool = False


class PullFinder:
    """Feed it the means of each step of the history; take what it noticed from `changes`."""

    def __init__(
        self,
        history: History,
        rate_hz: float,
        cutoff_hz: float,
        start_s: float,
        *,
        min_span_rpm: float,
        tune: str,
        gear: int | None,
    ) -> None:
        self.changes: deque[PullChange] = deque()
        self.changed = 0  # verdicts that were changed after they had been told
        self.over_limit: list[tuple[float, float]] = []  # session times of excursions over a limit
        self.loaded: list[tuple[int, bool]] = [(0, False)]  # (tick, from which it is known) speed rises under high load
        self._history = history
        self._rate, self._cutoff, self._start_s = rate_hz, cutoff_hz, start_s
        self._min_span, self._tune, self._gear = min_span_rpm, tune, gear
        self._size = max(1, round(STEP_S * rate_hz))
        self._step_s = self._size / rate_hz
        time_left = SAID_S - PLACED_S + start_s - (GAIN_STEPS + 1) * self._step_s  # start_s is minus the filter's delay
        self._bridge = max(1, min(int(time_left / self._step_s), round(LONGEST_LIFT_S / self._step_s)))
        self._cruise = Cruise(self._step_s)
        self._full = -np.inf
        self._first = 0  # number of the step that the window begins with
        self._rpm: list[float] = []
        self._load: list[float] = []
        self._throttles: deque[float] = deque(maxlen=SUSTAINED_STEPS)
        self._most_throttle = float("nan")
        self._rise_from: int | None = None  # step at which the present rise began
        self._rise_full = -np.inf
        self._sorted: list[float] = []  # loads of the rise, each at its place by size
        self._sorted_from = -1
        self._high: tuple[int, int] | None = None  # first and last step under high load, not yet judged
        self._began = False
        self._judged_to = 0  # tick to which all rises were judged
        self._found: list[_Found] = []
        self._references = References()
        self._waiting: deque[tuple[int, Part]] = deque()
        self._unchecked: list[int] = []  # of those, to be looked at again since another pull was added

    @property
    def pulls(self) -> list[Pull]:
        """The pulls so far, in order."""
        return [found.pull for found in self._found if not found.withdrawn]

    @property
    def now(self) -> PullNow | None:
        """The pull that goes on; None where there is none."""
        if not self._began or self._high is None:
            return None
        first, last = self._high
        if self._end - GAIN_STEPS - 1 > last + GAIN_STEPS:
            return None
        at = first - self._first
        reach = max(0, len(self._rpm) - 1 - 2 * GAIN_STEPS)
        gain = (self._rpm[-1] - self._rpm[reach]) / max(1, len(self._rpm) - 1 - reach) / self._step_s
        return PullNow(self._time(first * self._size), self._rpm[at], gain)

    # -- steps ----------------------------------------------------------------------------------------------------

    def step(self, number: int, rpm: float, load: float, throttle: float) -> None:
        """The next full step: its number, counted from the session's first, mean speed, mean load (times its sign)
        and mean throttle; NaN where not known. A step without load is a hole like one that is missing."""
        if not isfinite(load):
            return
        hole = number - self._end
        if self._rpm and 0 < hole <= self._bridge:
            share = np.arange(1, hole + 1) / (hole + 1)
            for part in share.tolist():
                self._rpm.append(self._rpm[-1] + part * (rpm - self._rpm[-1]))
                self._load.append(self._load[-1] + part * (load - self._load[-1]))
                self._look()
        elif hole or not self._rpm:
            self.end_run()
            self._first = number
        self._rpm.append(rpm)
        self._load.append(load)
        self._look_at_throttle(throttle)
        self._look()
        if self._unchecked:
            self._judge_again(self._unchecked.pop(0))

    def end_run(self) -> None:
        """A hole that is too long to look across, or the end: what is open is judged on what there is."""
        if self._high is not None:
            self._judge(final=True)
        self._end_rise()
        if self.loaded[-1][1]:
            self.loaded.append((self._end * self._size, False))
        self._rpm, self._load = [], []

    def finish(self) -> None:
        """The session is over: judge what is open, and what the whole session can tell."""
        self.end_run()
        for number in [waiting for waiting, _ in self._waiting]:
            self._judge_again(number, final=True)
        for number, found in enumerate(self._found):
            if found.course is None or found.withdrawn or "part-throttle" in found.pull.faults:
                continue
            if isfinite(found.throttle):
                continue
            usual = self._references.usual_without(number)
            if usual is not None and course_under(found.course, *usual):
                self._change(found, (*found.pull.faults, "part-throttle"))

    @property
    def _end(self) -> int:
        """Number of the step behind the newest."""
        return self._first + len(self._rpm)

    def _look(self) -> None:
        """Look at the newest step whose rate of gain is known."""
        at = len(self._rpm) - 1 - GAIN_STEPS
        if at < GAIN_STEPS:
            return
        rpm, load = self._rpm[at], self._load[at]
        gain = (self._rpm[at + GAIN_STEPS] - self._rpm[at - GAIN_STEPS]) / (2 * GAIN_STEPS * self._step_s)
        number = self._first + at
        self._cruise.add(rpm, load, gain)
        loaded = gain > RISING_RPM_S and load > self._load_of_pulls()
        if loaded != self.loaded[-1][1]:
            self.loaded.append((self._end * self._size, loaded))
        if gain > RISING_RPM_S:
            self._look_at_rise(number, rpm, load)
        elif self._rise_from is not None:
            self._end_rise()
        if self._high is not None and (
            number - self._high[1] >= self._bridge + 1 or number - self._high[0] >= LONGEST_STEPS
        ):
            self._judge(final=False)
        elif self._high is None and len(self._rpm) > 1200:
            self._forget(len(self._rpm) - 600)

    def _look_at_rise(self, number: int, rpm: float, load: float) -> None:
        if self._rise_from is None:
            self._rise_from = number
        start = max(self._rise_from - self._first, 0)
        self._keep_load(self._first + start, number, load)
        if rpm - self._rpm[start] >= SHORT_SHARE * self._min_span:
            self._rise_full = self._middle_load()
            levels = self._levels()
            high = levels.at(HIGH_SHARE)
            if levels.stand_out and load > high:
                first = next(n for n in range(start, number - self._first + 1) if self._load[n] > high)
                self._high = (self._first + first if self._high is None else self._high[0], number)
        elif self._high is not None and load > self._levels().at(HIGH_SHARE):
            self._high = (self._high[0], number)
        if self._high is not None and not self._began:
            first = self._high[0] - self._first
            if rpm - self._rpm[first] >= BEGINS_SHARE * self._min_span:
                self._began = True
                self.changes.append(PullChange("pull-began", self._time(self._high[0] * self._size), self._said, rpm))

    def _keep_load(self, start: int, number: int, load: float) -> None:
        """Put the load of a step among those of the rise, which began with the step `start`."""
        if self._sorted_from == start and len(self._sorted) == number - start:
            insort(self._sorted, load)
        else:  # it has just begun, or its first steps were forgotten
            self._sorted = sorted(self._load[start - self._first : number - self._first + 1])
            self._sorted_from = start

    def _middle_load(self) -> float:
        """The median of the rise's loads."""
        half, odd = divmod(len(self._sorted), 2)
        return self._sorted[half] if odd else 0.5 * (self._sorted[half - 1] + self._sorted[half])

    def _end_rise(self) -> None:
        self._full = max(self._full, self._rise_full)
        self._rise_from, self._rise_full = None, -np.inf
        self._look_at_full()

    def _look_at_throttle(self, throttle: float) -> None:
        self._throttles.append(throttle)
        if isfinite(throttle) and len(self._throttles) == SUSTAINED_STEPS:
            kept = min(self._throttles)
            if isfinite(kept) and not kept <= self._most_throttle:
                self._most_throttle = kept
                for found in self._found:
                    if found.throttle < LEAST_THROTTLE * kept and "part-throttle" not in found.pull.faults:
                        self._change(found, (*found.pull.faults, "part-throttle"))

    def _look_at_full(self) -> None:
        """Loads far above those of an earlier pull show that it was none."""
        if not self._found:
            return
        level = self._levels().at(HIGH_SHARE)
        for found in self._found:
            if not found.withdrawn and found.push < level:
                found.withdrawn = True
                self.changed += 1
                self.changes.append(
                    PullChange("pull-changed", found.pull.end_s, self._said, found.pull.end_rpm, found.pull, True)
                )

    def _load_of_pulls(self) -> float:
        """The load above which a rise of speed is a pull; before the first one what stands out from going along."""
        levels = self._levels()
        return levels.at(HIGH_SHARE) if levels.stand_out else levels.cruise + FULL_SCATTERS * levels.scatter

    def _levels(self) -> Levels:
        cruise, scatter = self._cruise.level()
        return Levels(cruise, scatter, max(self._full, self._rise_full))

    # -- judgement ------------------------------------------------------------------------------------------------

    def _judge(self, *, final: bool) -> None:
        """Judge the rises that have ended, and forget what lies before them."""
        self._high, self._began = None, False
        levels = self._levels()
        end_tick = self._end * self._size
        window = self._history.part((self._first - GAIN_STEPS) * self._size - 8 * self._size, end_tick)
        if not levels.stand_out or len(window.tick) < 10:
            return
        grid = Grid.of(self._first * self._size, self._size, self._step_s, np.array(self._rpm), np.array(self._load))
        rises = find_rises(
            grid, window, levels, min_span_rpm=self._min_span, bridged_s=self._bridge * self._step_s, rate_hz=self._rate
        )
        settled = len(self._rpm) if final else len(self._rpm) - GAIN_STEPS - self._bridge
        for end_step, rise in rises:
            if end_step > settled:
                continue
            if rise is not None and (rise.first + rise.end) // 2 > self._judged_to:
                self._new(rise, window, levels)
            elif rise is not None and rise.shifted:
                self._shifted(rise)
        done = [end_step for end_step, _ in rises if end_step <= settled]
        if done:
            self._judged_to = max(self._judged_to, grid.tick_of(done[-1]))
        self._forget(max(0, len(self._rpm) - 600))

    def _new(self, rise: Rise, window: Part, levels: Levels) -> None:
        # Short is only what falls short of this session's own pulls; alone it is a change of speed.
        if rise.short and not any(not found.withdrawn and not found.rise.short for found in self._found):
            return
        part = window.part(rise.first, rise.end)
        number, course = len(self._found), course_of(rise, window, self._rate, self._cutoff)
        reference = self._references.without(number, course, self._most_throttle)
        faults = self._with_limits(rise, faults_of(rise, window, levels, self._rate, self._cutoff, reference))
        pull = Pull(
            start_s=self._time(rise.first),
            end_s=self._time(rise.end),
            start_rpm=float(part.rpm[0]),
            end_rpm=float(np.max(part.rpm)),
            tune=self._tune,
            gear=self._gear,
            verdict="flawed" if faults else "clean",
            faults=faults,
        )
        throttle = part.throttle[np.isfinite(part.throttle)]
        push = part.push[np.isfinite(part.push)]
        self._found.append(
            _Found(
                pull,
                rise,
                float(np.median(push)) if len(push) else np.inf,
                float(np.median(throttle)) if len(throttle) else float("nan"),
                course,
            )
        )
        self.changes.append(PullChange("pull-done", pull.end_s, self._said, pull.end_rpm, pull))
        if course is None:
            return
        if not (rise.shifted or rise.lifted or rise.short):
            self._references.add(number, course)
            self._unchecked = [waiting for waiting, _ in self._waiting]
        if self._references.alike(number, course) < FEWEST_OTHERS:
            if len(self._waiting) == WAITING:
                self._waiting.popleft()
            self._waiting.append((number, _copied(part)))

    def _judge_again(self, number: int, *, final: bool = False) -> None:
        """A pull that was judged by itself alone, once three others show what is usual: one a step."""
        part = next((kept for waiting, kept in self._waiting if waiting == number), None)
        found = self._found[number]
        if part is None or found.course is None:
            return
        if not final and self._references.alike(number, found.course) < FEWEST_OTHERS:
            return
        self._waiting = deque(one for one in self._waiting if one[0] != number)
        reference = self._references.without(number, found.course, self._most_throttle)
        if reference is not None and not found.withdrawn:
            faults = faults_of(found.rise, part, self._levels(), self._rate, self._cutoff, reference)
            self._change(found, self._with_limits(found.rise, faults))

    def _shifted(self, rise: Rise) -> None:
        """A gear change that began when its pull had been told already."""
        for found in self._found[-2:]:
            if rise.first <= (found.rise.first + found.rise.end) // 2 < rise.end and not found.withdrawn:
                self._change(found, (*found.pull.faults, "gear-change"))

    def _change(self, found: _Found, faults: tuple[PullFault, ...]) -> None:
        faults = in_order(faults)
        if faults == found.pull.faults or found.withdrawn:
            return
        verdict = "flawed" if faults else "clean"
        found.pull = msgspec.structs.replace(found.pull, faults=faults, verdict=verdict)
        self.changed += 1
        self.changes.append(PullChange("pull-changed", found.pull.end_s, self._said, found.pull.end_rpm, found.pull))

    def _with_limits(self, rise: Rise, faults: tuple[PullFault, ...]) -> tuple[PullFault, ...]:
        start, end = self._time(rise.first), self._time(rise.end)
        over = any(first <= end and last >= start for first, last in self.over_limit)
        return in_order((*faults, "over-limit")) if over else faults

    def _forget(self, steps: int) -> None:
        """Drop the window's first steps."""
        if steps > 0:
            del self._rpm[:steps], self._load[:steps]
            self._first += steps

    # -- small answers --------------------------------------------------------------------------------------------

    @property
    def _said(self) -> float:
        """Session time of the newest sample that was looked at."""
        return self._end * self._size / self._rate

    def _time(self, tick: int) -> float:
        return max(0.0, self._start_s + tick / self._rate)


def _copied(part: Part) -> Part:
    columns: list[Floats] = [getattr(part, name).copy() for name in Part.__dataclass_fields__]
    return Part(*columns)  # type: ignore[arg-type]
