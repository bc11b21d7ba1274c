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


def test_what_the_air_of_the_days_does_is_taken_off_and_said() -> None:
    """Load that follows the air alone: 1 % a day as recorded, nothing left once corrected; without air it is said."""
    factors = [1.0, 1 / 1.01, 1 / 1.02, 1 / 1.03]
    pulls, air = [], {}
    for number, factor in enumerate(factors):
        air[f"s{number}"] = factor
        pulls += [
            pull(level=level / factor, session=f"s{number}", started=86400.0 * number + 60 * n)
            for n, level in enumerate((1.0, 1.001, 0.999))
        ]

    corrected, plain = trend(pulls, "heron", air=air), trend(pulls, "heron")

    assert corrected.slope_pct_per_day == pytest.approx(0.0, abs=1e-9)
    said = next(one for one in corrected.findings if one.code == "trend-of-the-air")
    assert said.values["air_pct_per_day"] == pytest.approx(math.log(1.01) * 100, rel=0.02)
    assert plain.slope_pct_per_day == pytest.approx(math.log(1.01) * 100, rel=0.02)
    assert "trend-without-air" in {one.code for one in plain.findings}
