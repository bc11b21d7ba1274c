"""PullTrace: one pull as the study sees it, and the zero that was taken from its load.

The study works on arrays only: whoever reads sessions fills these in.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class ZeroPart:
    """One source of zero error in a pull: the error is `weight` times a draw of standard deviation `doubt`.

    Two pulls whose parts carry the same `key` share the draw. `doubt` is in the load's unit.
    """

    key: str
    doubt: float
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class PullZero:
    """The zero already taken off a pull's load (load unit), and where its error comes from."""

    value: float
    parts: tuple[ZeroPart, ...] = ()

    @property
    def doubt(self) -> float:
        """Standard uncertainty of the zero, load unit."""
        return math.sqrt(sum((part.weight * part.doubt) ** 2 for part in self.parts))


@dataclass(frozen=True, slots=True, kw_only=True)
class PullTrace:
    """One pull at the live rate.

    time_s, speed_rpm, load   float64, shape (rows,); NaN is a missing sample; a second before and after may
                              be in it
    start_s, end_s            the pull itself, on the clock of time_s; None is the first and last row
    started                   when the pull began, any clock that all pulls share, s; NaN where unknown
    number                    the pull's number in its session, from 1; 0 where it is in none
    order                     place in the order the pulls were made, used where `started` is unknown
    keep                      a person's decision; None lets the verdict decide
    lag_s, lag_doubt_s        how much later speed arrives than load, and its standard uncertainty
    zero                      what was taken off `load`; None: load as recorded
    direction                 which way along the road, any word
    pressure_kpa              manifold pressure, absolute, (rows,); None where it was not recorded
    conditions                means over the pull: lambda, intake_c, air_c, pressure_hpa, fuel_trim_pct, ...
    """

    time_s: Array
    speed_rpm: Array
    load: Array
    tune: str
    session: str = ""
    gear: int | None = None
    start_s: float | None = None
    end_s: float | None = None
    started: float = math.nan
    order: int = 0
    number: int = 0
    verdict: Literal["clean", "flawed"] = "clean"
    faults: tuple[str, ...] = ()
    keep: bool | None = None
    unit: str = ""
    car: str = ""
    calibration: str = ""
    lag_s: float = 0.0
    lag_doubt_s: float = 0.0
    zero: PullZero | None = None
    direction: str | None = None
    conditions: Mapping[str, float] = field(default_factory=dict)
    pressure_kpa: Array | None = None

    @property
    def usable(self) -> bool:
        """Kept by a person, or clean and not dropped by one."""
        return self.verdict == "clean" if self.keep is None else self.keep

    def without_zero(self) -> "PullTrace":
        """The same pull with the load as it was recorded."""
        if self.zero is None:
            return self
        return replace(self, load=self.load + self.zero.value, zero=None)


def in_time_order(pulls: Sequence[PullTrace]) -> list[PullTrace]:
    """The pulls as they were made: by `started` where all have it, else by `order`; ties keep their place."""
    if all(math.isfinite(pull.started) for pull in pulls):
        return sorted(pulls, key=lambda pull: (pull.started, pull.order))
    return sorted(pulls, key=lambda pull: pull.order)
