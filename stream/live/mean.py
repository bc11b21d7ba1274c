"""A mean and its standard error, where neighbours in time are alike."""

import numpy as np

from stream.units import Floats

BATCH_S = 0.25  # chosen: short beside a foot's wander, long beside what is left of the signal's noise
FEWEST_BATCHES = 6
MOST_ALIKE = 0.97  # of neighbouring batches; beyond it a hold holds no second look at its own mean


def mean_with_error(values: Floats, rate_hz: float) -> tuple[float, float, float, float]:
    """(mean, standard deviation, standard error of the mean, effective count) of an autocorrelated series, (n,).

    Batches of a quarter of a second are taken as a first-order autoregression. Its lag-1 correlation is estimated with
    Kendall's correction (Biometrika 41 (1954) 403: the plain estimate is low by (1 + 3 r) / k), and the variance of a
    mean of k such values follows (Box, Jenkins and Reinsel, Time series analysis, section 2.1.5); the scatter within a
    stretch no longer than the wander is itself too small, and is raised by the same expression. The effective count
    says how many independent values the mean is worth: an interval needs Student's t with one less.

    With fewer than six batches the plain error is given; with fewer than two values, nan.
    """
    count = len(values)
    if count == 0:
        return float("nan"), float("nan"), float("nan"), 0.0
    mean = float(np.mean(values))
    if count < 2:
        return mean, float("nan"), float("nan"), 1.0
    sd = float(np.std(values, ddof=1))
    length = max(1, round(rate_hz * BATCH_S))
    k = count // length
    deviation = values[: k * length].reshape(k, length).mean(axis=1) if k else np.empty(0)
    deviation = deviation - deviation.mean() if k else deviation
    power = float(deviation @ deviation)
    if k < FEWEST_BATCHES or power == 0:
        return mean, sd, sd / count**0.5, float(count)
    plain = float(deviation[1:] @ deviation[:-1]) / power
    r = min(max((plain * k + 1) / (k - 3), 0.0), MOST_ALIKE)
    alike = (1 + r) / (1 - r) - 2 * r * (1 - r**k) / (k * (1 - r) ** 2)  # values that are worth one
    alike = min(max(alike, 1.0), k - 1.0)
    scatter = power / (k - 1) / max(1 - (alike - 1) / (k - 1), 1 / (k - 1))
    error = max((scatter * alike / k) ** 0.5, sd / count**0.5)
    return mean, sd, error, k / alike
