"""What pushes the car in a pull, from its motion: the force the link carries, how each assumption moves it, and from
pulls to points, the band means that a scale is fitted to.

The driven axle pushes the car through the link, so the engine's inertia, the driven wheels' inertia, their tyres'
rolling and the driveline's drag are spent before it and are no part of it:

    link force = (m + undriven wheels) a + undriven tyres' rolling + ½ ρ CdA v² (+ m g grade, not known)

Each uncertainty is a column: by how many newtons the model would be wrong were that assumption off by its standard
uncertainty.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from stream.errors import InputError
from stream.findings import Finding, warning
from stream.live.pull_faults import TIP_IN_S
from stream.study.bands import band_table
from stream.study.dataset import Dataset
from stream.study.force.motion import LIVE_CORRELATION_S, RoadTrace, Slope, local_slope, road_trace
from stream.study.force.road_load import GRAVITY, UNSEEN_WIND_MPS, RoadLoad
from stream.study.pulls import PullTrace
from stream.units import Flags, Floats, Ints

AIR_DENSITY = 1.2  # kg/m³, about 20 °C at sea level
# Standard uncertainties. Common practice, no source, but for the tyre's slip, which the trade puts at 3 to 8 % in a
# hard pull.
U_MASS = 0.01
U_RADIUS = 0.01
U_ROAD_SPEED = 0.01
U_DRAG = 0.05
U_DENSITY = 0.03  # the weather not being given: 0 to 35 °C, 970 to 1030 hPa
UNDRIVEN_SHARE, U_UNDRIVEN = 0.015, 0.0075  # of the mass: half of the 3 % of all wheels
ROLLING_SHARE, U_ROLLING = 0.5, 0.15  # of the rolling that undriven tyres have
HARD_PULL_SLIP, LEAST_SLIP = 0.055, 0.03  # middle and low end of 3 to 8 %
# What no column tells: waves of the road, wind-up of the driveline, curves in tyre and air. Every pull meets it at the
# same speeds, so it does not average out over pulls.
U_BAND = 0.015  # of the force, in each gear and band
HARD_PULL = 0.5  # of the weight as push: what a pull is called hard by; slip goes with the push
# A road that looks level. This is how free the fit's intercept is once a zero was taken. Quite free it follows what
# bends the line over the short span of forces in one gear: slip and gusts made the scale of the rehearsal car 21 % too
# high, from pulls in one gear, where this gives 1 %.
UNSEEN_SLOPE = 0.005
OF_SCALE = 3  # the first columns scale the force: mass, undriven wheels, speed; data must not choose among them
WITH_DIRECTION = slice(4, 6)  # the columns that change sign with the way along the road: slope and wind
PULL_GRADE = 0.002  # how much the road's slope changes from pull to pull
PULL_GUST_MPS = 0.7


@dataclass(frozen=True, slots=True)
class CarModel:
    """What the force needs of the car. `drag` is ½ ρ CdA, `u_drag` relative; `coasted` stands in for both."""

    mass_kg: float
    radius_m: float
    drag: float
    u_drag: float
    rolling_n: float  # of all tyres
    coasted: RoadLoad | None = None

    @property
    def road_load(self) -> tuple[float, float, float]:
        """A, B and C of what acts behind the link: undriven tyres and air."""
        if self.coasted is None:
            return ROLLING_SHARE * self.rolling_n, 0.0, self.drag
        load = self.coasted
        return ROLLING_SHARE * load.a_n, ROLLING_SHARE * load.b_n_per_mps, load.c_n_per_mps2


@dataclass(frozen=True, slots=True)
class Push:
    """Force by the model, N (rows,), the causes' columns, (rows, causes) N, and by how much of itself the road speed
    would be too high for each cause, (rows, causes).
    """

    force: Floats
    causes: Floats
    speed_causes: Floats


def push(
    car: CarModel, speed: Floats, acceleration: Floats, u_scale: float, slips: bool, step_s: float | None = None
) -> Push:
    """The model at speeds m/s and accelerations m/s², both (rows,).

    u_scale   relative standard uncertainty of the speed (radius and rpm, or the road speed's own)
    slips     the speed comes from engine speed, and is high by the tyres' slip
    step_s    seconds between rows; with it, slip that changes with the push is taken for acceleration, too. Beside a
              road speed only its steady change is known, and what departs from that stays in uncertainty
    """
    a_n, b_n, c_n = car.road_load
    undriven = UNDRIVEN_SHARE * car.mass_kg
    inertia = (car.mass_kg + undriven) * acceleration
    air = c_n * speed**2
    force = inertia + a_n + b_n * speed + air
    with_speed = inertia + b_n * speed + 2 * air
    slip = np.maximum(HARD_PULL_SLIP * force / (HARD_PULL * car.mass_kg * GRAVITY), LEAST_SLIP)
    sliding = np.zeros(len(speed)) if step_s is None else _sliding(car, force, step_s)
    slip, sliding = (slip, sliding) if slips else (0 * slip, sliding - sliding.mean())
    ones = np.ones(len(speed))
    columns = [
        (U_MASS * (inertia + (a_n if car.coasted is None else force - inertia)), 0 * ones),
        (U_UNDRIVEN * car.mass_kg * acceleration, 0 * ones),
        (u_scale * with_speed, u_scale * ones),
        (slip * with_speed + (car.mass_kg + undriven) * speed * sliding, slip),
        (car.mass_kg * GRAVITY * UNSEEN_SLOPE * ones, 0 * ones),
        (2 * abs(c_n) * UNSEEN_WIND_MPS * speed, 0 * ones),
        *((column, 0 * ones) for column in _road_load_causes(car, speed, air)),
    ]
    return Push(force, np.column_stack([c for c, _ in columns]), np.column_stack([s for _, s in columns]))


def _sliding(car: CarModel, force: Floats, step_s: float) -> Floats:
    """(rows,) change of slip per second, from that of the push."""
    course = local_slope(step_s * np.arange(len(force), dtype=np.float64), force)
    if course is None:
        return np.zeros(len(force))
    return HARD_PULL_SLIP * course.slope[: len(force)] / (HARD_PULL * car.mass_kg * GRAVITY)


def pull_scatter(car: CarModel, speed: Floats) -> Floats:
    """(rows, 2) N: what differs from pull to pull by itself: slope of the road, and gusts that grow with speed."""
    gust = 2 * abs(car.road_load[2]) * PULL_GUST_MPS
    return np.column_stack([np.full(len(speed), car.mass_kg * GRAVITY * PULL_GRADE), gust * speed])


def _road_load_causes(car: CarModel, speed: Floats, air: Floats) -> list[Floats]:
    ones = np.ones(len(speed))
    if car.coasted is None:
        return [U_ROLLING * car.rolling_n * ones, car.u_drag * air]
    load = car.coasted
    split = U_ROLLING * (load.a_n + load.b_n_per_mps * speed)
    share = np.column_stack([ROLLING_SHARE * ones, ROLLING_SHARE * speed, speed**2])
    values, vectors = np.linalg.eigh(np.array(load.covariance))
    factors = vectors * np.sqrt(np.clip(values, 0, None))
    return [split, *(share @ factors).T]


LEAST_ROAD_ROWS = 8
# chosen: engine speed's standard uncertainty where no fit says one, for a readout in rpm and for a provisional line
U_READOUT, U_PROVISIONAL = 0.002, 0.10


@dataclass(frozen=True, slots=True)
class DrivenPull:
    """One pull with its motion on an even clock. `slip` is rpm-derived over road speed less 1, None without a road
    speed; `u_speed` the relative uncertainty of speed.
    """

    trace: PullTrace
    gear: int
    overall: float
    motion: Slope
    rpm: Floats
    load: Floats
    u_speed: float
    slip: float | None


@dataclass(frozen=True, slots=True)
class Points:
    """Band means, (points,), and the causes' columns, (points, causes); pull is the row in `pulls`."""

    pulls: tuple[DrivenPull, ...]
    pull: Ints
    rpm: Floats
    load: Floats
    force: Floats
    speed: Floats
    acceleration: Floats
    u_load: Floats
    u_force: Floats
    causes: Floats
    speed_causes: Floats
    scatter: Floats


def road_traces(sessions: Sequence[Dataset]) -> dict[str, RoadTrace]:
    """Road speed of each session that has it, by the session's path. Raises InputError for a unit that is none."""
    return {str(one.path): road_trace(one, "power") for one in sessions if one.first("road_speed") is not None}


def u_of_speed(session: Dataset) -> float:
    """Relative standard uncertainty of engine speed."""
    fit = session.calibration
    if fit is not None:
        return float(np.hypot(fit.u_slope / abs(fit.slope_rpm_per_unit), fit.scale_error_pct / 100))
    return U_READOUT if session.car.need("engine_speed", "power").unit == "rpm" else U_PROVISIONAL


def driven_pull(pull: PullTrace, session: Dataset, road: RoadTrace | None, found: list[Finding]) -> DrivenPull | None:
    """The pull's motion; None, and a finding, where its gear is not known or it is too short."""
    car, good = session.car, np.isfinite(pull.speed_rpm) & np.isfinite(pull.load) & np.isfinite(pull.time_s)
    if not good.any():
        found.append(_left_out(pull, "too-short"))
        return None
    time, load = pull.time_s[good], pull.load[good]
    rpm = np.interp(time + pull.lag_s, pull.time_s[good], pull.speed_rpm[good])
    start = (pull.start_s or 0.0) - pull.lag_s
    inside = (time >= start + TIP_IN_S) & (time <= (pull.end_s or 0.0) - pull.lag_s)
    at_road = _road_inside(road, time, inside)
    gear, why = pull.gear, ""
    if pull.gear_from == "contradicted":
        why = "no-such-ratio"
    elif gear is None:
        why = "road-fits-none" if at_road is not None else "gear-unknown"
    elif gear > len(car.gearing.ratios):
        why = "no-ratio"
    if why or gear is None:
        found.append(_left_out(pull, why))
        return None
    overall = (car.gearing.final_drive or 1.0) * car.gearing.ratios[gear - 1]
    speed, slip, u_speed = (
        rpm / 60 * 2 * np.pi * (car.car.rolling_radius_m or 1.0) / overall,
        None,
        float(np.hypot(U_RADIUS, u_of_speed(session))),
    )
    if at_road is not None:
        stamps, road_speed = at_road
        ratio = road_speed / np.interp(stamps, time, speed)
        middle = float(stamps.mean())
        line = np.polyfit(stamps - middle, ratio, 1)
        rest = float(np.std(ratio - np.polyval(line, stamps - middle)))
        speed = speed * np.polyval(line, np.clip(time, stamps[0], stamps[-1]) - middle)
        slip = float(1 / ratio.mean() - 1)
        u_speed = float(np.hypot(U_ROAD_SPEED, rest / np.sqrt(max(len(stamps) / 4, 1))))
    # Only from the used part: a window that reaches over the lift takes the end of the pull for slower than it is.
    motion = local_slope(time[inside], speed[inside])
    if motion is None:
        found.append(_left_out(pull, "too-short"))
        return None
    clock = motion.time_s
    return DrivenPull(
        replace(pull, start_s=start, end_s=(pull.end_s or 0.0) - pull.lag_s, lag_s=0.0),
        gear,
        overall,
        motion,
        np.interp(clock, time, rpm),
        np.interp(clock, time, load),
        u_speed,
        slip,
    )


def _left_out(pull: PullTrace, why: str) -> Finding:
    return warning(
        "power-pull-left-out", session=Path(pull.session).name, start_s=pull.start_s, gear=pull.declared_gear, why=why
    )


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
        raise InputError(
            f"no pull crosses a whole band of {width:g} rpm; use narrower bands, or longer pulls", code="band-too-wide"
        )
    at = bands[pull, :, band]
    spent = width / rate[pull, band]
    u_a = np.array([item.motion.u_slope for item in pulls])[pull]
    rough = np.array([_roughness(item) for item in pulls])[pull]
    causes, half = at[:, 4:], (count - 4 - 2) // 2
    if both_ways:
        causes[:, WITH_DIRECTION] *= np.where(pull % 2, -1.0, 1.0)[:, None]
    return Points(
        tuple(pulls),
        pull,
        table.rpm[band],
        at[:, 0],
        at[:, 1],
        at[:, 2],
        at[:, 3],
        rough * np.sqrt(LIVE_CORRELATION_S / np.maximum(spent, LIVE_CORRELATION_S)),
        car.mass_kg * u_a,
        causes[:, :half],
        causes[:, half : 2 * half],
        causes[:, 2 * half :],
    )


def _quantities(pull: DrivenPull, car: CarModel) -> Floats:
    """(rows, 4 + causes + speed causes + 2): load, force, speed, acceleration, then the columns."""
    speed, gain = pull.motion.value, pull.motion.slope
    step = float(np.median(np.diff(pull.motion.time_s)))
    model = push(car, speed, gain, pull.u_speed, slips=pull.slip is None, step_s=step)
    return np.column_stack(
        [pull.load, model.force, speed, gain, model.causes, model.speed_causes, pull_scatter(car, speed)]
    )


def _roughness(pull: DrivenPull) -> float:
    """Scatter of load about its own smooth course, load unit."""
    smooth = local_slope(pull.motion.time_s, pull.load)
    return (
        0.0 if smooth is None else float(np.std(pull.load - np.interp(pull.motion.time_s, smooth.time_s, smooth.value)))
    )


def _road_inside(road: RoadTrace | None, time: Floats, inside: Flags) -> tuple[Floats, Floats] | None:
    """(stamps, road speeds) within the used part of a pull; None where there are too few."""
    if road is None or not inside.any():
        return None
    first, last = time[inside][[0, -1]]
    good = (road.time_s >= first) & (road.time_s <= last) & np.isfinite(road.speed_mps) & (road.speed_mps > 1)
    return (road.time_s[good], road.speed_mps[good]) if good.sum() >= LEAST_ROAD_ROWS else None
