"""A coarse record of the whole session, ten rows a second: for what needs the session as a whole."""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


class CoarseTrace:
    """Means over each decision step: columns time_s, signal, signal spread (max - min), and each other channel.

    About 50 bytes a row, so an hour is under 2 MB.
    """

    def __init__(self, others: int) -> None:
        self._rows: list[tuple[float, ...]] = []
        self._others = others

    def add(self, time_s: float, signal: Floats, others: Floats) -> None:
        """One step: the signal's ticks, and the other channels' ticks (n, others)."""
        spread = float(np.max(signal) - np.min(signal))
        self._rows.append((time_s, float(np.mean(signal)), spread, *np.mean(others, axis=0).tolist()))

    def array(self) -> Floats:
        """All rows, shape (n, 3 + others)."""
        return np.array(self._rows, dtype=np.float64).reshape(len(self._rows), 3 + self._others)
