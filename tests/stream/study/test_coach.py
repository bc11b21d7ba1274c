import math
from dataclasses import replace

import pytest
from statsmodels.stats.power import TTestIndPower

from stream.study.compare.coach import coach, day_resolves
from tests.stream.study.made import day, pull


def test_repeats_on_one_tune_come_first() -> None:
    """Before two tunes are compared, one is repeated."""
    advice = coach(day([("heron", 1.0)]))

    assert (advice.next, advice.tune, advice.gear) == ("pull", "heron", 3)
    assert advice.day_resolves_pct is None
    assert "repeats first" in advice.words


def test_what_the_day_resolves_is_the_power_of_as_many_pulls_again() -> None:
    """What a day resolves is the change that as many pulls again would show."""
    levels = [math.exp(0.01 * x) for x in (-1, 0, 1)]  # standard deviation of log load 0.01

    advice = coach(day([("heron", level) for level in levels]))

    # only one side's scatter is known: two degrees of freedom, not the four of two sides
    least = 100 * 0.01 * TTestIndPower().solve_power(nobs1=3, alpha=0.05, power=0.8, effect_size=None)
    assert advice.day_resolves_pct > least
    assert advice.words.startswith("Your day resolves")
    assert advice.tune is None


def test_scatter_is_taken_about_each_tunes_own_mean() -> None:
    """A difference between the tunes is not scatter."""
    one = day_resolves(day([("heron", 1.0), ("heron", 1.01), ("heron", 0.99)]))
    two = day_resolves(day([("heron", 1.0), ("plover", 2.0), ("heron", 1.01), ("heron", 0.99)]))

    assert two == pytest.approx(one)


def test_the_other_tune_then_turns_until_the_verdict_holds_in_any_order() -> None:
    """Tunes are driven in turns until the verdict holds in any order."""
    made = day([("heron", 1.0), ("heron", 1.002), ("heron", 0.998), ("plover", 1.05), ("plover", 1.052)])

    advice = coach(made)

    assert (advice.next, advice.tune) == ("pull", "heron")
    assert "turns" in advice.words


def test_settled_when_a_difference_stands_in_turns() -> None:
    """A resolved difference in turns needs no further pull."""
    rows = [
        ("heron", 1.0),
        ("plover", 1.05),
        ("heron", 1.002),
        ("plover", 1.052),
        ("heron", 0.998),
        ("plover", 1.05),
    ]

    advice = coach(day(rows))

    assert advice.next == "settled"
    assert "differs" in advice.words


def test_settled_when_two_per_cent_would_have_shown() -> None:
    """Where 2 % would have shown, nothing more needs driving."""
    rows = [(tune, 1 + 0.001 * (index % 3)) for index, tune in enumerate(("heron", "plover") * 4)]

    advice = coach(day(rows))

    assert advice.next == "settled"
    assert "would have shown" in advice.words


def test_the_direction_a_tune_has_had_less_of() -> None:
    """The direction that a tune was driven in less often comes next."""
    made = [replace(one, direction=way) for one, way in zip(day([("heron", 1.0)] * 2), ("out", "out"), strict=True)]

    assert coach(made).direction == "back"
    assert coach([pull()]).direction is None


def test_no_pull_yet() -> None:
    """Without a pull the first one is asked for."""
    advice = coach([])

    assert (advice.next, advice.tune, advice.day_resolves_pct) == ("pull", None, None)
