"""Where the signal sticks: pinned stretches, and end holds that several targets share, as evidence for the
row.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stream.calibrate.speed.align import PinnedEnd, Row
from stream.errors import InputError
from stream.live.records import Hold, Pinned
from stream.units import Floats

ONE_SPEED = "all holds are at one speed; a calibration needs a row of different speeds: hold more of them"
_FLAT_SD = 0.4  # of the other holds' wander: no foot on a pedal is that steady
_CALM_SD = 0.6
_SAME_RPM = 15.0  # a stuck signal comes back to the same value
_LONG = 1.8  # times the time one target takes
_UNPROVED = 3.0  # cost of calling a hold pinned that is neither flat nor long


@dataclass(frozen=True, slots=True)
class View:
    """One view of the drive: which holds are kept for the row, which are really a stuck signal (index ->
    end), and which pinned stretches are put down to a quiet foot.
    """

    kept: tuple[int, ...]
    stuck: dict[int, str]
    row: Row
    set_aside: tuple[Pinned, ...] = ()


def views(
    holds: Sequence[Hold],
    pinned: Sequence[Pinned],
    targets: Sequence[float],
    reading_error: float,
    hz: Floats | None = None,
) -> list[View]:
    """Every view worth trying: the holds as found, and with the slowest or fastest taken for a stuck signal;
    a pinned stretch inside a longer hold is believed in one view and put down to a quiet foot in another.

    Ends are ends of speed: 'bottom' is the slow end, also where the signal falls as the engine speeds up.
    Raises InputError where all holds are at one speed.
    """
    found = _views(holds, pinned, targets, reading_error, hz)
    if set_aside := inside_holds(pinned, holds):
        believed = [stretch for stretch in pinned if stretch not in set_aside]
        found += [replace(view, set_aside=set_aside) for view in _views(holds, believed, targets, reading_error, hz)]
    return found


def inside_holds(pinned: Sequence[Pinned], holds: Sequence[Hold]) -> tuple[Pinned, ...]:
    """The pinned stretches that lie inside a hold: a foot may be quiet for a while."""
    return tuple(s for s in pinned if any(h.start_s <= s.start_s and s.end_s <= h.end_s for h in holds))


def _views(
    holds: Sequence[Hold],
    pinned: Sequence[Pinned],
    targets: Sequence[float],
    reading_error: float,
    hz: Floats | None,
) -> list[View]:
    speed = np.array([hold.speed_rpm for hold in holds])
    signal = np.array([hold.signal_mean for hold in holds])
    if np.ptp(speed) < max(60.0, 0.02 * float(np.mean(speed))) or np.ptp(signal) == 0.0:
        raise InputError(ONE_SPEED)
    slope, zero = (float(value) for value in np.polyfit(signal, speed, 1))
    distinct = np.unique(np.asarray(targets, np.float64))
    sigma = np.sqrt(max(reading_error, 30.0) ** 2 + (0.005 * distinct) ** 2)
    pace = _pace(holds)
    last = max(hold.end_s for hold in holds)
    pinned_at = {
        end: _pinned_end([s for s in pinned if end_of(s, slope) == end], slope, zero, pace, last)
        for end in ("bottom", "top")
    }
    shared = {index: end for end, stretch in pinned_at.items() for index in _at_pinned(speed, stretch, end)}
    choices = []
    for end in ("bottom", "top"):
        cluster = _end_cluster(speed, at_top=end == "top")
        alive = hz is not None and np.any(np.isfinite(hz[list(cluster)]))  # its pulses come through
        choices.append([()] if pinned_at[end] is not None or alive else [(), cluster])
    found = []
    for low in choices[0]:
        for high in choices[1]:
            stuck = shared | dict.fromkeys(low, "bottom") | dict.fromkeys(high, "top")
            kept = tuple(index for index in range(len(holds)) if index not in stuck)
            if len(kept) < 3 or float(np.ptp(speed[list(kept)])) < 60.0:
                continue
            bottom = pinned_at["bottom"] if not low else _hold_end(holds, low, pace, hz)
            top = pinned_at["top"] if not high else _hold_end(holds, high, pace, hz)
            calm = _calm([holds[index] for index in kept])
            known = None if hz is None else hz[list(kept)]
            row = Row(speed[list(kept)], distinct, sigma, zero, bottom, top, calm, known)
            found.append(View(kept, stuck, row))
    return found


def end_of(stretch: Pinned, slope: float) -> str:
    """The end of speed at which a stretch is stuck, for a signal that rises (slope > 0) or falls with speed."""
    return stretch.at if slope > 0 else {"bottom": "top", "top": "bottom"}[stretch.at]


def _pace(holds: Sequence[Hold]) -> float:
    """Seconds one target takes: the usual time from one hold's start to the next."""
    steps = np.diff([hold.start_s for hold in holds])
    steps = steps[(steps > 0) & (steps < 120.0)]
    usual = float(np.median([hold.end_s - hold.start_s for hold in holds]))
    return max(float(np.median(steps)) if len(steps) else 1.5 * usual, 0.1)


def _pinned_end(stretches: Sequence[Pinned], slope: float, zero: float, pace: float, last_s: float) -> PinnedEnd | None:
    if not stretches:
        return None
    longest = max(stretches, key=lambda stretch: stretch.end_s - stretch.start_s)
    worth = (longest.end_s - longest.start_s) / pace
    guesses = {worth}
    if len(stretches) > 1:  # each may be a target of its own
        guesses |= {sum(stretch.end_s - stretch.start_s for stretch in stretches) / pace, float(len(stretches))}
    if longest.end_s + 2.0 * pace < last_s:  # up and down again: each target came twice
        guesses |= {guess / 2.0 for guess in guesses}
    return PinnedEnd(slope * longest.signal + zero, tuple(sorted(guesses)), flat=True)


def _at_pinned(speed: Floats, stretch: PinnedEnd | None, end: str) -> list[int]:
    """Holds that show the very signal of a pinned stretch, or lie beyond it: the same stuck signal."""
    if stretch is None:
        return []
    sign = 1.0 if end == "top" else -1.0
    beyond = sign * (speed - stretch.speed) > -12.0
    return [int(index) for index in np.flatnonzero(beyond & (np.abs(speed - stretch.speed) < 60.0))]


def _end_cluster(speed: Floats, at_top: bool) -> tuple[int, ...]:
    edge = float(np.max(speed)) if at_top else float(np.min(speed))
    return tuple(int(index) for index in np.flatnonzero(np.abs(speed - edge) < _SAME_RPM))


def _calm(holds: Sequence[Hold]) -> bool:
    """The slowest hold wanders much less than the others: an idling engine, not a foot."""
    slowest, *others = sorted(holds, key=lambda hold: hold.speed_rpm)
    return slowest.speed_sd_rpm < _CALM_SD * float(np.median([hold.speed_sd_rpm for hold in others]))


def _hold_end(holds: Sequence[Hold], cluster: tuple[int, ...], pace: float, hz: Floats | None) -> PinnedEnd:
    others = [hold.speed_sd_rpm for index, hold in enumerate(holds) if index not in cluster]
    longest = max((holds[index] for index in cluster), key=lambda hold: hold.end_s - hold.start_s)
    worth = (longest.end_s - longest.start_s) / pace
    flat = max(holds[index].speed_sd_rpm for index in cluster) < _FLAT_SD * float(np.median(others))
    speed = float(np.mean([holds[index].speed_rpm for index in cluster]))
    silent = hz is not None and not np.any(
        np.isfinite(hz[list(cluster)])
    )  # no pulse comes through, as it does elsewhere
    guesses = {worth, float(len(cluster))} if len(cluster) > 1 else {worth}
    extra = 0.0 if flat or worth > _LONG else _UNPROVED
    return PinnedEnd(speed, tuple(sorted(guesses)), from_hold=True, extra=extra, flat=flat and silent)
