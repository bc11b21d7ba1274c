"""A session that still runs, with the face of a recorded one, so that `Dataset` and all of the study read it as any.

Live rows are kept whole; of the raw samples the means over each live tick, those outside a channel's range among them,
about the pulls and for the last two minutes.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, cast

import numpy as np
import numpy.typing as npt

from stream.block import Block, StreamInfo
from stream.calibrate.speed.calfile import SpeedCalibration
from stream.car import Car
from stream.events import Event
from stream.live.records import Hold, LiveRows, Pinned, Pull, join_rows
from stream.record.session import Session
from stream.record.tables import Heard, HoldMark, PullMark, Weather, Zero
from stream.study.dataset import Dataset
from stream.study.pulls import SIDE_S

RECENT_S = 120.0  # raw means are kept for so long behind the newest: a pull is judged well within it


@dataclass
class RunningSession:
    """Feed it blocks and live rows in order; `dataset()` reads it.

    every   samples to a live tick
    """

    path: Path
    car: Car
    info: StreamInfo
    tune: str
    gear: int | None
    started_utc: datetime
    every: int
    conditions: Weather | None = None
    zeros: tuple[Zero, ...] = ()
    pulls: tuple[Pull, ...] = ()
    dated: bool = True
    finished: bool = True
    has_findings: bool = True
    note: str = ""
    _live: list[LiveRows] = field(default_factory=list)
    _index: list[npt.NDArray[np.int64]] = field(default_factory=list)
    _means: list[npt.NDArray[np.float32]] = field(default_factory=list)
    _end: int = 0

    def take(self, first: int, block: Block, rows: LiveRows) -> None:
        """A block whose first sample has the index `first` in this session, and the live rows it gave."""
        if len(rows):
            self._live.append(rows)
        if len(block):
            tick = (first + np.arange(len(block))) // self.every
            starts = np.flatnonzero(np.concatenate(([True], np.diff(tick) > 0)))
            sums = np.add.reduceat(block.samples.astype(np.float64), starts, axis=0)
            counts = np.diff(np.append(starts, len(block)))
            self._index.append(tick[starts] * self.every)
            self._means.append((sums / counts[:, None]).astype(np.float32))
            self._end = first + len(block)

    def dataset(self, calibration: SpeedCalibration | None) -> Dataset:
        """What there is so far, read with this calibration."""
        self._settle()
        data = Dataset(cast(Session, self))
        data.calibration = calibration
        return data

    def _settle(self) -> None:
        """Join what came, and forget raw means that no pull needs."""
        self._live = [join_rows(self._live)]
        if not self._index:
            return
        index, means = np.concatenate(self._index), np.concatenate(self._means)
        wanted = index >= self._end - RECENT_S * self.rate_hz
        for pull in self.pulls:
            wanted |= (index >= (pull.start_s - SIDE_S) * self.rate_hz) & (
                index <= (pull.end_s + SIDE_S) * self.rate_hz
            )
        self._index, self._means = [index[wanted]], [means[wanted]]

    # -- the face of a recorded session: what `Dataset` asks of one --------------------------------------------------

    @property
    def car_text(self) -> str:
        """The car file."""
        return self.car.text

    @property
    def rate_hz(self) -> float:
        """Samples a second."""
        return self.info.rate_hz

    @property
    def rows(self) -> int:
        """Rows of raw means that are kept."""
        return len(self._index[0]) if self._index else 0

    @property
    def duration_s(self) -> float:
        """Seconds so far."""
        return self._end / self.rate_hz

    lost_samples = 0
    holds: tuple[Hold, ...] = ()
    hold_marks: tuple[HoldMark, ...] = ()
    pinned: tuple[Pinned, ...] = ()
    heard: tuple[Heard, ...] = ()
    events: tuple[Event, ...] = ()

    @property
    def pull_marks(self) -> tuple[PullMark, ...]:
        """Nobody has said anything of them yet."""
        return (PullMark(),) * len(self.pulls)

    def live(self) -> LiveRows:
        """The live rows so far."""
        return self._live[0]

    def calibrations(self) -> dict[str, dict[str, Any]]:
        """None is attached while it runs."""
        return {}

    def sample_index(self) -> npt.NDArray[np.int64]:
        """Index of each row of means, from the session's first sample."""
        return self._index[0] if self._index else np.empty(0, np.int64)

    def row_at(self, time_s: float) -> int:
        """The first row of means at or behind a time."""
        return int(np.searchsorted(self.sample_index(), time_s * self.rate_hz))

    def raw(self, name: str, first: int, end: int) -> npt.NDArray[np.float32]:
        """Means of a channel, rows `first` to `end`."""
        return self._all()[first:end, self.info.names.index(name)]

    def slabs(self) -> Iterator[tuple[int, npt.NDArray[np.float32]]]:
        """All means at once."""
        yield 0, self._all()

    def _all(self) -> npt.NDArray[np.float32]:
        return self._means[0] if self._means else np.empty((0, len(self.info.channels)), np.float32)

    def close(self) -> None:
        """Nothing is open."""
