"""What 'steady' means: inside a band about the mean, and no drift beyond what the wander of the foot explains."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stream.car import FLOOR_WIDENING, HoldRule
from stream.units import Flags, Floats

FORGIVEN_S = 0.1  # one excursion may last this long
FORGIVEN_SHARE = 0.03  # and all of them together may take this share
STANDING_RPM = 250.0  # below it, by the provisional line, the engine stands; no engine idles so slowly
SLOW_HZ, FEWEST_TICKS = 5.0, 10  # chosen: a band of ten samples is no chance, of four it may be
BIN_S = 0.04  # slopes and edges are found on means of this length


@dataclass(frozen=True, slots=True)
class Steadiness:
    """The hold rule in the units of a stream: rpm and ticks.

    Before a fit the line may be wrong by 30 %, so the floors are widened for a signal that is not in rpm itself.
    """

    rule: HoldRule
    rate_hz: float
    widening: float

    @classmethod
    def of(cls, rule: HoldRule, rate_hz: float, *, provisional: bool) -> "Steadiness":
        """The rule for a stream of live ticks; `provisional` where rpm comes from a line that is not yet a fit."""
        return cls(rule, rate_hz, FLOOR_WIDENING if provisional else 1.0)

    @property
    def min_ticks(self) -> int:
        """Ticks that a hold must last: its time, and in a slow log enough of them to see that it is steady."""
        return max(2 if self.rate_hz >= SLOW_HZ else FEWEST_TICKS, round(self.rule.min_s * self.rate_hz))

    @property
    def forgiven_ticks(self) -> int:
        """Ticks that one excursion may last."""
        return int(FORGIVEN_S * self.rate_hz + 1e-9)

    def band(self, mean_rpm: float) -> float:
        """Half width of the band about a mean, rpm."""
        return max(self.rule.band_pct / 100.0 * abs(mean_rpm), self.rule.band_rpm * self.widening)

    def drift_limit(self, mean_rpm: float) -> float:
        """The drift that a hold may have, rpm/s."""
        return max(self.rule.drift_pct_per_s / 100.0 * abs(mean_rpm), self.rule.drift_rpm_per_s * self.widening)

    def in_band(self, rpm: Floats, mean: float | None = None) -> bool:
        """True where the stretch stays in the band about its own mean, but for what is forgiven."""
        mean = mean_of(rpm) if mean is None else mean
        out = np.abs(rpm - mean) > self.band(mean)
        count = int(np.count_nonzero(out))
        if count == 0:
            return True
        return count <= FORGIVEN_SHARE * len(rpm) and longest_run(out) <= self.forgiven_ticks


def mean_of(values: Floats) -> float:
    """np.mean to the bit, without what it spends on questions of type and axis."""
    return float(np.add.reduce(values)) / len(values)


def bin_ticks(rate_hz: float) -> int:
    """Ticks in one bin."""
    return max(1, round(BIN_S * rate_hz))


def bins(values: Floats, rate_hz: float) -> tuple[Floats, float]:
    """Means of BIN_S each (a last part-filled one is left out), and their spacing in seconds."""
    size = bin_ticks(rate_hz)
    count = len(values) // size
    return values[: count * size].reshape(count, size).mean(axis=1), size / rate_hz


@dataclass(frozen=True, slots=True)
class Slope:
    """A drift with what the stretch's own wander lets one know of it, rpm/s."""

    rpm_per_s: float
    error: float
    wander_rpm: float  # scatter about the line
    noise_rpm: float  # the part of it that changes from bin to bin

    def beyond(self, limit: float) -> bool:
        """True where the drift is above the limit and the wander does not explain the excess."""
        return abs(self.rpm_per_s) - 2.0 * self.error > limit


def slope_of(rpm: Floats, rate_hz: float) -> Slope:
    """Least-squares slope of a stretch, with an error that counts half waves of the wander, not samples.

    About the line the residual crosses zero once per half wave. White noise crosses at every second bin and gives the
    textbook error sqrt(12 / n) * sd / T; a slow wander has few crossings, and few independent pieces with them.
    """
    y, dt = bins(rpm, rate_hz)
    count = len(y)
    if count < 4:
        return Slope(0.0, float("inf"), 0.0, 0.0)
    t = (np.arange(count) - (count - 1) / 2.0) * dt
    mean = np.mean(y)
    slope = float(t @ (y - mean) / (t @ t))
    residual = y - mean - slope * t
    scatter = float(np.sqrt(residual @ residual / (count - 2)))
    noise = float(np.std(np.diff(y)) / 2**0.5)
    crossings = int(np.count_nonzero(np.signbit(residual[1:]) != np.signbit(residual[:-1])))
    pieces = min(float(count), max(2.0 * crossings, 2.0))
    error = float(np.sqrt(12.0 / pieces)) * scatter / (count * dt)
    return Slope(slope, error, scatter, noise)


def runs_of(flags: Flags, bridge: int = 0) -> list[tuple[int, int]]:
    """(first, end) of each run of True, in order; runs that lie up to `bridge` apart are one."""
    edges = run_edges(flags)
    runs: list[tuple[int, int]] = []
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if runs and first - runs[-1][1] <= bridge:
            runs[-1] = (runs[-1][0], end)
        else:
            runs.append((first, end))
    return runs


def longest_run(flags: Flags) -> int:
    """Length of the longest run of True."""
    edges = run_edges(flags)
    return int(np.max(edges[1::2] - edges[::2])) if len(edges) else 0


def run_edges(flags: Flags) -> npt.NDArray[np.intp]:
    """Where the runs of True begin and end, in turn."""
    padded = np.concatenate(([False], flags, [False]))
    return np.flatnonzero(padded[1:] != padded[:-1])
