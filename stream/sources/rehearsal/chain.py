"""What the measuring chain of one session is like: its constants and its faults."""

from dataclasses import dataclass, field
from typing import Final

STANDING_V: Final = 0.25
REDLINE_V: Final = 4.55


@dataclass(frozen=True, slots=True)
class Converter:
    """Pulse frequency to volts: two smoothing stages, lag = the sum of both, and the ripple they leave.

    `scale_error` is of the slope; below `dead_below_rpm` and above
    `ceiling_rpm` the output stays where it was there.
    """

    smoothing_s: tuple[float, float] = (0.012, 0.008)
    scale_error: float = 0.0
    dead_below_rpm: float | None = None
    ceiling_rpm: float | None = None
    noise_v: float = 0.002


@dataclass(frozen=True, slots=True)
class Link:
    """Trailing link with a full bridge; forces are those at the driven axle's tyres, newtons."""

    newtons_per_unit: float = 2900.0  # per mV/V
    sign: int = 1
    zero_sd: float = 0.02  # mV/V, one draw per session
    heat_drift: float = 0.012  # mV/V, what a hot link ends at
    heat_s: float = 500.0
    hop_hz: float = 12.5
    hop_damping: float = 0.12
    hop_n: float = 45.0  # standard deviation at 20 m/s
    firing_n: float = 35.0  # amplitude at full load
    bush_n: float = 20.0  # half the play of the bush's friction
    brake_crosstalk: float = 0.25  # extra newtons per newton of the driven axle's brake
    turn_crosstalk_n: float = 45.0  # per m/s2 sideways
    noise: float = 0.0015  # mV/V


@dataclass(frozen=True, slots=True)
class Adc:
    """The device's converters: bits, input ranges, and how often a stretch of samples goes missing."""

    bits: int = 16
    speed_range: tuple[float, float] = (0.0, 5.0)
    link_range: tuple[float, float] = (-2.048, 2.048)
    losses_per_minute: float = 0.0
    longest_loss: int = 30


@dataclass(frozen=True, slots=True)
class Chain:
    """Everything between the car and the wire. `extra` names further channels, see extra.py."""

    rate_hz: float = 1000.0
    converter: Converter = field(default_factory=Converter)
    link: Link = field(default_factory=Link)
    adc: Adc = field(default_factory=Adc)
    extra: tuple[str, ...] = ()
