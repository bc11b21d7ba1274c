"""One pass over a session's raw samples, a slab at a time, and what is found in it: noise, movement, spikes, and the
converter's step (the differences of successive samples are multiples of it). Stretches by time are read a piece at a
time too, so that memory stays flat.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stream.block import Block
from stream.calibrate.chain.ripple import HoldSpectrum, spectrum_of
from stream.live.records import Hold
from stream.live.steadiness import run_edges
from stream.record.session import Session
from stream.units import Floats

LONGEST_S = 0.010
CONTEXT = 8  # samples on each side that must be quiet
SCATTERS = 6.0
BACK = 0.25  # of its height: how near it must come back
MOST_IN_A_RUN = 50


@dataclass(frozen=True, slots=True)
class Spike:
    """height: signed, from where it left; value: what it showed."""

    height: float
    value: float


def spikes_in(values: Floats, rate_hz: float) -> list[Spike]:
    """Candidates in a run without a gap; which of them count depends on the session's span and noise."""
    steps = np.diff(values)
    size = np.abs(steps)
    widest = min(max(1, round(LONGEST_S * rate_hz)), 3)
    big = np.flatnonzero(size > 10.0 * float(np.median(size))) if _stand_out(size) else np.empty(0, np.int64)
    big = big[(big >= CONTEXT) & (big < len(values) - CONTEXT - widest - 1)]
    if len(big) > 2 * MOST_IN_A_RUN:
        big = np.sort(big[np.argsort(size[big])[-2 * MOST_IN_A_RUN :]])
    found: list[Spike] = []
    free_from = 0
    for place in big.tolist():
        if place < free_from:
            continue
        height = float(steps[place])
        for width in range(1, widest + 1):
            back = place + 1 + width
            if abs(float(values[back] - values[place])) > BACK * abs(height):
                continue
            around = np.concatenate((values[place - CONTEXT + 1 : place + 1], values[back : back + CONTEXT]))
            if SCATTERS * float(np.std(around)) < abs(height):
                found.append(Spike(height, float(values[place + 1])))
                free_from = back
            break
    return found


def _stand_out(size: Floats) -> bool:
    """Whether any step can be above ten times their median: not where half of them reach a tenth of the largest. To
    count takes a small part of what the median does."""
    return len(size) > 0 and int(np.count_nonzero(size < np.max(size) / 10.0)) > len(size) // 2 - 1


def counted(
    spikes: list[Spike], *, rate_hz: float, span: float, noise: float, step: float, rails: tuple[float, ...]
) -> int:
    """How many candidates count: beyond 5 % of the span, twelve times the noise and four steps.

    Under 100 Hz a real event may be as short as a sample, so there only one that lands on zero or a rail counts.
    """
    least = max(0.05 * span, 12.0 * noise, 4.0 * step)
    near = max(1.5 * step, 3.0 * noise, 1e-3 * span)
    return sum(
        1
        for spike in spikes
        if abs(spike.height) > least and (rate_hz >= 100.0 or any(abs(spike.value - rail) <= near for rail in rails))
    )


WINDOW_S = 0.5
FEWEST = 64  # samples in a window
MOST = 4096
PIECES = 8  # of a window, whose means show how it moves
MOST_DIFFERENCES = 200_000
MOST_CUT = 1000  # runs that are cut into windows: all of an hour at 1 kHz, evenly spread over a longer session


def window_rows(rate_hz: float) -> int:
    """Samples of one window in which noise is judged."""
    return min(max(FEWEST, round(WINDOW_S * rate_hz)), MOST)


class ChannelTally:
    """What one channel showed. Push runs of samples without a gap inside, in order.

    windows     rows of movement, noise floor, scatter, mean: one a window without a missing or clipped sample, of
                at most about MOST_CUT runs
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
        self._every_window = max(1, blocks // MOST_CUT)
        self._pushed = 0
        rows = window_rows(rate_hz)
        self._slope, self._hann = np.linspace(-1.0, 1.0, rows), np.hanning(rows)
        self._last = np.nan

    def push(self, values: Floats) -> None:
        """The next run of samples, float64 (n,); NaN is a missing cell."""
        known = np.isfinite(values)
        solid = values if known.all() else values[known]
        self.missing += len(values) - len(solid)
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
            if self._pushed % self._every_window == 0:
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
        x, window = self._slope, self._hann
        level = cut - cut.mean(axis=1, keepdims=True)
        level -= np.outer(level @ x / float(x @ x), x)
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


MOST_STEPS = 50  # differences of up to this many steps are asked
ON_GRID = 0.12  # of a step: how near to a multiple a difference must be
SHARE = 0.98
CANDIDATES = 40
FEWEST_STEPS = 20


def step_of(differences: Floats, largest: float) -> float | None:
    """The step in the channel's unit, or None where the differences have no common one.

    differences: sizes above zero; largest: of the values themselves, for how fine float32 can tell them apart.
    """
    grain = max(abs(largest), 1e-30) * 2.0**-23
    sizes = differences[differences > 4.0 * grain]
    if len(sizes) < FEWEST_STEPS:
        return None
    sizes = np.sort(sizes)
    # Sizes that are the same up to float32's grain are one candidate.
    starts = np.concatenate(([True], np.diff(sizes) > 4.0 * grain))
    for candidate in sizes[starts][:CANDIDATES].tolist():
        if candidate < 12.0 * grain:
            continue
        step = _confirmed(sizes, float(candidate), grain)
        if step is not None:
            return step
    return None


def _confirmed(sizes: Floats, step: float, grain: float) -> float | None:
    """The candidate made exact, where nearly all small differences are multiples of it."""
    near = sizes[sizes < (MOST_STEPS + 0.5) * step]
    if len(near) < FEWEST_STEPS:
        return None
    tolerance = max(ON_GRID * step, 3.0 * grain)
    for reach in (4.5, 12.5, MOST_STEPS + 0.5):  # the multiples that are already exact make the next ones so
        part = near[near < reach * step]
        multiples = np.rint(part / step)
        on = (np.abs(part - multiples * step) <= tolerance) & (multiples > 0)
        if np.count_nonzero(on) < max(3, SHARE * len(part)):
            return None
        step = float(multiples[on] @ part[on] / (multiples[on] @ multiples[on]))
    return step


MOST_HOLDS = 20  # whose ripple is looked at, the longest ones
MOST_S = 15.0


class Stretches:
    """Reads raw stretches. Times are the session's seconds, lost time included."""

    def __init__(self, session: Session) -> None:
        self.session = session
        gaps = session.gaps
        self._row = gaps["index"].astype(np.int64)

    def read(self, columns: list[int], start_s: float, end_s: float, most_s: float = 20.0) -> Floats:
        """The longest run between two times with no sample lost and no cell missing, float64 (rows, columns).

        At most `most_s` of it, from its beginning.
        """
        first, end = self.session.row_at(start_s), self.session.row_at(min(end_s, start_s + most_s))
        if end <= first:
            return np.empty((0, len(columns)))
        parts = [slab[:, columns].astype(np.float64) for _, slab in self.session.slabs(first, end)]
        values = np.concatenate(parts)
        breaks = self._row[(self._row > first) & (self._row < end)] - first
        bad = np.flatnonzero(~np.isfinite(values).all(axis=1))
        cuts = np.unique(np.concatenate(([0, len(values)], breaks, bad, bad + 1)))
        longest = int(np.argmax(np.diff(cuts)))
        run = values[cuts[longest] : cuts[longest + 1]]
        return run if np.isfinite(run).all() else np.empty((0, len(columns)))


def hold_spectra(stretches: Stretches, column: int, holds: Sequence[Hold]) -> list[HoldSpectrum]:
    """Spectra of the longest holds, in order of time; holds that are too short for one are left out."""
    longest = sorted(holds, key=lambda hold: hold.start_s - hold.end_s)[:MOST_HOLDS]
    spectra = []
    for hold in sorted(longest, key=lambda hold: hold.start_s):
        values = stretches.read([column], hold.start_s, hold.end_s, MOST_S)[:, 0]
        spectrum = spectrum_of(values, stretches.session.rate_hz, hold)
        if spectrum is not None:
            spectra.append(spectrum)
    return spectra
