"""A session's coastdowns: road speed falling by itself while the engine does not drive the wheels, each judged alone.

In neutral the engine turns slower than any gear would make it turn. The highest gear is known from the car file or
from the session: it has the least engine speed per road speed of all moments at which the car gains speed.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
import numpy as np

from stream.car import Car
from stream.errors import InputError
from stream.findings import Finding, note, warning
from stream.live.steadiness import runs_of
from stream.study.dataset import Dataset
from stream.study.force.motion import RoadTrace, road_trace
from stream.study.force.road_load import (
    GRAVITY,
    MASS_FACTOR,
    WIND_CHANGE_MPS,
    CoastRun,
    CoastVerdict,
    RoadLoad,
    fit_road_load,
)
from stream.units import Flags as BoolArray
from stream.units import Floats as Array

LEAST_S = 10.0
LEAST_FALL = 0.2  # of the speed at the start
LEAST_ROWS = 20
SHOWN_S, SHOWN_FALL = 6.0, 0.08  # chosen: a glide of this much is one that somebody meant, and is named if not used
MOST_DECELERATION = 2.0  # m/s²; no road load does this, brakes do
SLOPE_S = 2.0
LEAST_DECELERATION = 0.03  # m/s²; slower than any car rolls
LEAST_DRIVEN = 0.2  # m/s² gained over 2 s: the engine drives
BELOW_TOP_GEAR = 0.85
BRIDGED_S = 1.0  # shorter breaks than this do not cut a run: a bump, a gust
SAME_GLIDE_S = 8.0  # chosen: pieces so near, without speed gained between, are one glide; a car cannot turn round in it
BRAKED_S = 1.0
# The turning parts of cars in neutral are 2 to 6 % of the mass, evenly spread (common practice, no source): about the
# 3 % that are taken that is a root mean square of 1.5 %.
U_MASS_FACTOR = 0.015
MOST_ROLLING = 0.06  # of the weight; no tyre on a road needs that much, a brake does
ODD_ROLLING = 0.025  # tyres on a hard road need 1 to 2 %; common practice, no source
WANTED_PRECISION = 3.0  # %, of coast times, that road-load standards ask for (UN GTR 15, annex 4; from memory)


@dataclass(frozen=True, slots=True)
class Glide:
    """A stretch that may be a coastdown; `why_not` is '' where it is one. `follows`: it goes on with the one before."""

    run: CoastRun
    why_not: str
    follows: bool = False


def session_coastdown(
    data: Dataset,
    same_direction: bool = False,
    dropped: Collection[int] = (),
    back: Collection[int] | None = None,
    wind_change_mps: float = WIND_CHANGE_MPS,
    stretches: Mapping[int, tuple[float, float]] | None = None,
    trace: RoadTrace | None = None,
) -> RoadLoad:
    """Find the coastdowns of a session, judge each, and fit A, B and C to those that are some.

    same_direction    all went one way; else each used one goes against the one before
    dropped, back     numbers of glides, from 1: left out, and (in place of the turns) gone the other way
    wind_change_mps   standard uncertainty of the wind's change between a run and its partner
    stretches         number -> (start_s, end_s): where a glide begins and ends, in place of what was found
    trace             the session's road trace, where it was read already

    u_* contain the uncertainty of the turning parts' inertia; that of the mass is left out. Raises InputError: no road
    speed, no mass, no coastdown (it was in gear, or braked), no such glide.
    """
    trace = road_trace(data, "coastdown") if trace is None else trace
    mass = _mass(data)
    glides = glides_in(data, trace, stretches or {})
    rows = _verdicts(
        glides, same_direction, _known(data, glides, dropped), None if back is None else _known(data, glides, back)
    )
    used = [replace(glides[row.number - 1].run, way=row.way) for row in rows if row.used]
    if not used:
        why = "; ".join(f"glide {row.number}: {row.why_not.replace('-', ' ')}" for row in rows)
        raise InputError(f"{data.path}: {_why_none(trace, glides)}" + (f" ({why})" if why else ""))
    load = fit_road_load(used, mass, wind_change_mps=wind_change_mps)
    return _finished(load, mass, trace, rows, back is not None or same_direction, data.path)


def verdicts_in(
    data: Dataset,
    trace: RoadTrace,
    same_direction: bool = False,
    dropped: Collection[int] = (),
    back: Collection[int] | None = None,
    stretches: Mapping[int, tuple[float, float]] | None = None,
) -> tuple[CoastVerdict, ...]:
    """The glides of a session with their verdicts, as `session_coastdown` takes them, also where none is used."""
    return _verdicts(glides_in(data, trace, stretches or {}), same_direction, set(dropped), back)


def glides_in(data: Dataset, trace: RoadTrace, stretches: Mapping[int, tuple[float, float]]) -> list[Glide]:
    """The glides of a session, those in `stretches` from and to other times than were found. Raises InputError."""
    mass, top_gear = data.car.car.mass_kg, _top_gear(data.car)
    glides = find_glides(trace.time_s, trace.speed_mps, trace.engine_rpm, mass, top_gear)
    _known(data, glides, stretches)
    for number, (start_s, end_s) in stretches.items():
        rows = (trace.time_s >= start_s) & (trace.time_s <= end_s) & np.isfinite(trace.speed_mps)
        if np.count_nonzero(rows) < 2:
            raise InputError(f"{data.path}: glide {number}: {start_s:g} to {end_s:g} s is no stretch of road speed")
        run = CoastRun(trace.time_s[rows], trace.speed_mps[rows])
        engine = None if trace.engine_rpm is None else trace.engine_rpm[rows]
        why_not = _why_not(run, engine, mass) or _not_throughout(run)
        glides[number - 1] = replace(glides[number - 1], run=run, why_not=why_not)
    return glides


def _not_throughout(run: CoastRun) -> str:
    """Why a stretch that a person chose is no coastdown from one end to the other, as one that was found is; '' where
    it is one."""
    from scipy import ndimage

    if np.diff(run.time_s).max() > BRIDGED_S:
        return "broken"
    step = float(np.median(np.diff(run.time_s)))
    rows = max(round(SLOPE_S / step) | 1, 3)
    slope = np.gradient(ndimage.uniform_filter1d(run.speed_mps, rows, mode="nearest"), run.time_s)
    if run.speed_mps.min() <= 1 or slope.min() < -MOST_DECELERATION:
        return "braked"
    return "driven" if slope.max() > LEAST_DRIVEN else ""


def _known(data: Dataset, glides: Sequence[Glide], numbers: Collection[int]) -> set[int]:
    for number in numbers:
        if not 1 <= number <= len(glides):
            raise InputError(f"{data.path}: has no glide {number}; it has {len(glides)}, counted from 1")
    return set(numbers)


def _mass(data: Dataset) -> float:
    mass = data.car.car.mass_kg
    if mass is None:
        raise InputError(
            f"car file {data.car.car.name!r}: car.mass_kg is missing; coastdown needs the mass as driven, people "
            "included"
        )
    return mass


def session_runs(data: Dataset) -> list[CoastRun]:
    """The coastdowns in neutral of a session, in order of time; none where nothing rolled freely."""
    trace = road_trace(data, "coastdown")
    glides = find_glides(trace.time_s, trace.speed_mps, trace.engine_rpm, data.car.car.mass_kg, _top_gear(data.car))
    return [glide.run for glide in glides if not glide.why_not]


def find_glides(
    time_s: Array,
    speed_mps: Array,
    engine_rpm: Array | None = None,
    mass_kg: float | None = None,
    top_gear: float | None = None,
) -> list[Glide]:
    """Stretches of falling speed that look like gliding, in order of time, each with its verdict.

    time_s, speed_mps, engine_rpm   (rows,) at the live rate, NaN where missing; without engine speed a
                                    coastdown in gear cannot be told from one in neutral, so whoever calls
                                    must say so
    top_gear                        rpm per m/s of the highest gear, where the car file tells it
    """
    good = np.isfinite(time_s) & np.isfinite(speed_mps)
    if engine_rpm is not None:
        good &= np.isfinite(engine_rpm)
    time, speed = time_s[good], speed_mps[good]
    if len(time) < LEAST_ROWS:
        return []
    rpm = None if engine_rpm is None else engine_rpm[good]
    smooth, rolling = _rolling(time, speed, rpm, top_gear)
    glides: list[Glide] = []
    before = 0
    for first, last in runs_of(rolling):
        lasts, fall = time[last - 1] - time[first], smooth[first] - smooth[last - 1]
        if lasts < SHOWN_S or fall < SHOWN_FALL * smooth[first]:
            continue
        run = CoastRun(time[first:last], speed[first:last])
        follows = bool(
            glides
            and time[first] - time[before] < SAME_GLIDE_S
            and smooth[before:first].max(initial=0.0) <= smooth[before] + 0.5
        )
        engine = None if rpm is None else rpm[first:last]
        glides.append(Glide(run, _why_not(run, engine, mass_kg), follows))
        before = last - 1
    return glides


def _rolling(time: Array, speed: Array, rpm: Array | None, top_gear: float | None) -> tuple[Array, BoolArray]:
    """(speed smoothed, whether the car rolls by itself), (rows,)."""
    from scipy import ndimage

    step = float(np.median(np.diff(time)))
    rows = max(round(SLOPE_S / step) | 1, 3)
    smooth = ndimage.uniform_filter1d(speed, rows, mode="nearest")
    slope = ndimage.uniform_filter1d(np.gradient(smooth, time), rows, mode="nearest")
    rolling = (slope < -LEAST_DECELERATION) & (slope > -MOST_DECELERATION) & (speed > 1)
    if rpm is not None:
        rolling &= _neutral(speed, rpm, slope, top_gear)
    rolling = ndimage.binary_closing(rolling, np.ones(max(round(BRIDGED_S / step), 1), dtype=np.bool_), border_value=0)
    # The two smoothings blur an edge by this much: what lies so near to one is not surely free rolling.
    rolling = ndimage.binary_erosion(rolling, np.ones(2 * rows + 1, dtype=np.bool_), border_value=0)
    rolling[1:] &= np.diff(time) < BRIDGED_S
    return smooth, rolling


def _neutral(speed: Array, rpm: Array, slope: Array, top_gear: float | None) -> BoolArray:
    """(rows,) where the engine turns slower than the highest gear (of the car, else of this session) would have it.

    A session that only rolls shows no gear at all; then nothing is left out here, and each glide's ratio is looked at.
    """
    moving = speed > 2
    driven = moving & (slope > LEAST_DRIVEN)
    if top_gear is None:
        if not driven.any():
            return moving
        top_gear = float(np.percentile(rpm[driven] / speed[driven], 5))
    return np.asarray(moving & (rpm < BELOW_TOP_GEAR * top_gear * speed))


def _why_not(run: CoastRun, engine_rpm: Array | None, mass_kg: float | None) -> str:
    """Why a glide is no coastdown; '' where it is one."""
    time, speed = run.time_s, run.speed_mps
    tenth = max(len(speed) // 10, 1)
    first, last = float(speed[:tenth].mean()), float(speed[-tenth:].mean())
    if len(time) < LEAST_ROWS or time[-1] - time[0] < LEAST_S:
        return "too-short"
    if first - last < LEAST_FALL * first:
        return "too-small-a-fall"
    if engine_rpm is not None and in_gear(engine_rpm, speed):
        return "in-gear"
    pieces = np.array_split(np.arange(len(time)), 8)
    slopes = [float(np.polyfit(time[piece] - time[piece[0]], speed[piece], 1)[0]) for piece in pieces]
    if min(slopes) < -MOST_DECELERATION:
        return "braked"
    if mass_kg is not None and -slopes[-1] > MOST_ROLLING * GRAVITY and _rolling_share(run) > MOST_ROLLING:
        return "held-back"
    return ""


def _rolling_share(run: CoastRun) -> float:
    """A over the weight, with B taken as none."""
    since = run.time_s - run.time_s[0]
    swept = np.concatenate(([0.0], np.cumsum(np.diff(since) * (run.speed_mps[1:] ** 2 + run.speed_mps[:-1] ** 2) / 2)))
    columns = np.column_stack([since, swept, np.ones(len(since))])
    return float(np.linalg.lstsq(columns, run.speed_mps[0] - run.speed_mps)[0][0]) * MASS_FACTOR / GRAVITY


def in_gear(engine_rpm: Array, speed_mps: Array) -> bool:
    """Whether engine and road speed keep one ratio through a run, shape (rows,) each: then it was no
    coastdown."""
    good = np.isfinite(engine_rpm) & np.isfinite(speed_mps) & (speed_mps > 1)
    if good.sum() < LEAST_ROWS:
        return False
    ratio = engine_rpm[good] / speed_mps[good]
    return bool(np.std(ratio) < 0.03 * abs(np.mean(ratio)) and np.ptp(speed_mps[good]) > 2)


def _verdicts(
    glides: Sequence[Glide], same_direction: bool, dropped: Collection[int], back: Collection[int] | None
) -> tuple[CoastVerdict, ...]:
    """Which glides count, and which way each went.

    One that is no coastdown does not count as a turn; one that a person dropped does, for the car went that way. Of
    two that share a stretch the first counts: the same seconds are no second run.
    """
    rows: list[CoastVerdict] = []
    way, turned = 1, False
    for number, glide in enumerate(glides, 1):
        run, why_not = glide.run, glide.why_not
        if not why_not and any(r.used and r.start_s < run.time_s[-1] and run.time_s[0] < r.end_s for r in rows):
            why_not = "twice"
        if back is not None:
            way = -1 if number in back else 1
        elif not same_direction and not why_not:
            way = -way if turned and not glide.follows else way
            turned = True
        why_not = why_not or ("dropped" if number in dropped else "")
        rows.append(
            CoastVerdict(
                number=number,
                start_s=float(run.time_s[0]),
                end_s=float(run.time_s[-1]),
                from_mps=float(run.speed_mps[:LEAST_ROWS].mean()),
                to_mps=float(run.speed_mps[-LEAST_ROWS:].mean()),
                way=way,
                used=not why_not,
                why_not=why_not,
            )
        )
    return tuple(rows)


def _finished(
    load: RoadLoad, mass: float, trace: RoadTrace, rows: tuple[CoastVerdict, ...], ways_said: bool, path: Path
) -> RoadLoad:
    """The answer with its glides, what they and the numbers say, and the uncertainty of the turning parts."""
    share = load.a_n / (mass * GRAVITY)
    if share > MOST_ROLLING:
        raise InputError(
            f"{path}: rolling takes {100 * share:.0f} % of the weight, which is a brake or a gear and no road load; "
            "roll again in neutral, off the brakes"
        )
    found: list[Finding] = [
        note(
            "coast-glide-left-out",
            number=row.number,
            start_s=row.start_s,
            from_kmh=3.6 * row.from_mps,
            to_kmh=3.6 * row.to_mps,
            why=row.why_not,
        )
        for row in rows
        if not row.used
    ]
    used = [row.number for row in rows if row.used]
    between = [row.number for row in rows if not row.used and used[0] < row.number < used[-1]]
    if between and not ways_said:
        found.append(warning("coast-ways-guessed", numbers=tuple(float(number) for number in between)))
    found += load.findings
    if share > ODD_ROLLING:
        found.append(warning("coast-rolling-high", share_pct=100 * share))
    if trace.engine_rpm is None:
        found.append(warning("coast-no-engine-speed"))
    wide = [step for step in load.precision if step.precision_pct is not None and step.precision_pct > WANTED_PRECISION]
    if wide:
        worst = max(wide, key=lambda step: step.precision_pct or 0.0)
        found.append(
            note("coast-imprecise", precision_pct=worst.precision_pct, speed_kmh=worst.speed_kmh, pairs=worst.pairs)
        )
    values = np.array([load.a_n, load.b_n_per_mps, load.c_n_per_mps2])
    covariance = np.array(load.covariance) + U_MASS_FACTOR**2 * np.outer(values, values)
    u_a, u_b, u_c = (float(u) for u in np.sqrt(np.diag(covariance)))
    return msgspec.structs.replace(
        load,
        coastdowns=rows,
        findings=tuple(found),
        u_a=u_a,
        u_b=u_b,
        u_c=u_c,
        covariance=tuple(tuple(row) for row in covariance.tolist()),
    )


def _top_gear(car: Car) -> float | None:
    """rpm per m/s in the highest gear; None where the car file cannot tell."""
    radius, final, ratios = car.car.rolling_radius_m, car.gearing.final_drive, car.gearing.ratios
    if radius is None or final is None or not ratios:
        return None
    return 60 * final * min(ratios) / (2 * np.pi * radius)


def _why_none(trace: RoadTrace, glides: Sequence[Glide]) -> str:
    """What the car did instead of rolling in neutral."""
    from scipy import ndimage

    good = np.isfinite(trace.speed_mps)
    cure = "let the car roll in neutral, off the brakes, from high speed, both ways"
    if good.sum() < LEAST_ROWS or np.nanmax(trace.speed_mps) < 2:
        return f"no coastdown: road speed never shows the car moving; {cure}"
    if any(glide.why_not == "held-back" for glide in glides):
        share = 100 * MOST_ROLLING
        return f"no coastdown: more than {share:.0f} % of the weight held the car back, a brake or a gear; {cure}"
    if glides and not any(glide.why_not for glide in glides):
        return "no coastdown is left: all were dropped"
    if trace.engine_rpm is not None and any(not glide.why_not for glide in find_glides(trace.time_s, trace.speed_mps)):
        return f"no coastdown in neutral: the car rolled with a gear in; {cure}"
    time, speed = trace.time_s[good], trace.speed_mps[good]
    rows = max(round(BRAKED_S / float(np.median(np.diff(time)))) | 1, 3)
    slope = np.gradient(ndimage.uniform_filter1d(speed, rows, mode="nearest"), time)
    if slope.min() < -MOST_DECELERATION:
        return f"no coastdown: the car was slowed by its brakes (by up to {-slope.min():.1f} m/s²); {cure}"
    return f"no coastdown: speed never fell by {100 * LEAST_FALL:.0f} % over {LEAST_S:.0f} s by itself; {cure}"
