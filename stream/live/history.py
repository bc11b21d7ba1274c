"""The session's live ticks as a whole, for what is judged against the session itself. About 12 MB an hour."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class History:
    """Ticks in order, gaps left out.

    tick     int64 (n,), the tick's number; a jump is a gap
    rpm      float64 (n,), by the provisional line
    load     float64 (n,), times the channel's sign; NaN where not known
    clipped  bool (n,), engine speed or load outside its range since the tick before
    throttle float64 (n,), throttle or manifold pressure; NaN where there is no such channel
    """

    tick: npt.NDArray[np.int64]
    rpm: Floats
    load: Floats
    clipped: npt.NDArray[np.bool_]
    throttle: Floats

    def part(self, first: int, end: int) -> "History":
        """The ticks with numbers first..end."""
        a, b = np.searchsorted(self.tick, [first, end])
        return History(self.tick[a:b], self.rpm[a:b], self.load[a:b], self.clipped[a:b], self.throttle[a:b])


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
        if len(self._parts) != 1:
            parts = self._parts
            self._parts = [
                History(
                    np.concatenate([p.tick for p in parts]) if parts else np.empty(0, np.int64),
                    np.concatenate([p.rpm for p in parts]) if parts else np.empty(0),
                    np.concatenate([p.load for p in parts]) if parts else np.empty(0),
                    np.concatenate([p.clipped for p in parts]) if parts else np.empty(0, np.bool_),
                    np.concatenate([p.throttle for p in parts]) if parts else np.empty(0),
                )
            ]
        return self._parts[0]
