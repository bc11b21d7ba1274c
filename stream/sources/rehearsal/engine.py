"""The engine of the rehearsal car: torque over speed, manifold pressure and spark advance.

All figures are invented, in the range that is common for a small naturally aspirated engine.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from stream.units import Floats

REDLINE_RPM: Final = 7400.0
LIMITER_RPM: Final = 7500.0
IDLE_RPM: Final = 900.0
PULSES_PER_TURN: Final = 4
RPM_PER_RAD_S: Final = 30.0 / math.pi

_STEP_RPM = 5.0  # of the tables; linear between them
_TOP_RPM = 9000.0
_PUMPING_NM = 12.0  # at a closed throttle
_FLOW_RESERVE = 1.8  # how much more a wide-open throttle would pass than the engine swallows at redline
_FLOW_SHARPNESS = 4.0
_VACUUM_ADVANCE_DEG = 12.0  # added as the manifold empties, by the ignition as by the flame
_KNOCK_RESERVE_DEG = 20.0  # beyond what the vacuum adds, where the manifold is empty


@dataclass(frozen=True, slots=True)
class Tune:
    """A full-load ignition table: degrees before top dead centre at points of engine speed."""

    name: str
    rpm: tuple[float, ...]
    advance_deg: tuple[float, ...]

    def advance(self, rpm: Floats) -> Floats:
        """Full-load advance at each rpm, degrees before top dead centre."""
        return np.interp(rpm, self.rpm, self.advance_deg)


def best_advance(rpm: Floats) -> Floats:
    """Full-load advance that gives most torque, degrees: the flame needs more of a faster turn."""
    return 14.0 + 18.0 * (1.0 - np.exp(-rpm / 3200.0))


def _relative_to_best(name: str, points: dict[float, float]) -> Tune:
    """A tune given as degrees from best advance at points of speed, the way it was invented."""
    rpm = np.array(sorted(points))
    offsets = np.array([points[float(value)] for value in rpm])
    grid = np.arange(500.0, 8001.0, 250.0)
    advance = best_advance(grid) + np.interp(grid, rpm, offsets)
    return Tune(name, tuple(grid.tolist()), tuple(np.round(advance, 1).tolist()))


# heron is timid in the middle; plover mends that and nothing else; wren overdoes the top
TUNES: Final[dict[str, Tune]] = {
    tune.name: tune
    for tune in (
        _relative_to_best("heron", {500: -3, 3250: -3, 3750: -8, 5250: -8, 5750: -2, 8000: -2}),
        _relative_to_best("plover", {500: -3, 3250: -3, 3750: -2.5, 5250: -2.5, 5750: -2, 8000: -2}),
        _relative_to_best("wren", {500: -3, 3250: -3, 3750: -8, 5250: -8, 5750: 7, 8000: 7}),
    )
}


def burn_efficiency(off_best_deg: Floats) -> Floats:
    """Share of the best indicated torque left when the spark is this far from best (negative: late).

    About 2 % lost at 5 degrees and 6 % at 10, more on the late side, less steep than a parabola far out.
    """
    late = off_best_deg < 0
    return 1.0 - np.where(late, 6.2e-4, 5.4e-4) * off_best_deg**2 / (1.0 + np.abs(off_best_deg) / 80.0)


def knock_advance(rpm: Floats) -> Floats:
    """Full-load advance at which one firing in twenty knocks, degrees: before best where the engine turns slowly."""
    beyond_best = np.interp(rpm, [2000.0, 3000.0, 4500.0, 6500.0], [-1.0, 0.5, 3.5, 3.0])
    return np.asarray(best_advance(rpm) + beyond_best, dtype=np.float64)


def indicated_torque(rpm: Floats) -> Floats:
    """Nm at full load and best advance, before friction: a broad hump with one bump of a tuned intake."""
    hump = 150.0 * (1.0 - ((rpm - 4900.0) / 7600.0) ** 2)
    return np.asarray(hump * (1.0 + 0.025 * np.exp(-(((rpm - 5800.0) / 550.0) ** 2))), dtype=np.float64)


def friction_torque(rpm: Floats) -> Floats:
    """Nm lost to rubbing and auxiliaries at each rpm."""
    return 9.0 + 1.1e-3 * rpm + 2.0e-7 * rpm**2


class Engine:
    """One engine with one tune. Scalar methods read tables, since they run 200 times a second of driving."""

    inertia = 0.09  # kg m2, crank, flywheel and clutch

    def __init__(self, tune: Tune) -> None:
        self.tune = tune
        rpm = np.arange(0.0, _TOP_RPM + _STEP_RPM, _STEP_RPM)
        drive = indicated_torque(rpm) * burn_efficiency(tune.advance(rpm) - best_advance(rpm))
        self._drive: list[float] = (drive + _PUMPING_NM).tolist()
        self._loss: list[float] = (friction_torque(rpm) + _PUMPING_NM).tolist()
        self._last = len(rpm) - 2

    def _at(self, rpm: float) -> tuple[float, float]:
        place = rpm / _STEP_RPM
        index = min(max(int(place), 0), self._last)
        part = place - index
        drive, loss = self._drive, self._loss
        return (
            drive[index] + part * (drive[index + 1] - drive[index]),
            loss[index] + part * (loss[index + 1] - loss[index]),
        )

    def torque(self, rpm: float, pressure: float) -> float:
        """Nm at the flywheel; `pressure` is manifold over outside pressure, 0 to 1."""
        drive, loss = self._at(rpm)
        return pressure * drive - loss

    def pressure(self, rpm: float, throttle: float) -> float:
        """Manifold over outside pressure that a throttle opening (0 to 1) settles at."""
        area = 1.0 - math.cos(0.5 * math.pi * throttle)  # a butterfly's opening
        flow: float = area * _FLOW_RESERVE * REDLINE_RPM / max(rpm, 100.0)
        return float(flow / (1.0 + flow**_FLOW_SHARPNESS) ** (1.0 / _FLOW_SHARPNESS))

    def throttle_for(self, rpm: float, torque: float) -> float:
        """The throttle opening (0 to 1) that settles at this torque, or the nearest that can be had."""
        drive, loss = self._at(rpm)
        pressure = (torque + loss) / drive
        if pressure <= 0.0:
            return 0.0
        if pressure >= 0.995:
            return 1.0
        flow = pressure / (1.0 - pressure**_FLOW_SHARPNESS) ** (1.0 / _FLOW_SHARPNESS)
        area: float = flow * max(rpm, 100.0) / (_FLOW_RESERVE * REDLINE_RPM)
        return 1.0 if area >= 1.0 else math.acos(1.0 - area) * 2.0 / math.pi

    def beyond_knock(self, rpm: Floats, pressure: Floats) -> Floats:
        """Degrees beyond the advance at which knock begins; below zero: before it. An emptier manifold knocks later."""
        return self.tune.advance(rpm) - knock_advance(rpm) - _KNOCK_RESERVE_DEG * (1.0 - pressure)

    def advance(self, rpm: Floats, pressure: Floats) -> Floats:
        """The advance that is there: the tune's full-load table plus what an emptier manifold adds."""
        return self.tune.advance(rpm) + _VACUUM_ADVANCE_DEG * (1.0 - pressure)
