"""One look at a running drive, with what its guide knows."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from stream.drive.guide_plan import RoadHint
from stream.live.records import Health, Hold, Pull, PullNow, Steady

if TYPE_CHECKING:  # the study behind it takes a third of a second to load, and a status is looked at before any drive
    from stream.drive.day_coach import NextStep


@dataclass(frozen=True, slots=True)
class BesideStatus:
    """One look at a further device.

    values   of each channel (name, unit, the mean of the last moment, NaN where there is none)
    blind    its channels with a limit that cannot show an excursion now
    """

    name: str
    state: Literal["opening", "running", "away", "failed"]
    values: tuple[tuple[str, str, float], ...] = ()
    blind: tuple[str, ...] = ()
    failure: str = ""


@dataclass(frozen=True, slots=True)
class DriveStatus:
    """One look at a running drive.

    pull_now         the pull that goes on, None where there is none
    changed_verdicts pulls whose verdict was changed after it had been told
    blind_limits     channels with a limit that cannot show an excursion now: flat, railed or gone
    next_step        what the coach says to do next; None without one, or before it has spoken
    targets          the speeds that are asked for, in order, and `next_target_rpm` of them; None when all are held
    target_road_kmh  what the next target means on the road, in the gear that is driven in
    target_hint      how to hold it on the road; None when all are held
    targets_taken    how many are held
    target_steady_s  seconds that the speed is steady near the next target
    target_speed_rpm engine speed by the running fit; NaN while only the provisional line is known; None without a guide
    uncertainty_rpm  largest standard uncertainty of the running fit over the targets, without the scale error
    until_u_rpm      the uncertainty at which the drive ends
    beside           further devices
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
    blind_limits: tuple[str, ...] = ()
    next_step: "NextStep | None" = None
    targets: tuple[float, ...] = ()
    next_target_rpm: float | None = None
    target_road_kmh: float | None = None
    target_hint: RoadHint | None = None
    targets_taken: int = 0
    target_steady_s: float = 0.0
    target_speed_rpm: float | None = None
    uncertainty_rpm: float | None = None
    until_u_rpm: float | None = None
    counters: dict[str, int] = field(default_factory=dict)
    beside: tuple[BesideStatus, ...] = ()
