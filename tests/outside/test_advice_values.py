"""Vertex finding and mixture arithmetic against figures that were not made by this code.

The synthetic parabola is arithmetic (150 less 6e-4 a squared degree, best at 27 degrees). The mixture curve is the
88 bench points of Brinkman, SAE Transactions 90:1410 (1981); its vertex was computed apart from this code. Fieller's
interval is held against a search for its limits by root finding and against the delta method of `compare`.
"""

import csv
import math

import numpy as np
import pytest
from scipy import optimize

from stream.study import stats
from stream.study.tables.parabola import fieller, fit_parabola
from tests.outside_data import outside_file

ADVANCE = np.array([16.0, 20, 24, 28, 32, 36])
TORQUE = np.array([139.11, 145.59, 149.19, 149.91, 147.75, 142.71])


def test_the_parabola_of_six_settings() -> None:
    """Vertex 27.000 at 150.000; 1 % lost 4.0825 degrees away, 1.5 % at 5 and 6 % at 10."""
    curve = fit_parabola(ADVANCE, TORQUE, np.eye(6), 2.0)

    assert curve.vertex == pytest.approx(27.0, abs=5e-4)
    assert curve.top == pytest.approx(150.0, abs=5e-4)
    assert curve.within(0.01) == pytest.approx(4.0825, abs=5e-4)
    assert curve.value(22.0) / curve.top == pytest.approx(0.985, abs=1e-5)
    assert curve.value(37.0) / curve.top == pytest.approx(0.940, abs=1e-5)


def test_the_fit_does_not_depend_on_a_scale_of_the_doubt_nor_on_a_shared_one() -> None:
    """A zero that all settings share moves the curve and not its vertex."""
    alone = fit_parabola(ADVANCE, TORQUE, 0.04 * np.eye(6), 2.0)
    shared = fit_parabola(ADVANCE, TORQUE, 0.04 * np.eye(6) + 9.0, 2.0)

    assert shared.vertex == pytest.approx(alone.vertex, abs=1e-4)
    assert shared.vertex_limits() == pytest.approx(alone.vertex_limits(), abs=1e-3)


def test_the_vertex_of_a_real_curve() -> None:
    """NOx over equivalence ratio, .75 to 1.1: quadratic's vertex 0.91206 (44 points)."""
    with outside_file("ethanol.csv").open(newline="") as text:
        rows = [(float(row["E"]), float(row["NOx"])) for row in csv.DictReader(text)]
    ratio, nox = np.array([row for row in rows if 0.75 < row[0] < 1.1]).T
    residual = nox - np.polyval(np.polyfit(ratio, nox, 2), ratio)
    curve = fit_parabola(ratio, nox, np.eye(len(ratio)) * residual.var(ddof=3), stats.t_quantile(len(ratio) - 3))

    assert len(ratio) == 44
    assert curve.vertex == pytest.approx(0.91206, abs=5e-6)
    low, high = curve.vertex_limits()
    assert low is not None
    assert high is not None
    assert 0.89 < low < 0.91206 < high < 0.93


def test_fieller_is_where_the_t_ratio_is_critical() -> None:
    """Its limits solve (top - r bottom)² = t² var, found by root finding."""
    top, bottom, var_top, cov, var_bottom, t = 2.0, 5.0, 0.04, 0.01, 0.09, 2.2

    def excess(ratio: float) -> float:
        return (top - ratio * bottom) ** 2 - t**2 * (var_top - 2 * ratio * cov + ratio**2 * var_bottom)

    limits = fieller(top, bottom, var_top, cov, var_bottom, t)
    assert limits == pytest.approx((optimize.brentq(excess, 0.0, 0.4), optimize.brentq(excess, 0.4, 1.0)), rel=1e-9)


def test_fieller_is_unbounded_where_the_bottom_may_be_zero() -> None:
    """One side where the top is resolved, both where nothing is."""
    assert fieller(5.0, 0.1, 0.01, 0.0, 1.0, 2.0)[1] is None
    assert fieller(5.0, 0.1, 0.01, 0.0, 1.0, 2.0)[0] is not None
    assert fieller(0.1, 0.1, 1.0, 0.0, 1.0, 2.0) == (None, None)


def test_the_delta_method_agrees_with_fieller_where_doubts_are_small() -> None:
    """Two sides of four pulls at 1 % scatter: the interval of the ratio by Welch on logs, and Fieller's, to 2 %."""
    rng = np.random.default_rng(4)
    base, trial = 1.0 + 0.01 * rng.standard_normal(4), 1.03 + 0.01 * rng.standard_normal(4)
    logs = np.log(base), np.log(trial)
    log = stats.judge(
        float(logs[1].mean() - logs[0].mean()), [stats.Part(float(side.var(ddof=1)) / 4, 3) for side in logs]
    )
    exact = fieller(
        trial.mean(), base.mean(), trial.var(ddof=1) / 4, 0.0, base.var(ddof=1) / 4, stats.t_quantile(log.df)
    )

    assert (math.exp(log.low), math.exp(log.high)) == pytest.approx(exact, abs=0.02 * (exact[1] - exact[0]))
