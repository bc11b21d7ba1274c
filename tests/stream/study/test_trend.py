import math

import pytest
from scipy import stats as reference

from stream.study.compare.trend import trend
from tests.stream.study.made import pull

DAY = 86_400.0


def test_sessions_are_the_replicates_of_the_slope() -> None:
    """A trend's interval rests on sessions, not on their pulls."""
    levels = [0.0, -0.01, -0.019, -0.031]
    pulls = [
        pull("wren", math.exp(level + wobble), session=f"s{index}", started=DAY * 10 * index + more)
        for index, level in enumerate(levels)
        for more, wobble in enumerate((-0.002, 0.002))
    ]

    result = trend(pulls, "wren")

    expected = reference.linregress([0, 10, 20, 30], levels)
    assert result.slope_pct_per_day == pytest.approx(100 * expected.slope)
    assert result.p == pytest.approx(expected.pvalue, rel=1e-6)
    assert [point.pulls for point in result.points] == [2, 2, 2, 2]
    assert result.points[-1].change_pct == pytest.approx(100 * math.expm1(-0.031))


def test_two_sessions_have_no_slope_and_undated_ones_neither() -> None:
    """A slope takes three dated sessions."""
    pulls = [pull("wren", session=f"s{index}", started=DAY * index) for index in range(2)]

    assert trend(pulls, "wren").slope_pct_per_day is None
    assert trend([pull("wren", session=f"s{i}") for i in range(4)], "wren").p is None
