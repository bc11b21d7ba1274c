"""The car on its wheels and the road under it: engine, clutch, elastic driveline, slipping tyres, drag, by steps; a
steady wind with gusts, and a runway that is not quite level.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from stream.sources.rehearsal.engine import IDLE_RPM, LIMITER_RPM, RPM_PER_RAD_S, Engine

GRAVITY: Final = 9.80665
STEP_S: Final = 1.0 / 200.0


@dataclass(frozen=True, slots=True)
class Body:
    """What the car is, in SI units. Shares are of the weight, standing."""

    mass: float = 790.0
    rolling_radius: float = 0.281
    drag_area: float = 0.58
    rolling_coefficient: float = 0.013
    air_density: float = 1.2
    driven_share: float = 0.56
    weight_transfer: float = 0.2  # centre of mass height over wheelbase
    final_drive: float = 4.3
    ratios: tuple[float, ...] = (3.0, 1.95, 1.38, 1.0)
    wheel_inertia: float = 1.5  # kg m2, one axle's pair, discs and shafts
    driveline_stiffness: float = 6000.0  # Nm/rad at the wheels
    driveline_damping: float = 60.0
    driveline_drag: float = 3.0  # Nm at the wheels, load or not
    gear_loss: float = 0.03  # of the torque carried
    clutch_nm: float = 300.0
    grip: float = 1.15
    slip_stiffness: float = 12.0
    slip_shape: float = 1.5
    rear_brake_share: float = 0.35

    def overall(self, gear: int) -> float:
        """Engine turns per turn of the driven wheels; 0 is neutral."""
        return self.final_drive * self.ratios[gear - 1] if gear else 0.0

    @property
    def moving_mass(self) -> float:
        """Mass plus what the undriven wheels' spin adds, kg."""
        return self.mass + self.wheel_inertia / self.rolling_radius**2


@dataclass(slots=True)
class Controls:
    """What the driver does and what the road does to the car, set before each step."""

    throttle: float = 0.0
    clutch_nm: float = 0.0
    brake_n: float = 0.0
    gear: int = 0
    lateral: float = 0.0  # m/s2 sideways
    grip: float = 1.0  # of the body's
    headwind: float = 0.0  # m/s
    grade: float = 0.0  # rise per run
    heading: int = 1  # of the runway, 1 or -1
    ignition: bool = True
    parked: bool = True


Row = tuple[float, float, float, float, float, float, float, float, int]
COLUMNS: Final = ("rpm", "speed", "throttle", "pressure", "force", "brake", "lateral", "shaft", "gear")


class Car:
    """State of the motion. `step` goes on by STEP_S and gives a row of COLUMNS.

    speed m/s; force is the driven axle's push on the car, N; brake its brake force, N;
    shaft is the torque in the driveline at the wheels, Nm.
    """

    def __init__(self, engine: Engine, body: Body, start_rpm: float = IDLE_RPM) -> None:
        self.engine = engine
        self.body = body
        self.controls = Controls()
        self._steps = 0
        self.spin = start_rpm / RPM_PER_RAD_S
        self.wheel = 0.0
        self.speed = 0.0
        self.distance = 0.0
        self.twist = 0.0
        self.pressure = 0.2
        self.pull = 0.0  # acceleration of the last step, for the weight on the driven axle
        self._friction_scale = 0.02  # m/s over which a standing wheel's friction changes sign

    @property
    def time(self) -> float:
        """Seconds of driving so far."""
        return self._steps * STEP_S

    @property
    def rpm(self) -> float:
        """Engine speed."""
        return self.spin * RPM_PER_RAD_S

    def step(self) -> Row:
        """Integrate one STEP_S under the controls as they are."""
        controls = self.controls
        shaft = self._driveline()
        self._engine(shaft)
        force = brake = 0.0
        if controls.parked:
            self.speed = self.wheel = self.pull = 0.0
        else:
            force, brake = self._wheels(shaft)
        self._steps += 1
        return (
            self.spin * RPM_PER_RAD_S,
            self.speed,
            controls.throttle,
            self.pressure,
            force,
            brake,
            controls.lateral,
            shaft,
            controls.gear,
        )

    def _driveline(self) -> float:
        """Torque at the wheels: a spring with a damper, which cannot carry more than the clutch."""
        overall = self.body.overall(self.controls.gear)
        if not overall:
            self.twist = 0.0
            return 0.0
        rate = self.spin / overall - self.wheel
        most = self.controls.clutch_nm * overall
        stiffness = self.body.driveline_stiffness
        twist = self.twist + rate * STEP_S
        self.twist = min(max(twist, -most / stiffness), most / stiffness)
        return min(max(stiffness * self.twist + self.body.driveline_damping * rate, -most), most)

    def _engine(self, shaft: float) -> None:
        controls, rpm = self.controls, self.spin * RPM_PER_RAD_S
        firing = controls.ignition and rpm < LIMITER_RPM
        settled = self.engine.pressure(rpm, controls.throttle)
        self.pressure += (settled - self.pressure) * (STEP_S / 0.04)  # the manifold fills
        torque = self.engine.torque(rpm, self.pressure if firing else 0.0)
        overall = self.body.overall(controls.gear)
        if overall:
            torque -= shaft / overall
        self.spin = max(self.spin + STEP_S * torque / self.engine.inertia, 0.0)

    def _wheels(self, shaft: float) -> tuple[float, float]:
        """Wheel spin with the tyre's slope taken implicitly (it is stiff at low speed), then the car."""
        body, controls, speed = self.body, self.controls, self.speed
        radius, weight = body.rolling_radius, body.mass * GRAVITY
        on_driven = weight * (body.driven_share + body.weight_transfer * self.pull / GRAVITY)
        sign = math.tanh(speed / self._friction_scale)
        brake = body.rear_brake_share * controls.brake_n * sign
        torque = shaft - body.gear_loss * abs(shaft) - brake * radius
        torque -= sign * (body.driveline_drag + body.rolling_coefficient * on_driven * radius)

        scale = max(abs(speed), 1.5)
        slip = body.slip_stiffness * (self.wheel * radius - speed) / scale
        most = body.grip * controls.grip * on_driven
        angle = body.slip_shape * math.atan(slip)
        slope = most * math.cos(angle) * body.slip_shape * body.slip_stiffness / (1.0 + slip * slip)
        slope = max(slope, 0.0) * radius / scale
        force = most * math.sin(angle)
        change = STEP_S * (torque - radius * force) / (body.wheel_inertia + STEP_S * radius * slope)
        self.wheel += change
        force += slope * change

        air = speed + controls.headwind
        against = 0.5 * body.air_density * body.drag_area * air * abs(air) + weight * controls.grade
        front = body.rolling_coefficient * (weight - on_driven) + (1.0 - body.rear_brake_share) * controls.brake_n
        self.pull = (force - against - sign * front) / body.moving_mass
        self.speed = max(speed + STEP_S * self.pull, 0.0)
        self.distance += STEP_S * self.speed
        return force, brake


TICK_S = 0.02  # the road and the driver act 50 times a second


@dataclass(frozen=True, slots=True)
class Weather:
    """Wind along the runway, m/s; `gust` a standard deviation; grade rise per run; `direction` 1 or -1."""

    headwind: float = 1.5
    gust: float = 0.5
    grade: float = 0.002
    unevenness: float = 0.002
    direction: int = 1


CALM = Weather(headwind=0.0, gust=0.0, grade=0.0, unevenness=0.0)


class Road:
    """Sets wind and grade in the car's controls, tick by tick."""

    def __init__(self, weather: Weather, rng: np.random.Generator) -> None:
        self._weather = weather
        self._rng = rng
        self._gust = 0.0
        self._kicks: list[float] = []

    def act(self, car: Car) -> None:
        """One tick of weather: gusts fade over about four seconds, the runway rolls every 350 m."""
        if not self._kicks:
            self._kicks = self._rng.standard_normal(2048).tolist()
        weather, keep = self._weather, math.exp(-TICK_S / 4.0)
        direction = weather.direction * car.controls.heading
        self._gust = keep * self._gust + weather.gust * math.sqrt(1.0 - keep * keep) * self._kicks.pop()
        car.controls.headwind = direction * weather.headwind + self._gust
        roll = weather.unevenness * math.sin(2.0 * math.pi * car.distance / 350.0)
        car.controls.grade = direction * weather.grade + roll
