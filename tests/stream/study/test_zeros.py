import math

import numpy as np
import pytest

from stream.errors import InputError
from stream.study.zeros import Zero, fresh_for_each, take_zero, zero_at
from tests.stream.study.made import pull

ROW = [Zero(0, 10, 0.10, 0.01), Zero(100, 110, 0.30, 0.02)]


def test_between_two_zeros_the_value_runs_straight() -> None:
    found = zero_at(30, ROW)

    assert found is not None
    assert found.value == pytest.approx(0.15)
    stray = 0.2 * math.sqrt(0.25 * 0.75)
    assert found.doubt == pytest.approx(math.sqrt((0.75 * 0.01) ** 2 + (0.25 * 0.02) ** 2 + stray**2))


def test_on_a_zero_its_own_doubt_holds_and_beyond_the_last_it_grows() -> None:
    assert zero_at(105, ROW).doubt == pytest.approx(0.02)
    assert zero_at(105 + 100, ROW).value == pytest.approx(0.30)
    assert zero_at(105 + 100, ROW).doubt == pytest.approx(math.hypot(0.02, 0.2))


def test_one_zero_holds_everywhere_and_none_is_none() -> None:
    assert zero_at(500, ROW[:1]).doubt == pytest.approx(0.01)
    assert zero_at(500, []) is None


def test_a_zero_that_is_not_a_number_is_refused() -> None:
    with pytest.raises(InputError, match="zeros"):
        zero_at(5, [Zero(0, 1, math.nan, 0.1)], "day.h5")


def test_a_zero_is_taken_off_once_however_often_it_is_asked() -> None:
    once = take_zero(pull(level=1.0), ROW[:1])
    twice = take_zero(once, ROW[:1])

    assert once.load == pytest.approx(np.full(801, 0.9))
    assert twice.load == pytest.approx(once.load)
    assert twice.without_zero().load == pytest.approx(np.ones(801))


def test_fresh_means_a_zero_for_each_pull() -> None:
    pulls = [take_zero(pull(session=f"s{index}"), ROW[:1]) for index in range(2)]

    assert fresh_for_each(pulls)
    assert not fresh_for_each([pulls[0], pulls[0]])
    assert not fresh_for_each([pull()])
