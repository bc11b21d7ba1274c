"""A coarse record of the whole session, ten rows a second: for what needs the session as a whole."""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


class CoarseTrace:
    """Means over each decision step: columns time_s, signal, signal spread (max - min), and each other channel.

    About 50 bytes a row, so an hour is under 2 MB.
    """

    def __init__(self, others: int) -> None:
        self._table = np.empty((1024, 3 + others))
        self._count = 0

    def add(self, times_s: list[float], steps: Floats) -> Floats:
        """Steps that follow each other: their times, and their ticks (steps, ticks, 1 + others), the signal first.

        Returns the signal's mean over each step.
        """
        end = self._count + len(times_s)
        if end > len(self._table):
            grown = np.empty((2 * end, self._table.shape[1]))
            grown[: self._count] = self._table[: self._count]
            self._table = grown
        rows = self._table[self._count : end]
        signal = steps[:, :, 0]
        rows[:, 0] = times_s
        rows[:, 1] = np.mean(signal, axis=1)
        rows[:, 2] = np.max(signal, axis=1) - np.min(signal, axis=1)
        rows[:, 3:] = np.mean(steps[:, :, 1:], axis=1)
        self._count = end
        means: Floats = rows[:, 1]
        return means

    def array(self) -> Floats:
        """All rows, shape (n, 3 + others)."""
        return self._table[: self._count].copy()
