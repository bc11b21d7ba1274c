"""The study's statistics against scipy.stats and statsmodels."""

import math

import numpy as np
import pytest
from scipy import stats as reference
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from stream.study import shared, stats
from stream.study.compare.sides import drift_test

SIDES = [(3, 3, 1.0), (2, 6, 0.3), (5, 4, 4.0), (40, 3, 1.0)]


@pytest.mark.parametrize(("base_n", "trial_n", "spread"), SIDES)
def test_welch_agrees_with_scipy_and_statsmodels(base_n: int, trial_n: int, spread: float) -> None:
    """A difference judged by each side's own scatter is Welch's test, as two reference libraries compute it."""
    rng = np.random.default_rng(base_n * 10 + trial_n)
    base, trial = rng.normal(10, 1, base_n), rng.normal(11, spread, trial_n)

    scatter = [stats.Part(float(side.var(ddof=1)) / len(side), len(side) - 1) for side in (base, trial)]
    found = stats.judge(float(trial.mean() - base.mean()), scatter)

    expected = reference.ttest_ind(trial, base, equal_var=False)
    low, high = expected.confidence_interval(0.95)
    assert found.p == pytest.approx(expected.pvalue, rel=1e-9)
    assert found.df == pytest.approx(expected.df, rel=1e-9)
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-9)
    other = CompareMeans(DescrStatsW(trial), DescrStatsW(base)).tconfint_diff(usevar="unequal")
    assert (found.low, found.high) == pytest.approx(other, rel=1e-9)


def test_interval_of_a_mean_agrees_with_scipy() -> None:
    """Student's interval of a mean as SciPy computes it."""
    values = np.array([9.1, 10.4, 10.0, 9.7])
    expected = reference.ttest_1samp(values, 0).confidence_interval(0.95)

    assert stats.mean_interval(values) == pytest.approx(tuple(expected), rel=1e-12)
    assert stats.mean_interval(values[:1]) is None


@pytest.mark.parametrize("n", [2, 3, 5, 12, 60])
def test_smallest_resolvable_change_agrees_with_statsmodels_power(n: int) -> None:
    """The change that would show four times in five, by statsmodels' power of the t test."""
    expected = TTestIndPower().solve_power(nobs1=n, alpha=0.05, power=0.8, alternative="larger", effect_size=None)
    two_sided = TTestIndPower().solve_power(nobs1=n, alpha=0.05, power=0.8, effect_size=None)

    found = stats.detectable(math.sqrt(2 / n), 2 * n - 2)

    assert expected < found
    assert found == pytest.approx(two_sided, rel=2e-3)  # the wrong tail is left out here


@pytest.mark.parametrize("effect", [0.4, 1.0, 2.5])
def test_pulls_needed_agree_with_statsmodels_power(effect: float) -> None:
    """The pulls that a change needs, by statsmodels' power of the t test."""
    expected = math.ceil(TTestIndPower().solve_power(effect_size=effect, alpha=0.05, power=0.8, nobs1=None))

    assert stats.pulls_needed(effect, 1.0) == expected
    assert stats.pulls_needed(effect, 1.0, shared_variance=effect**2) is None


def test_interval_of_a_standard_deviation_is_the_chi_square_one() -> None:
    """The chi-square interval, from SciPy's quantiles."""
    low, high = stats.sd_interval(2.0, 7)

    assert low == pytest.approx(2.0 * math.sqrt(7 / reference.chi2.ppf(0.975, 7)), rel=1e-10)
    assert high == pytest.approx(2.0 * math.sqrt(7 / reference.chi2.ppf(0.025, 7)), rel=1e-10)


def test_order_drift_agrees_with_least_squares_of_statsmodels() -> None:
    """Drift with the order of pulls, by statsmodels' least squares."""
    import statsmodels.api as sm

    rng = np.random.default_rng(8)
    side = np.array([False, False, True, True, False, True, True])
    place = np.arange(7.0)
    values = 0.02 * side - 0.003 * place + rng.normal(0, 0.002, 7)
    expected = sm.OLS(values, np.column_stack([np.ones(7), side, place])).fit()

    found = drift_test(place, values, side)

    assert found is not None
    assert found.difference == pytest.approx(expected.params[2], rel=1e-9)
    assert found.p == pytest.approx(expected.pvalues[2], rel=1e-9)
    assert (found.low, found.high) == pytest.approx(tuple(expected.conf_int()[2]), rel=1e-9)


def test_sessions_within_sides_are_judged_by_the_nested_f_test_of_statsmodels() -> None:
    """The nested analysis of variance, by statsmodels."""
    import statsmodels.api as sm

    rng = np.random.default_rng(12)
    number = np.repeat(np.arange(5), [3, 4, 2, 3, 4])
    side = number % 2 == 1
    sessions = (number[:, None] == np.arange(5)).astype(float)
    values = 0.02 * side + sessions @ rng.normal(0, 0.02, 5) + rng.normal(0, 0.005, len(number))
    full = sm.OLS(values, sessions).fit()
    f, p, _ = full.compare_f_test(sm.OLS(values, np.column_stack([side, ~side]).astype(float)).fit())

    found = shared.session_excess(values, side, number, np.zeros((len(number), 0)), np.zeros(0))

    assert found.p == pytest.approx(p, rel=1e-9)
    assert found.df == 3
    # by moments: (mean square between - within) / n0, with n0 of unequal groups (Searle, Linear Models, 1971)
    counts = [np.bincount(number)[[0, 2, 4]], np.bincount(number)[[1, 3]]]
    n0 = sum(group.sum() - (group**2).sum() / group.sum() for group in counts) / 3
    assert found.variance == pytest.approx((f - 1) * full.mse_resid / n0, rel=1e-9)
