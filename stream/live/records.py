"""What the live stage finds, as plain records; the fields are those of the JSON and of the session's tables.

Times are seconds from the session's first sample, lost time included. `signal_*` is in the speed channel's own unit.
None is 'cannot be known'.
"""

from typing import Literal

import msgspec

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
