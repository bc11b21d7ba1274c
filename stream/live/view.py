"""What the live stage and the drive show of themselves: immutable snapshots that any thread may read."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from stream.live.records import Hold, Pull


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


@dataclass(frozen=True, slots=True)
class DriveStatus:
    """One look at a running drive.

    pull_now         the pull that goes on, None where there is none
    changed_verdicts pulls whose verdict was changed after it had been told
    targets          the speeds that are asked for, in order, and `next_target_rpm` of them; None when all are held
    target_road_kmh  what the next target means on the road, in the gear that is driven in
    target_hint      how to hold it, in words
    targets_taken    how many are held
    target_steady_s  seconds that the speed is steady near the next target
    target_speed_rpm engine speed by the running fit; NaN while only the provisional line is known; None without a guide
    doubt_rpm        largest standard doubt of the running fit over the targets, the reference's scale error left out
    until_u_rpm      the doubt at which the drive ends
    fit_text         the running fit in words
    """

    state: Literal["opening", "running", "away", "finished", "failed"]
    failure: str = ""
    recording: bool = False
    path: Path | None = None
    tune: str = ""
    time_s: float = 0.0
    speed_rpm: float = float("nan")
    load: float = float("nan")
    load_unit: str = ""
    steady: Steady | None = None
    health: Health | None = None
    disk_free_bytes: int | None = None
    last_hold: Hold | None = None
    holds: int = 0
    last_pull: Pull | None = None
    pulls: int = 0
    pull_now: PullNow | None = None
    changed_verdicts: int = 0
    redline_rpm: float | None = None
    targets: tuple[float, ...] = ()
    next_target_rpm: float | None = None
    target_road_kmh: float | None = None
    target_hint: str = ""
    targets_taken: int = 0
    target_steady_s: float = 0.0
    target_speed_rpm: float | None = None
    doubt_rpm: float | None = None
    until_u_rpm: float | None = None
    fit_text: str = ""
    counters: dict[str, int] = field(default_factory=dict)
