"""What the live stage finds, as plain records; the fields are those of the JSON and of the session's tables.

Times are seconds from the session's first sample, lost time included. `signal_*` is in the speed channel's own unit.
None is 'cannot be known'.

Beside them what the live stage and the drive show of themselves: immutable snapshots that any thread may read.
"""

from dataclasses import dataclass
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt

PullFault = Literal[
    "wheelspin",
    "lift",
    "gear-change",
    "part-throttle",
    "brake",
    "cornering",
    "bump",
    "clipped",
    "lost-samples",
    "too-short",
    "too-quick",
    "zero-drifted",
    "over-limit",
]


class Hold(msgspec.Struct, frozen=True, kw_only=True):
    """A stretch of steady engine speed. `signal_sem` honours autocorrelation; `n_effective` says how many independent
    values the mean is worth, so that its interval needs Student's t with one less."""

    start_s: float
    end_s: float
    signal_mean: float
    signal_sem: float
    speed_rpm: float
    speed_sd_rpm: float
    drift_rpm_per_s: float
    load_mean: float | None
    n_effective: float


class Pinned(msgspec.Struct, frozen=True, kw_only=True):
    """A stretch in which the speed signal is stuck at one value while the engine is not."""

    start_s: float
    end_s: float
    signal: float
    at: Literal["bottom", "top"]


class Pull(msgspec.Struct, frozen=True, kw_only=True):
    """A sustained rise of speed under high load, without the second kept before and after."""

    start_s: float
    end_s: float
    start_rpm: float
    end_rpm: float
    tune: str
    gear: int | None
    verdict: Literal["clean", "flawed"]
    faults: tuple[PullFault, ...]


@dataclass(frozen=True, slots=True)
class LiveHead:
    """How rows at the live rate are made, as it stands beside them in a session.

    filter        in words, and its group delay
    load_unit     of the rows' load; '' without one
    signal_unit   of the rows' signal
    calibration   name of the line that makes volts into rpm
    """

    rate_hz: float = 100.0
    filter: str = "none"
    delay_s: float = 0.0
    load_unit: str = ""
    signal_unit: str = ""
    calibration: str = "provisional"


@dataclass(frozen=True, slots=True)
class LiveRows:
    """New rows at the live rate: time_s float64 (n,), speed_rpm float32 (n,), load float32 (n,) in the link's unit,
    signal float32 (n,): the filtered signal that speed_rpm was made of, in the speed channel's unit.

    NaN is a tick that cannot be judged (no load channel, or the filter still settles after a gap).
    """

    time_s: npt.NDArray[np.float64]
    speed_rpm: npt.NDArray[np.float32]
    load: npt.NDArray[np.float32]
    signal: npt.NDArray[np.float32]

    def __len__(self) -> int:
        return len(self.time_s)


def join_rows(parts: list[LiveRows]) -> LiveRows:
    """Several runs of live rows as one; none gives empty rows."""
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return LiveRows(np.empty(0), *(np.empty(0, np.float32),) * 3)
    return LiveRows(
        np.concatenate([part.time_s for part in parts]),
        np.concatenate([part.speed_rpm for part in parts]),
        np.concatenate([part.load for part in parts]),
        np.concatenate([part.signal for part in parts]),
    )


@dataclass(frozen=True, slots=True)
class Steady:
    """How steady the speed is now, for the bracket that closes.

    spread_rpm   half of the span of speed over the last `min_s` (NaN before there is that much)
    band_rpm     what the half span must stay under at this speed
    steady_s     seconds of the stretch that is steady so far (0 where it is not)
    needed_s     seconds a hold needs
    holding      a hold is up
    mean_rpm     mean of the stretch, or of the last `min_s`
    """

    spread_rpm: float
    band_rpm: float
    steady_s: float
    needed_s: float
    holding: bool
    mean_rpm: float


@dataclass(frozen=True, slots=True)
class PullNow:
    """A pull that goes on: when it began and at what speed, rpm, and how fast speed rises, rpm/s."""

    start_s: float
    start_rpm: float
    gain_rpm_s: float


@dataclass(frozen=True, slots=True)
class Health:
    """The chain's health since the session began; noise is the scatter of successive raw samples / sqrt 2."""

    rate_hz: float
    rows: int
    lost_samples: int
    clipped_samples: dict[str, int]
    noise: dict[str, float]
    flat: tuple[str, ...] = ()
