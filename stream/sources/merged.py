"""A recorded session with further columns beside its own, as a source."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.sources.replay import ReplaySource
from stream.units import Floats

HOLE_STEPS = 5.0  # usual steps of the log; over a longer hole nothing is drawn
LEAST_HOLE_S = 0.5


class MergedSource(ReplaySource):
    """Replays a session, as fast as it is taken, with columns that another clock's log gives.

    channels     of the further columns, in order
    time_s       (rows,) stamps of the log on the session's clock, rising
    values       (rows, channels); a cell that is missing is bridged where its neighbours are near
    Outside the log, and over holes of it, the columns are NaN.
    """

    def __init__(self, path: str | Path, channels: Sequence[ChannelInfo], time_s: Floats, values: Floats) -> None:
        super().__init__(path)
        self._channels = tuple(channels)
        self._known = [_known(time_s, column) for column in values.T]
        self._hole_s = max(HOLE_STEPS * float(np.median(np.diff(time_s))), LEAST_HOLE_S)

    def open(self) -> StreamInfo:
        """Open the session. Raises InputError, one line with the cure."""
        info = super().open()
        return StreamInfo(info.rate_hz, info.channels + self._channels, info.name)

    def read(self, timeout_s: float) -> list[Block]:
        """The next Block, wider."""
        return [self._widen(block) for block in super().read(timeout_s)]

    def _widen(self, block: Block) -> Block:
        at = (block.first + np.arange(len(block))) / block.rate_hz
        more = [_resampled(at, time, values, self._hole_s) for time, values in self._known]
        samples = np.column_stack([block.samples, *more]).astype(np.float32)
        return Block(samples, block.first, block.rate_hz, block.device_us, block.host_ns, block.lost, block.restarted)


def _known(time_s: Floats, column: Floats) -> tuple[Floats, Floats]:
    good = np.isfinite(column)
    return time_s[good], column[good]


def _resampled(at: Floats, time: Floats, values: Floats, hole_s: float) -> Floats:
    """Linear between rows of the log; NaN outside it and where two rows lie further apart than hole_s."""
    if len(time) < 2:
        return np.full(len(at), np.nan)
    out = np.interp(at, time, values, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(time, at), 1, len(time) - 1)
    out[time[after] - time[after - 1] > hole_s] = np.nan
    return out
