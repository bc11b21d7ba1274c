"""A mean and its standard error, where neighbours in time are alike."""

import numpy as np
import numpy.typing as npt

FEWEST_BATCHES = 12


def mean_with_error(values: npt.NDArray[np.float64]) -> tuple[float, float, float, float]:
    """(mean, standard deviation, standard error of the mean, effective count) of an autocorrelated series.

    Batch means: the series is cut in ever longer batches (1, 2, 4 … values), and the largest error that the scatter
    of the batches gives is taken. The longest batches, of which there are at least 12, may still be alike: their
    lag-1 correlation r, less its own bias of -1/k, widens the error by sqrt((1 + r) / (1 - r)).
    With fewer than 12 values the plain error is given; with fewer than two, nan.
    """
    count = len(values)
    if count == 0:
        return float("nan"), float("nan"), float("nan"), 0.0
    mean = float(np.mean(values))
    if count < 2:
        return mean, float("nan"), float("nan"), 1.0
    sd = float(np.std(values, ddof=1))
    largest = sd / count**0.5
    length = 1
    while count // length >= FEWEST_BATCHES:
        batches = count // length
        means = values[: batches * length].reshape(batches, length).mean(axis=1)
        error = float(np.std(means, ddof=1)) / batches**0.5
        if count // (2 * length) < FEWEST_BATCHES:
            error *= _widening(means)
        largest = max(largest, error)
        length *= 2
    return mean, sd, largest, (sd / largest) ** 2 if largest > 0 else float(count)


def _widening(means: npt.NDArray[np.float64]) -> float:
    deviation = means - means.mean()
    power = float(deviation @ deviation)
    if power == 0:
        return 1.0
    r = float(deviation[1:] @ deviation[:-1]) / power + 1.0 / len(means)
    r = min(max(r, 0.0), 0.7)
    return float(((1 + r) / (1 - r)) ** 0.5)
