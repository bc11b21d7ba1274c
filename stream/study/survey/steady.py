"""The second criterion of steadiness on every hold: the ratio of two variances, on means far enough apart to be white.

S. Cao and R. R. Rhinehart, 'An efficient method for on-line identification of steady state', Journal of Process
Control 5(6), 363-374, 1995 (equations checked against a public implementation; the paper itself from memory).
"""

import numpy as np

from stream.live.records import Hold
from stream.series import smoothed
from stream.study.survey.records import HoldSteadiness, SteadinessSurvey
from stream.study.survey.tally import Stretches
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
    steps = np.diff(values)
    step_power = float(np.mean(steps[:10] ** 2))
    centred = values - values[0]
    filtered = smoothed(centred, mean_factor, 0.0)
    away = centred[1:] - filtered[:-1]
    spread = smoothed(away**2, spread_factor, step_power / (2.0 - mean_factor))
    step = smoothed(steps**2, step_factor, step_power)
    tiny = np.finfo(np.float64).tiny
    ratio = (2.0 - mean_factor) * spread / np.maximum(step, tiny)
    return np.concatenate((ratio[:1], ratio))


FINEST_S = 0.01
STEPS_S = (0.02, 0.05, 0.1, 0.2, 0.4, 0.8)
WHITE_LAG1 = 0.3
FEWEST = 8  # means in a hold
MOST_HOLDS = 40


def second_criterion(stretches: Stretches, column: int, holds: tuple[Hold, ...]) -> SteadinessSurvey:
    """Judge the holds again. Means over ever longer steps are tried until neighbours are nearly independent; where
    that would leave fewer than eight in most holds, the longest step that leaves eight is taken and `white` is false.
    """
    rate = stretches.session.rate_hz
    fine_s = max(1, int(FINEST_S * rate)) / rate  # means over this are kept, so that memory stays flat
    runs = [
        (hold, _means(stretches.read([column], hold.start_s, hold.end_s)[:, 0], rate, fine_s))
        for hold in holds[:MOST_HOLDS]
    ]
    rate = 1.0 / fine_s
    chosen: tuple[float, float] | None = None
    for step in STEPS_S:
        means = [_means(run, rate, step) for _, run in runs]
        long_enough = [mean for mean in means if len(mean) >= FEWEST]
        if step * rate < 0.99 or 2 * len(long_enough) < max(1, len(runs)):
            continue
        chosen = step, _lag1(long_enough)
        if chosen[1] < WHITE_LAG1:
            break
    if chosen is None:
        return _record(None, None, ())
    judged = []
    for hold, run in runs:
        means_of_hold = _means(run, rate, chosen[0])
        if len(means_of_hold) >= FEWEST and float(np.ptp(means_of_hold)) > 0:
            share = 100.0 * float(np.mean(variance_ratio(means_of_hold) < CRITICAL_95))
            judged.append(
                HoldSteadiness(
                    start_s=hold.start_s,
                    end_s=hold.end_s,
                    speed_rpm=hold.speed_rpm,
                    values=len(means_of_hold),
                    agrees_pct=share,
                )
            )
    return _record(chosen[0], chosen[1], tuple(judged))


def _record(step: float | None, lag1: float | None, holds: tuple[HoldSteadiness, ...]) -> SteadinessSurvey:
    values = sum(hold.values for hold in holds)
    return SteadinessSurvey(
        critical=CRITICAL_95,
        step_s=step,
        lag1=lag1,
        white=None if lag1 is None else lag1 < WHITE_LAG1,
        agrees_pct=sum(hold.agrees_pct * hold.values for hold in holds) / values if values else None,
        holds=holds,
    )


def _means(values: Floats, rate_hz: float, step_s: float) -> Floats:
    rows = max(1, round(step_s * rate_hz))
    count = len(values) // rows
    return np.asarray(values[: count * rows].reshape(count, rows).mean(axis=1), np.float64)


def _lag1(runs: list[Floats]) -> float:
    """Correlation of neighbours over all holds, its bias of -1/n taken off."""
    products = power = bias = 0.0
    for run in runs:
        away = run - run.mean()
        products += float(away[1:] @ away[:-1])
        power += float(away @ away)
        bias += float(away @ away) / len(run)
    return (products + bias) / power if power > 0 else 0.0
