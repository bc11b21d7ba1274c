"""A session's coastdowns to its road load, and words for what is no coastdown."""

from pathlib import Path

import msgspec
import numpy as np
from scipy import ndimage

from stream.car import Car
from stream.errors import InputError
from stream.record.session import Session, open_session
from stream.study.force.coast_runs import find_coast_runs
from stream.study.force.coastdown import GRAVITY, LEAST_FALL, MOST_DECELERATION, CoastRun, RoadLoad, coastdown, in_gear
from stream.study.force.road_trace import RoadTrace, road_trace

# The turning parts of cars in neutral are 2 to 6 % of the mass, evenly spread (common practice, no source): about the
# 3 % that are taken that is a root mean square of 1.5 %.
MASS_FACTOR_DOUBT = 0.015
MOST_ROLLING = 0.06  # of the weight; no tyre on a road needs that much, a brake does
ODD_ROLLING = 0.025  # tyres on a hard road need 1 to 2 %; common practice, no source
BRAKED_S = 1.0


def session_coastdown(path: str | Path, car: Car, same_direction: bool = False) -> RoadLoad:
    """Find the coastdowns of a session and fit A, B and C.

    u_* contain the doubt of the turning parts' inertia; that of the mass is left out. Raises InputError: no road
    speed, no mass, no coastdown (it was in gear, or braked).
    """
    with open_session(path) as session:
        if car.car.mass_kg is None:
            raise InputError(
                f"car file {car.car.name!r}: car.mass_kg is missing; "
                "coastdown needs the mass as driven, people included"
            )
        trace = road_trace(session, car, "coastdown")
        runs = session_runs(session, car, trace)
        if not runs:
            raise InputError(f"{session.path}: {_why_none(trace)}")
    return _with_doubts(coastdown(runs, car.car.mass_kg, same_direction), car.car.mass_kg, trace, session)


def session_runs(session: Session, car: Car, trace: RoadTrace | None = None) -> list[CoastRun]:
    """The coastdowns in neutral of an open session, in order of time; none where nothing rolled freely."""
    trace = road_trace(session, car, "coastdown") if trace is None else trace
    runs = find_coast_runs(trace.time_s, trace.speed_mps, trace.engine_rpm, _top_gear(car))
    return [run for run in runs if not _driven(run, trace)]


def _with_doubts(load: RoadLoad, mass: float, trace: RoadTrace, session: Session) -> RoadLoad:
    if load.a_n > MOST_ROLLING * mass * GRAVITY:
        share = 100 * load.a_n / (mass * GRAVITY)
        raise InputError(
            f"{session.path}: rolling takes {share:.0f} % of the weight, which is a brake or a gear and no road load; "
            "roll again in neutral, off the brakes"
        )
    words = list(load.warnings)
    if load.a_n > ODD_ROLLING * mass * GRAVITY:
        share = 100 * load.a_n / (mass * GRAVITY)
        words.append(
            f"rolling takes {share:.1f} % of the weight, and tyres on a hard road need 1 to 2 %: look for a brake that "
            "drags, or soft ground"
        )
    if trace.engine_rpm is None:
        words.append("there is no engine speed, so whether the car was in neutral cannot be seen")
    values = np.array([load.a_n, load.b_n_per_mps, load.c_n_per_mps2])
    covariance = np.array(load.covariance) + MASS_FACTOR_DOUBT**2 * np.outer(values, values)
    u_a, u_b, u_c = (float(doubt) for doubt in np.sqrt(np.diag(covariance)))
    return msgspec.structs.replace(
        load, warnings=tuple(words), u_a=u_a, u_b=u_b, u_c=u_c,
        covariance=tuple(tuple(row) for row in covariance.tolist()),
    )  # fmt: skip


def _top_gear(car: Car) -> float | None:
    """rpm per m/s in the highest gear; None where the car file cannot tell."""
    radius, final, ratios = car.car.rolling_radius_m, car.gearing.final_drive, car.gearing.ratios
    if radius is None or final is None or not ratios:
        return None
    return 60 * final * min(ratios) / (2 * np.pi * radius)


def _driven(run: CoastRun, trace: RoadTrace) -> bool:
    if trace.engine_rpm is None:
        return False
    rows = np.searchsorted(trace.time_s, run.time_s)
    return in_gear(trace.engine_rpm[rows], run.speed_mps)


def _why_none(trace: RoadTrace) -> str:
    """What the car did instead of rolling in neutral."""
    good = np.isfinite(trace.speed_mps)
    cure = "let the car roll in neutral, off the brakes, from high speed, both ways"
    if good.sum() < 3 or np.nanmax(trace.speed_mps) < 2:
        return f"no coastdown: road speed never shows the car moving; {cure}"
    if trace.engine_rpm is not None and find_coast_runs(trace.time_s, trace.speed_mps):
        return f"no coastdown in neutral: the car rolled with a gear in; {cure}"
    time, speed = trace.time_s[good], trace.speed_mps[good]
    rows = max(round(BRAKED_S / float(np.median(np.diff(time)))) | 1, 3)
    slope = np.gradient(ndimage.uniform_filter1d(speed, rows, mode="nearest"), time)
    if slope.min() < -MOST_DECELERATION:
        return f"no coastdown: the car was slowed by its brakes (by up to {-slope.min():.1f} m/s²); {cure}"
    return f"no coastdown: speed never fell by {100 * LEAST_FALL:.0f} % over 10 s by itself; {cure}"
