"""The driver: goes through a script step by step, as generators that yield once a tick (20 ms), with a right foot
that follows a speed by feel and is never quite still.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from stream.live.records import PullFault
from stream.sources.rehearsal import script as steps
from stream.sources.rehearsal.car import GRAVITY, TICK_S, Car
from stream.sources.rehearsal.engine import IDLE_RPM, RPM_PER_RAD_S

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
        torque = resistance + inertia * ((slope_rpm_s + swing * slide) / RPM_PER_RAD_S + 2.5 * error + 1.2 * self._sum)
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


_PATIENCE_S = 60.0  # a pull or pull-away that gets nowhere is given up
_TIP_IN_S = 0.12  # the foot goes down
_LIFT_S = 0.08


@dataclass(frozen=True, slots=True)
class Needle:
    """The reference the driver reads: shows true * (1 + scale_error) + an error of reading per hold, rpm."""

    scale_error: float = 0.0
    reading_sd_rpm: float = 0.0


@dataclass(slots=True)
class Mark:
    """Something the driver did, by the clock of the motion: `kind` is hold, pull, bump, lost, rail, zero."""

    kind: str
    start_s: float
    end_s: float = 0.0
    target_rpm: float = 0.0
    gear: int = 0
    fault: PullFault | None = None


@dataclass(slots=True)
class Driver:
    """Drives `car` through `script`; what was done is in `marks`."""

    car: Car
    script: tuple[steps.Step, ...]
    needle: Needle
    rng: np.random.Generator
    marks: list[Mark] = field(default_factory=list)
    foot: Foot = field(init=False)

    def __post_init__(self) -> None:
        self.foot = Foot(self.car, self.rng)

    def act(self) -> Iterator[None]:
        """Set the controls, then yield, once a tick until the script ends."""
        for step in self.script:
            self.car.controls.brake_n = 0.0
            yield from self._go(step)

    def _go(self, step: steps.Step) -> Iterator[None]:
        match step:
            case steps.Stand():
                return self._stand(step)
            case steps.PullAway():
                return self._pull_away()
            case steps.Shift():
                return self._shift(step.gear, throttle=0.0)
            case steps.Track():
                return self._track(step)
            case steps.Pull():
                return self._pull(step)
            case steps.Coast():
                return self._coast(step)
            case steps.Corner():
                return self._corner(step)
            case steps.Stop():
                return self._stop(step)
            case steps.TurnRound():
                self.car.controls.heading *= -1
                return self._stand(steps.Stand(4.0))

    def _wait(self, seconds: float) -> Iterator[None]:
        for _ in range(round(seconds / TICK_S)):
            yield

    def _neutral(self) -> None:
        controls = self.car.controls
        controls.gear, controls.clutch_nm = 0, 0.0

    def _stand(self, step: steps.Stand) -> Iterator[None]:
        self._neutral()
        self.car.controls.parked = True
        self.car.controls.ignition = step.engine_on
        if step.engine_on and self.car.rpm < IDLE_RPM / 2:
            self.car.spin = 60.0  # the starter has done its work
        for _ in range(round(step.seconds / TICK_S)):
            if step.engine_on:
                self.foot.follow(IDLE_RPM, wander=0.25)
            else:
                self.car.controls.throttle = 0.0
            yield

    def _pull_away(self) -> Iterator[None]:
        car, controls = self.car, self.car.controls
        controls.parked, controls.gear, controls.clutch_nm = False, 1, 0.0
        overall, start = car.body.overall(1), car.time
        while car.time - start < _PATIENCE_S:
            controls.clutch_nm = min(20.0 + 30.0 * (car.time - start), 60.0)
            controls.throttle = car.engine.throttle_for(car.rpm, 0.8 * controls.clutch_nm + (2000.0 - car.rpm) * 0.03)
            if car.spin - car.wheel * overall < 3.0:
                break
            yield
        yield from self._close_clutch(0.2)

    def _close_clutch(self, seconds: float) -> Iterator[None]:
        controls, full = self.car.controls, self.car.body.clutch_nm
        start = controls.clutch_nm
        ticks = round(seconds / TICK_S)
        for tick in range(ticks):
            controls.clutch_nm = start + (full - start) * (tick + 1) / ticks
            yield

    def _shift(self, gear: int, throttle: float) -> Iterator[None]:
        controls = self.car.controls
        controls.throttle, controls.clutch_nm = 0.0, 0.0
        yield from self._wait(0.12)
        controls.gear = gear
        yield from self._wait(0.10)
        yield from self._close_clutch(0.2)
        controls.throttle = throttle

    def _track(self, step: steps.Track) -> Iterator[None]:
        wanted = self._by_needle(step)
        aim = self.car.rpm
        rate = step.rate_rpm_s if wanted > aim else -step.rate_rpm_s
        for _ in range(int(abs(wanted - aim) / (step.rate_rpm_s * TICK_S))):
            aim += rate * TICK_S
            self.foot.follow(aim, rate, wander=0.5)
            yield
        mark = Mark(step.kind, self.car.time, target_rpm=step.to_rpm, gear=self.car.controls.gear)
        self.foot.lift_to_new_mood()
        for _ in range(round(step.dwell_s / TICK_S)):
            self.foot.follow(wanted)
            yield
        mark.end_s = self.car.time
        if step.kind == "hold":
            self.marks.append(mark)

    def _by_needle(self, step: steps.Track) -> float:
        """The true speed at which the needle seems to stand on the target."""
        if step.kind in ("move", "sweep"):
            return step.to_rpm
        misread = self.needle.reading_sd_rpm * float(np.clip(self.rng.standard_normal(), -2.0, 2.0))
        return (step.to_rpm - misread) / (1.0 + self.needle.scale_error)

    def _pull(self, step: steps.Pull) -> Iterator[None]:
        car, controls = self.car, self.car.controls
        mark = Mark("pull", car.time, gear=controls.gear, fault=step.fault)
        open_to = 0.5 if step.fault == "part-throttle" else 1.0
        to_rpm = min(step.to_rpm, car.rpm + 1000.0) if step.fault == "too-short" else step.to_rpm
        planted = step.fault is None
        while car.rpm < to_rpm and car.time - mark.start_s < _PATIENCE_S:
            controls.throttle = min(controls.throttle + TICK_S / _TIP_IN_S, open_to)
            if step.fault is not None and not planted and car.rpm > step.at_rpm:
                planted = True
                yield from self._plant(step.fault)
            yield
        mark.end_s = car.time
        self.marks.append(mark)
        while controls.throttle > 0.0:
            controls.throttle = max(controls.throttle - TICK_S / _LIFT_S, 0.0)
            yield
        yield from self._wait(1.2)

    def _plant(self, fault: PullFault) -> Iterator[None]:
        """Do what spoils a pull, in the middle of it."""
        car, controls = self.car, self.car.controls
        if fault == "wheelspin":
            controls.grip = 0.38  # a wet patch, then drier and drier
            yield from self._wait(0.4)
            while controls.grip < 1.0:
                controls.grip = min(controls.grip + TICK_S, 1.0)
                yield
        elif fault == "lift":
            controls.throttle = 0.0
            yield from self._wait(0.5)
        elif fault == "gear-change":
            yield from self._shift(min(controls.gear + 1, len(car.body.ratios)), throttle=1.0)
        elif fault == "brake":
            controls.brake_n = 1200.0
            yield from self._wait(0.8)
            controls.brake_n = 0.0
        elif fault == "cornering":
            yield from self._turn(1.5, 6.0)
        else:
            sensor_side = {"bump": "bump", "clipped": "rail", "lost-samples": "lost", "zero-drifted": "zero"}
            if fault in sensor_side:
                self.marks.append(Mark(sensor_side[fault], car.time, car.time + 0.5))
        yield

    def _turn(self, seconds: float, lateral: float) -> Iterator[None]:
        """Turn in over 0.3 s, hold the turn, come out."""
        rise, ticks = round(0.3 / TICK_S), round(seconds / TICK_S)
        for tick in range(ticks):
            self.car.controls.lateral = lateral * min(1.0, tick / rise, (ticks - tick) / rise)
            yield
        self.car.controls.lateral = 0.0

    def _corner(self, step: steps.Corner) -> Iterator[None]:
        aim = self.car.rpm
        for _ in self._turn(step.seconds, step.lateral):
            self.foot.follow(aim)
            yield

    def _coast(self, step: steps.Coast) -> Iterator[None]:
        self._neutral()
        for _ in range(round(step.seconds / TICK_S)):
            if self.car.speed < step.to_mps:
                break
            self.foot.follow(IDLE_RPM, wander=0.25)
            yield

    def _stop(self, step: steps.Stop) -> Iterator[None]:
        self._neutral()
        controls, start = self.car.controls, self.car.time
        while self.car.speed > 0.15 and self.car.time - start < _PATIENCE_S:
            self.foot.follow(IDLE_RPM, wander=0.25)
            controls.brake_n = min(step.brake_n, controls.brake_n + 200.0)
            yield
        controls.brake_n, controls.parked = 0.0, True
