"""The session's live ticks as a whole, for what is judged against the session itself. About 18 MB an hour."""

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class History:
    """Ticks in order, gaps left out; every array (n,).

    tick            int64, the tick's number; a jump is a gap
    signal          float64, the speed channel in its own unit
    rpm             float64, by the provisional line
    load            float64 in the channel's unit; NaN where not known
    push            float64, how hard the car is driven: load times the channel's sign; `throttle` without a load
    speed_clipped   bool, engine speed outside its range since the tick before
    clipped         bool, engine speed or load outside
    throttle        float64, throttle or manifold pressure; NaN where there is no such channel
    """

    tick: npt.NDArray[np.int64]
    signal: Floats
    rpm: Floats
    load: Floats
    push: Floats
    speed_clipped: npt.NDArray[np.bool_]
    clipped: npt.NDArray[np.bool_]
    throttle: Floats

    def part(self, first: int, end: int) -> "History":
        """The ticks with numbers first..end."""
        a, b = np.searchsorted(self.tick, [first, end])
        return History(
            self.tick[a:b], self.signal[a:b], self.rpm[a:b], self.load[a:b], self.push[a:b], self.speed_clipped[a:b],
            self.clipped[a:b], self.throttle[a:b],
        )  # fmt: skip


class HistoryKeeper:
    """Grows a History block by block."""

    def __init__(self) -> None:
        self._parts: list[History] = []

    def add(self, part: History) -> None:
        """Ticks that follow those before."""
        if len(part.tick):
            self._parts.append(part)

    def all(self) -> History:
        """Everything so far."""
        if not self._parts:
            floats, flags = np.empty(0), np.empty(0, np.bool_)
            return History(np.empty(0, np.int64), floats, floats, floats, floats, flags, flags, floats)
        if len(self._parts) > 1:
            columns = zip(*([getattr(part, field.name) for field in fields(part)] for part in self._parts), strict=True)
            self._parts = [History(*(np.concatenate(column) for column in columns))]
        return self._parts[0]
