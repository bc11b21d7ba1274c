"""CSV logs of pulls on two tunes, drawn by a generator of their own: nothing here calls the project's models.

Full load is a hump over speed; the car gains speed in proportion to it. The converter is one resistor and capacitor.
"""

import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.signal import lfilter

RPM_PER_V, RPM_AT_0V = 1650.0, -330.0
LOW_RPM, HIGH_RPM = 2000.0, 6600.0
STEP_S = 0.001  # the motion's own step; the log takes every so manyth
TIP_IN_STEPS = 200
LIFT_RPM = 4200.0


def full_load(rpm: np.ndarray, change: float = 0.0, low: float = 3500.0, high: float = 5000.0) -> np.ndarray:
    """Load at full throttle, mV/V; `change` is what a tune adds between two speeds, with edges 200 rpm wide."""
    hump = 0.85 * (1.0 - ((rpm - 4300.0) / 6500.0) ** 2)
    rise = 1.0 / (1.0 + np.exp(-(rpm - low) / 50.0)) - 1.0 / (1.0 + np.exp(-(rpm - high) / 50.0))
    return hump * (1.0 + change * rise)


def _full_load_at(rpm: float, change: float) -> float:
    """`full_load` of one speed: a drive asks for it a thousand times a second."""
    rise = 1.0 / (1.0 + math.exp(-(rpm - 3500.0) / 50.0)) - 1.0 / (1.0 + math.exp(-(rpm - 5000.0) / 50.0))
    return 0.85 * (1.0 - ((rpm - 4300.0) / 6500.0) ** 2) * (1.0 + change * rise)


def true_change_pct(rpm: float, width: float, change: float, **more: float) -> float:
    """Change of the mean over a band, %."""
    grid = np.linspace(rpm - width / 2, rpm + width / 2, 2001)
    return 100.0 * float(full_load(grid, change, **more).mean() / full_load(grid).mean() - 1.0)


@dataclass
class LogPlan:
    """What one session's log is like. Loads in the log are sign * (load * scale) + zero."""

    seed: int
    change: float = 0.0
    pulls: int = 4
    rate_hz: float = 200.0
    lag_s: float = 0.05
    zero: float = 0.0
    scale: float = 1.0
    sign: int = 1
    scatter: float = 0.01
    noise: float = 0.01
    gain: float = 650.0  # rpm/s per mV/V: the gear
    lifts: tuple[int, ...] = ()  # pulls in which the foot comes off on the way
    extra: dict[str, float] = field(default_factory=dict)  # further columns, each with its mean

    def motion(self) -> tuple[np.ndarray, np.ndarray]:
        """(rpm, load in mV/V) every STEP_S."""
        rng = np.random.default_rng(self.seed)
        rpm: list[np.ndarray] = []
        load: list[np.ndarray] = []
        self._cruise(rpm, load, 4.0)
        for number in range(self.pulls):
            level = 1.0 + rng.normal(0.0, self.scatter)
            self._pull(rpm, load, level, lift=number in self.lifts)
            self._fall(rpm, load)
            self._cruise(rpm, load, 3.0)
        return np.concatenate(rpm), np.concatenate(load)

    def _cruise(self, rpm: list[np.ndarray], load: list[np.ndarray], seconds: float) -> None:
        steps = round(seconds / STEP_S)
        rpm.append(LOW_RPM + 15.0 * np.sin(np.arange(steps) * STEP_S * 2.0))
        load.append(np.full(steps, 0.1))

    def _pull(self, rpm: list[np.ndarray], load: list[np.ndarray], level: float, lift: bool) -> None:
        speeds, loads, now = [], [], LOW_RPM
        for step in range(TIP_IN_STEPS):  # the throttle takes a fifth of a second
            push = 0.1 + (level * _full_load_at(now, self.change) - 0.1) * step / TIP_IN_STEPS
            speeds.append(now)
            loads.append(push)
            now += self.gain * (push - 0.1) * STEP_S
        parts = [np.array(speeds)], [np.array(loads)]
        if lift:
            now = self._full(parts, level, now, LIFT_RPM)
            off = np.full(round(0.5 / STEP_S), 0.05)
            parts[0].append(now + self.gain * (0.05 - 0.1) * STEP_S * np.arange(len(off)))
            parts[1].append(off)
            now = float(parts[0][-1][-1])
        self._full(parts, level, now, HIGH_RPM)
        rpm.extend(parts[0])
        load.extend(parts[1])

    def _full(self, parts: tuple[list[np.ndarray], list[np.ndarray]], level: float, start: float, end: float) -> float:
        """Full throttle from one speed to another: time as an integral over speed, turned round; the last speed."""
        grid = np.linspace(start, end, 3000)
        middle = (grid[1:] + grid[:-1]) / 2
        rate = self.gain * (level * full_load(middle, self.change) - 0.1)
        time = np.concatenate(([0.0], np.cumsum(np.diff(grid) / rate)))
        speeds = np.interp(np.arange(0.0, time[-1], STEP_S), time, grid)
        parts[0].append(speeds)
        parts[1].append(level * full_load(speeds, self.change))
        return float(end)

    def _fall(self, rpm: list[np.ndarray], load: list[np.ndarray]) -> None:
        speeds = np.arange(HIGH_RPM, LOW_RPM, -700.0 * STEP_S)
        rpm.append(speeds)
        load.append(0.1 - 0.2 * np.minimum(np.arange(len(speeds)) * STEP_S / 0.2, 1.0))

    def columns(self) -> dict[str, np.ndarray]:
        """time, volts, load and the extras as logged."""
        rng = np.random.default_rng([self.seed, 1])
        rpm, load = self.motion()
        volts = (rpm - RPM_AT_0V) / RPM_PER_V
        if self.lag_s:
            keep = np.exp(-STEP_S / self.lag_s)
            volts = lfilter([1.0 - keep], [1.0, -keep], volts, zi=[keep * volts[0]])[0]
        every = round(1.0 / (STEP_S * self.rate_hz))
        volts, load = volts[::every], load[::every]
        count = len(volts)
        return {
            "time": np.arange(count) / self.rate_hz,
            "volts": volts + 0.003 * rng.standard_normal(count),
            "load": self.sign * self.scale * (load + self.noise * rng.standard_normal(count)) + self.zero,
            **{name: mean + 0.003 * rng.standard_normal(count) for name, mean in self.extra.items()},
        }


def write_log(path: Path, plan: LogPlan, names: dict[str, str], order: tuple[str, ...]) -> None:
    """A CSV log; `names` gives each column its header, `order` the columns from left to right."""
    columns = plan.columns()
    order = (*order, *(name for name in columns if name not in order))
    head = ",".join(names.get(name, name) for name in order)
    np.savetxt(path, np.column_stack([columns[name] for name in order]), "%.6f", ",", header=head, comments="")


def car_text(
    *,
    lag_s: float | None = 0.05,
    name: str = "hill-climb special",
    speed: str = "volts",
    load: str = "load",
    unit: str = "mV/V",
    more_load: str = "",
    more: str = "",
) -> str:
    """A car file for such logs."""
    lag = "" if lag_s is None else f"lag_s = {lag_s}"
    return f"""
[car]
name = "{name}"
[[channel]]
name = "time"
role = "time"
unit = "s"
[[channel]]
name = "{speed}"
role = "engine_speed"
unit = "V"
rpm_per_unit = {RPM_PER_V}
rpm_at_zero = {RPM_AT_0V}
{lag}
[[channel]]
name = "{load}"
role = "load"
unit = "{unit}"
{more_load}
{more}
"""
