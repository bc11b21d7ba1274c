"""Road speed (and engine speed beside it) of a session, from raw, as means over short even steps."""

from dataclasses import dataclass

import numpy as np

from stream.car import Channel
from stream.errors import InputError
from stream.study.dataset import Dataset
from stream.units import MPS_PER_UNIT, Floats, plain_unit


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
