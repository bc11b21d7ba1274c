"""What spoils a pull, each with its threshold stated.

A pull's own load over its run is followed by a smooth robust curve; what departs from it by more than DEPART of the
pull's height, or five times its own scatter, is looked at: how long, whether speed shows it too, whether it comes back.
"""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from typing import get_args

import numpy as np
import numpy.typing as npt

from stream.live.history import Part
from stream.live.pulls import Levels, Rise, narrowest_half
from stream.live.records import PullFault
from stream.live.steadiness import runs_of
from stream.units import Flags, Floats

Course = tuple[Floats, Floats]  # load and rate of gain on GRID_RPM

TIP_IN_S = 0.4  # the start of a pull is kept but not judged: tip-in, driveline shuffle
END_S = 0.15  # nor is the very end: the foot comes off
DEPART = 0.07  # of the pull's height above cruise
SCATTERS = 6.0
TIP_IN_RISES = 4.0  # a slow filter smears both ends: rise times of it that are not judged at the start
END_RISES = 2.0  # and at the end
BRIDGED_S = 0.35  # pieces of one departure, cut by vibration
OWN_SHARE = 0.6  # of that: what a bump must show against the pull's own smooth run as well
BUMP_S = 0.3  # shorter departures of the link alone are bumps
BUMP_TIMES = 1.5  # the threshold that they must pass; a wheel that hops on comes near it now and then
LEAP = 2.0  # times the pull's own gain: the wheels spin
LEAPT_RPM = 120.0  # and this far beyond the usual run: a driveline that shuffles leaps less
GAIN_DROP = 0.10  # less gain than usual by this share: the car was really held back
LEAST_THROTTLE = 0.9  # of the session's most
LEAST_LOAD = 0.8  # of the session's other pulls, where no throttle channel is there to ask
FEWEST_OTHERS = 3
MOST_OTHERS = 24  # the newest pulls that one is judged against: the cost of the 200th is that of the 25th
ALIKE = 1.3  # pulls in one gear gain alike within this factor; the closest gears differ by the square of a fifth
RISE_TIME = 0.35  # of a low-pass, times its cutoff
BAND_RPM = 250.0  # a band must take three rise times of the filter
CURVE_DEGREE = 4
GRID_RPM: Floats = np.arange(500.0, 15000.0, 100.0)


@dataclass(frozen=True, slots=True)
class Reference:
    """What the session's pulls do at each speed, for judging one of them: medians on a grid of rpm; NaN if unknown."""

    rpm: Floats
    load: Floats
    gain: Floats
    like_load: Floats
    most_throttle: float


def faults_of(
    rise: Rise, window: Part, levels: Levels, rate_hz: float, cutoff_hz: float, reference: Reference | None
) -> tuple[PullFault, ...]:
    """The faults of one pull, in the order of PullFault."""
    part = window.part(rise.first, rise.end)
    found: set[PullFault] = set()
    if rise.lifted:
        found.add("lift")
    if rise.shifted:
        found.add("gear-change")
    if rise.short:
        found.add("too-short")
    if bool(part.clipped.any()):
        found.add("clipped")
    if len(part.tick) < part.tick[-1] - part.tick[0] + 1 or not np.isfinite(part.push).all():
        found.add("lost-samples")
    gain = gain_of(part, rate_hz)
    if BAND_RPM / max(float(np.median(gain)), 1.0) < 3.0 * RISE_TIME / cutoff_hz:
        found.add("too-quick")
    inner = inner_of(len(part.push), rate_hz, cutoff_hz)
    if np.isfinite(part.load).any():  # else nothing is known of the load, and so nothing of what spoils it
        found |= _departures(part, gain, levels, rate_hz, reference, inner, lifted=rise.lifted or rise.shifted)
    if "wheelspin" in found and not rise.shifted:
        found.discard("lift")  # the load fell because the wheels turned, not because the foot came off
    if reference is not None and _part_throttle(part, gain, reference):
        found.add("part-throttle")
    return in_order(found)


def in_order(faults: Iterable[PullFault]) -> tuple[PullFault, ...]:
    """Faults in the order of PullFault."""
    found = set(faults)
    return tuple(fault for fault in get_args(PullFault) if fault in found)


def gain_of(part: Part, rate_hz: float) -> Floats:
    """Rise of speed over 0.2 s about each tick, rpm/s."""
    if len(part.rpm) < 3:
        return np.zeros(len(part.rpm))
    reach = max(1, min(round(0.1 * rate_hz), (len(part.rpm) - 1) // 2))
    low = np.maximum(np.arange(len(part.rpm)) - reach, 0)
    high = np.minimum(np.arange(len(part.rpm)) + reach, len(part.rpm) - 1)
    return (part.rpm[high] - part.rpm[low]) / ((part.tick[high] - part.tick[low]) / rate_hz)


def inner_of(ticks: int, rate_hz: float, cutoff_hz: float) -> slice:
    """The ticks of a pull that are judged: without its tip-in and its very end, and what the filter smears of them."""
    rise_s = RISE_TIME / cutoff_hz
    first = round(max(TIP_IN_S, TIP_IN_RISES * rise_s) * rate_hz)
    return slice(first, max(first, ticks - round(max(END_S, END_RISES * rise_s) * rate_hz)))


def _departures(
    part: Part, gain: Floats, levels: Levels, rate_hz: float, reference: Reference | None, inner: slice, *, lifted: bool
) -> set[PullFault]:
    """Faults that show as a departure of load or speed from what the session's other pulls do at the same speeds, or,
    where there are not three of them, from the pull's own smooth run."""
    load, gains, ticks = part.push[inner], gain[inner], part.tick[inner]
    if len(load) < max(10, 0.8 * rate_hz) or not np.isfinite(load).all():
        return set()
    usual_load, scatter = _usual_load(part.rpm[inner], ticks, load, reference)
    usual_gain, _ = _smooth(ticks, gains)
    height = max(float(np.median(load)) - levels.cruise, 1e-9)
    off = load - usual_load
    threshold = max(DEPART * height, SCATTERS * scatter)
    found: set[PullFault] = set()
    clipped = part.clipped[inner]
    for a, b in runs_of(np.abs(off) > threshold, bridge=round(BRIDGED_S * rate_hz)):
        if clipped[a:b].any():
            continue  # what is outside its range is no evidence of anything else
        named = _name(a, b, off, gains, usual_gain, threshold, rate_hz, whole=len(load), lifted=lifted)
        if "bump" in named and float(np.max(np.abs((load - _smooth(ticks, load)[0])[a:b]))) < OWN_SHARE * threshold:
            continue  # the others hit it, at the same place on the road: this pull itself runs on smoothly
        found |= named
    for a, b in runs_of(gains > LEAP * np.maximum(usual_gain, 50.0)):
        # with the clutch closed speed cannot leap unless the wheels do
        leapt = float(np.sum(gains[a:b] - usual_gain[a:b])) / rate_hz
        if leapt >= LEAPT_RPM and float(np.min(off[a:b])) < -DEPART * height:
            found -= {"bump", "brake", "cornering"}
            found.add("wheelspin")
    return found


def _name(
    a: int,
    b: int,
    off: Floats,
    gain: Floats,
    usual_gain: Floats,
    threshold: float,
    rate_hz: float,
    *,
    whole: int,
    lifted: bool,
) -> set[PullFault]:
    """The fault that one departure of the load, ticks a..b, stands for."""
    seconds = (b - a) / rate_hz
    reach = slice(a, b)
    leaps = bool(np.any(gain[reach] > LEAP * np.maximum(usual_gain[reach], 50.0)))
    if lifted or (leaps and float(np.min(off[reach])) < 0):
        return set()  # named elsewhere
    margin = round(0.3 * rate_hz)
    if seconds > BUMP_S and (b >= whole - margin or a <= margin) and not _held_back(gain[reach], usual_gain[reach]):
        return {"zero-drifted"}
    if seconds <= BUMP_S:
        return {"bump"} if float(np.max(np.abs(off[reach]))) > BUMP_TIMES * threshold else set()
    middle = float(np.median(off[reach]))
    if middle < 0 and _held_back(gain[reach], usual_gain[reach]):
        return {"brake"}
    return {"cornering"}


def _held_back(gain: Floats, usual: Floats) -> bool:
    return float(np.median(gain)) < (1.0 - GAIN_DROP) * float(np.median(usual))


def _usual_load(
    rpm: Floats, ticks: npt.NDArray[np.int64], load: Floats, reference: Reference | None
) -> tuple[Floats, float]:
    """What the load should be along a pull, and the scatter about it.

    The reference is shifted to lie on most of the pull: a tune or a day that is better throughout is no fault.
    """
    if reference is not None:
        expected = np.interp(rpm, reference.rpm, reference.like_load, left=np.nan, right=np.nan)
        known = np.isfinite(expected)
        if np.count_nonzero(known) >= 0.8 * len(rpm):
            expected = np.interp(ticks, ticks[known], expected[known])
            shift, scatter = narrowest_half(load - expected)
            return expected + shift, scatter
    return _smooth(ticks, load)


def _smooth(ticks: npt.NDArray[np.int64], values: Floats) -> tuple[Floats, float]:
    """A robust smooth curve through a pull's values, and the scatter about it (from the median absolute deviation).

    A polynomial fitted again and again with what lies far off left out; the first fit has every point.
    """
    x = _unit(ticks)
    basis = np.polynomial.legendre.legvander(x, CURVE_DEGREE)
    weight = np.ones(len(values))
    curve = np.full(len(values), float(np.median(values)))
    scatter = _scatter(values - curve)
    for _ in range(8):
        # Legendre's polynomials on even ticks are nearly orthogonal, so that the normal equations are good enough
        weighed = (basis * (weight**2)[:, np.newaxis]).T
        try:
            solution = np.linalg.solve(weighed @ basis, weighed @ values)
        except np.linalg.LinAlgError:  # too few ticks that differ: the curve so far
            break
        curve = basis @ solution
        scatter = _scatter(values - curve)
        if scatter == 0:
            break
        weight = 1.0 / np.maximum(1.0, (np.abs(values - curve) / (1.5 * scatter)) ** 2)
    return curve, scatter


def _unit(ticks: npt.NDArray[np.int64]) -> Floats:
    span = max(1, int(ticks[-1] - ticks[0]))
    unit: Floats = 2.0 * (ticks - ticks[0]).astype(np.float64) / span - 1.0
    return unit


def _scatter(residual: Floats) -> float:
    return 1.4826 * float(np.median(np.abs(residual)))


def _part_throttle(part: Part, gain: Floats, reference: Reference) -> bool:
    """By the throttle where there is one; else by a load far under the session's other pulls at the same speeds."""
    if np.isfinite(part.throttle).any() and np.isfinite(reference.most_throttle):
        return float(np.nanmedian(part.throttle)) < LEAST_THROTTLE * reference.most_throttle
    load = np.interp(part.rpm, reference.rpm, reference.load, left=np.nan, right=np.nan)
    usual_gain = np.interp(part.rpm, reference.rpm, reference.gain, left=np.nan, right=np.nan)
    return _far_under(part.push, load, gain, usual_gain, fewest=20)


def course_under(course: Course, load: Floats, gain: Floats) -> bool:
    """Part throttle by a pull's course alone, against the usual load and gain: for a pull whose ticks are no longer
    kept."""
    return _far_under(course[0], load, course[1], gain, fewest=8)


def _far_under(push: Floats, load: Floats, gain: Floats, usual_gain: Floats, fewest: int) -> bool:
    """Whether a pull's load is far under the usual one with the gain down as far: in a higher gear the gain falls by
    the square."""
    both = np.isfinite(load) & np.isfinite(usual_gain) & np.isfinite(push) & np.isfinite(gain)
    both &= (np.nan_to_num(load) > 0) & (np.nan_to_num(usual_gain) > 0) & (np.nan_to_num(push) > 0)
    if np.count_nonzero(both) < fewest:
        return False
    load_share = float(np.median(push[both] / load[both]))
    gain_share = float(np.median(gain[both] / usual_gain[both]))
    if not (0 < load_share < LEAST_LOAD and gain_share > 0):
        return False
    return bool(np.log(gain_share) > 1.5 * np.log(load_share))


class References:
    """What the newest pulls of a session do, for judging each against the others."""

    def __init__(self) -> None:
        self._kept: deque[tuple[int, Course]] = deque(maxlen=MOST_OTHERS)
        self._medians: dict[int, tuple[Floats, Floats]] = {}

    def add(self, number: int, course: Course) -> None:
        """A pull that is a measure for others: neither short nor broken by a lift or a gear change."""
        self._kept.append((number, course))
        self._medians.clear()

    def alike(self, number: int, course: Course) -> int:
        """How many other pulls gain as this one does."""
        others = [theirs for other, theirs in self._kept if other != number]
        return int(np.count_nonzero(_alike(course, others)))

    def usual_without(self, number: int) -> tuple[Floats, Floats] | None:
        """Load and gain of the other pulls, whatever their gear; None where nothing is known of their load."""
        load, gain = self._usual(number)
        return (load, gain) if np.isfinite(load).any() else None

    def _usual(self, number: int) -> tuple[Floats, Floats]:
        """Kept for those that are not among the pulls here: they all have the same others."""
        place = number if any(other == number for other, _ in self._kept) else -1
        if place not in self._medians:
            others = [course for other, course in self._kept if other != number]
            self._medians[place] = _median([course[0] for course in others]), _median([course[1] for course in others])
        return self._medians[place]

    def without(self, number: int, own: Course | None, most_throttle: float) -> Reference | None:
        """What the other pulls do: the median over them, where there are three or more: one spoilt one is outvoted.

        `load` and `gain` are of all of them, whatever their gear; `like_load` of those that gain as this one does.
        """
        others = [course for other, course in self._kept if other != number]
        like = (
            []
            if own is None
            else [course for course, is_like in zip(others, _alike(own, others), strict=True) if is_like]
        )
        load, gain = self._usual(number)
        like_load = _median([course[0] for course in like])
        if not (np.isfinite(load).any() or np.isfinite(most_throttle)):
            return None
        return Reference(GRID_RPM, load, gain, like_load, most_throttle)


def _alike(own: Course, others: list[Course]) -> Flags:
    """Which of the others gain as this one does at the speeds they share, (others,): in another gear, or with half the
    throttle, they do not, and a median over both has steps that neither has."""
    if not others:
        return np.zeros(0, np.bool_)
    with np.errstate(divide="ignore", invalid="ignore"):
        gains = np.array([course[1] for course in others])
        ratio = np.where((own[1] > 0) & (gains > 0), own[1] / gains, np.nan)
    middle = _known_median(ratio.T, 1)
    return (middle > 1.0 / ALIKE) & (middle < ALIKE)


def _median(curves: list[Floats]) -> Floats:
    """Median of the curves at each rpm of the grid, NaN where fewer than FEWEST_OTHERS are known."""
    if len(curves) < FEWEST_OTHERS:
        return np.full(len(GRID_RPM), np.nan)
    return _known_median(np.array(curves), FEWEST_OTHERS)


def _known_median(values: Floats, fewest: int) -> Floats:
    """Median of what is known in each column, NaN where that is fewer than `fewest`. As np.nanmedian, in a tenth of the
    time."""
    count = np.count_nonzero(np.isfinite(values), axis=0)
    ordered = np.sort(values, axis=0)  # what is not known comes last
    column = np.arange(values.shape[1])
    middle = 0.5 * (
        ordered[np.maximum(count - 1, 0) // 2, column] + ordered[count // 2 - (count // 2 == len(values)), column]
    )
    return np.where(count >= fewest, middle, np.nan)


def course_of(rise: Rise, window: Part, rate_hz: float, cutoff_hz: float) -> Course | None:
    """Load and gain of a pull on GRID_RPM, NaN outside it; None where too little of it is known."""
    inner = inner_of(rise.end - rise.first, rate_hz, cutoff_hz)
    part = window.part(rise.first + inner.start, rise.first + inner.stop)
    if len(part.rpm) < 10 or not np.isfinite(part.push).all():
        return None
    order = np.argsort(part.rpm, kind="stable")
    rpm, gain = part.rpm[order], gain_of(part, rate_hz)[order]
    load: Floats = np.interp(GRID_RPM, rpm, part.push[order], left=np.nan, right=np.nan)
    return load, np.interp(GRID_RPM, rpm, gain, left=np.nan, right=np.nan)
