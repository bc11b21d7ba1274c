"""Looks and their levels."""

import numpy as np
import pytest
from scipy import stats as reference

from stream.study.compare import looks


def spent_obrien_fleming(alpha: float, fractions: np.ndarray) -> tuple[float, ...]:
    """Lan and DeMets (1983): 2 - 2 Phi(z / sqrt(t)), by scipy.stats."""
    return tuple(2 * reference.norm.sf(reference.norm.isf(alpha / 2) / np.sqrt(fractions)))


@pytest.mark.parametrize(
    ("alpha", "at", "levels"),
    [
        (0.05, (6, 8, 12, 16, 20, 24), (0.00011, 0.00064, 0.0054, 0.0144, 0.0257, 0.0378)),
        (0.05, (8, 12, 16, 20, 24), (0.0007, 0.0054, 0.0141, 0.0255, 0.0373)),
        (0.025, (6, 8, 12, 16, 20, 24), (0.00001, 0.0001, 0.0015, 0.0056, 0.0118, 0.0197)),
    ],
)
def test_levels_are_those_of_the_published_spending(
    alpha: float, at: tuple[int, ...], levels: tuple[float, ...]
) -> None:
    """Against a Monte Carlo of 0.4 and 1.5 million paths made apart from this project (its own error about 2 %)."""
    spent = spent_obrien_fleming(alpha, np.array(at) / 24)

    found = looks.nominal_levels(tuple(map(float, at)), spent)

    assert found == pytest.approx(levels, rel=0.03, abs=3e-5)


def test_looking_at_every_look_claims_falsely_as_often_as_was_to_be_spent() -> None:
    """200 000 sums of equal steps under no change, with the levels in use; within four standard errors."""
    rng = np.random.default_rng(11)
    at = looks.looks_up_to(96)
    walk = np.cumsum(rng.standard_normal((200_000, 96), dtype=np.float32), axis=1)
    crossed = np.zeros(len(walk), bool)
    for look in at:
        crossed |= np.abs(walk[:, look - 1]) / np.sqrt(look) > reference.norm.isf(looks.level(look) / 2)

    due = 0.05 - 0.01 * 0.5 ** (len(at) - 6)  # of the fifth kept back, halved at each look behind the sixth
    assert crossed.mean() == pytest.approx(due, abs=4 * np.sqrt(0.05 * 0.95 / len(walk)))


def test_looks_are_set_numbers_of_pulls() -> None:
    """6, 8, 12, 16, 20, 24, then ever rarer; each is reached with its last pull."""
    assert looks.looks_up_to(5) == []
    assert looks.looks_up_to(24) == [6, 8, 12, 16, 20, 24]
    assert looks.looks_up_to(100) == [6, 8, 12, 16, 20, 24, 32, 48, 64, 96]
    assert [looks.next_look(pulls) for pulls in (0, 6, 23, 24, 47)] == [6, 8, 24, 32, 48]
    assert [looks.level(look) for look in (6, 8, 12, 16, 20, 24)] == sorted(looks.level(look) for look in looks.LOOKS)
