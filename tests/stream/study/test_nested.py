"""The nested analysis of variance and the excess between sessions, against a textbook, statsmodels and matrices."""

import numpy as np
import pytest
import statsmodels.api as sm

from stream.study.shared import NO_EXCESS, session_excess
from stream.study.stats import Nested

# Purity of raw material, three suppliers, four batches each, three determinations a batch: Montgomery, Design and
# Analysis of Experiments, chapter on nested designs, first example; data and answers from memory (they agree).
PURITY = [
    [[1, -1, 0], [-2, -3, -4], [-2, 0, 1], [1, 4, 0]],
    [[1, -2, -3], [0, 4, 2], [-1, 0, -2], [0, 3, 2]],
    [[2, 4, 0], [-2, 0, 2], [1, -1, 2], [3, 2, 1]],
]


def test_a_textbook_example() -> None:
    """Mean squares 7.77 for batches within suppliers and 2.64 within batches; variance of a batch 1.71."""
    values = np.array(PURITY, float).ravel()
    suppliers, batches = np.repeat([0, 1, 2], 12), np.repeat(np.arange(12), 3)
    found = Nested().add(values, suppliers, batches)

    assert (found.between_df, found.within_df) == (9, 24)
    assert found.between == pytest.approx(7.77, abs=0.005)
    assert found.within == pytest.approx(2.64, abs=0.005)
    assert found.weight / found.between_df == pytest.approx(3.0)
    assert found.group_variance == pytest.approx(1.71, abs=0.005)


@pytest.mark.parametrize("seed", range(5))
def test_unequal_groups_against_least_squares_and_matrices(seed: int) -> None:
    """Sums of squares from statsmodels' residuals of the two models; what a group's variance is multiplied by from the
    trace of the difference of the two projections."""
    rng = np.random.default_rng(seed)
    sizes = rng.integers(1, 6, 7)
    groups = np.repeat(np.arange(7), sizes)
    classes = np.array([0, 0, 0, 1, 1, 2, 2])[groups]
    values = rng.normal(size=len(groups)) + rng.normal(size=7)[groups] + np.array([0.0, 5.0, 9.0])[classes]
    found = Nested().add(values, classes, groups)

    by_class, by_group = (np.equal.outer(row, np.unique(row)).astype(float) for row in (classes, groups))
    rest = [sm.OLS(values, design).fit().ssr for design in (by_class, by_group)]
    assert found.within_sum == pytest.approx(rest[1])
    assert found.between_sum == pytest.approx(rest[0] - rest[1])
    project = [design @ np.linalg.pinv(design) for design in (by_class, by_group)]
    expected = np.trace((project[1] - project[0]) @ by_group @ by_group.T)
    assert found.weight == pytest.approx(expected)


def test_the_components_are_right_on_average() -> None:
    """Sessions of 1, 2, 3 and 6 pulls, drawn: pulls scatter by 1, sessions by 2 about their tune."""
    rng = np.random.default_rng(11)
    sessions = np.repeat(np.arange(8), [1, 2, 3, 6] * 2)
    tunes = (sessions >= 4).astype(int)
    shares = []
    for _ in range(4000):
        found = Nested().add(rng.normal(0, 1, len(sessions)) + rng.normal(0, 2, 8)[sessions], tunes, sessions)
        shares.append((found.within, (found.between_sum - found.between_df * found.within) / found.weight))
    within, between = np.mean(shares, axis=0)
    assert within == pytest.approx(1.0, rel=0.03)
    assert between == pytest.approx(4.0, rel=0.06)


def test_what_is_stated_already_is_no_excess() -> None:
    """Sessions that differ as much as their stated zeros say; stated as nothing, the same data shows an excess."""
    rng = np.random.default_rng(2)
    sessions, tunes = np.repeat(np.arange(6), 4), np.repeat([0, 1], 12)
    values = rng.normal(0, 0.002, 24) + rng.normal(0, 0.02, 6)[sessions]
    each = np.equal.outer(sessions, np.arange(6)).astype(float)
    stated = session_excess(values, tunes, sessions, each, np.full(6, 0.02**2 * 2))
    silent = session_excess(values, tunes, sessions, each[:, :0], np.empty(0))

    assert stated.variance == 0.0
    assert silent.p < 0.01
    assert silent.variance == pytest.approx(0.02**2, rel=0.9)
    assert silent.df == 4


def test_one_session_a_tune_tells_nothing() -> None:
    """There is nothing to compare it with."""
    tunes = np.repeat([0, 1], 4)
    assert Nested().add(np.arange(8.0), tunes, tunes).between is None
    assert Nested().add(np.arange(8.0), tunes, tunes).group_variance is None
    assert session_excess(np.arange(8.0), tunes, tunes, np.empty((8, 0)), np.empty(0)) == NO_EXCESS
