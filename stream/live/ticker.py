"""Samples to ticks: the low-pass, the decimation, and what was clipped or missing on the way."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stream.live.filters import LowPass
from stream.units import Flags, Floats


@dataclass(frozen=True, slots=True)
class Ticks:
    """The ticks of one piece of a run.

    sample        int64 (n,), index of the sample that each tick falls on
    rows          float64 (n, channels), filtered; NaN where another channel than the first has not settled
    clipped       bool (n, k), for the channels that were given: outside its range since the tick before
    bridged       bool (n, channels), no sample since the tick before was measured; None: nowhere
    judged_from   the first of them that the filter has settled for
    """

    sample: npt.NDArray[np.int64]
    rows: Floats
    clipped: Flags
    bridged: Flags | None
    judged_from: int


class Ticker:
    """Filters runs of rows and keeps every `every`th, on an even count of samples.

    A run goes on piece by piece for as long as `follows` says so; end_run() starts the filter anew.
    """

    def __init__(self, low_pass: LowPass, every: int, channels: int, watched: int) -> None:
        self._filter = low_pass
        self._every = every
        self._in_run = False
        self._run_end = 0
        self._judged_from = 0  # sample from which on the filter has settled
        self._clip_pending: Flags = np.zeros(watched, dtype=np.bool_)
        self._last_others = np.zeros(channels - 1)
        self._others_from = np.zeros(channels - 1, dtype=np.int64)
        self._measured_at = np.full(channels, -1, dtype=np.int64)  # the newest sample that was not bridged

    def follows(self, index: int) -> bool:
        """Whether a piece that starts at this sample goes on with the run."""
        return self._in_run and index == self._run_end

    def end_run(self) -> None:
        """A gap: what comes next is a run of its own."""
        self._in_run = False

    def run(self, index: int, values: Floats, clips: Flags, bridged: Flags | None = None) -> Ticks:
        """The next piece: values (n, channels), the first one without NaN; clips (n, watched channels); bridged
        (n, channels), None for nowhere."""
        if not self._in_run:
            self._filter.reset()
            self._in_run, self._clip_pending = True, np.zeros(clips.shape[1], dtype=np.bool_)
            self._judged_from = index + self._filter.settle_samples
            self._others_from[:] = self._judged_from
        self._run_end = index + len(values)
        filled, settled = self._fill(index, values)
        filtered = self._filter.push(filled)
        offset = -index % self._every
        samples = np.arange(index + offset, index + len(values), self._every)
        rows = filtered[offset :: self._every]  # a view: what is settled later is blanked in a copy
        settling = samples[:, np.newaxis] < settled[offset :: self._every]
        if settling.any():
            rows = rows.copy()
            rows[:, 1:][settling] = np.nan
        clipped = self._clip_ticks(clips, offset, len(samples))
        no_data = self._bridged_ticks(index, samples, offset, bridged, len(values))
        return Ticks(samples, rows, clipped, no_data, int(np.searchsorted(samples, self._judged_from)))

    def _bridged_ticks(
        self, index: int, samples: npt.NDArray[np.int64], offset: int, bridged: Flags | None, count: int
    ) -> Flags | None:
        """Per tick and channel, whether all samples of its period were bridged."""
        if bridged is None:  # each tick's own sample was measured
            self._measured_at[:] = index + count - 1
            return None
        at = np.arange(index, index + count)[:, np.newaxis]
        measured = np.maximum.accumulate(np.where(bridged, self._measured_at, at), axis=0)
        self._measured_at = measured[-1].copy()
        no_data: Flags = measured[offset :: self._every] <= samples[:, np.newaxis] - self._every
        return no_data if no_data.any() else None

    def _fill(self, index: int, values: Floats) -> tuple[Floats, npt.NDArray[np.int64]]:
        """Give missing cells of the other channels their last value; and per row and channel the index from which
        on that channel has settled again."""
        others = values[:, 1:]
        rows = np.arange(index, index + len(values))[:, np.newaxis]
        missing = ~np.isfinite(others)
        if not missing.any():
            self._last_others = values[-1, 1:].copy()
            return values, np.broadcast_to(self._others_from, others.shape)
        settled = np.where(missing, rows + self._filter.settle_samples, self._others_from)
        settled = np.maximum.accumulate(settled, axis=0)
        self._others_from = settled[-1].copy()
        latest = np.maximum.accumulate(np.where(missing, -1, rows - index), axis=0)
        known = np.take_along_axis(others, np.maximum(latest, 0), axis=0)
        values = values.copy()
        values[:, 1:] = np.where(latest >= 0, known, self._last_others)
        self._last_others = values[-1, 1:].copy()
        return values, settled

    def _clip_ticks(self, clips: Flags, offset: int, count: int) -> Flags:
        """Per tick and channel, whether a sample of its period was clipped: the period ends with the tick's sample."""
        result = np.zeros((count, clips.shape[1]), dtype=np.bool_)
        if not (self._clip_pending.any() or clips.any()):
            return result
        for position in np.flatnonzero(clips.any(axis=1)):
            number = max(0, -(-(int(position) - offset) // self._every))
            if number < count:
                result[number] |= clips[position]
        if count:
            result[0] |= self._clip_pending
            last_tick = offset + (count - 1) * self._every
            self._clip_pending = any_row(clips[last_tick + 1 :])
        else:
            self._clip_pending = self._clip_pending | any_row(clips)
        return result


def any_row(flags: Flags) -> Flags:
    """Per column, whether any row is set."""
    result: Flags = np.logical_or.reduce(flags, axis=0)
    return result
