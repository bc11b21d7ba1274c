import math
from dataclasses import replace

import pytest
from scipy import stats as reference
from statsmodels.stats.power import TTestIndPower

from stream.study.compare.coach import Advice, coach, day_resolves
from tests.stream.study.made import day, pull
from ui.text.comparison import day_line, next_pull


def driven(count: int, gain: float = 1.0) -> Advice:
    """The coach after `count` pulls, base and trial in turn."""
    return coach(day([(("heron", "plover")[n % 2], (1.0, gain)[n % 2] + 0.001 * (n % 3)) for n in range(count)]))


def test_after_the_first_pull_it_is_the_other_tunes_turn_and_never_three_of_one_first() -> None:
    """One pull a turn: every pull is then a turn of its own."""
    first = coach(day([("heron", 1.0)]))

    assert (first.settled, first.tune, first.gear, first.resolves) == (False, "", 3, None)
    assert "another tune" in next_pull(first)
    assert [driven(n).tune for n in (2, 3, 4, 5)] == ["heron", "plover", "heron", "plover"]


def test_the_tune_that_is_behind_comes_next() -> None:
    """Whatever was driven before, the sides are evened out."""
    rows = [("heron", 1.0), ("heron", 1.002), ("heron", 0.998), ("plover", 1.001)]

    assert coach(day(rows)).tune == "plover"
    assert coach(day([(("plover", "heron")[tune == "plover"], level) for tune, level in rows]), "heron").tune == "heron"


def test_what_the_day_resolves_is_the_power_of_as_many_pulls_again_with_its_own_interval() -> None:
    """Against statsmodels' power of a t test; the interval is chi-square's of the standard deviation (scipy)."""
    levels = [math.exp(0.01 * x) for x in (-1, 0, 1)]  # standard deviation of log load 0.01

    found = day_resolves(day([("heron", level) for level in levels]))

    # only one side's scatter is known: two degrees of freedom, not the four of two sides
    least = 100 * 0.01 * TTestIndPower().solve_power(nobs1=3, alpha=0.05, power=0.8, effect_size=None)
    assert found is not None
    assert found.pct > least
    ratio = math.log1p(found.high_pct / 100) / math.log1p(found.pct / 100)
    assert ratio == pytest.approx(math.sqrt(2 / reference.chi2.ppf(0.025, 2)), rel=1e-6)
    assert found.low_pct < found.pct
    assert day_line(found).startswith("Your day resolves")


def test_scatter_is_taken_about_each_tunes_own_mean() -> None:
    """Another tune's single pull changes nothing."""
    one = day_resolves(day([("heron", 1.0), ("heron", 1.01), ("heron", 0.99)]))
    two = day_resolves(day([("heron", 1.0), ("plover", 2.0), ("heron", 1.01), ("heron", 0.99)]))

    assert one is not None
    assert two is not None
    assert two.pct == pytest.approx(one.pct)


def test_in_blocks_it_asks_for_turns() -> None:
    """A drift would look like the change."""
    rows = [("heron", 1.0), ("heron", 1.002), ("heron", 0.998), ("plover", 1.05), ("plover", 1.052), ("plover", 1.049)]

    advice = coach(day(rows))

    assert (advice.settled, advice.why) == (False, "take-turns")
    assert "take turns" in next_pull(advice)


def test_settled_at_a_look_when_a_difference_stands_in_turns() -> None:
    """Not before the first look, and not between looks."""
    assert not driven(5, 1.10).settled
    settled = driven(8, 1.10)
    assert (settled.settled, settled.tune, settled.why, settled.look) == (True, "", "resolved", 8)
    assert "differs" in next_pull(settled)


def test_settled_at_the_last_look_when_two_per_cent_would_have_shown() -> None:
    """Early silence settles nothing: only the look at 24 does."""
    assert not driven(20).settled
    advice = driven(24)
    assert (advice.settled, advice.why) == (True, "would-have-shown")
    assert "would have shown" in next_pull(advice)


def test_the_direction_a_tune_has_had_less_of() -> None:
    """Wind and slope fall on both tunes alike."""
    rows = [("heron", 1.0), ("plover", 1.0), ("heron", 1.0), ("plover", 1.0)]
    made = [replace(one, direction=way) for one, way in zip(day(rows), ("out", "out", "out", "back"), strict=True)]

    assert coach(made).direction == "back"
    assert coach([pull()]).direction is None


def test_no_pull_yet() -> None:
    """The first pull is of any tune, and the first look is ahead."""
    advice = coach([])

    assert (advice.settled, advice.tune, advice.resolves, advice.look, advice.next_look) == (False, "", None, 0, 6)
    assert "Next: another tune" in next_pull(advice)
