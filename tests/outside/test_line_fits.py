"""The line fit against worked examples and certified values of others.

GUM (JCGM 100:2008) H.3: data and printed figures; digits beyond the printed ones agree with two independent fits.
NIST Statistical Reference Datasets: Norris and Pontius, certified values.
Pearson's data with York's weights: slope and intercept from the literature (York, Can. J. Phys. 44 (1966) 1079; as
tabulated in a test of a published package); the unscaled standard errors agree with scipy's odr cov_beta.
statsmodels: externally studentised residuals and prediction intervals.
"""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from stream.calibrate.speed.line import fit_york, lack_of_fit, leverages, residual_sd, studentised, variance_at
from stream.calibrate.speed.speed_model import evaluate, fit_curve


def at(line, x):
    """Standard uncertainty of the line's value at x."""
    return np.sqrt(variance_at(line.u_intercept, line.u_slope, line.covariance, x))


T_K = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
B_K = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])

NORRIS_X = [
    0.2,
    337.4,
    118.2,
    884.6,
    10.1,
    226.5,
    666.3,
    996.3,
    448.6,
    777.0,
    558.2,
    0.4,
    0.6,
    775.5,
    666.9,
    338.0,
    447.5,
    11.6,
    556.0,
    228.1,
    995.8,
    887.6,
    120.2,
    0.3,
    0.3,
    556.8,
    339.1,
    887.2,
    999.0,
    779.0,
    11.1,
    118.3,
    229.2,
    669.1,
    448.9,
    0.5,
]
NORRIS_Y = [
    0.1,
    338.8,
    118.1,
    888.0,
    9.2,
    228.1,
    668.5,
    998.5,
    449.1,
    778.9,
    559.2,
    0.3,
    0.1,
    778.1,
    668.8,
    339.3,
    448.9,
    10.8,
    557.7,
    228.3,
    998.0,
    888.8,
    119.6,
    0.3,
    0.6,
    557.6,
    339.3,
    888.0,
    998.5,
    778.9,
    10.2,
    117.6,
    228.9,
    668.4,
    449.2,
    0.2,
]
PONTIUS_X = 150_000.0 * np.tile(np.arange(1, 21), 2)
PONTIUS_Y = np.array(
    [
        0.11019,
        0.21956,
        0.32949,
        0.43899,
        0.54803,
        0.65694,
        0.76562,
        0.87487,
        0.98292,
        1.09146,
        1.20001,
        1.30822,
        1.41599,
        1.52399,
        1.63194,
        1.73947,
        1.84646,
        1.95392,
        2.06128,
        2.16844,
        0.11052,
        0.22018,
        0.32939,
        0.43886,
        0.54798,
        0.65739,
        0.76596,
        0.87474,
        0.98300,
        1.09150,
        1.20004,
        1.30818,
        1.41613,
        1.52408,
        1.63159,
        1.73965,
        1.84696,
        1.95445,
        2.06177,
        2.16829,
    ]
)
PEARSON_X = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
PEARSON_Y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
PEARSON_WX = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
PEARSON_WY = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500.0])


def scatter_fit(x, y):
    """Least squares with equal, unknown errors: York's fit scaled by its own scatter."""
    line = fit_york(x, y, 0.0, 1.0)
    return line.scaled((line.chi_square / line.dof) ** 0.5)


def test_gum_h3_thermometer() -> None:
    """All figures of H.3: intercept, slope, their doubts and correlation, scatter, prediction at 30 °C."""
    line = scatter_fit(T_K - 20.0, B_K)
    value, u = line.intercept + 10.0 * line.slope, at(line, 10.0)

    assert line.intercept == pytest.approx(-0.17120379, abs=1e-7)
    assert line.u_intercept == pytest.approx(0.00287760, abs=1e-7)
    assert line.slope == pytest.approx(0.00218270, abs=1e-8)
    assert line.u_slope == pytest.approx(0.00066794, abs=1e-8)
    assert line.covariance / line.u_slope / line.u_intercept == pytest.approx(-0.93042960, abs=1e-7)
    assert residual_sd(line) == pytest.approx(0.00349756, abs=1e-7)
    assert float(value) == pytest.approx(-0.14937681, abs=1e-8)
    assert float(u) == pytest.approx(0.00413860, abs=1e-8)
    assert stats.t.ppf(0.975, line.dof) * float(u) == pytest.approx(0.00936215, abs=1e-7)


def test_gum_h3_centred_has_no_covariance() -> None:
    """With t0 at the mean the two parameters are uncorrelated (H.3.4)."""
    line = scatter_fit(T_K - T_K.mean(), B_K)

    assert line.intercept == pytest.approx(-0.16245455, abs=1e-8)
    assert line.u_intercept == pytest.approx(0.00105456, abs=1e-8)
    assert abs(line.covariance) < 1e-15


def test_nist_norris() -> None:
    """Certified values of a linear regression, lower difficulty."""
    line = scatter_fit(NORRIS_X, NORRIS_Y)

    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.u_slope == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert line.covariance == pytest.approx(-7.74327536339570e-5, rel=1e-9)
    assert residual_sd(line) == pytest.approx(0.884796396144373, rel=1e-9)


def test_nist_pontius_load_cell_is_not_straight() -> None:
    """The line's slope and scatter; lack of fit rejects the line and accepts the certified quadratic."""
    line = fit_york(PONTIUS_X, PONTIUS_Y, 0.0, 1.0)
    lack = lack_of_fit(line.residuals, PONTIUS_X.tolist(), 2)

    assert line.slope == pytest.approx(7.22102581e-7, rel=1e-8)
    assert residual_sd(line) == pytest.approx(2.1712726e-3, rel=1e-7)
    assert lack is not None
    assert (lack.dof_lack, lack.dof_pure) == (18, 20)
    assert lack.f == pytest.approx(214.7469, rel=1e-6)
    assert lack.p == pytest.approx(5.5e-19, rel=0.02)
    assert lack.pure_sd == pytest.approx(2.147266e-4, rel=1e-6)

    certified = 0.673565789473684e-3 + 0.732059160401003e-6 * PONTIUS_X - 0.316081871345029e-14 * PONTIUS_X**2
    quadratic = lack_of_fit(PONTIUS_Y - certified, PONTIUS_X.tolist(), 3)
    assert quadratic is not None
    assert quadratic.f == pytest.approx(0.81072, rel=1e-4)
    assert quadratic.p == pytest.approx(0.666, abs=1e-3)


def test_the_piecewise_curve_follows_the_certified_quadratic_of_pontius() -> None:
    """A monotone curve with five knots stays within the certified residual standard deviation of the quadratic."""
    x, y = PONTIUS_X / 150_000.0, PONTIUS_Y
    curve = fit_curve(x, y, np.zeros(40), np.full(40, 2e-4), 5)

    assert curve is not None
    certified = 0.673565789473684e-3 + 0.732059160401003e-6 * PONTIUS_X - 0.316081871345029e-14 * PONTIUS_X**2
    assert np.max(np.abs(evaluate(curve.knots, curve.values, x) - certified)) < 2 * 0.205177424076185e-3


def test_pearson_data_with_york_weights() -> None:
    """Errors in both coordinates; the stated standard errors are the unscaled ones."""
    line = fit_york(PEARSON_X, PEARSON_Y, PEARSON_WX**-0.5, PEARSON_WY**-0.5)

    assert line.intercept == pytest.approx(5.479910224033, abs=1e-8)
    assert line.slope == pytest.approx(-0.480533407446, abs=1e-8)
    assert line.u_intercept == pytest.approx(0.2949707, abs=1e-6)
    assert line.u_slope == pytest.approx(0.0579850, abs=1e-6)
    assert line.chi_square == pytest.approx(11.86635319, abs=1e-6)
    assert line.scaled((line.chi_square / 8) ** 0.5).u_intercept == pytest.approx(0.3592465226, abs=1e-5)


def test_plain_least_squares_is_another_line_on_pearsons_data() -> None:
    """A negative check: ignoring the errors in x gives -0.5396, not -0.4805."""
    line = fit_york(PEARSON_X, PEARSON_Y, 0.0, 1.0)

    assert line.slope == pytest.approx(-0.53957727, abs=1e-8)
    assert line.intercept == pytest.approx(5.76118519, abs=1e-8)


@pytest.mark.parametrize("weighted", [False, True])
def test_studentised_residuals_and_predictions_agree_with_statsmodels(weighted: bool) -> None:
    """Externally studentised residuals, leverage, and the standard error of the mean and of a new observation."""
    x, y = np.array(PEARSON_X), np.array(PEARSON_Y)
    u = 0.1 + 0.05 * x if weighted else np.full(10, 0.2)
    reference = sm.WLS(y, sm.add_constant(x), weights=u**-2).fit()
    line = fit_york(x, y, 0.0, u)
    ours = studentised(line.residuals, line.weights, leverages(line), line.dof)
    influence = sm.OLS(y / u, sm.add_constant(x) / u[:, None]).fit().get_influence()

    np.testing.assert_allclose(leverages(line), influence.hat_matrix_diag, rtol=1e-9)
    np.testing.assert_allclose(ours, influence.resid_studentized_external, rtol=1e-9)

    scaled = line.scaled((line.chi_square / line.dof) ** 0.5)
    new = np.array([-1.0, 3.0, 12.0])
    frame = reference.get_prediction(sm.add_constant(new), weights=1.0).summary_frame(alpha=0.05)
    value, mean_se = scaled.intercept + scaled.slope * new, at(scaled, new)
    np.testing.assert_allclose(value, frame["mean"], rtol=1e-9)
    np.testing.assert_allclose(mean_se, frame["mean_se"], rtol=1e-9)
    half = stats.t.ppf(0.975, line.dof) * np.sqrt(mean_se**2 + line.chi_square / line.dof)
    np.testing.assert_allclose(value - half, frame["obs_ci_lower"], rtol=1e-9)
