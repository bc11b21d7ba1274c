"""What pushes the car in a pull, from its motion: the force the link carries, and how each assumption moves it.

The driven axle pushes the car through the link, so the engine's inertia, the driven wheels' inertia, their tyres'
rolling and the driveline's drag are spent before it and are no part of it:

    link force = (m + undriven wheels) a + undriven tyres' rolling + ½ ρ CdA v² (+ m g grade, not known)

Each doubt is a column: by how many newtons the model would be wrong were that assumption off by its standard doubt.
"""

from dataclasses import dataclass

import numpy as np

from stream.study.force.road_load import GRAVITY, UNSEEN_WIND_MPS, RoadLoad
from stream.study.slope import local_slope
from stream.units import Floats as Array

AIR_DENSITY = 1.2  # kg/m³, about 20 °C at sea level
# Standard doubts. Common practice, no source, but for the tyre's slip, which the trade puts at 3 to 8 % in a hard pull.
MASS_DOUBT = 0.01
RADIUS_DOUBT = 0.01
ROAD_SPEED_DOUBT = 0.01
DRAG_DOUBT = 0.05
DENSITY_DOUBT = 0.03  # the weather not being given: 0 to 35 °C, 970 to 1030 hPa
UNDRIVEN_SHARE, UNDRIVEN_DOUBT = 0.015, 0.0075  # of the mass: half of the 3 % of all wheels
ROLLING_SHARE, ROLLING_DOUBT = 0.5, 0.15  # of the rolling that undriven tyres have
HARD_PULL_SLIP, LEAST_SLIP = 0.055, 0.03  # middle and low end of 3 to 8 %
# What no column tells: waves of the road, wind-up of the driveline, curves in tyre and air. Every pull meets it at the
# same speeds, so it does not average out over pulls.
BAND_DOUBT = 0.015  # of the force, in each gear and band
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
    """What the force needs of the car. `drag` is ½ ρ CdA with its relative doubt; `coasted` stands in for both."""

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
    """Force by the model, N (rows,), the doubts' columns, (rows, doubts) N, and by how much of itself the road speed
    would be too high for each doubt, (rows, doubts).
    """

    force: Array
    doubts: Array
    speed_doubts: Array


def push(
    car: CarModel, speed: Array, acceleration: Array, u_scale: float, slips: bool, step_s: float | None = None
) -> Push:
    """The model at speeds m/s and accelerations m/s², both (rows,).

    u_scale   relative standard doubt of the speed (radius and rpm, or the road speed's own)
    slips     the speed comes from engine speed, and is high by the tyres' slip
    step_s    seconds between rows; with it, slip that changes with the push is taken for acceleration, too. Beside a
              road speed only its steady change is known, and what departs from that stays in doubt
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
        (MASS_DOUBT * (inertia + (a_n if car.coasted is None else force - inertia)), 0 * ones),
        (UNDRIVEN_DOUBT * car.mass_kg * acceleration, 0 * ones),
        (u_scale * with_speed, u_scale * ones),
        (slip * with_speed + (car.mass_kg + undriven) * speed * sliding, slip),
        (car.mass_kg * GRAVITY * UNSEEN_SLOPE * ones, 0 * ones),
        (2 * abs(c_n) * UNSEEN_WIND_MPS * speed, 0 * ones),
        *((column, 0 * ones) for column in _road_load_doubts(car, speed, air)),
    ]
    return Push(force, np.column_stack([c for c, _ in columns]), np.column_stack([s for _, s in columns]))


def _sliding(car: CarModel, force: Array, step_s: float) -> Array:
    """(rows,) change of slip per second, from that of the push."""
    course = local_slope(step_s * np.arange(len(force), dtype=np.float64), force)
    if course is None:
        return np.zeros(len(force))
    return HARD_PULL_SLIP * course.slope[: len(force)] / (HARD_PULL * car.mass_kg * GRAVITY)


def pull_scatter(car: CarModel, speed: Array) -> Array:
    """(rows, 2) N: what differs from pull to pull by itself: slope of the road, and gusts that grow with speed."""
    gust = 2 * abs(car.road_load[2]) * PULL_GUST_MPS
    return np.column_stack([np.full(len(speed), car.mass_kg * GRAVITY * PULL_GRADE), gust * speed])


def _road_load_doubts(car: CarModel, speed: Array, air: Array) -> list[Array]:
    ones = np.ones(len(speed))
    if car.coasted is None:
        return [ROLLING_DOUBT * car.rolling_n * ones, car.u_drag * air]
    load = car.coasted
    split = ROLLING_DOUBT * (load.a_n + load.b_n_per_mps * speed)
    share = np.column_stack([ROLLING_SHARE * ones, ROLLING_SHARE * speed, speed**2])
    values, vectors = np.linalg.eigh(np.array(load.covariance))
    factors = vectors * np.sqrt(np.clip(values, 0, None))
    return [split, *(share @ factors).T]
