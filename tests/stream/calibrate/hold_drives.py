"""Hold drives for tests, drawn by a generator of their own: the truth is a converter's line, nothing of the project."""

from dataclasses import dataclass, field

import numpy as np

from stream.live.records import Hold, Pinned

SLOPE, ZERO = 1720.0, -430.0  # rpm per volt, rpm at 0 V


@dataclass
class HoldDrive:
    """A drive along a row of speeds: holds and pinned stretches as the live stage would record them, and the truth.

    provisional  factor of the provisional slope; provisional_zero the provisional rpm at 0 V
    dead, ceiling  rpm below and above which the signal is stuck; `as_holds`: stuck stretches are recorded as holds
    reading      standard deviation of the reference's reading, rpm; scale: its shared scale error, as a factor
    """

    seed: int
    provisional: float = 1.0
    provisional_zero: float = ZERO
    reading: float = 30.0
    scale: float = 1.0
    wander: float = 30.0
    dead: float | None = None
    ceiling: float | None = None
    as_holds: bool = False
    bend: float = 0.0
    holds: list[Hold] = field(default_factory=list)
    pinned: list[Pinned] = field(default_factory=list)
    truth: list[float | None] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)
        self.now = 0.0
        self.stuck: list[float] | None = None

    def idle(self, rpm: float = 900.0, seconds: float = 9.0) -> "HoldDrive":
        """An idling engine: no target, little wander."""
        return self._hold(rpm, None, seconds, 6.0)

    def row(self, *targets: float, skip: tuple[float, ...] = ()) -> "HoldDrive":
        """Hold each target by foot in this order."""
        for target in targets:
            if target not in skip:
                true = target * self.scale + self.rng.normal(0.0, self.reading)
                self._hold(true, target, self.rng.uniform(4.5, 8.0), self.wander)
        return self

    def stray(self, rpm: float) -> "HoldDrive":
        """A steady speed that is no target."""
        return self._hold(rpm, None, self.rng.uniform(4.0, 6.0), self.wander)

    def _volts(self, rpm: np.ndarray) -> np.ndarray:
        volts = (rpm - ZERO) / SLOPE
        volts = volts + self.bend * 4.0 * (volts / 4.5) * (1.0 - volts / 4.5)
        low = -np.inf if self.dead is None else (self.dead - ZERO) / SLOPE
        high = np.inf if self.ceiling is None else (self.ceiling - ZERO) / SLOPE
        return np.clip(volts, low, high)

    def _hold(self, rpm: float, target: float | None, seconds: float, wander: float) -> "HoldDrive":
        start, end = self.now, self.now + seconds
        self.now = end + self.rng.uniform(1.5, 4.0)
        at = None
        if self.dead is not None and rpm <= self.dead:
            at = "bottom"
        elif self.ceiling is not None and rpm >= self.ceiling:
            at = "top"
        if at is not None:
            self._stick(start, self.now, float(self._volts(np.array([rpm]))[0]), at)
            return self
        self.stuck = None
        count = int(seconds * 20)
        noise = np.zeros(count)
        for index in range(1, count):  # a foot: first-order wander of one second
            noise[index] = 0.95 * noise[index - 1] + self.rng.normal(0.0, 0.31)
        noise[0] = 0.0
        volts = self._volts(rpm + wander * noise) + self.rng.normal(0.0, 0.002, count)
        batches = volts[: count // 6 * 6].reshape(6, -1).mean(axis=1)
        self._record(start, end, float(volts.mean()), float(batches.std(ddof=1) / 6**0.5), float(volts.std()), target)
        return self

    def _record(self, start: float, end: float, mean: float, sem: float, sd: float, target: float | None) -> None:
        slope = SLOPE * self.provisional
        self.holds.append(
            Hold(
                start_s=start,
                end_s=end,
                signal_mean=mean,
                signal_sem=sem,
                speed_rpm=slope * mean + self.provisional_zero,
                speed_sd_rpm=slope * sd,
                drift_rpm_per_s=0.0,
                load_mean=None,
                n_effective=6.0,
            )
        )
        self.truth.append(target)

    def _stick(self, start: float, end: float, volts: float, at: str) -> None:
        """Stuck stretches that follow each other are one stretch, for nothing moves between them."""
        first = start if self.stuck is None else self.stuck[0]
        if self.stuck is not None:
            (self.holds if self.as_holds else self.pinned).pop()
            if self.as_holds:
                self.truth.pop()
        self.stuck = [first]
        if self.as_holds:
            self._record(first, end, volts, 1e-4, 0.0015, None)
        else:
            self.pinned.append(Pinned(start_s=first, end_s=end, signal=volts, at=at))
