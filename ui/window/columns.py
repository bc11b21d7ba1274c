"""The last seconds of some curves as columns of lowest and highest value: what a strip draws instead of
samples.

A sample costs work once, when it comes. Drawing costs the same whether a column holds one sample or
thousands.
"""

import math
from typing import Any

import numpy as np
import numpy.typing as npt

Times = npt.NDArray[np.float64]


class Columns:
    """A ring of `count` columns over `seconds`, for `curves` curves.

    Each column is kept twice, `count` apart, so that the window is always one contiguous slice and never
    copied.
    """

    def __init__(self, curves: int, seconds: float = 30.0, count: int = 1000) -> None:
        self.curves = curves
        self.seconds = seconds
        self.count = count
        self.width_s = seconds / count
        self.spacing_s = 0.0  # the longest usual time between samples, so that sparse curves are still joined
        self._pairs = np.full((curves, 2 * count, 2), np.nan, np.float32)
        self._newest: int | None = None

    @property
    def newest_s(self) -> float | None:
        """The left edge of the newest column, session seconds; None before the first sample."""
        return None if self._newest is None else self._newest * self.width_s

    def clear(self) -> None:
        """Forget everything."""
        self._pairs[:] = np.nan
        self._newest = None

    def advance(self, now_s: float) -> None:
        """Move the window so that its last column holds `now_s`; the new columns are empty."""
        column = math.floor(now_s / self.width_s)  # not //: it rounds otherwise than the division in add()
        if self._newest is None or column - self._newest >= self.count:
            self._pairs[:] = np.nan
            self._newest = column
        elif column > self._newest:
            fresh = np.arange(self._newest + 1, column + 1) % self.count
            self._pairs[:, fresh] = np.nan
            self._pairs[:, fresh + self.count] = np.nan
            self._newest = column

    def add(self, times_s: Times, values: npt.NDArray[Any]) -> None:
        """Take in samples: times (n,) ascending, values (n, curves). NaN and infinity count as missing.

        A stream that starts over, more than a window back, empties the strip.
        """
        if not len(times_s):
            return
        if self._newest is not None and times_s[-1] < (self._newest - self.count) * self.width_s:
            self.clear()
        self.advance(float(times_s[-1]))
        newest = self._newest if self._newest is not None else 0
        if len(times_s) > 1:
            self.spacing_s = float(times_s[-1] - times_s[0]) / (len(times_s) - 1)
        columns = np.floor(times_s / self.width_s).astype(np.int64)
        inside = int(np.searchsorted(columns, newest - self.count, side="right"))
        columns, values = columns[inside:], values[inside:]
        if not len(columns):
            return
        starts = np.concatenate(([0], np.flatnonzero(np.diff(columns)) + 1))
        clean = values if np.isfinite(values).all() else np.where(np.isfinite(values), values, np.nan)
        low = np.fmin.reduceat(clean, starts, axis=0).T
        high = np.fmax.reduceat(clean, starts, axis=0).T
        places = columns[starts] % self.count
        pairs = self._pairs[:, places]
        pairs[:, :, 0] = np.fmin(pairs[:, :, 0], low)
        pairs[:, :, 1] = np.fmax(pairs[:, :, 1], high)
        self._pairs[:, places] = pairs
        self._pairs[:, places + self.count] = pairs

    def window(self, curve: int) -> npt.NDArray[np.float32]:
        """The window of one curve: (count, 2), lowest and highest, oldest column first; NaN is empty."""
        start = 0 if self._newest is None else (self._newest + 1) % self.count
        view: npt.NDArray[np.float32] = self._pairs[curve, start : start + self.count]
        return view

    def span(self, curve: int) -> tuple[float, float] | None:
        """Lowest and highest value in the window, or None where it is empty."""
        window = self.window(curve)
        low, high = np.fmin.reduce(window[:, 0]), np.fmax.reduce(window[:, 1])
        return (float(low), float(high)) if np.isfinite(low) and np.isfinite(high) else None

    def line(self, curve: int) -> tuple[Times, npt.NDArray[np.float32], npt.NDArray[np.bool_] | None]:
        """One curve to draw: x (seconds before the newest column, ≤ 0), y, and which points join the next
        one.

        The last is None where all do. Columns that are empty because samples are further apart than columns
        are bridged; a longer hole is a gap in the line.
        """
        window = self.window(curve)
        filled = np.flatnonzero(np.isfinite(window[:, 0]))
        x = np.repeat((filled - (self.count - 1)) * self.width_s, 2)
        y = window[filled].reshape(-1)
        reach = max(2.0, 2.5 * self.spacing_s / self.width_s)
        holes = np.diff(filled) > reach
        if not holes.any():
            return x, y, None
        joins = np.ones(len(x), np.bool_)
        joins[1:-1:2] = ~holes
        return x, y, joins
