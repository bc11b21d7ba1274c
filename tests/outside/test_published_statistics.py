"""Worked examples of a standard for straight lines, and of a rule book for measuring engines.

ISO/TS 28037:2010, as its printed values are quoted in the documentation of a public calculator for the GUM; 40 CFR
1065.602 and 1065.645, as printed there.
"""

import numpy as np
import pytest

from stream.calibrate.speed.line import fit_york
from stream.study import stats
from stream.study.force.air import saturation_pressure_hpa

RISING = np.arange(1.0, 7.0)
BOTH_X = np.array([1.2, 1.9, 2.9, 4.0, 4.7, 5.9])
# ISO/TS 28037: x, u(x), y, u(y), then intercept, its uncertainty, slope, its uncertainty, covariance, chi-square
LINES = {
    "6.3, equal weights": (
        RISING,
        0.0,
        [3.3, 5.6, 7.1, 9.3, 10.7, 12.1],
        0.5,
        (1.867, 0.465, 1.757, 0.120, -0.050, 1.665),
    ),
    "unequal weights": (
        RISING,
        0.0,
        [3.2, 4.3, 7.6, 8.6, 11.7, 12.8],
        [0.5, 0.5, 0.5, 1.0, 1.0, 1.0],
        (0.885, 0.530, 2.057, 0.178, -0.082, 4.131),
    ),
    "7.4, errors in both": (
        BOTH_X,
        0.2,
        [3.4, 4.4, 7.2, 8.5, 10.8, 13.5],
        [0.2, 0.2, 0.2, 0.4, 0.4, 0.4],
        (0.5788, 0.4764, 2.1597, 0.1355, -0.0577, 2.743),
    ),
}


@pytest.mark.parametrize("name", LINES)
def test_straight_lines_of_the_standard(name: str) -> None:
    """Intercept, slope, their standard uncertainties and covariance, and chi-square, to the digits that are printed."""
    x, u_x, y, u_y, wanted = LINES[name]
    line = fit_york(x, np.array(y), np.full(6, u_x), np.broadcast_to(np.array(u_y, float), 6).copy())
    found = (line.intercept, line.u_intercept, line.slope, line.u_slope, line.covariance, line.chi_square)

    digits = 4 if name.startswith("7.4") else 3
    assert found[:5] == pytest.approx(wanted[:5], abs=1.5 * 10**-digits)
    assert found[5] == pytest.approx(wanted[5], abs=6e-4)


def of(mean: float, sd: float, count: int) -> np.ndarray:
    """Numbers with exactly this mean and standard deviation."""
    plain = np.linspace(-1.0, 1.0, count)
    return mean + sd * plain / plain.std(ddof=1)


def test_a_difference_of_means_with_unequal_scatter() -> None:
    """40 CFR 1065.602(f): means 1205.3 and 1123.8, s 9.399 and 10.583, n 11 and 7: t 16.63 on 11.76 degrees of
    freedom."""
    scatter = [stats.Part(sd**2 / count, count - 1) for sd, count in ((9.399, 11), (10.583, 7))]
    found = stats.judge(1205.3 - 1123.8, scatter)

    assert found.difference / found.se == pytest.approx(16.63, abs=0.005)
    assert found.df == pytest.approx(11.76, abs=0.005)


@pytest.mark.parametrize(("count", "wanted"), [(4, 1.591), (5, 1.242), (6, 1.049), (7, 0.925), (8, 0.836)])
def test_half_an_interval_of_a_few_values(count: int, wanted: float) -> None:
    """t / √n of a 95 % interval, the figure that road-load tests print their precision by."""
    low, high = stats.mean_interval(of(0.0, 1.0, count))

    assert (high - low) / 2 == pytest.approx(wanted, abs=5e-4)


def test_moist_air() -> None:
    """40 CFR 1065.645: saturated at 9.5 °C 1.186581 kPa; at 20 °C, 50.77 % and 99.980 kPa a share of 0.011868
    water. The rule's formula is older than ours (Wagner and Pruß): they part by 0.09 % at the most here."""
    assert saturation_pressure_hpa(9.5) == pytest.approx(11.86581, rel=1e-3)
    assert 0.5077 * saturation_pressure_hpa(20.0) / 999.80 == pytest.approx(0.011868, rel=1e-3)
