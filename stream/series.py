"""Filters, spectra and curves of short arrays, on numpy alone.

scipy.signal and scipy.interpolate have all of this, and take half a second to load (for scipy.stats, which nothing here
asks for): longer than the rest of a command. Each function is held against its namesake there in
`tests/outside/test_series.py`. The live stage filters with scipy itself.
"""

from collections.abc import Sequence
from itertools import accumulate

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from stream.units import Floats


def welch(values: Floats, rate_hz: float, rows: int) -> tuple[Floats, Floats]:
    """(frequency in Hz, power density in unit²/Hz) of segments of `rows` that overlap by half, each less its mean and
    under a Hann window: P. D. Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70."""
    window = np.hanning(rows + 1)[:-1]
    segments = sliding_window_view(values, rows)[:: rows - rows // 2]
    spectrum = np.fft.rfft((segments - segments.mean(axis=1, keepdims=True)) * window, axis=1)
    density = np.asarray((np.abs(spectrum) ** 2).mean(axis=0) / (rate_hz * float(window @ window)), np.float64)
    density[1 : len(density) - (rows % 2 == 0)] *= 2.0
    return np.asarray(np.fft.rfftfreq(rows, 1.0 / rate_hz), np.float64), density


def smoothed(series: Floats, factor: float, start: float) -> Floats:
    """y[n] = factor x[n] + (1 - factor) y[n-1] with y[-1] = start, (n,)."""
    whole = accumulate(series.tolist(), lambda y, x: factor * x + (1.0 - factor) * y, initial=start)
    return np.array(list(whole)[1:], np.float64)


def low_pass_4(values: Floats, rate_hz: float, cutoff_hz: float) -> Floats:
    """Butterworth's low-pass of order 4 from rest, along the first axis, (n, channels): two sections by the bilinear
    transform with its corner kept."""
    corner = np.tan(np.pi * cutoff_hz / rate_hz)
    out = np.array(values, np.float64)
    for angle in (3.0 * np.pi / 8.0, np.pi / 8.0):
        damping = 2.0 * np.cos(angle) * corner
        whole = 1.0 + damping + corner**2
        gain = float(corner**2 / whole)
        a1, a2 = float(2.0 * (corner**2 - 1.0) / whole), float((1.0 - damping + corner**2) / whole)
        for column in range(out.shape[1]):
            out[:, column] = _section(out[:, column].tolist(), gain, a1, a2)
    return out


def _section(series: list[float], gain: float, a1: float, a2: float) -> list[float]:
    """gain (1 + 2/z + 1/z²) / (1 + a1/z + a2/z²)."""
    out: list[float] = []
    first = second = 0.0
    for x in series:
        scaled = gain * x
        y = scaled + first
        first, second = 2.0 * scaled - a1 * y + second, scaled - a2 * y
        out.append(y)
    return out


def local_parabola(values: Floats, rows: int, order: int, slope_step: float | None = None) -> Floats:
    """Polynomials of `order` fitted to `rows` (odd) values about each, (n,); with `slope_step` their slope, by the
    distance between two values. Near the ends it is the polynomial of the first or last rows. A. Savitzky and M. J. E.
    Golay, Anal. Chem. 36 (1964) 1627."""
    half = rows // 2
    powers = np.arange(order + 1)
    fit = np.linalg.pinv(np.arange(-half, half + 1)[:, np.newaxis].astype(np.float64) ** powers)

    def at(places: Floats) -> Floats:
        x = places[:, np.newaxis]
        if slope_step is None:
            return np.asarray(x**powers, np.float64)
        return np.asarray(powers * x ** np.maximum(powers - 1, 0) / slope_step, np.float64)

    out = np.empty(len(values))
    out[half : len(values) - half] = np.convolve(values, (at(np.zeros(1)) @ fit)[0][::-1], "valid")
    out[:half] = at(np.arange(-half, 0, dtype=np.float64)) @ (fit @ values[:rows])
    out[len(values) - half :] = at(np.arange(1, half + 1, dtype=np.float64)) @ (fit @ values[-rows:])
    return out


def running_median(values: Floats, rows: int) -> Floats:
    """Median of `rows` (odd) about each, the ends going on at their last value, (n,)."""
    half = rows // 2
    return np.asarray(np.partition(sliding_window_view(np.pad(values, half, "edge"), rows), half, axis=1)[:, half])


def running_max(values: Floats, rows: int) -> Floats:
    """The largest of `rows` (odd) about each, nothing beyond the ends counting for more than 0, (n,)."""
    return np.asarray(sliding_window_view(np.pad(values, rows // 2), rows).max(axis=1))


def gaussian(values: Floats, sigma: float) -> Floats:
    """Smoothed by a bell of `sigma` values, cut off at four of them, the ends mirrored, (n,)."""
    reach = int(4.0 * sigma + 0.5)
    bell = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.convolve(np.pad(values, reach, "symmetric"), bell / bell.sum(), "valid")


class Pchip:
    """The monotone cubic through knots: F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300; the ends
    by three points (C. Moler, Numerical Computing with MATLAB, 2004, 3.6).

    knots, values   (k,), two or more; knots rising
    """

    def __init__(self, knots: Floats, values: Floats) -> None:
        self.knots, self.values = np.asarray(knots, np.float64), np.asarray(values, np.float64)
        step = np.diff(self.knots)
        rise = np.diff(self.values) / step
        self._step, self._rise = step, rise
        self.slopes = np.full(len(self.knots), rise[0])
        if len(rise) > 1:
            self.slopes[1:-1] = _inner_slopes(step, rise)
            self.slopes[0] = _end_slope(step[:2], rise[:2])
            self.slopes[-1] = _end_slope(step[:-3:-1], rise[:-3:-1])

    def __call__(self, x: Floats) -> Floats:
        """The curve between the knots."""
        piece, away, bend, twist = self._pieces(x)
        return np.asarray(self.values[piece] + away * (self.slopes[piece] + away * (bend + away * twist)), np.float64)

    def slope(self, x: Floats) -> Floats:
        """Its slope there."""
        piece, away, bend, twist = self._pieces(x)
        return np.asarray(self.slopes[piece] + away * (2.0 * bend + 3.0 * away * twist), np.float64)

    def _pieces(self, x: Floats) -> tuple[np.ndarray, Floats, Floats, Floats]:
        x = np.asarray(x, np.float64)
        piece = np.clip(np.searchsorted(self.knots, x, side="right") - 1, 0, len(self._step) - 1)
        step, rise, first, last = self._step[piece], self._rise[piece], self.slopes[piece], self.slopes[piece + 1]
        bend = (3.0 * rise - 2.0 * first - last) / step
        return piece, x - self.knots[piece], bend, (first + last - 2.0 * rise) / step**2


def _inner_slopes(step: Floats, rise: Floats) -> Floats:
    turns = np.sign(rise[1:]) * np.sign(rise[:-1]) <= 0
    before, behind = 2.0 * step[1:] + step[:-1], step[1:] + 2.0 * step[:-1]
    safe = np.where(turns[np.newaxis, :], 1.0, np.stack((rise[:-1], rise[1:])))
    return np.where(turns, 0.0, (before + behind) / (before / safe[0] + behind / safe[1]))


def _end_slope(step: Sequence[float] | Floats, rise: Sequence[float] | Floats) -> float:
    """At an end, from the two pieces next to it, the nearer one first."""
    slope = float(((2.0 * step[0] + step[1]) * rise[0] - step[0] * rise[1]) / (step[0] + step[1]))
    if np.sign(slope) != np.sign(rise[0]):
        return 0.0
    if np.sign(rise[0]) != np.sign(rise[1]) and abs(slope) > 3.0 * abs(rise[0]):
        return float(3.0 * rise[0])
    return slope
