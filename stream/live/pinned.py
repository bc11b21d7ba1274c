"""Pinned stretches: the speed signal stands at one value, at the bottom or the top of what it ever showed, while the
engine's speed changes. No hold for the line, but the evidence for a dead band and a ceiling.

A signal that stands still is no proof by itself: a very even hold looks the same. What tells them apart is another
channel that moves as it only does when speed changes, a stillness that no foot has (far below the wander of the
drive's other holds), or a leap: a converter that begins to work above some speed goes from its stuck level, whatever
that is, to where its line is at once, and then follows the engine. Without any of them, and until targets say
otherwise, a hold stays a hold.
"""

import numpy as np
import numpy.typing as npt

from stream.live.records import Hold, Pinned

Floats = npt.NDArray[np.float64]

STILL_RPM = 8.0  # half of the span that a stuck signal may have, beyond its noise
NOISE_SHARE = 6.0
END_ROWS = 4
SHORTEST_S = 1.5
BRIDGED_S = 0.3  # a spark or a bump may lift the signal for this long
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


def find_pinned(
    trace: Floats, holds: list[Hold], line: tuple[float, float], min_s: float, step_s: float
) -> list[Pinned]:
    """The pinned stretches of a session, in order.

    trace: rows of time_s, signal, spread, other channels…, each over step_s; line: rpm per unit, rpm at zero.
    """
    if len(trace) < SHORTEST_S / step_s:
        return []
    signal = trace[:, 1]
    per_rpm = 1.0 / abs(line[0])
    noise = float(np.quantile(trace[:, 2], 0.1))
    reach = min(STILL_RPM * per_rpm + NOISE_SHARE * noise / 4.0, MOST_SHARE_OF_SPAN * float(np.ptp(signal)))
    pinned: list[Pinned] = []
    if reach <= 0:
        return []
    lasting = _lasting(signal, round(SHORTEST_S / step_s))
    for at, extreme in (("bottom", float(np.min(lasting))), ("top", float(np.max(lasting)))):
        level = _level(signal, extreme, reach)
        stretches = _stretches(trace, np.abs(signal - level) <= reach, step_s)
        others = [hold for hold in holds if abs(hold.signal_mean - level) > 2.0 * reach]
        still = [rows for rows in stretches if _still(trace[rows, 1] * line[0])]
        if any(_stuck(trace, rows, others, line, min_s / step_s) for rows in still):
            for rows in still:  # what is stuck at this level once is stuck at it whenever it stands still there
                value = float(np.mean(signal[rows]))
                start, end = float(trace[rows.start, 0]), float(trace[rows.stop - 1, 0]) + step_s
                pinned.append(Pinned(start_s=start, end_s=end, signal=value, at=at))  # type: ignore[arg-type]
    return sorted(pinned, key=lambda stretch: stretch.start_s)


def _lasting(signal: Floats, rows: int) -> Floats:
    """The running median over `rows`: what lasts for half of that time, without a filter's overshoot behind a leap."""
    from scipy.ndimage import median_filter

    return np.asarray(median_filter(signal, rows | 1, mode="nearest"), np.float64)


def _level(signal: Floats, extreme: float, reach: float) -> float:
    """The value at which the signal stands near its extreme: the median of what lies within twice the reach."""
    near = signal[np.abs(signal - extreme) <= 2.0 * reach]
    return float(np.median(near))


def _stretches(trace: Floats, inside: npt.NDArray[np.bool_], step_s: float) -> list[slice]:
    """Runs of rows at the level, short excursions bridged, none over a break in time, each at least SHORTEST_S."""
    rows = np.flatnonzero(inside)
    if not len(rows):
        return []
    apart = np.diff(trace[rows, 0])
    cuts = np.flatnonzero(apart > step_s + BRIDGED_S + 1e-6) + 1
    runs = [slice(int(run[0]), int(run[-1]) + 1) for run in np.split(rows, cuts)]
    return [run for run in runs if (run.stop - run.start) * step_s >= SHORTEST_S - 1e-6]


def _stuck(trace: Floats, rows: slice, others: list[Hold], line: tuple[float, float], min_rows: float) -> bool:
    """Whether a stretch at one end of the signal is stuck: the engine's speed changes under it."""
    rpm = trace[rows, 1] * line[0] + line[1]
    if _leaps(trace, rows, abs(line[0])):
        return True
    times = trace[:, 0]
    reference = [(times >= hold.start_s) & (times < hold.end_s) for hold in others]
    reference = [mask for mask in reference if np.count_nonzero(mask) >= min_rows / 2]
    wander = float(np.median([np.std(trace[mask, 1]) for mask in reference])) * abs(line[0]) if reference else 0.0
    # Where all holds are as still as the noise, stillness says nothing.
    stiller = wander > WANDER_SEEN_RPM and float(np.std(rpm)) < STILL_SHARE * wander
    if any(_moves(trace[:, column], rows, reference, stiller) for column in range(3, trace.shape[1])):
        return True
    # Nothing but the signal to go by: an engine at rest or at idle may be as still as this, a driven one may not.
    long_enough = len(reference) >= 2 and rows.stop - rows.start >= min_rows
    return stiller and long_enough and float(np.mean(rpm)) > ABOVE_IDLE_RPM


def _still(rpm: Floats) -> bool:
    """Whether a stretch does not wander: one that does is alive."""
    return float(np.std(rpm)) <= AS_GOOD_AS_STILL_RPM or _is_white(rpm)


def _leaps(trace: Floats, rows: slice, rpm_per_unit: float) -> bool:
    """Whether the signal leaps away from a level at the end of a stretch, or down to it at its beginning: it goes far
    at once, and is then no quicker than an engine is. No sample may be missing between."""
    level = float(np.mean(trace[rows, 1]))
    step = float(np.median(np.diff(trace[rows, 0])))
    behind = trace[rows.stop - 1 : rows.stop + 2 * LEAP_ROWS]
    before = trace[max(0, rows.start - 2 * LEAP_ROWS) : rows.start + 1][::-1]
    for side in (behind, before):
        if len(side) < 2 * LEAP_ROWS + 1 or float(np.ptp(side[:, 0])) > (2 * LEAP_ROWS + 0.5) * step:
            continue
        away = np.abs(side[[LEAP_ROWS, 2 * LEAP_ROWS], 1] - level) * rpm_per_unit
        if away[0] >= LEAP_RPM and away[0] >= LEAP_SHARE * abs(away[1] - away[0]):
            return True
    return False


def _moves(channel: Floats, rows: slice, reference: list[npt.NDArray[np.bool_]], stiller: bool) -> bool:
    """Whether another channel shows the engine alive under a still signal: it changes by far more than while speed
    is held; or, where feet wander and this signal does not, it changes as it does under a wandering foot. The ends of
    the stretch are left out: the ramps on both sides begin there."""
    rows = slice(rows.start + END_ROWS, max(rows.start + END_ROWS, rows.stop - END_ROWS))
    here = _movement(channel[rows])
    usual = [_movement(channel[mask]) for mask in reference]
    usual = [value for value in usual if np.isfinite(value)]
    if not usual or not np.isfinite(here) or here <= 0 or _is_white(channel[rows]):
        return False
    scale = float(np.median(usual))
    if here > ALIVE_SHARE * scale:
        return True
    return stiller and here > 0.5 * scale


def _is_white(values: Floats) -> bool:
    """Whether neighbours differ as much as strangers do: noise about one value, with nothing slow in it.

    The ratio of the two scatters is 1 for white noise (von Neumann 1941, of its inverse square) and 2.3 to 11 for a
    wander with a period of 1 to 5 s on a step of 0.1 s.
    """
    values = values[np.isfinite(values)]
    steps = float(np.std(np.diff(values))) / 2**0.5 if len(values) > 2 else 0.0
    return float(np.std(values)) <= WHITE_RATIO * steps


def _movement(values: Floats) -> float:
    """How far a channel moves, single bumps left out: the span of the middle nine tenths, of means of half a second."""
    values = values[np.isfinite(values)]
    count = len(values) // 5
    if count < 4:
        return float("nan")
    low, high = np.quantile(values[: 5 * count].reshape(count, 5).mean(axis=1), [0.05, 0.95])
    return float(high - low)
