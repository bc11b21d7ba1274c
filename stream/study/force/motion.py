"""How the car moves: road speed (and engine speed beside it) of a session from raw, as means over short even steps; and
the rate of change of a noisy trace by local polynomials, with its noise stated.
"""

from dataclasses import dataclass

import numpy as np

from stream.car import Channel
from stream.errors import InputError
from stream.series import local_parabola
from stream.study.dataset import Dataset
from stream.units import MPS_PER_UNIT, Floats, plain_unit

WINDOW_S = 0.4  # shorter than a band takes in third gear; a parabola in it follows any pull
ORDER = 2
LIVE_CORRELATION_S = 0.05  # samples behind a 10 Hz low-pass are new to each other only after half a period of it


@dataclass(frozen=True, slots=True)
class RoadTrace:
    """Means over even steps: time s, road speed m/s, engine speed rpm (None where there is none); NaN is missing.

    All shape (steps,).
    """

    time_s: Floats
    speed_mps: Floats
    engine_rpm: Floats | None


def road_channel(data: Dataset, what_for: str) -> tuple[Channel, float]:
    """(the road_speed channel, m/s per unit). Raises InputError where there is none, or its unit is not known."""
    channel = data.car.need("road_speed", what_for)
    if channel.name not in data.names:
        raise InputError(
            f"{data.path}: has no channel {channel.name!r}, the car file's road_speed; {what_for} needs it "
            f"(the session has {', '.join(data.names)})"
        )
    unit = plain_unit(channel.unit)
    if unit not in MPS_PER_UNIT:
        raise InputError(
            f"car file {data.car.car.name!r}: channel {channel.name!r}: unit {channel.unit!r} is not a road speed; "
            "use km/h, m/s or mph"
        )
    return channel, MPS_PER_UNIT[unit]


def road_trace(data: Dataset, what_for: str, rate_hz: float = 20.0) -> RoadTrace:
    """Road speed and engine speed of a session at most `rate_hz` times a second. Raises InputError."""

    channel, scale = road_channel(data, what_for)
    engine = data.first("engine_speed")
    if engine is not None and data.calibration is None and engine.rpm_per_unit is None and engine.unit != "rpm":
        engine = None  # nothing turns its signal into rpm
    time_s, means, _ = data.means([channel] if engine is None else [channel, engine], rate_hz)
    rpm = None if engine is None else data.rpm(means[engine.name])
    if rpm is not None and not np.isfinite(rpm).any():
        rpm = None  # a column that never says anything is no engine speed
    return RoadTrace(time_s, scale * means[channel.name], rpm)


@dataclass(frozen=True, slots=True)
class Slope:
    """On an even clock: time s, smoothed value, slope per second, all (rows,); u_slope is its standard noise."""

    time_s: Floats
    value: Floats
    slope: Floats
    u_slope: float


def local_slope(time_s: Floats, value: Floats, window_s: float = WINDOW_S) -> Slope | None:
    """Local parabolas (Savitzky and Golay, Anal. Chem. 36 (1964) 1627) on an even clock; None where too short.

    time_s, value   (rows,) finite, stamps rising; stamps that are not quite even are evened out
    The noise is that of the residuals, taken as new only every LIVE_CORRELATION_S, through the parabola's slope.
    """
    if len(time_s) < 2 * ORDER + 3:
        return None
    step = float(np.median(np.diff(time_s)))
    clock = np.arange(time_s[0], time_s[-1] + step / 2, step)
    even = np.interp(clock, time_s, value)
    rows = max(round(window_s / step) | 1, ORDER + 3)
    if len(clock) < rows:
        return None
    smooth = local_parabola(even, rows, ORDER)
    slope = local_parabola(even, rows, ORDER, step)
    # A parabola takes three freedoms out of the window; from memory, any text on local regression.
    noise = float(np.std(even - smooth)) * np.sqrt(rows / (rows - ORDER - 1))
    together = max(LIVE_CORRELATION_S / step, 1.0)
    gain = np.sqrt(12 / (rows * (rows**2 - 1))) / step
    return Slope(clock, np.asarray(smooth), np.asarray(slope), float(noise * np.sqrt(together) * gain))
