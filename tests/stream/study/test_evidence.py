"""The evidence for a change, column by column, against computations of its own."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats as reference

from stream.study.compare.evidence import Sides, weigh
from stream.study.compare.scatter import Spread


def sides(values: np.ndarray, **more: np.ndarray) -> Sides:
    """One pull a turn, base and trial in turn, nothing shared unless said."""
    count, columns = values.shape
    fields = {
        "values": values,
        "trial": np.arange(count) % 2 == 1,
        "turn": np.arange(count),
        "loading": np.zeros((count, columns, 0)),
        "variance": np.zeros(0),
        "level": False,
    }
    return Sides(**{**fields, **more})


def spread(columns: int, pull: float = 0.008, turn: float = 0.006, df: float = 6.0) -> Spread:
    """The same expectation for every column."""
    return Spread(np.full(columns, pull), np.full(columns, turn), df, df)


def test_moderated_variance_by_hand() -> None:
    """Six turns of one pull: (d0 s0² + d s²) / (d0 + d) with d0 + d degrees of freedom, Smyth (2004), written out; d0
    of turn² + pull², each known by six, by Satterthwaite's rule."""
    rng = np.random.default_rng(1)
    values = rng.normal(0, 0.02, (6, 1))

    found = weigh(sides(values), spread(1))

    base, trial = values[0::2, 0], values[1::2, 0]
    own = (((base - base.mean()) ** 2).sum() + ((trial - trial.mean()) ** 2).sum()) / 4
    expected = 0.008**2 + 0.006**2
    known = expected**2 / ((0.008**4 + 0.006**4) / 6)
    wild = reference.f.sf(own / expected, 4, known) < 0.05
    variance = own if wild else (known * expected + 4 * own) / (known + 4)
    assert found.change[0] == pytest.approx(trial.mean() - base.mean())
    assert found.se[0] == pytest.approx(np.sqrt(variance * 2 / 3))
    assert found.df[0] == pytest.approx(4 if wild else known + 4)
    assert found.p[0] == pytest.approx(2 * reference.t.sf(abs(found.change[0]) / found.se[0], found.df[0]))


def test_the_family_of_one_is_no_family_and_of_independent_columns_is_sidaks() -> None:
    """Sidak's 1 - (1 - p)^m for m independent columns with much freedom; one column keeps its p."""
    rng = np.random.default_rng(4)
    values = rng.normal(0, 0.01, (400, 12))
    values[1::2, 3] += 0.0028

    many = weigh(sides(values), spread(12, df=1e6))
    one = weigh(sides(values[:, 3:4]), spread(1, df=1e6))

    assert one.p_family[0] == pytest.approx(one.p[0], rel=0.15)
    assert many.p_family[3] == pytest.approx(1 - (1 - many.p[3]) ** 12, rel=0.35)


def test_columns_that_go_together_cost_less_than_as_many_apart() -> None:
    """Bands of one pull share its level: their family is worth few tests."""
    rng = np.random.default_rng(6)
    values = rng.normal(0, 0.01, (24, 1)) + rng.normal(0, 0.001, (24, 15))
    values[1::2] += 0.009

    found = weigh(sides(values), spread(15))

    assert found.p[0] < 0.05
    assert found.p_family[0] < 4 * found.p[0]


def test_what_all_pulls_of_a_side_share_is_added_whole() -> None:
    """A zero of 1 % on each side, one draw a side: 1.96 sqrt(2) % at least, however many pulls."""
    rng = np.random.default_rng(8)
    loading = np.zeros((40, 1, 2))
    loading[0::2, 0, 0] = loading[1::2, 0, 1] = 1.0
    shared = sides(rng.normal(0, 0.001, (40, 1)), loading=loading, variance=np.full(2, 0.01**2))

    low, high = weigh(shared, spread(1, 0.001, 0.001)).interval()

    assert (high - low)[0] / 2 == pytest.approx(1.96 * 0.01 * np.sqrt(2), rel=0.02)


def test_the_allowance_for_drift_is_known_to_about_a_quarter_only() -> None:
    """Eight degrees of freedom (JCGM 100:2008, G.4.2): with nothing else its interval is t(8) times it."""
    found = weigh(sides(np.zeros((8, 1))), spread(1, 1e-9, 1e-9), allowance=0.02)

    low, high = found.interval()
    assert (high - low)[0] / 2 == pytest.approx(0.02 * reference.t.ppf(0.975, 8), rel=1e-3)


def test_a_wild_day_stands_on_its_own_scatter() -> None:
    """Ten times the expected scatter: the past says nothing, the degrees of freedom are today's."""
    values = np.random.default_rng(9).normal(0, 0.1, (8, 2))

    found = weigh(replace(sides(values), level=True), spread(2))

    assert found.wild
    assert found.df == pytest.approx([6, 6])


def test_a_column_without_pulls_on_a_side_has_no_figures_and_harms_no_other() -> None:
    """NaN is 'cannot be known'."""
    values = np.random.default_rng(10).normal(0, 0.01, (8, 2))
    alone = weigh(sides(values[:, :1]), spread(1))
    values[1::2, 1] = np.nan

    found = weigh(sides(values), spread(2))

    assert np.isnan(found.change[1])
    assert np.isnan(found.p_family[1])
    assert found.p[0] == pytest.approx(alone.p[0])
