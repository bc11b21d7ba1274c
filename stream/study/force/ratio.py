"""A second, published criterion of steadiness: the ratio of two variances of Cao and Rhinehart.

S. Cao and R. R. Rhinehart, 'An efficient method for on-line identification of steady state', Journal of Process
Control 5(6), 363-374, 1995 (equations checked against a public implementation; the paper itself from memory).
It assumes white noise: feed it values far enough apart in time to be independent.
"""

import numpy as np

from stream.units import Floats

CRITICAL_95 = 1.438  # for the usual factors; Monte Carlo of white noise (2e5 series), not the published table


def variance_ratio(
    values: Floats, mean_factor: float = 0.2, spread_factor: float = 0.1, step_factor: float = 0.1
) -> Floats:
    """R for each value of a series, about 1 where it is steady and far above where it moves.

    R = (2 - l1) v / d, v the filtered squared distance from the filtered value before, d the filtered squared step.
    The filters start at their values for white noise with the scatter of the first steps, so that R starts at 1.
    Raises ValueError for factors outside 0 to 1 or fewer than two values.
    """
    if len(values) < 2 or not all(0 < factor <= 1 for factor in (mean_factor, spread_factor, step_factor)):
        raise ValueError("the ratio needs two values or more, and factors above 0 and up to 1")
    from scipy.signal import lfilter

    def smooth(series: Floats, factor: float, start: float) -> Floats:
        out, _ = lfilter([factor], [1.0, factor - 1.0], series, zi=np.array([(1.0 - factor) * start]))
        return np.asarray(out, dtype=np.float64)

    steps = np.diff(values)
    step_power = float(np.mean(steps[:10] ** 2))
    centred = values - values[0]
    filtered = smooth(centred, mean_factor, 0.0)
    away = centred[1:] - filtered[:-1]
    spread = smooth(away**2, spread_factor, step_power / (2.0 - mean_factor))
    step = smooth(steps**2, step_factor, step_power)
    tiny = np.finfo(np.float64).tiny
    ratio = (2.0 - mean_factor) * spread / np.maximum(step, tiny)
    return np.concatenate((ratio[:1], ratio))
