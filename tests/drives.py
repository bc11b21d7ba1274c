"""Drives for tests, drawn by a generator of their own: nothing here calls the project's models or formulas.

Speed is given in rpm over time; the converter is the line of the invented scenario: 0.25 V standing, 4.55 V at 7 400.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import Car, parse_car
from stream.live.stage import LiveStage

RPM_PER_V, RPM_AT_0V = 7400.0 / 4.3, -7400.0 / 4.3 * 0.25

CAR = """
[car]
name = "hill-climb special"
[[channel]]
name = "speed_v"
role = "engine_speed"
unit = "V"
range = [0.0, 4.9]
rpm_per_unit = {slope}
rpm_at_zero = {zero}
[[channel]]
name = "link"
role = "load"
unit = "mV/V"
range = [-2.0, 2.0]
"""


def car(slope_error: float = 1.0, extra: str = "") -> Car:
    """The scenario's car with a provisional slope that is wrong by a factor."""
    return parse_car(CAR.format(slope=RPM_PER_V * slope_error, zero=RPM_AT_0V) + extra)


def foot(rng: np.random.Generator, t: np.ndarray, amplitude: float) -> np.ndarray:
    """A foot that wanders: three sines of 1 to 5 s period, largest swing `amplitude`, eased in and out."""
    swing = sum(
        share * np.sin(2 * np.pi * t / rng.uniform(1, 5) + rng.uniform(0, 2 * np.pi))
        for share in rng.dirichlet(np.ones(3))
    )
    ease = np.minimum(1.0, np.minimum(t, t[::-1]) / 0.3)
    return amplitude * swing / max(float(np.max(np.abs(swing))), 1e-9) * ease


@dataclass
class Plan:
    """A drive in the making: call hold, ramp and stand in turn, then take `rpm` and `holds`."""

    seed: int
    rate_hz: float = 200.0

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)
        self.parts: list[np.ndarray] = []
        self.holds: list[tuple[float, float, float]] = []
        self.now = 0.0

    @property
    def time_s(self) -> float:
        return sum(len(part) for part in self.parts) / self.rate_hz

    def _times(self, seconds: float) -> np.ndarray:
        return np.arange(round(seconds * self.rate_hz)) / self.rate_hz

    def hold(self, rpm: float, seconds: float, amplitude: float | None = None) -> "Plan":
        """Hold a speed by foot; counted among `holds`."""
        amplitude = self.rng.uniform(20, 50) if amplitude is None else amplitude
        start = self.time_s
        t = self._times(seconds)
        self.parts.append(rpm + foot(self.rng, t, amplitude))
        self.holds.append((start, start + seconds, rpm))
        self.now = rpm
        return self

    def pause(self, seconds: float) -> "Plan":
        """Stay where one is, not counted as a hold."""
        self.parts.append(np.full(len(self._times(seconds)), self.now))
        return self

    def ramp(self, rpm: float, rpm_per_s: float) -> "Plan":
        """Go to a speed at a steady rate."""
        t = self._times(abs(rpm - self.now) / rpm_per_s)
        self.parts.append(self.now + np.sign(rpm - self.now) * rpm_per_s * t)
        self.now = rpm
        return self

    @property
    def rpm(self) -> np.ndarray:
        return np.concatenate(self.parts)

    def samples(self, noise_v: float = 0.004, low_v: float = -np.inf, high_v: float = np.inf) -> np.ndarray:
        """The two channels: converter volts, stuck below `low_v` and above `high_v`; and a link that feels
        acceleration, speed, wheel hop and noise."""
        rpm = self.rpm
        volts = np.clip((rpm - RPM_AT_0V) / RPM_PER_V, low_v, high_v) + self.rng.normal(size=len(rpm)) * noise_v
        t = np.arange(len(rpm)) / self.rate_hz
        gain = np.gradient(rpm) * self.rate_hz
        link = (
            0.1 + 2e-5 * rpm + 2e-4 * gain + 0.02 * np.sin(2 * np.pi * 12 * t) + 0.02 * self.rng.normal(size=len(rpm))
        )
        return np.column_stack((volts, link)).astype(np.float32)


INFO_CHANNELS = (ChannelInfo("speed_v", "V"), ChannelInfo("link", "mV/V"))


def info(rate_hz: float) -> StreamInfo:
    """The stream of the two channels."""
    return StreamInfo(rate_hz, INFO_CHANNELS)


def run_stage(
    samples: np.ndarray,
    rate_hz: float,
    the_car: Car | None = None,
    cuts: list[int] | None = None,
    gaps: dict[int, int] | None = None,
) -> LiveStage:
    """Push samples through a live stage: cut at the rows `cuts`, with gaps {row: samples lost before it}."""
    stage = LiveStage(car() if the_car is None else the_car, info(rate_hz))
    gaps = gaps or {}
    borders = sorted({0, len(samples), *(cuts if cuts is not None else range(0, len(samples), 500)), *gaps})
    lost_so_far = 0
    for start, end in pairwise(borders):
        lost = gaps.get(start, 0)
        lost_so_far += lost
        stage.push(Block(samples[start:end], start + lost_so_far, rate_hz, lost=lost))
    stage.finish()
    return stage


# A row of held speeds, for tests that begin with a recorded hold drive.
TARGETS = (1500.0, 2000.0, 3000.0, 4000.0, 5000.0, 6000.0)
ROW = ",".join(f"{rpm:.0f}" for rpm in TARGETS)
CAR_TEXT = CAR.format(slope=RPM_PER_V * 1.2, zero=RPM_AT_0V)


def hold_plan(seed: int, targets: tuple[float, ...] = TARGETS, seconds: float = 6.0) -> Plan:
    """Idle, then each target held by foot."""
    plan = Plan(seed)
    plan.now = 900.0
    plan.hold(900.0, 6.0, 6.0)
    for rpm in targets:
        plan.ramp(rpm, 500.0).hold(rpm, seconds)
    return plan.ramp(2000.0, 900.0)
