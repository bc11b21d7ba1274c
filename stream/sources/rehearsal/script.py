"""The steps a drive is written in."""

from dataclasses import dataclass
from typing import Literal

from stream.live.records import PullFault

TrackKind = Literal["hold", "pause", "sweep", "move"]


@dataclass(frozen=True, slots=True)
class Stand:
    """Parked, in neutral, brakes off, level, the engine on idle or off."""

    seconds: float
    engine_on: bool = True


@dataclass(frozen=True, slots=True)
class PullAway:
    """From standing, first gear, until the clutch has locked."""


@dataclass(frozen=True, slots=True)
class Shift:
    """Clutch, gear lever, clutch: half a second off the throttle."""

    gear: int


@dataclass(frozen=True, slots=True)
class Track:
    """Bring the engine to a speed by the needle at a given rate, then keep it there for `dwell_s`.

    In gear on the road, or in neutral standing. Only the dwell of a `hold` is a hold in the truth.
    """

    to_rpm: float
    rate_rpm_s: float = 350.0
    dwell_s: float = 0.0
    kind: TrackKind = "move"


@dataclass(frozen=True, slots=True)
class Pull:
    """Full throttle in the gear that is in, up to a speed, then lift; one flaw may be planted at `at_rpm`."""

    to_rpm: float = 6900.0
    fault: PullFault | None = None
    at_rpm: float = 4300.0


@dataclass(frozen=True, slots=True)
class Coast:
    """Roll in neutral for a time, or until the car is slower than `to_mps`, the engine on idle."""

    seconds: float
    to_mps: float = 0.0


@dataclass(frozen=True, slots=True)
class Corner:
    """Turn steadily in the gear that is in, the engine kept where it is."""

    seconds: float
    lateral: float = 4.0


@dataclass(frozen=True, slots=True)
class Stop:
    """Out of gear and brake to a standstill."""

    brake_n: float = 2500.0


@dataclass(frozen=True, slots=True)
class TurnRound:
    """Standing, turn the car: wind and grade come from the other side afterwards."""


Step = Stand | PullAway | Shift | Track | Pull | Coast | Corner | Stop | TurnRound
