"""Road speed (and engine speed beside it) of a session, from raw, as means over short even steps."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stream.car import Car, Channel
from stream.errors import InputError
from stream.record.session import Session
from stream.study.dataset import calibration_in
from stream.units import MPS_PER_UNIT
from stream.units import Floats as Array


@dataclass(frozen=True, slots=True)
class RoadTrace:
    """Means over even steps: time s, road speed m/s, engine speed rpm (None where there is none); NaN is missing.

    All shape (steps,).
    """

    time_s: Array
    speed_mps: Array
    engine_rpm: Array | None


def road_channel(session: Session, car: Car, what_for: str) -> tuple[Channel, float]:
    """(the road_speed channel, m/s per unit). Raises InputError where there is none, or its unit is not known."""
    channel = car.need("road_speed", what_for)
    if channel.name not in session.info.names:
        raise InputError(
            f"{session.path}: has no channel {channel.name!r}, the car file's road_speed; {what_for} needs it "
            f"(the session has {', '.join(session.info.names)})"
        )
    unit = channel.unit.strip().lower().replace(" ", "")
    if unit not in MPS_PER_UNIT:
        raise InputError(
            f"car file {car.car.name!r}: channel {channel.name!r}: unit {channel.unit!r} is not a road speed; "
            "use km/h, m/s or mph"
        )
    return channel, MPS_PER_UNIT[unit]


def road_trace(session: Session, car: Car, what_for: str, rate_hz: float = 20.0) -> RoadTrace:
    """Road speed and engine speed of an open session at most `rate_hz` times a second. Raises InputError."""
    channel, scale = road_channel(session, car, what_for)
    step = max(1, round(session.rate_hz / rate_hz))
    place = session.sample_index() // step
    time = (np.arange(int(place[-1]) + 1 if len(place) else 0) + 0.5 * (step - 1) / step) * step / session.rate_hz
    engine = car.by_role("engine_speed")
    rpm = None
    if engine is not None and engine.name in session.info.names:
        calibration = calibration_in(session)
        if calibration is not None or engine.rpm_per_unit is not None or engine.unit == "rpm":
            volts = even_means(session.raw(engine.name), place, len(time))
            slope, zero = engine.rpm_line if calibration is None else (0.0, 0.0)
            rpm = np.asarray(slope * volts + zero if calibration is None else calibration.rpm(volts), np.float64)
            rpm = rpm if np.isfinite(rpm).any() else None  # a column that never says anything is no engine speed
    return RoadTrace(np.asarray(time, np.float64), scale * even_means(session.raw(channel.name), place, len(time)), rpm)


def even_means(samples: npt.NDArray[np.float32], place: npt.NDArray[np.int64], steps: int) -> Array:
    """(steps,) mean of the samples at each place, NaN where there is none; missing cells do not count."""
    good = np.isfinite(samples)
    count = np.bincount(place[good], minlength=steps)
    total = np.bincount(place[good], samples[good].astype(np.float64), minlength=steps)
    return np.asarray(np.divide(total, count, out=np.full(steps, np.nan), where=count > 0), np.float64)
