"""Pulls: sustained rises of engine speed under high load, found on the live ticks of the last minutes.

'High' is above the session's own cruise level, towards the highest load that a rise of this session reached so far;
never a share of a range. A pull ends on lift, on a gear change, or when speed falls. A short lift from which speed goes
on where it was belongs to the pull, as a fault of it.
"""

from dataclasses import dataclass, replace

import numpy as np

from stream.live.history import Part
from stream.live.steadiness import STANDING_RPM, runs_of
from stream.units import Floats

STEP_S = 0.1  # rises are looked for on means of about this length
RISING_RPM_S = 40.0  # slower is no pull in any gear
HIGH_SHARE = 0.35  # of the way from cruise to the highest load of a rise
ABOVE_IDLE = 1.3  # times the lowest steady speed: the engine does not idle
DRIVEN_SHARE = 0.25  # of the steady time; less of it is no cruise but the tops of pulls
FULL_SCATTERS = 4.0  # what a rise must stand above cruise, in scatters of cruising
LET_GO_SHARE = 0.5  # of what the pull carried above cruise: below it the foot was off
SHIFT_S = 2.0  # a gear change takes no longer
SHIFT_DROP = 0.12  # and takes at least this share of engine speed; the closest gears are a fifth apart
WITHIN_S = 25.0  # the least span must be gained within it; a pull itself may last longer, as in a high gear
SHORT_SHARE = 0.4  # of the least span: a rise of this much under full load is a pull that was too short
SHORT_LOAD_SHARE = 0.7
STEADY_RPM_S = 150.0  # before a short one, speed must not change faster: else it is a pull-away or a shift
GAIN_STEPS = 2  # the rate of gain at a step is taken over so many on either side
CRUISE_STEPS = 18000  # half an hour of going along; what is older is forgotten
FALLBACK_STEPS = 600
RENEW_STEPS = 10  # a level is worked out anew no more than once a second


@dataclass(frozen=True, slots=True)
class Levels:
    """Loads of this session so far: cruising with its scatter, and the highest that a rise sustained."""

    cruise: float
    scatter: float
    full: float

    def at(self, share: float) -> float:
        """The load a share of the way from cruise to full."""
        return self.cruise + share * (self.full - self.cruise)

    @property
    def stand_out(self) -> bool:
        """Whether any rise stands out from going along: else nobody pulled, or the link is not plugged in."""
        return self.full > self.cruise + FULL_SCATTERS * self.scatter


class Cruise:
    """The load of a car that goes along, from the newest half hour of it."""

    def __init__(self, step_s: float) -> None:
        self._least = 1.0 / step_s
        self._even = _Ring(CRUISE_STEPS)
        self._turning = _Ring(FALLBACK_STEPS)
        self._known: tuple[float, float] | None = None
        self._new = 0  # steps since it was worked out

    def add(self, rpm: float, load: float, gain: float) -> None:
        """One step: mean speed, mean load, rate of gain in rpm/s."""
        if rpm <= STANDING_RPM:
            return
        self._turning.add(rpm, load)
        self._new += 1
        if abs(gain) < RISING_RPM_S:
            self._even.add(rpm, load)

    def level(self) -> tuple[float, float]:
        """The median load where speed neither rises nor falls and the engine turns, and its scatter: the width of the
        narrowest range that holds half of those loads.

        Where the car stood in neutral for a zero as long as it cruised, idling is left out: its load and that of
        cruising together would look like scatter.
        """
        if self._known is None or self._new >= RENEW_STEPS:
            self._known, self._new = self._level(), 0
        return self._known

    def _level(self) -> tuple[float, float]:
        rpm, load = self._even.columns()
        if len(rpm):
            driven = rpm > ABOVE_IDLE * quantile(rpm, 0.05)
            if np.count_nonzero(driven) >= DRIVEN_SHARE * len(rpm):
                load = load[driven]
        if len(load) >= self._least:
            ordered = np.sort(load)
            half, odd = divmod(len(ordered), 2)
            middle = ordered[half] if odd else 0.5 * (ordered[half - 1] + ordered[half])
            return float(middle), _narrowest(ordered)[1]
        turning = self._turning.columns()[1]
        return (quantile(turning, 0.25), 0.0) if len(turning) else (0.0, 0.0)


class _Ring:
    """The newest `most` pairs of numbers."""

    def __init__(self, most: int) -> None:
        self._rows = np.empty((2, min(most, 1024)))
        self._most, self._count = most, 0

    def add(self, a: float, b: float) -> None:
        if self._count == self._rows.shape[1] and self._count < self._most:
            rows = np.empty((2, min(self._most, 2 * self._count)))
            rows[:, : self._count] = self._rows
            self._rows = rows
        self._rows[:, self._count % self._rows.shape[1]] = a, b
        self._count += 1

    def columns(self) -> Floats:
        return self._rows[:, : self._count]


@dataclass(frozen=True, slots=True)
class Rise:
    """A stretch under high load with rising speed, in ticks, the end not included."""

    first: int
    end: int
    lifted: bool = False
    shifted: bool = False  # a gear change began or ended it
    after_shift: bool = False  # one began it
    short: bool = False


@dataclass(frozen=True, slots=True)
class Grid:
    """Speed and load on even steps of `size` ticks without a hole; short gaps are filled by straight lines, for
    looking only. Step 0 begins with `first_tick`."""

    first_tick: int
    size: int
    step_s: float
    rpm: Floats
    load: Floats
    gain: Floats  # rpm/s

    @classmethod
    def of(cls, first_tick: int, size: int, step_s: float, rpm: Floats, load: Floats) -> "Grid":
        """The grid of these means, shape (n,)."""
        padded = np.pad(rpm, GAIN_STEPS, mode="edge")
        gain = (padded[2 * GAIN_STEPS :] - padded[: -2 * GAIN_STEPS]) / (2 * GAIN_STEPS * step_s)
        return cls(first_tick, size, step_s, rpm, load, gain)

    def tick_of(self, step: int) -> int:
        """The tick with which a step begins."""
        return self.first_tick + step * self.size

    def step_of(self, tick: int) -> int:
        """The step that a tick is in."""
        return (tick - self.first_tick) // self.size


def find_rises(
    grid: Grid, window: Part, levels: Levels, *, min_span_rpm: float, bridged_s: float, rate_hz: float
) -> list[tuple[int, Rise | None]]:
    """The rises under high load of a stretch: for each the step it ends before, and the pull that it is, in ticks;
    None where it is none. `bridged_s`: the longest lift inside a pull."""
    high = (grid.gain > RISING_RPM_S) & (grid.load > levels.at(HIGH_SHARE))
    joined = _joined(runs_of(high), grid, levels, bridged_s)
    found: list[tuple[int, Rise | None]] = []
    for rise in joined:
        placed = _in_ticks(rise, grid, window, levels)
        sized = _sized(placed, grid, window, levels, min_span_rpm, rate_hz)
        # What follows a gear change is part of a spoilt pull; where no pull came before it, the car only pulled away.
        if sized is not None and sized.after_shift and (not found or found[-1][1] is None):
            sized = None
        found.append((rise.end, sized))
    return found


def quantile(values: Floats, share: float) -> float:
    """As np.quantile, to the bit, for finite values, (n,), n above 0; without what that spends on its arguments."""
    place = share * (len(values) - 1)
    first = int(place)
    last = min(first + 1, len(values) - 1)
    ordered = np.partition(values, (first, last))
    low, high, part = float(ordered[first]), float(ordered[last]), place - first
    return high - (high - low) * (1.0 - part) if part >= 0.5 else low + (high - low) * part


def narrowest_half(values: Floats) -> tuple[float, float]:
    """The middle of the narrowest interval that holds half of the values, and the scatter of normal values with an
    interval as narrow: what a step or a spike does to the other half does not touch either."""
    return _narrowest(np.sort(values))


def _narrowest(ordered: Floats) -> tuple[float, float]:
    half = len(ordered) // 2
    widths = ordered[half:] - ordered[: len(ordered) - half]
    at = int(np.argmin(widths))
    return float(0.5 * (ordered[at] + ordered[at + half])), float(widths[at]) / 1.349


def _joined(runs: list[tuple[int, int]], grid: Grid, levels: Levels, bridged_s: float) -> list[Rise]:
    """Runs of the grid as rises: over a short lift they are one; at a gear change they are two, both told."""
    rises: list[Rise] = []
    for a, b in runs:
        rise = Rise(a, b)
        before = rises[-1] if rises else None
        gap_s = (a - before.end) * grid.step_s if before is not None else np.inf
        if before is not None and gap_s <= SHIFT_S:
            between = slice(max(before.end - 1, 0), a + 1)
            top = float(np.max(grid.rpm[max(before.end - 3, 0) : before.end + 1]))
            drop = 1.0 - float(np.min(grid.rpm[between])) / top
            carried = float(np.median(grid.load[before.first : before.end]))
            let_go = levels.cruise + LET_GO_SHARE * (carried - levels.cruise)
            unloaded = bool(np.any(grid.load[max(before.end - 1, 0) : a + 1] < let_go))
            if drop >= SHIFT_DROP and unloaded:
                rises[-1] = replace(before, shifted=True)
                rise = replace(rise, shifted=True, after_shift=True)
            elif gap_s <= bridged_s + 1e-9:
                rises[-1] = replace(before, end=b, lifted=before.lifted or unloaded)
                continue
        rises.append(rise)
    return rises


def _in_ticks(rise: Rise, grid: Grid, window: Part, levels: Levels) -> Rise:
    """Place both ends on ticks: where the load crosses half way between the pull and what came before it or after."""
    first, end = grid.tick_of(rise.first), grid.tick_of(rise.end - 1) + grid.size
    pull = float(np.median(grid.load[rise.first : rise.end]))
    reach = 8 * grid.size
    early = window.part(first - reach, first + reach)
    late = window.part(end - reach, end + reach)
    half_before = 0.5 * (pull + _quiet(early.push, levels))
    half_after = 0.5 * (pull + _quiet(late.push, levels))
    below = np.flatnonzero(early.push < half_before)
    start = int(early.tick[below[-1]]) + 1 if len(below) else first
    under = np.flatnonzero((late.push < half_after) & (late.tick > start))
    stop = int(late.tick[under[0]]) if len(under) else end
    whole = window.part(start, max(stop, start + 1))
    if len(whole.rpm):  # speed may have fallen before the load did
        stop = min(stop, int(whole.tick[int(np.argmax(whole.rpm))]) + 1)
    return replace(rise, first=start, end=max(stop, start + 1))


def _quiet(load: Floats, levels: Levels) -> float:
    finite = load[np.isfinite(load)]
    return min(float(np.min(finite)), levels.at(HIGH_SHARE)) if len(finite) else levels.cruise


def _sized(rise: Rise, grid: Grid, window: Part, levels: Levels, min_span_rpm: float, rate_hz: float) -> Rise | None:
    """The rise with its length judged; None where it is no pull at all."""
    part = window.part(rise.first, rise.end)
    if len(part.rpm) < 3:
        return None
    span = _most_gained(part, rate_hz)
    if span >= min_span_rpm:
        return rise
    step = grid.step_of(rise.first)
    before = slice(max(0, step - 9), max(0, step - 3))
    came_steady = len(grid.gain[before]) > 0 and float(np.max(np.abs(grid.gain[before]))) < STEADY_RPM_S
    full = float(np.median(part.push)) >= levels.at(SHORT_LOAD_SHARE)
    if span >= SHORT_SHARE * min_span_rpm and full and came_steady and not rise.shifted:
        return replace(rise, short=True)
    return None


def _most_gained(part: Part, rate_hz: float) -> float:
    """The most that speed rose within WITHIN_S of the stretch, rpm."""
    whole = float(np.max(part.rpm) - part.rpm[0])
    if part.tick[-1] - part.tick[0] <= WITHIN_S * rate_hz:
        return whole
    later = np.searchsorted(part.tick, part.tick + round(WITHIN_S * rate_hz), side="right") - 1
    return float(np.max(part.rpm[later] - part.rpm))
