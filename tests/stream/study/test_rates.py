"""A small dose of the rates bench; tests/bench/rates.py has the full one."""

import pytest
from scipy.stats import binom

from tests.bench.rates import DAYS, simulate

pytestmark = pytest.mark.coverage

COUNT = 100
CHANCE = 1e-4  # how often a sound comparison fails here, per check


def most(rate: float) -> int:
    return int(binom.ppf(1 - CHANCE, COUNT, rate))


def least(rate: float) -> int:
    return int(binom.ppf(CHANCE, COUNT, rate))


@pytest.mark.parametrize("name", ["A-A", "A-A, turns", "A-A, shared zero, turns"])
def test_the_same_tune_twice_is_seldom_resolved(name: str) -> None:
    """False 'resolved' is as seldom as it says."""
    rates = simulate(DAYS[name], COUNT, seed=20)

    assert rates.any_band <= most(0.06)
    assert rates.overall <= most(0.06)
    assert (rates.order_only > 0) is ("turns" not in name)


@pytest.mark.parametrize("name", ["A-B", "A-B, turns", "A-B, shared zero", "A-B, shared zero, turns"])
def test_intervals_hold_the_truth(name: str) -> None:
    """95 % intervals hold the truth as often as they say."""
    rates = simulate(DAYS[name], COUNT, seed=30)

    # Bands of one day go together, so their count is judged as if a day were one draw.
    assert least(0.93) <= COUNT * rates.band_held / rates.band
    assert least(0.93) <= rates.overall_held
