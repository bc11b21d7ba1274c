"""How late the speed channel shows what the car does: its slope against a faster reference.

In gear the link's push is what gains speed, so load and the slope of speed rise and fall together; so do the slopes of
road speed and of a second speed channel. All pass the same low-pass, and the delay at which they match best is the lag
of the speed channel: it closes the gap between the rising and the falling curve of load against rpm.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stream.live.filters import LowPass, cutoff_for
from stream.study.survey.stretch import Stretches

Floats = npt.NDArray[np.float64]

LONGEST_S = 0.6
AHEAD_S = 0.1
BEFORE_S, BEHIND_S = 1.0, 1.2
MOST_PLACES = 10
MATCHED = 0.8  # correlation
LEAST_SLOPE = 250.0  # rpm/s, where no pull is there to look at
MODEL_S = {"load": 0.012, "slope": 0.006}  # what tyres and driveline bring in; measured on a rehearsal car
SLOWEST_RATE_HZ = 20.0


@dataclass(frozen=True, slots=True)
class Lag:
    """lag_s ± u_lag_s (k = 1); places: pulls or changes of speed that it rests on."""

    lag_s: float
    u_lag_s: float
    places: int


def find_lag(stretches: Stretches, speed: int, reference: int, places: list[tuple[float, float]], cutoff_hz: float, *,
             is_load: bool, sign: float) -> Lag | None:  # fmt: skip
    """The lag of column `speed` behind column `reference`, at the places (start, end in s) where speed changes.

    sign: +1 where both rise together. None where the two do not match, or the rate is too low.
    """
    rate = stretches.session.rate_hz
    if rate < SLOWEST_RATE_HZ:
        return None
    found = []
    for start, end in places[:MOST_PLACES]:
        values = stretches.read([speed, reference], max(0.0, start - BEFORE_S), end + BEHIND_S, 25.0)
        delay = _delay(values, rate, cutoff_hz, is_load=is_load, sign=sign)
        if delay is not None:
            found.append(delay)
    if not found:
        return None
    middle = float(np.median(found))
    spread = 1.4826 * float(np.median(np.abs(np.array(found) - middle))) if len(found) > 2 else 0.02
    doubt = np.hypot(1.25 * spread / len(found) ** 0.5, MODEL_S["load" if is_load else "slope"])
    return Lag(middle, float(np.hypot(doubt, 0.1 / rate)), len(found))


def changes_of_speed(time_s: Floats, rpm: Floats) -> list[tuple[float, float]]:
    """Up to six places of a session where speed changes most sharply, as (start, end), s."""
    if len(time_s) < 20:
        return []
    every = max(1, round(0.2 / max(float(np.median(np.diff(time_s))), 1e-6)))
    times, speeds = time_s[::every], rpm[::every].astype(np.float64)
    slope = np.abs(np.nan_to_num(np.gradient(speeds, times)))
    places: list[tuple[float, float]] = []
    for index in np.argsort(-slope, kind="stable").tolist():
        if slope[index] < LEAST_SLOPE or len(places) == 6:
            break
        at = float(times[index])
        if all(abs(at - (a + b) / 2.0) > 4.0 for a, b in places):
            places.append((max(0.0, at - 1.5), at + 1.5))
    return places


def _delay(values: Floats, rate_hz: float, cutoff_hz: float, *, is_load: bool, sign: float) -> float | None:
    """The delay of the first column's slope behind the second column (a load) or its slope, s."""
    cutoff = cutoff_for(rate_hz, cutoff_hz)
    if len(values) < 2.0 * rate_hz:
        return None
    low_pass = LowPass(rate_hz, cutoff)
    smooth = low_pass.push(values - values[0])[low_pass.settle_samples :]
    every = max(1, int(rate_hz / 200.0))
    smooth = smooth[::every]
    step = every / rate_hz
    if len(smooth) * step < 1.5 + LONGEST_S:
        return None
    slope = np.gradient(smooth[:, 0], step)
    reference = sign * (smooth[:, 1] if is_load else np.gradient(smooth[:, 1], step))
    behind, ahead = int(LONGEST_S / step), max(1, int(AHEAD_S / step))
    middle = reference[behind - behind + ahead : len(reference) - behind]
    delays = np.arange(-ahead, behind + 1)
    match = np.array([_correlation(slope[ahead + d : ahead + d + len(middle)], middle) for d in delays])
    best = int(np.argmax(match))
    if match[best] < MATCHED or best in (0, len(delays) - 1):
        return None
    left, top, right = match[best - 1 : best + 2]
    curve = left - 2.0 * top + right
    return float((delays[best] + (0.5 * (left - right) / curve if curve < 0 else 0.0)) * step)


def _correlation(a: Floats, b: Floats) -> float:
    a, b = a - a.mean(), b - b.mean()
    size = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / size if size > 0 else 0.0
