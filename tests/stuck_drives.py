"""Hold drives on converters that are dead below one speed and stuck above another, for tests.

A generator of its own, nothing of the project; the truth is the converter's line and the speeds that were driven.
Volts = (rpm + 430) / 1720 while the converter lives, smoothed by one RC stage, with a ripple of `pulses` a turn and
white noise, counted by a 12-bit input of 5 V. Below `dead_rpm` it gives `stuck_v` and above `ceiling_rpm` its top, both
without ripple: no pulse comes through there. The second channel is a link that feels speed and acceleration.
"""

from dataclasses import dataclass, field

import numpy as np

RPM_PER_V, RPM_AT_0V = 1720.0, -430.0
CAR = """
[car]
name = "hill-climb special"
[engine]
pulses_per_turn = {pulses}
[[channel]]
name = "speed_v"
role = "engine_speed"
unit = "V"
range = [-0.1, 4.95]
rpm_per_unit = {slope}
rpm_at_zero = {zero}
[[channel]]
name = "link"
role = "load"
unit = "mV/V"
range = [-2.0, 2.0]
"""


def car_text(slope_error: float = 1.0, pulses: float = 4.0) -> str:
    """The car file: a provisional slope wrong by this factor, and the pulses a turn that its maker assumes."""
    return CAR.format(slope=RPM_PER_V * slope_error, zero=RPM_AT_0V, pulses=pulses)


@dataclass
class StuckDrive:
    """Call idle, hold and go in turn; then `samples`. holds: (start s, end s, target rpm, true mean rpm)."""

    seed: int = 0
    rate_hz: float = 1000.0
    pulses: float = 4.0
    dead_rpm: float = 0.0
    stuck_v: float = 0.45
    ceiling_rpm: float = 1e9
    ripple_v: float = 0.008
    noise_v: float = 0.003
    reading_rpm: float = 20.0
    now: float = 900.0
    parts: list[np.ndarray] = field(default_factory=list)
    holds: list[tuple[float, float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng([self.seed, 77])

    @property
    def time_s(self) -> float:
        return sum(len(part) for part in self.parts) / self.rate_hz

    def _swing(self, seconds: float, amplitude: float) -> np.ndarray:
        t = np.arange(round(seconds * self.rate_hz)) / self.rate_hz
        waves = [np.sin(2 * np.pi * t / self.rng.uniform(1.2, 5) + self.rng.uniform(0, 6.28)) for _ in range(3)]
        ease = np.minimum(1.0, np.minimum(t, t[::-1]) / 0.3)
        return amplitude * np.mean(waves, axis=0) * ease

    def go(self, rpm: float, rpm_per_s: float = 400.0) -> "StuckDrive":
        """Another speed, by a steady ramp."""
        count = max(1, round(abs(rpm - self.now) / rpm_per_s * self.rate_hz))
        self.parts.append(np.linspace(self.now, rpm, count))
        self.now = rpm
        return self

    def idle(self, seconds: float = 6.0, rpm: float = 900.0) -> "StuckDrive":
        """The engine left to itself: no target."""
        self.go(rpm)
        self.parts.append(rpm + self._swing(seconds, 6.0))
        return self

    def hold(self, *targets: float, seconds: float | None = None) -> "StuckDrive":
        """Each target in this order, read off a needle and held by foot."""
        for target in targets:
            true = target + self.rng.normal(0.0, self.reading_rpm)
            self.go(true, self.rng.uniform(250, 500))
            start = self.time_s
            length = self.rng.uniform(5.0, 7.5) if seconds is None else seconds
            self.parts.append(true + self._swing(length, self.rng.uniform(20, 45)))
            self.holds.append((start, self.time_s, target))
        return self

    @property
    def rpm(self) -> np.ndarray:
        return np.concatenate(self.parts)

    def samples(self) -> np.ndarray:
        """float32 (n, 2): converter volts and link."""
        rpm = self.rpm
        dead, high = rpm < self.dead_rpm, rpm > self.ceiling_rpm
        volts = np.where(dead, self.stuck_v, np.minimum(rpm, self.ceiling_rpm) / RPM_PER_V - RPM_AT_0V / RPM_PER_V)
        keep = np.exp(-1.0 / (0.015 * self.rate_hz))  # one RC stage of 15 ms
        smooth = np.empty_like(volts)
        level = volts[0]
        for index, value in enumerate(volts.tolist()):
            level = keep * level + (1.0 - keep) * value
            smooth[index] = level
        turns = np.cumsum(rpm) / 60.0 / self.rate_hz
        smooth += self.ripple_v * np.sin(2 * np.pi * self.pulses * turns) * ~(dead | high)
        smooth += self.noise_v * self.rng.normal(size=len(rpm))
        step = 5.0 / 4096
        counted = np.clip(np.round(smooth / step), 0, 4095) * step
        gain = np.gradient(rpm) * self.rate_hz
        link = 0.1 + 2e-5 * rpm + 2e-4 * gain + 0.015 * self.rng.normal(size=len(rpm))
        return np.column_stack((counted, link)).astype(np.float32)
