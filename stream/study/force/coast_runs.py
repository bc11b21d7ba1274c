"""Finds coastdowns in a session: road speed falling by itself while the engine does not drive the wheels.

In neutral the engine turns slower than any gear would make it turn. The highest gear is known from the
session: it has the least engine speed per road speed of all moments at which the car gains speed.
"""

import numpy as np
from scipy import ndimage

from stream.live.runs import runs_of
from stream.study.force.coastdown import LEAST_FALL, MOST_DECELERATION, CoastRun
from stream.units import Flags as BoolArray
from stream.units import Floats as Array

LEAST_S = 10.0
SLOPE_S = 2.0
LEAST_DECELERATION = 0.03  # m/s²; slower than any car rolls
BELOW_TOP_GEAR = 0.85
BRIDGED_S = 1.0  # shorter doubts than this do not cut a run: a bump, a gust


def find_coast_runs(
    time_s: Array, speed_mps: Array, engine_rpm: Array | None = None, top_gear: float | None = None
) -> list[CoastRun]:
    """Coastdowns in order of time.

    time_s, speed_mps, engine_rpm   (rows,) at the live rate, NaN where missing; without engine speed a
                                    coastdown in gear cannot be told from one in neutral, so whoever calls
                                    must say so
    top_gear                        rpm per m/s of the highest gear, where the car file tells it
    """
    good = np.isfinite(time_s) & np.isfinite(speed_mps)
    if engine_rpm is not None:
        good &= np.isfinite(engine_rpm)
    time, speed = time_s[good], speed_mps[good]
    if len(time) < 3:
        return []
    step = float(np.median(np.diff(time)))
    rows = max(round(SLOPE_S / step) | 1, 3)
    smooth = ndimage.uniform_filter1d(speed, rows, mode="nearest")
    slope = ndimage.uniform_filter1d(np.gradient(smooth, time), rows, mode="nearest")
    rolling = (slope < -LEAST_DECELERATION) & (slope > -MOST_DECELERATION) & (speed > 1)
    if engine_rpm is not None:
        rolling &= _neutral(speed, engine_rpm[good], slope, top_gear)
    rolling = ndimage.binary_closing(rolling, np.ones(max(round(BRIDGED_S / step), 1), dtype=np.bool_), border_value=0)
    # The two smoothings blur an edge by this much: what lies so near to one is not surely free rolling.
    rolling = ndimage.binary_erosion(rolling, np.ones(2 * rows + 1, dtype=np.bool_), border_value=0)
    rolling[1:] &= np.diff(time) < BRIDGED_S
    runs = []
    for first, last in runs_of(rolling):
        fall = smooth[first] - smooth[last - 1]
        if time[last - 1] - time[first] >= LEAST_S and fall >= LEAST_FALL * smooth[first]:
            runs.append(CoastRun(time[first:last], speed[first:last]))
    return runs


def _neutral(speed: Array, rpm: Array, slope: Array, top_gear: float | None) -> BoolArray:
    """(rows,) where the engine turns slower than the highest gear (of the car, else of this session) would have it.

    A session that only rolls shows no gear at all; then nothing is left out here, and whoever calls looks at each
    run's ratio.
    """
    moving = speed > 2
    driven = moving & (slope > 0.2)
    if top_gear is None:
        if not driven.any():
            return moving
        top_gear = float(np.percentile(rpm[driven] / speed[driven], 5))
    return np.asarray(moving & (rpm < BELOW_TOP_GEAR * top_gear * speed))
