"""One pass over a session's raw samples, a slab at a time: what every channel's survey rests on."""

import numpy as np
import numpy.typing as npt

from stream.block import Block
from stream.live.runs import run_edges
from stream.study.survey.spikes import Spike, spikes_in
from stream.units import Floats

WINDOW_S = 0.5
FEWEST = 64  # samples in a window
MOST = 4096
PIECES = 8  # of a window, whose means show how it moves
MOST_DIFFERENCES = 200_000


def window_rows(rate_hz: float) -> int:
    """Samples of one window in which noise is judged."""
    return min(max(FEWEST, round(WINDOW_S * rate_hz)), MOST)


class ChannelTally:
    """What one channel showed. Push runs of samples without a gap inside, in order.

    windows     rows of movement, noise floor, scatter, mean: one a window without a missing or clipped sample
    """

    def __init__(self, rate_hz: float, blocks: int, span: tuple[float, float] | None) -> None:
        self.rate_hz = rate_hz
        self.span = span
        self.missing = self.clipped = self.finite = 0
        self.lowest, self.highest = np.inf, -np.inf
        self.at_lowest = self.at_highest = 0  # samples in runs at the extremes
        self.moved = False
        self.spikes: list[Spike] = []
        self._windows: list[Floats] = []
        self._differences: list[Floats] = []
        self._every = max(1, blocks // 200)
        self._pushed = 0
        self._last = np.nan

    def push(self, values: Floats) -> None:
        """The next run of samples, float64 (n,); NaN is a missing cell."""
        known = np.isfinite(values)
        self.missing += int(np.count_nonzero(~known))
        solid = values[known]
        self.finite += len(solid)
        if not len(solid):
            return
        if self.span is not None:
            self.clipped += int(np.count_nonzero((solid < self.span[0]) | (solid > self.span[1])))
        self._extremes(solid)
        self.moved |= bool(np.ptp(solid) > 0) or (np.isfinite(self._last) and solid[0] != self._last)
        self._last = float(solid[-1])
        if len(solid) == len(values):
            self.spikes.extend(spikes_in(values, self.rate_hz))
            self._cut(values)
        if self._pushed % self._every == 0:
            differences = np.abs(np.diff(values))
            solid_steps = differences[np.isfinite(differences) & (differences > 0)]
            self._differences.append(solid_steps[: MOST_DIFFERENCES // 200].copy())
        self._pushed += 1

    @property
    def windows(self) -> Floats:
        """float64 (windows, 4)."""
        return np.concatenate(self._windows) if self._windows else np.empty((0, 4))

    @property
    def differences(self) -> Floats:
        """Steps from sample to sample that are not zero, in size, from all over the session."""
        if not self._differences:
            return np.empty(0)
        together = np.concatenate(self._differences)
        return together[:: max(1, len(together) // MOST_DIFFERENCES)]

    def _extremes(self, solid: Floats) -> None:
        low, high = float(np.min(solid)), float(np.max(solid))
        if low < self.lowest:
            self.lowest, self.at_lowest = low, 0
        if high > self.highest:
            self.highest, self.at_highest = high, 0
        least = max(3, round(0.02 * self.rate_hz))
        if low == self.lowest:
            self.at_lowest += _in_runs(solid == low, least)
        if high == self.highest:
            self.at_highest += _in_runs(solid == high, least)

    def _cut(self, values: Floats) -> None:
        rows = window_rows(self.rate_hz)
        count = len(values) // rows
        if not count:
            return
        cut = values[: count * rows].reshape(count, rows)
        if self.span is not None:
            cut = cut[((cut >= self.span[0]) & (cut <= self.span[1])).all(axis=1)]
        if not len(cut):
            return
        pieces = cut[:, : rows // PIECES * PIECES].reshape(len(cut), PIECES, -1).mean(axis=2)
        movement = np.ptp(pieces, axis=1)
        x = np.linspace(-1.0, 1.0, rows)
        level = cut - cut.mean(axis=1, keepdims=True)
        level -= np.outer(level @ x / float(x @ x), x)
        window = np.hanning(rows)
        power = np.abs(np.fft.rfft(level * window, axis=1)) ** 2 / float(window @ window)
        # Lines (ripple, hop) fill few bins and movement the lowest ones: the median of the rest is the broad floor. For
        # noise each bin is exponentially distributed, whose median is ln 2 of its mean.
        floor = np.sqrt(np.median(power[:, power.shape[1] // 3 : -1], axis=1) / np.log(2.0))
        self._windows.append(np.column_stack((movement, floor, level.std(axis=1), cut.mean(axis=1))))


def _in_runs(flags: npt.NDArray[np.bool_], least: int) -> int:
    """How many True stand in runs of at least `least`."""
    edges = run_edges(flags)
    lengths = edges[1::2] - edges[::2]
    return int(lengths[lengths >= least].sum())


class Joiner:
    """Joins Blocks that follow each other without a gap, so that windows do not end at every block."""

    def __init__(self, rows: int) -> None:
        self._rows = rows
        self._parts: list[npt.NDArray[np.float32]] = []
        self._held = 0

    def push(self, block: Block) -> list[npt.NDArray[np.float32]]:
        """The runs that are complete now."""
        done = self.flush() if block.lost or block.restarted else []
        self._parts.append(block.samples)
        self._held += len(block)
        return [*done, *self.flush()] if self._held >= self._rows else done

    def flush(self) -> list[npt.NDArray[np.float32]]:
        """What is held, at the end."""
        parts, self._parts, self._held = self._parts, [], 0
        return [np.concatenate(parts)] if parts else []
