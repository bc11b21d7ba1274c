"""Where a hold lies among the targets, as well as that is known so far.

The provisional line may be wrong by 30 %, so at first only order and rough nearness count. Each hold that is taken
teaches the line; from the third on a fit tells where a hold lies and how well.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stream.calibrate.speed.align import Row, readings
from stream.calibrate.speed.match import AMBIGUOUS
from stream.calibrate.speed.speed_model import SpeedFit
from stream.live.records import Hold

_SLOPE_WRONG = 0.43  # share by which the true speed may differ where the provisional slope is 30 % too small
_ZERO_WRONG_RPM = 150.0
_SHARE_OF_GAP = 0.45  # of the way to the next target: farther is another speed
_BEND, _LEAST_ROOM_RPM = 1.5, 200.0  # room for a converter that is not quite straight
_UNASKED_RPM = 150.0  # a target that is not asked yet must be met closely
_IDLE_SHARE, _IDLE_SD_RPM, _ABOVE_IDLE_RPM = 0.85, 8.0, 1200.0
_SAME_SIGNAL_RPM, _OTHER_TARGET_RPM = 25.0, 100.0


@dataclass(frozen=True, slots=True)
class Place:
    """Engine speed of a signal as it is believed now, rpm, and by how much that may be wrong (about 95 %)."""

    rpm: float
    wrong_by: float


@dataclass(frozen=True, slots=True)
class Known:
    """What is known so far: the provisional line (rpm per unit, rpm at zero), the holds that were taken with their
    targets, in time order, and the running fit from the third on."""

    line: tuple[float, float]
    taken: tuple[tuple[Hold, float], ...] = ()
    fit: SpeedFit | None = None
    reading_error_rpm: float = 50.0

    @property
    def proved(self) -> bool:
        """Whether the place of a signal no longer rests on the provisional slope."""
        return self.fit is not None

    def place(self, signal: float) -> Place:
        """Where a signal lies."""
        speed = self.line[0] * signal + self.line[1]
        if self.fit is not None:
            uncertainty = float(np.hypot(self.fit.u_rpm(signal, scale=False), self.reading_error_rpm))
            return Place(float(self.fit.rpm(signal)), 2.0 * uncertainty)
        if not self.taken:
            return Place(speed, _SLOPE_WRONG * abs(self.line[0] * signal) + _ZERO_WRONG_RPM)
        x = np.array([self.line[0] * hold.signal_mean + self.line[1] for hold, _ in self.taken])
        rpm = np.array([target for _, target in self.taken])
        if len(self.taken) == 1 or np.ptp(x) < _OTHER_TARGET_RPM:
            away = speed - float(x[-1])
            return Place(float(rpm[-1]) + away, _SLOPE_WRONG * abs(away) + 2.0 * self.reading_error_rpm)
        slope, value = (float(number) for number in np.polyfit(x - x.mean(), rpm, 1))
        spread = float(np.sum((x - x.mean()) ** 2))
        uncertainty = self.reading_error_rpm * (1.0 + 1.0 / len(x) + (speed - float(x.mean())) ** 2 / spread) ** 0.5
        return Place(value + slope * (speed - float(x.mean())), 2.0 * uncertainty)

    def same_signal(self, hold: Hold, target: float) -> float | None:
        """A target of another speed at which the signal was the very same: it does not follow the engine."""
        for other, rpm in self.taken:
            away = abs(self.line[0] * (hold.signal_mean - other.signal_mean))
            if away < _SAME_SIGNAL_RPM and abs(rpm - target) >= _OTHER_TARGET_RPM:
                return rpm
        return None

    def near(self, signal: float, target: float, targets: Sequence[float]) -> bool:
        """Whether a signal may be this target, which is asked for."""
        place = self.place(signal)
        room = _SHARE_OF_GAP * gap(target, targets)
        closely = min(room, max(_BEND * place.wrong_by, _LEAST_ROOM_RPM))
        return abs(place.rpm - target) <= (closely if self.proved else max(room, place.wrong_by))

    def near_unasked(self, signal: float, targets: Sequence[float], open_ones: Sequence[float]) -> float | None:
        """The target that a signal is although another one is asked for; only once that can be told."""
        if not self.proved or not open_ones:
            return None
        rpm = self.place(signal).rpm
        nearest = min(open_ones, key=lambda target: abs(target - rpm))
        reach = min(_UNASKED_RPM, _SHARE_OF_GAP * gap(nearest, targets))
        return nearest if abs(nearest - rpm) <= reach else None

    def idles(self, hold: Hold, target: float) -> bool:
        """Whether a first hold is an engine left to itself: slower than the target and without a foot's wander."""
        slow = hold.speed_rpm < _IDLE_SHARE * target and target > _ABOVE_IDLE_RPM
        return not self.taken and slow and hold.speed_sd_rpm < _IDLE_SD_RPM


def gap(target: float, targets: Sequence[float]) -> float:
    """Distance to the nearest other target, rpm."""
    return min((abs(other - target) for other in targets if other != target), default=2.0 * target)


def reread(
    holds: Sequence[Hold],
    assigned: Sequence[float | None],
    asked: Sequence[float],
    zero_rpm: float,
    reading_error: float,
    margin: float = AMBIGUOUS,
    hz: Sequence[float | None] = (),
) -> tuple[float | None, ...] | None:
    """A reading of the whole row that is much likelier than the one at hand; None where there is none.

    holds: all so far; assigned: their targets now; asked: the targets that were asked for until now; margin: in
    -2 ln(likelihood), by how much it must be likelier; hz: pulse frequency of each hold where it is known.
    """
    speed = np.array([hold.speed_rpm for hold in holds])
    targets = np.unique(np.asarray(asked, np.float64))
    if len(targets) < 3 or len(holds) < 3 or np.ptp(speed) < _OTHER_TARGET_RPM:
        return None
    sigma = np.sqrt(max(reading_error, 30.0) ** 2 + (0.005 * targets) ** 2)
    slowest, *others = sorted(holds, key=lambda hold: hold.speed_rpm)
    calm = slowest.speed_sd_rpm < 0.6 * float(np.median([hold.speed_sd_rpm for hold in others]))
    known = np.array([np.nan if value is None else value for value in hz]) if len(hz) else None
    ranked = [
        (reading.cost, tuple(None if label < 0 else float(targets[label]) for label in reading.labels))
        for reading in readings(Row(speed, targets, sigma, zero_rpm, calm=calm, hz=known))
    ]
    if not ranked:
        return None
    here = next((cost for cost, rpm in ranked if _agrees(rpm, assigned)), float("inf"))
    rivals = [cost for cost, rpm in ranked[1:] if not _agrees(rpm, ranked[0][1])]
    clear = not rivals or rivals[0] - ranked[0][0] > AMBIGUOUS or np.isfinite(here)
    return ranked[0][1] if clear and here - ranked[0][0] > margin else None


def _agrees(one: Sequence[float | None], other: Sequence[float | None]) -> bool:
    return all(b is None or a == b for a, b in zip(one, other, strict=True))
