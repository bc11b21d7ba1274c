"""Pulls: sustained rises of engine speed under high load, found in the session's live ticks.

'High' is above the session's own cruise level, towards the highest load that a rise of this session reached; never a
share of a range. A pull ends on lift, on a gear change, or when speed falls. A lift of up to 1.2 s from which speed
goes on where it was belongs to the pull, as a fault of it.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from stream.live.history import History
from stream.live.runs import runs_of
from stream.live.steadiness import STANDING_RPM

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

STEP_S = 0.1  # rises are looked for on means of about this length
RISING_RPM_S = 40.0  # slower is no pull in any gear
HIGH_SHARE = 0.35  # of the way from cruise to the highest load of a rise
ABOVE_IDLE = 1.3  # times the lowest steady speed: the engine does not idle
DRIVEN_SHARE = 0.25  # of the steady time; less of it is no cruise but the tops of pulls
FULL_SCATTERS = 4.0  # what a rise must stand above cruise, in scatters of cruising
LET_GO_SHARE = 0.5  # of what the pull carried above cruise: below it the foot was off
BRIDGED_S = 1.2  # a lift as short as this is a fault inside a pull
SHIFT_S = 2.0  # a gear change takes no longer
SHIFT_DROP = 0.12  # and takes at least this share of engine speed; the closest gears are a fifth apart
WITHIN_S = 25.0  # the least span must be gained within it; a pull itself may last longer, as in a high gear
SHORT_SHARE = 0.4  # of the least span: a rise of this much under full load is a pull that was too short
SHORT_LOAD_SHARE = 0.7
STEADY_RPM_S = 150.0  # before a short one, speed must not change faster: else it is a pull-away or a shift
GAP_S = 3.0  # a gap longer than this ends everything
LONGEST_GAP_S = 60.0  # of a longer one only so much is laid out: a counter that jumps can skip years


@dataclass(frozen=True, slots=True)
class Levels:
    """Loads of this session: cruising, and the highest that a rise sustained."""

    cruise: float
    full: float

    def at(self, share: float) -> float:
        """The load a share of the way from cruise to full."""
        return self.cruise + share * (self.full - self.cruise)


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
class _Grid:
    """The session on an even grid of `step_s` seconds, gaps filled by straight lines for looking only.

    Of a gap longer than a minute a minute is there, so that its length costs no memory: `resumed` are the steps with
    which those end, `skipped` the steps that are left out before each of them.
    """

    first_tick: int
    size: int
    step_s: float
    rpm: Floats
    load: Floats
    gain: Floats  # rpm/s
    known: Flags
    resumed: Ints
    skipped: Ints

    def tick_of(self, step: int) -> int:
        """The tick with which a step begins."""
        before = int(np.searchsorted(self.resumed, step, side="right"))
        return self.first_tick + (step + (int(self.skipped[before - 1]) if before else 0)) * self.size

    def step_of(self, tick: int) -> int:
        """The step that a tick outside the gaps is in."""
        step = (tick - self.first_tick) // self.size
        before = int(np.searchsorted(self.resumed + self.skipped, step, side="right"))
        return step - (int(self.skipped[before - 1]) if before else 0)


def find_rises(history: History, rate_hz: float, min_span_rpm: float) -> tuple[list[Rise], Levels | None]:
    """The pulls of a session as rises, in order, and the load levels they were judged by.

    Empty where there is no load, or nothing rises by `min_span_rpm` within 25 s.
    """
    grid = _grid(history, rate_hz)
    if grid is None:
        return [], None
    rising = runs_of(grid.known & (grid.gain > RISING_RPM_S))
    spans = [(a, b) for a, b in rising if grid.rpm[b - 1] - grid.rpm[a] >= SHORT_SHARE * min_span_rpm]
    if not spans:
        return [], None
    cruise, scatter = _cruise(grid)
    full = max(float(np.median(grid.load[a:b])) for a, b in spans)
    levels = Levels(cruise, full)
    if full <= cruise + FULL_SCATTERS * scatter:
        return [], None  # no rise stands out from going along: nobody pulled, or the link is not plugged in
    high = grid.known & (grid.gain > RISING_RPM_S) & (grid.load > levels.at(HIGH_SHARE))
    rises = [_in_ticks(rise, grid, history, levels) for rise in _joined(runs_of(high), grid, levels)]
    judged = [_sized(rise, grid, history, levels, min_span_rpm, rate_hz) for rise in rises]
    # What follows a gear change is part of a spoilt pull; where no pull came before it, the car was only pulling away.
    before = [None, *judged][: len(judged)]
    found = [
        rise
        for rise, last in zip(judged, before, strict=True)
        if rise is not None and not (rise.after_shift and last is None)
    ]
    # Short is only what falls short of this session's own pulls; alone it is a change of speed.
    return (found if any(not rise.short for rise in found) else []), levels


def _grid(history: History, rate_hz: float) -> _Grid | None:
    if len(history.tick) < 10 or not np.isfinite(history.push).any():
        return None
    size = max(1, round(STEP_S * rate_hz))
    step_s = size / rate_hz
    first = int(history.tick[0]) // size * size
    place, resumed, skipped = _without_long_gaps((history.tick - first) // size, round(LONGEST_GAP_S / step_s))
    steps = int(place[-1]) + 1
    good = np.isfinite(history.push)
    count = np.bincount(place[good], minlength=steps)
    safe = np.maximum(count, 1)
    rpm = np.bincount(place[good], history.rpm[good], steps) / safe
    load = np.bincount(place[good], history.push[good], steps) / safe
    filled = count > 0
    at = np.arange(steps)
    if np.count_nonzero(filled) < 5:
        return None
    rpm, load = np.interp(at, at[filled], rpm[filled]), np.interp(at, at[filled], load[filled])
    known = filled.copy()
    for a, b in runs_of(~filled):  # a short gap is bridged for looking; what is missing is a fault of its own
        known[a:b] = (b - a) * step_s <= GAP_S
    wide = 2
    padded = np.pad(rpm, wide, mode="edge")
    gain = (padded[2 * wide :] - padded[: -2 * wide]) / (2 * wide * step_s)
    return _Grid(first, size, step_s, rpm, load, gain, known, resumed, skipped)


def _without_long_gaps(place: Ints, longest: int) -> tuple[Ints, Ints, Ints]:
    """Places in order, no more than `longest` apart; the first ones behind what was left out, and how much in all."""
    over = np.maximum(np.diff(place, prepend=place[0]) - longest, 0)
    skipped = np.cumsum(over)
    place = place - skipped
    return place, place[over > 0], skipped[over > 0]


def _cruise(grid: _Grid) -> tuple[float, float]:
    """The load of a car that goes along, and its scatter: the median where speed neither rises nor falls and the
    engine turns, and the width of the narrowest range that holds half of those loads.

    Where the car stood in neutral for a zero as long as it cruised, idling is left out: its load and that of cruising
    together would look like scatter.
    """
    turning = grid.known & (grid.rpm > STANDING_RPM)
    even = turning & (np.abs(grid.gain) < RISING_RPM_S)
    if even.any():
        driven = even & (grid.rpm > ABOVE_IDLE * float(np.quantile(grid.rpm[even], 0.05)))
        if np.count_nonzero(driven) >= DRIVEN_SHARE * np.count_nonzero(even):
            even = driven
    if np.count_nonzero(even) >= 1.0 / grid.step_s:
        return float(np.median(grid.load[even])), narrowest_half(grid.load[even])[1]
    return (float(np.quantile(grid.load[turning], 0.25)), 0.0) if turning.any() else (0.0, 0.0)


def narrowest_half(values: Floats) -> tuple[float, float]:
    """The middle of the narrowest interval that holds half of the values, and the scatter of normal values with an
    interval as narrow: what a step or a spike does to the other half does not touch either."""
    ordered = np.sort(values)
    half = len(ordered) // 2
    widths = ordered[half:] - ordered[: len(ordered) - half]
    at = int(np.argmin(widths))
    return float(0.5 * (ordered[at] + ordered[at + half])), float(widths[at]) / 1.349


def _joined(runs: list[tuple[int, int]], grid: _Grid, levels: Levels) -> list[Rise]:
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
            elif gap_s <= BRIDGED_S:
                rises[-1] = replace(before, end=b, lifted=before.lifted or unloaded)
                continue
        rises.append(rise)
    return rises


def _in_ticks(rise: Rise, grid: _Grid, history: History, levels: Levels) -> Rise:
    """Place both ends on ticks: where the load crosses half way between the pull and what came before it or after."""
    first, end = grid.tick_of(rise.first), grid.tick_of(rise.end - 1) + grid.size
    pull = float(np.median(grid.load[rise.first : rise.end]))
    reach = 8 * grid.size
    early = history.part(first - reach, first + reach)
    late = history.part(end - reach, end + reach)
    half_before = 0.5 * (pull + _quiet(early.push, levels))
    half_after = 0.5 * (pull + _quiet(late.push, levels))
    below = np.flatnonzero(early.push < half_before)
    start = int(early.tick[below[-1]]) + 1 if len(below) else first
    under = np.flatnonzero((late.push < half_after) & (late.tick > start))
    stop = int(late.tick[under[0]]) if len(under) else end
    whole = history.part(start, max(stop, start + 1))
    if len(whole.rpm):  # speed may have fallen before the load did
        stop = min(stop, int(whole.tick[int(np.argmax(whole.rpm))]) + 1)
    return replace(rise, first=start, end=max(stop, start + 1))


def _quiet(load: Floats, levels: Levels) -> float:
    finite = load[np.isfinite(load)]
    return min(float(np.min(finite)), levels.at(HIGH_SHARE)) if len(finite) else levels.cruise


def _sized(
    rise: Rise, grid: _Grid, history: History, levels: Levels, min_span_rpm: float, rate_hz: float
) -> Rise | None:
    """The rise with its length judged; None where it is no pull at all."""
    part = history.part(rise.first, rise.end)
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


def _most_gained(part: History, rate_hz: float) -> float:
    """The most that speed rose within WITHIN_S of the stretch, rpm."""
    whole = float(np.max(part.rpm) - part.rpm[0])
    if part.tick[-1] - part.tick[0] <= WITHIN_S * rate_hz:
        return whole
    later = np.searchsorted(part.tick, part.tick + round(WITHIN_S * rate_hz), side="right") - 1
    return float(np.max(part.rpm[later] - part.rpm))
