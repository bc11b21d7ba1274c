"""What `compare` answers, as records; their fields are the keys of its JSON."""

from typing import Any

import msgspec

from stream.findings import Finding
from stream.frames import to_pandas


class PullCount(msgspec.Struct, frozen=True):
    """Pulls used on each side."""

    base: int
    trial: int


class BandChange(msgspec.Struct, frozen=True, kw_only=True):
    """One rev band. None is 'cannot be known'; the interval is 95 %, of all pulls so far; `p_adjusted` and `resolved`
    are of the last look. Means are geometric, turns weighted as in the change; `pressure_kpa` of base and trial."""

    rpm: float
    base_mean: float | None
    base_n: int
    trial_mean: float | None
    trial_n: int
    change_pct: float | None
    low_pct: float | None
    high_pct: float | None
    p_adjusted: float | None
    resolved: bool
    pressure_kpa: tuple[float | None, float | None] = (None, None)


class Overall(msgspec.Struct, frozen=True, kw_only=True):
    """The change over all shared bands; the interval is 95 %."""

    change_pct: float | None
    low_pct: float | None
    high_pct: float | None
    resolved: bool


class ShapeBand(msgspec.Struct, frozen=True, kw_only=True):
    """A band's change less the mean change over the shared bands; the interval is 95 %."""

    rpm: float
    change_pct: float
    low_pct: float
    high_pct: float
    resolved: bool


class Shape(msgspec.Struct, frozen=True):
    """`resolved`: any band is."""

    resolved: bool
    bands: tuple[ShapeBand, ...]


class ScatterKnown(msgspec.Struct, frozen=True, kw_only=True):
    """This car's scatter as used: standard deviations in %, and what taught it (`from`)."""

    pull_pct: float
    turn_pct: float
    days: int
    sessions: tuple[str, ...] = msgspec.field(name="from")


class LeftOut(msgspec.Struct, frozen=True, kw_only=True):
    """A pull that is unlike its tune's others: the session's path, its number in it from 1, and why."""

    session: str
    pull: int
    why: str


class Comparison(msgspec.Struct, frozen=True, kw_only=True):
    """The answer of `compare`. `pulls_for_2_pct` is a range of pulls on each side; `look` 0 is before the first."""

    unit: str
    base: str
    trial: str
    pulls: PullCount
    order_only: bool
    bands: tuple[BandChange, ...]
    overall: Overall
    smallest_resolvable_pct: float | None
    pulls_for_2_pct: tuple[int, int] | None
    shape: Shape
    scatter: ScatterKnown
    look: int
    next_look: int
    left_out: tuple[LeftOut, ...]
    findings: tuple[Finding, ...]

    def to_pandas(self) -> Any:
        """The rev bands as a pandas DataFrame."""
        return to_pandas(self.bands)
