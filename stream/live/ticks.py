"""Live ticks of one unbroken run, as a growing buffer that forgets what nobody needs."""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


class TickBuffer:
    """Columns of float64 by tick number: column 0 the speed signal, 1 the load, 2 whether it was clipped (0 or 1),
    3 the speed in rpm by the provisional line."""

    COLUMNS = 4

    def __init__(self, base: int) -> None:
        self.base = base  # tick number of the first row that is kept
        self._rows = np.empty((self.COLUMNS, 1024))
        self._count = 0

    @property
    def end(self) -> int:
        """Tick number just behind the newest."""
        return self.base + self._count

    def append(self, columns: Floats) -> None:
        """Add ticks, shape (COLUMNS, n)."""
        n = columns.shape[1]
        if self._count + n > self._rows.shape[1]:
            grown = np.empty((self.COLUMNS, 2 * (self._count + n)))
            grown[:, : self._count] = self._rows[:, : self._count]
            self._rows = grown
        self._rows[:, self._count : self._count + n] = columns
        self._count += n

    def column(self, number: int, start: int, end: int) -> Floats:
        """A view of one column for ticks start..end (clamped to what is kept); copy it if it must last."""
        low = max(0, start - self.base)
        return self._rows[number, low : max(low, min(self._count, end - self.base))]

    def forget_before(self, tick: int) -> None:
        """Drop the rows before a tick, when they are more than half of the buffer."""
        drop = tick - self.base
        if drop > 512 and drop > self._count // 2:
            kept = self._count - drop
            self._rows[:, :kept] = self._rows[:, drop : self._count].copy()
            self._count = kept
            self.base = tick
