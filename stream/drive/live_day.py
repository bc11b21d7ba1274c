"""A drive that goes on, as the studies of tables see it: even rows so far and the pulls so far, no file beneath.

It is a `Dataset` of what has come, so that the map in the car is made by the very code of the command `cells`.
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from stream.block import Block, StreamInfo
from stream.car import Car, Role
from stream.events import Event
from stream.live.records import LiveRows, Pull
from stream.record.tables import PullMark
from stream.study.dataset import Dataset, EvenRows, usable
from stream.units import Floats

STEP_S = 0.1
ROLES: tuple[Role, ...] = ("manifold_pressure", "throttle", "other")  # 'other' may be the air's pressure


class _Means:
    """Means of values over steps of time; it grows as they come."""

    def __init__(self) -> None:
        self.total, self.count, self.steps = np.zeros(1024), np.zeros(1024), 0

    def add(self, time_s: Floats, values: Floats) -> None:
        """Values at times, all finite."""
        if not len(values):
            return
        place = np.maximum((time_s / STEP_S).astype(np.int64), 0)
        self.steps = max(self.steps, int(place.max()) + 1)
        if self.steps > len(self.total):
            room = np.zeros(max(self.steps, 2 * len(self.total)) - len(self.total))
            self.total, self.count = np.concatenate((self.total, room)), np.concatenate((self.count, room))
        first = int(place.min())
        total, count = np.bincount(place - first, values), np.bincount(place - first)
        self.total[first : first + len(total)] += total
        self.count[first : first + len(count)] += count

    def means(self, steps: int) -> Floats:
        """(steps,); NaN where nothing came."""
        found = np.full(steps, np.nan)
        known = min(steps, self.steps)
        counted = self.count[:known] > 0
        found[:known][counted] = self.total[:known][counted] / self.count[:known][counted]
        return found


class LiveDay(Dataset):
    """What a drive has shown so far. Give it all that comes; its rows are of `STEP_S`, whatever rate is asked for.

    Speed is by the line that the drive shows it by. Zeros and the day's air are not known to it.
    """

    def __init__(self, car: Car, info: StreamInfo) -> None:
        self.path = Path("drive")
        self.car, self.foreign_car = car, False
        self.tune, self.note, self.gear = "", "", None
        self.names, self.rate_hz = info.names, info.rate_hz
        self.zeros, self.weather, self.heard, self.calibration = (), None, (), None
        self.duration_s = 0.0
        self._now_pulls: dict[float, Pull] = {}
        self._now_events: list[Event] = []
        wanted = self.recorded(*ROLES)
        self._channels_at = [(channel, self.names.index(channel.name)) for channel in wanted]
        self._means_of = {name: _Means() for name in ("", " ", *(one.name for one in wanted))}  # '' speed, ' ' load

    def close(self) -> None:
        """There is no file."""

    def take_raw(self, block: Block) -> None:
        """Samples that came."""
        time_s = (block.first + np.arange(len(block))) / block.rate_hz
        self.duration_s = max(self.duration_s, block.end / block.rate_hz)
        for channel, column in self._channels_at:
            values = block.samples[:, column].astype(np.float64)
            good = usable(values, channel)
            self._means_of[channel.name].add(time_s[good], values[good])

    def take_live(self, rows: LiveRows) -> None:
        """Live rows that came."""
        for name, values in (("", rows.speed_rpm), (" ", rows.load)):
            good = np.isfinite(values)
            self._means_of[name].add(rows.time_s[good], values[good].astype(np.float64))

    def take_pull(self, pull: Pull) -> None:
        """A pull that is over, or whose verdict was changed."""
        self._now_pulls[pull.start_s] = pull

    def take_event(self, event: Event) -> None:
        """What happened."""
        self._now_events.append(event)

    @property
    def events(self) -> tuple[Event, ...]:
        """What happened so far."""
        return tuple(self._now_events)

    @property
    def pulls(self) -> tuple[Pull, ...]:
        """The pulls so far."""
        return tuple(self._now_pulls.values())

    @property
    def pull_marks(self) -> tuple[PullMark, ...]:
        """Nobody has dropped or kept one yet."""
        return (PullMark(),) * len(self._now_pulls)

    def even(self, roles: Sequence[Role], rate_hz: float = 1 / STEP_S) -> EvenRows:
        """The rows so far."""
        del rate_hz
        steps = self._means_of[""].steps
        channels = {one.name: self._means_of[one.name].means(steps) for one in self.recorded(*roles)}
        time_s: Floats = (np.arange(steps, dtype=np.float64) + 0.5) * STEP_S
        return EvenRows(time_s, self._means_of[""].means(steps), self._means_of[" "].means(steps), channels, STEP_S)

    def mean_over(self, names: Sequence[str], start_s: float, end_s: float) -> dict[str, float]:
        """Means over a stretch of the rows."""
        part = slice(int(start_s / STEP_S), int(end_s / STEP_S) + 1)
        found = {name: self._means_of[name].means(self._means_of[""].steps)[part] for name in names}
        return {name: float(np.nanmean(values)) for name, values in found.items() if np.isfinite(values).any()}
