"""Vibration of the link: wheel hop, a broad hump somewhere from 5 to 25 Hz, and the engine's firing order."""

from dataclasses import dataclass

import numpy as np

from stream import series
from stream.live.filters import ORDER
from stream.study.survey.tally import Stretches
from stream.units import Floats

HOP_HZ = (5.0, 25.0)
SEGMENT_S = 2.0
HUMP = 4.0  # times what stands on both sides of it
FIRING_ORDERS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0)  # half the cylinders of a four-stroke, of two to twelve
WINDOW_S = 0.25
FIRING_SEEN = 6.0


@dataclass(frozen=True, slots=True)
class Hop:
    """hz ± u_hz, and the standard deviation that it puts on the link, in its unit."""

    hz: float
    u_hz: float
    rms: float


@dataclass(frozen=True, slots=True)
class Firing:
    """Amplitude on the link at `order` times the engine's turns."""

    order: float
    amplitude: float


def find_hop(stretches: Stretches, column: int, places: list[tuple[float, float]]) -> Hop | None:
    """Wheel hop over stretches of driving (start, end in s); None where no hump stands out or the rate is too low."""
    rate = stretches.session.rate_hz
    rows = round(SEGMENT_S * rate)
    if rate < 3.0 * HOP_HZ[1]:
        return None
    densities = []
    for start, end in places[:16]:
        values = stretches.read([column], start, end)[:, 0]
        if len(values) >= rows:
            frequency, density = series.welch(values, rate, rows)
            densities.append(density)
    if len(densities) < 2:
        return None
    whole = series.gaussian(np.mean(densities, axis=0), 1.0)
    inside = (frequency >= HOP_HZ[0]) & (frequency <= HOP_HZ[1])
    peak = int(np.flatnonzero(inside)[np.argmax((whole * frequency)[inside])])
    if whole[peak] <= 0.0:
        return None
    at = float(frequency[peak])
    below = float(np.min(whole[(frequency >= 0.4 * at) & (frequency <= at)]))
    above = float(np.min(whole[(frequency >= at) & (frequency <= 2.2 * at)]))
    if whole[peak] < HUMP * (below * above) ** 0.5 or whole[peak] < 1.5 * below or at >= 0.98 * HOP_HZ[1]:
        return None
    near = (frequency >= 0.6 * at) & (frequency <= 1.5 * at)
    base = np.minimum(below, above)
    excess = np.maximum(whole - base, 0.0)
    top = (frequency >= 0.85 * at) & (frequency <= 1.15 * at)
    centre = float(np.average(frequency[top], weights=excess[top] ** 2))
    rms = float(np.sqrt(np.sum(excess[near]) * (frequency[1] - frequency[0])))
    width = float(np.sum(excess[near])) * float(frequency[1]) / float(whole[peak])
    averages = max(1.0, sum(1.0 for _ in densities) * 2.0)
    return Hop(centre, float(np.hypot(0.3 * width / averages**0.5, 0.5 * float(frequency[1]))), rms)


def find_firing(
    stretches: Stretches, load: int, speed: int, places: list[tuple[float, float]], line: tuple[float, float]
) -> Firing | None:
    """The strongest order of the engine's turns on the link, over pulls (start, end in s).

    Each quarter second is turned by the engine's own phase, so that a line that moves with speed stands still; an
    order is seen where its power stands far above that of the orders between.
    """
    rate = stretches.session.rate_hz
    rows = max(8, round(WINDOW_S * rate))
    orders = np.array(FIRING_ORDERS)
    around = np.concatenate((orders, orders - 0.24, orders + 0.24))
    powers = []
    for start, end in places[:10]:
        values = stretches.read([load, speed], start, end)
        for first in range(0, len(values) - rows + 1, rows):
            part = values[first : first + rows]
            hz = (float(part[:, 1].mean()) * line[0] + line[1]) / 60.0
            if hz > 15.0 and hz * WINDOW_S > 5.0:
                powers.append(_order_power(part, hz, line, rate, around))
    if len(powers) < 4:
        return None
    stacked = np.array(powers)
    known = np.count_nonzero(np.isfinite(stacked), axis=0) >= 4
    mean = np.full(len(around), np.nan)
    mean[known] = np.nanmean(stacked[:, known], axis=0)
    on, beside = mean[: len(orders)], np.fmax(mean[len(orders) : 2 * len(orders)], mean[2 * len(orders) :])
    ratio = np.where(np.isfinite(on) & np.isfinite(beside), on / np.maximum(beside, 1e-300), 0.0)
    if not np.any(ratio > FIRING_SEEN):
        return None
    best = int(np.argmax(np.where(ratio > FIRING_SEEN, np.nan_to_num(on), 0.0)))
    return Firing(float(orders[best]), float(np.sqrt(max(on[best] - beside[best], 0.0))))


def _order_power(part: Floats, hz: float, line: tuple[float, float], rate_hz: float, orders: Floats) -> Floats:
    """Squared amplitude at each order in one window, NaN where the rate is too low for it."""
    steps = np.arange(len(part))
    fit = np.polynomial.polynomial.polyfit(steps, part[:, 1], 2)
    speed = (np.polynomial.polynomial.polyval(steps, fit) * line[0] + line[1]) / 60.0
    phase = 2.0 * np.pi * np.cumsum(speed) / rate_hz
    trend = np.polynomial.polynomial.polyfit(steps, part[:, 0], 3)
    level = part[:, 0] - np.polynomial.polynomial.polyval(steps, trend)
    window = np.hanning(len(part))
    turned = np.exp(-1j * np.outer(orders, phase)) @ (window * level)
    power = np.abs(2.0 * turned / window.sum()) ** 2
    return np.asarray(np.where(orders * hz < 0.45 * rate_hz, power, np.nan), np.float64)


def passed(frequency_hz: float, cutoff_hz: float) -> float:
    """The share of an amplitude that the live low-pass (Butterworth) lets through."""
    return float(1.0 / np.sqrt(1.0 + (frequency_hz / cutoff_hz) ** (2 * ORDER)))
