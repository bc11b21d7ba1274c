"""The right foot: follows a speed by feel, and is never quite still."""

import math

import numpy as np

from stream.sources.rehearsal.car import GRAVITY, Car
from stream.sources.rehearsal.engine import IDLE_RPM, RPM_PER_RAD_S
from stream.sources.rehearsal.road import TICK_S

_TONES = 5
_PERIODS_S = (1.0, 5.0)
_SWING_RPM = (20.0, 40.0)  # how far a foot wanders either way, by hold; what it corrects late comes on top
_MOOD_S = 10.0


class Foot:
    """Throttle and brake that bring the engine to a wanted speed."""

    def __init__(self, car: Car, rng: np.random.Generator) -> None:
        self._car = car
        self._rng = rng
        self._sum = 0.0
        periods = rng.uniform(*_PERIODS_S, _TONES)
        phases = rng.uniform(0.0, 2.0 * math.pi, _TONES)
        self._tones = [(2.0 * math.pi / period, phase) for period, phase in zip(periods, phases, strict=True)]
        self._swing = self._mood = 0.0
        self.lift_to_new_mood()

    def lift_to_new_mood(self) -> None:
        """Draw how far the foot will wander: the peak over the next seconds lies in the swing's range."""
        ahead = self._car.time + np.arange(0.0, _MOOD_S, TICK_S)
        drift = np.sum([np.sin(omega * ahead + phase) for omega, phase in self._tones], axis=0)
        self._mood = float(self._rng.uniform(*_SWING_RPM) / np.abs(drift).max())

    def follow(self, aim_rpm: float, slope_rpm_s: float = 0.0, wander: float = 1.0) -> None:
        """Set throttle and brake for one tick so that the engine goes to the aim, wander on top.

        The foot knows the car (inertia, drag of still air) but not wind or grade; those it corrects late.
        """
        car, controls = self._car, self._car.controls
        drift = slide = 0.0
        for omega, phase in self._tones:
            drift += math.sin(omega * car.time + phase)
            slide += omega * math.cos(omega * car.time + phase)
        self._swing += (wander * self._mood - self._swing) * (TICK_S / 0.5)
        swing = self._swing
        wanted = (max(aim_rpm, IDLE_RPM) + swing * drift) / RPM_PER_RAD_S
        inertia, resistance = self._feel()
        error = wanted - car.spin
        self._sum = min(max(self._sum + error * TICK_S, -8.0), 8.0)
        torque = resistance + inertia * (
            (slope_rpm_s + swing * slide) / RPM_PER_RAD_S + 2.5 * error + 1.2 * self._sum
        )
        controls.throttle = car.engine.throttle_for(car.rpm, torque)
        overall = car.body.overall(controls.gear)
        if overall:  # out of gear the brake is not the engine's business
            missing = car.engine.torque(car.rpm, 0.05) - torque
            controls.brake_n = max(missing - 2.0, 0.0) * overall / car.body.rolling_radius

    def _feel(self) -> tuple[float, float]:
        """Inertia at the engine, kg m2, and the torque that keeps the speed, Nm."""
        car, body = self._car, self._car.body
        overall = body.overall(car.controls.gear)
        inertia = car.engine.inertia
        if not overall or car.controls.parked:
            return inertia, 0.0
        radius = body.rolling_radius
        inertia += (body.moving_mass * radius**2 + body.wheel_inertia) / overall**2
        drag = 0.5 * body.air_density * body.drag_area * car.speed**2
        drag += body.rolling_coefficient * body.mass * GRAVITY
        return inertia, (drag * radius + body.driveline_drag) / overall / (1.0 - body.gear_loss)
