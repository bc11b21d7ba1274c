"""Rate of change of a noisy trace by local polynomials, with its noise stated."""

from dataclasses import dataclass

import numpy as np
from scipy import signal

from stream.units import Floats

WINDOW_S = 0.4  # shorter than a band takes in third gear; a parabola in it follows any pull
ORDER = 2
LIVE_CORRELATION_S = 0.05  # samples behind a 10 Hz low-pass are new to each other only after half a period of it


@dataclass(frozen=True, slots=True)
class Slope:
    """On an even clock: time s, smoothed value, slope per second, all (rows,); u_slope is its standard noise."""

    time_s: Floats
    value: Floats
    slope: Floats
    u_slope: float


def local_slope(time_s: Floats, value: Floats, window_s: float = WINDOW_S) -> Slope | None:
    """Local parabolas (Savitzky and Golay, Anal. Chem. 36 (1964) 1627) on an even clock; None where too short.

    time_s, value   (rows,) finite, stamps rising; stamps that are not quite even are evened out
    The noise is that of the residuals, taken as new only every LIVE_CORRELATION_S, through the parabola's slope.
    """
    if len(time_s) < 2 * ORDER + 3:
        return None
    step = float(np.median(np.diff(time_s)))
    clock = np.arange(time_s[0], time_s[-1] + step / 2, step)
    even = np.interp(clock, time_s, value)
    rows = max(round(window_s / step) | 1, ORDER + 3)
    if len(clock) < rows:
        return None
    smooth = signal.savgol_filter(even, rows, ORDER)
    slope = signal.savgol_filter(even, rows, ORDER, deriv=1, delta=step)
    # A parabola takes three freedoms out of the window; from memory, any text on local regression.
    noise = float(np.std(even - smooth)) * np.sqrt(rows / (rows - ORDER - 1))
    together = max(LIVE_CORRELATION_S / step, 1.0)
    gain = np.sqrt(12 / (rows * (rows**2 - 1))) / step
    return Slope(clock, np.asarray(smooth), np.asarray(slope), float(noise * np.sqrt(together) * gain))
