"""How late the speed channel shows what the car does, from sharp changes of speed against a faster reference.

A converter smooths with one or two RC stages; its lag is the sum of their time constants. For each of many lags the
reference is smoothed so, and what the engine's speed should be is fitted to the channel: the lag that leaves least is
the channel's. Against the load the speed of an engine in gear is the integral of the push (the car gains speed), plus
a part in proportion to it (tyres slip, which alone would look like a lag that is too short), plus a part in proportion
to its slope (the driveline winds up). A second speed channel needs no such model; road speed takes the place of the
integral.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from stream.series import low_pass_4
from stream.study.survey.tally import Stretches
from stream.units import Floats

Kind = Literal["load", "speed", "road"]

LAGS_S: Floats = np.concatenate((np.arange(0.0, 0.15, 0.005), np.arange(0.15, 0.3, 0.01), np.arange(0.3, 0.51, 0.02)))
SHARES = (0.5, 0.9, 1.0)  # of the lag that is in the first stage
LEAD_S, BEFORE_S, BEHIND_S = 0.8, 0.5, 0.9  # the smoothing settles; before and behind the sharp change
PASS_HZ = 25.0
FIT_RATE_HZ = 250.0  # at least; what passed 25 Hz needs no more
SLOWEST_RATE_HZ = 50.0
MOST_PLACES = 8
RISES = 1.1  # what is left must rise by this much within the lags tried
MODEL_S, MODEL_SHARE = {"load": 0.010, "speed": 0.002, "road": 0.010}, {"load": 0.08, "speed": 0.03, "road": 0.10}
LEAST_SLOPE = 250.0  # rpm/s, where no pull is there to look at


@dataclass(frozen=True, slots=True)
class Lag:
    """lag_s ± u_lag_s (k = 1); places: sharp changes of speed that it rests on."""

    lag_s: float
    u_lag_s: float
    places: int


def find_lag(stretches: Stretches, speed: int, reference: int, places: list[float], kind: Kind) -> Lag | None:
    """The lag of column `speed` behind what column `reference` tells, at the times where speed changes sharply.

    None where no lag fits better than the others, or the rate is under 50 Hz.
    """
    rate = stretches.session.rate_hz
    if rate < SLOWEST_RATE_HZ:
        return None
    found = []
    for place in places[:MOST_PLACES]:
        start = place - LEAD_S - BEFORE_S
        values = stretches.read([speed, reference], start, place + BEHIND_S) if start > 0 else np.empty((0, 2))
        if len(values) >= 0.95 * (LEAD_S + BEFORE_S + BEHIND_S) * rate and np.ptp(values, axis=0).all():
            fitted = _best(_left_over(values, rate, kind))
            if fitted is not None:
                found.append(fitted)
    if not found:
        return None
    lags, halves = np.array(found).T
    weights = 1.0 / (halves + 0.003) ** 2
    lag = float(np.average(lags, weights=weights))
    scatter = float(np.sqrt(np.average((lags - lag) ** 2, weights=weights) / len(lags)))
    own = float(np.min(halves)) / 2.0
    uncertainty = float(np.sqrt(scatter**2 + own**2 + MODEL_S[kind] ** 2 + (MODEL_SHARE[kind] * lag) ** 2))
    return Lag(lag, uncertainty, len(found)) if uncertainty < max(0.03, 0.3 * lag) else None


def _best(left: Floats) -> tuple[float, float] | None:
    """(lag, half of the span of lags that leave hardly more) of one place; None where all leave about the same."""
    best = left[int(np.argmin(left.min(axis=1)))]
    place = int(np.argmin(best))
    limit = RISES * float(best[place])
    above = np.flatnonzero(best[place:] > limit)
    if not len(above) or limit == 0:
        return None
    below = np.flatnonzero(best[: place + 1] > limit)
    low = float(LAGS_S[below[-1]]) if len(below) else 0.0
    lag, high = float(LAGS_S[place]), float(LAGS_S[place + above[0]])
    return (lag, (high - low) / 2.0) if high - low < max(0.06, lag) else None


def changes_of_speed(time_s: Floats, rpm: Floats) -> list[float]:
    """Up to six times of a session at which speed changes most sharply, s."""
    if len(time_s) < 20:
        return []
    every = max(1, round(0.2 / max(float(np.median(np.diff(time_s))), 1e-6)))
    times, speeds = time_s[::every], rpm[::every]
    if len(times) < 3:
        return []
    slope = np.abs(np.nan_to_num(np.gradient(speeds, times)))
    places: list[float] = []
    for index in np.argsort(-slope, kind="stable").tolist():
        if slope[index] < LEAST_SLOPE or len(places) == 6:
            break
        at = float(times[index])
        if all(abs(at - other) > 3.0 for other in places):
            places.append(at)
    return places


def _left_over(values: Floats, rate_hz: float, kind: Kind) -> Floats:
    """Sum of squares that each split and lag leaves, over the variance of the channel; (shares, lags)."""
    every = max(1, int(rate_hz / FIT_RATE_HZ))
    smooth = low_pass_4(values - values[0], rate_hz, min(PASS_HZ, rate_hz / 5.0))[::every]
    rate_hz /= every
    step = 1.0 / rate_hz
    told = _reported(smooth[:, 1], step, kind)
    keep = slice(int(LEAD_S * rate_hz), None)
    channel = smooth[keep, 0] - smooth[keep, 0].mean()
    steady: list[Floats] = [np.ones(len(smooth))]
    if kind == "load":
        steady.append(np.asarray(np.arange(len(smooth)) * step, np.float64))
    left = np.empty((len(SHARES), len(LAGS_S)))
    for row, share in enumerate(SHARES):
        first = _stages(np.broadcast_to(told, (len(LAGS_S), *told.shape)), share * LAGS_S, rate_hz)
        for column, late in enumerate(_stages(first, (1.0 - share) * LAGS_S, rate_hz)):
            left[row, column] = _rest(np.vstack((*steady, late))[:, keep], channel)
    return left / max(float(channel @ channel), 1e-30)


def _rest(parts: Floats, channel: Floats) -> float:
    """The sum of squares of `channel` (samples,) that no sum of the parts (parts, samples) explains."""
    own, _ = np.linalg.qr((parts / np.maximum(np.abs(parts).max(axis=1, keepdims=True), 1e-30)).T)
    rest = channel - own @ (own.T @ channel)
    return float(rest @ rest)


def _reported(reference: Floats, step_s: float, kind: Kind) -> Floats:
    """What the engine's speed is made of, by the reference: (parts, samples)."""
    if kind == "speed":
        return reference[np.newaxis, :]
    first = np.gradient(reference, step_s)
    if kind == "load":
        return np.vstack((np.cumsum(reference) * step_s, reference, first))
    return np.vstack((reference, first, np.gradient(first, step_s)))


def _stages(signals: Floats, time_constants_s: Floats, rate_hz: float) -> Floats:
    """One RC stage for each time constant along the last axis of its own signals, (constants, parts, samples)."""
    out = np.array(signals)
    slow = time_constants_s >= 0.1 / rate_hz
    keep = np.exp(-1.0 / (rate_hz * time_constants_s[slow]))[:, np.newaxis]
    level = np.zeros(out[slow].shape[:2])
    late = np.moveaxis((1.0 - keep)[:, :, np.newaxis] * out[slow], -1, 0).copy()
    for row in late:
        level *= keep
        level += row
        row[:] = level
    out[slow] = np.moveaxis(late, 0, -1)
    return out
