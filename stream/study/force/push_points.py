"""From pulls to points: mean load, force, speed and acceleration of each pull in each rev band, with their doubts."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from stream.car import Car
from stream.errors import InputError
from stream.live.pull_faults import TIP_IN_S
from stream.study.bands import band_table
from stream.study.dataset import Dataset
from stream.study.force.push_model import RADIUS_DOUBT, ROAD_SPEED_DOUBT, WITH_DIRECTION, CarModel, pull_scatter, push
from stream.study.force.road_trace import RoadTrace, road_trace
from stream.study.pulls import PullTrace
from stream.study.slope import LIVE_CORRELATION_S, Slope, local_slope
from stream.units import Flags as BoolArray
from stream.units import Floats as Array
from stream.units import Ints as IntArray

LEAST_ROAD_ROWS = 8
# Engine speed's standard doubt where no fit says one: a readout in rpm, and a provisional line ('±30 % is enough').
READOUT_DOUBT, PROVISIONAL_DOUBT = 0.002, 0.10


@dataclass(frozen=True, slots=True)
class DrivenPull:
    """One pull with its motion on an even clock. `slip` is rpm-derived over road speed less 1, None without a road
    speed; `u_speed` the relative doubt of speed.
    """

    trace: PullTrace
    gear: int
    overall: float
    motion: Slope
    rpm: Array
    load: Array
    u_speed: float
    slip: float | None


@dataclass(frozen=True, slots=True)
class Points:
    """Band means, (points,), and the doubts' columns, (points, doubts); pull is the row in `pulls`."""

    pulls: tuple[DrivenPull, ...]
    pull: IntArray
    rpm: Array
    load: Array
    force: Array
    speed: Array
    acceleration: Array
    u_load: Array
    u_force: Array
    doubts: Array
    speed_doubts: Array
    scatter: Array


def road_traces(sessions: Sequence[Dataset]) -> dict[str, RoadTrace]:
    """Road speed of each session that has it, by the session's path. Raises InputError for a unit that is none."""
    return {str(one.path): road_trace(one, "power") for one in sessions if one.first("road_speed") is not None}


def speed_doubt(session: Dataset) -> float:
    """Relative standard doubt of engine speed."""
    fit = session.calibration
    if fit is not None:
        return float(np.hypot(fit.u_slope / abs(fit.slope_rpm_per_unit), fit.scale_error_pct / 100))
    return READOUT_DOUBT if session.car.need("engine_speed", "power").unit == "rpm" else PROVISIONAL_DOUBT


def driven_pull(pull: PullTrace, session: Dataset, road: RoadTrace | None, warnings: list[str]) -> DrivenPull | None:
    """The pull's motion; None, and a warning, where its gear is not known or it is too short."""
    name = f"{Path(pull.session).name}: the pull at {pull.start_s:.0f} s"
    car, good = session.car, np.isfinite(pull.speed_rpm) & np.isfinite(pull.load) & np.isfinite(pull.time_s)
    time, load = pull.time_s[good], pull.load[good]
    rpm = np.interp(time + pull.lag_s, pull.time_s[good], pull.speed_rpm[good])
    start = (pull.start_s or 0.0) - pull.lag_s
    inside = (time >= start + TIP_IN_S) & (time <= (pull.end_s or 0.0) - pull.lag_s)
    at_road = _road_inside(road, time, inside)
    gear = _gear(pull, car, name, warnings)
    if gear is None:
        return None
    overall = (car.gearing.final_drive or 1.0) * car.gearing.ratios[gear - 1]
    speed, slip, u_speed = (
        rpm / 60 * 2 * np.pi * (car.car.rolling_radius_m or 1.0) / overall,
        None,
        float(np.hypot(RADIUS_DOUBT, speed_doubt(session))),
    )
    if at_road is not None:
        stamps, road_speed = at_road
        ratio = road_speed / np.interp(stamps, time, speed)
        middle = float(stamps.mean())
        line = np.polyfit(stamps - middle, ratio, 1)
        rest = float(np.std(ratio - np.polyval(line, stamps - middle)))
        speed = speed * np.polyval(line, np.clip(time, stamps[0], stamps[-1]) - middle)
        slip = float(1 / ratio.mean() - 1)
        u_speed = float(np.hypot(ROAD_SPEED_DOUBT, rest / np.sqrt(max(len(stamps) / 4, 1))))
    # Only from the used part: a window that reaches over the lift takes the end of the pull for slower than it is.
    motion = local_slope(time[inside], speed[inside])
    if motion is None:
        warnings.append(f"{name} is too short for an acceleration and is left out")
        return None
    clock = motion.time_s
    return DrivenPull(
        replace(pull, start_s=start, end_s=(pull.end_s or 0.0) - pull.lag_s, lag_s=0.0), gear, overall, motion,
        np.interp(clock, time, rpm), np.interp(clock, time, load), u_speed, slip,
    )  # fmt: skip


def points(pulls: Sequence[DrivenPull], car: CarModel, width: float, both_ways: bool = False) -> Points:
    """Every band that a pull crosses, by the same band means for all quantities.

    both_ways   each pull went against the one before, so slope and wind change sign with it
    Raises InputError where no pull crosses a whole band.
    """
    rows = [_quantities(pull, car) for pull in pulls]
    count = rows[0].shape[1] if rows else 0
    traces = [
        replace(pull.trace, time_s=pull.motion.time_s, speed_rpm=pull.rpm, load=column)
        for pull, row in zip(pulls, rows, strict=True)
        for column in row.T
    ]
    table = band_table(traces, width)
    bands = table.load.reshape(len(pulls), count, -1)
    rate = table.rate.reshape(len(pulls), count, -1)[:, 0]
    pull, band = np.nonzero(np.isfinite(bands).all(axis=1))
    if not len(pull):
        raise InputError(f"no pull crosses a whole band of {width:g} rpm; give --band a smaller width, or longer pulls")
    at = bands[pull, :, band]
    spent = width / rate[pull, band]
    u_a = np.array([item.motion.u_slope for item in pulls])[pull]
    rough = np.array([_roughness(item) for item in pulls])[pull]
    doubts, half = at[:, 4:], (count - 4 - 2) // 2
    if both_ways:
        doubts[:, WITH_DIRECTION] *= np.where(pull % 2, -1.0, 1.0)[:, None]
    return Points(
        tuple(pulls), pull, table.rpm[band], at[:, 0], at[:, 1], at[:, 2], at[:, 3],
        rough * np.sqrt(LIVE_CORRELATION_S / np.maximum(spent, LIVE_CORRELATION_S)), car.mass_kg * u_a,
        doubts[:, :half], doubts[:, half : 2 * half], doubts[:, 2 * half :],
    )  # fmt: skip


def _quantities(pull: DrivenPull, car: CarModel) -> Array:
    """(rows, 4 + doubts + speed doubts + 2): load, force, speed, acceleration, then the columns."""
    speed, gain = pull.motion.value, pull.motion.slope
    step = float(np.median(np.diff(pull.motion.time_s)))
    model = push(car, speed, gain, pull.u_speed, slips=pull.slip is None, step_s=step)
    return np.column_stack(
        [pull.load, model.force, speed, gain, model.doubts, model.speed_doubts, pull_scatter(car, speed)]
    )


def _roughness(pull: DrivenPull) -> float:
    """Scatter of load about its own smooth course, load unit."""
    smooth = local_slope(pull.motion.time_s, pull.load)
    return (
        0.0 if smooth is None else float(np.std(pull.load - np.interp(pull.motion.time_s, smooth.time_s, smooth.value)))
    )


def _road_inside(road: RoadTrace | None, time: Array, inside: BoolArray) -> tuple[Array, Array] | None:
    """(stamps, road speeds) within the used part of a pull; None where there are too few."""
    if road is None or not inside.any():
        return None
    first, last = time[inside][[0, -1]]
    good = (road.time_s >= first) & (road.time_s <= last) & np.isfinite(road.speed_mps) & (road.speed_mps > 1)
    return (road.time_s[good], road.speed_mps[good]) if good.sum() >= LEAST_ROAD_ROWS else None


def _gear(pull: PullTrace, car: Car, name: str, warnings: list[str]) -> int | None:
    """The pull's gear, where its ratio can be trusted; None with a warning where not."""
    if pull.gear is None:
        warnings.append(f"{name} has no known gear (not declared, no road speed) and is left out")
        return None
    if pull.gear_from == "contradicted":
        warnings.append(f"{name}: road speed fits no gear of the car file; the pull is left out")
        return None
    if pull.declared_gear is not None and pull.gear != pull.declared_gear:
        warnings.append(
            f"{name} is declared as gear {pull.declared_gear}, but road speed shows gear {pull.gear}; that is used"
        )
    if pull.gear > len(car.gearing.ratios):
        warnings.append(f"{name} is declared as gear {pull.gear}, which the car file has no ratio for; it is left out")
        return None
    return pull.gear
