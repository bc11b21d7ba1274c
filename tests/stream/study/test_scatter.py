"""What earlier days teach of a car's scatter."""

import numpy as np
import pandas as pd
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM

from stream.study.compare.scatter import PRIOR, PastDay, learn, turn_numbers


def past(rng: np.random.Generator, pull: float, turn: float, turns: int = 6, pulls: int = 3, bands: int = 8) -> PastDay:
    """A day of two tunes in turn: levels only, and white noise of 0.4 % in each band."""
    number = np.repeat(np.arange(turns), pulls)
    tune = number % 2
    level = 0.03 * tune + rng.normal(0, turn, turns)[number] + rng.normal(0, pull, len(number))
    return PastDay(level[:, None] + rng.normal(0, 0.004, (len(number), bands)), tune, number, ("a.h5",))


def test_components_are_those_of_a_mixed_model_where_the_day_is_balanced() -> None:
    """Against statsmodels' restricted maximum likelihood, which balanced analysis of variance equals."""
    day = past(np.random.default_rng(5), 0.008, 0.02, turns=40)
    level = day.values.mean(axis=1)
    frame = pd.DataFrame({"level": level * 100, "tune": day.tune, "turn": day.turn})

    known = learn([day])

    fitted = MixedLM.from_formula("level ~ tune", groups="turn", data=frame).fit(reml=True)
    assert known.level.pull == pytest.approx(np.sqrt(fitted.scale) / 100, rel=0.01)
    assert known.level.turn == pytest.approx(np.sqrt(float(fitted.cov_re.iloc[0, 0])) / 100, rel=0.01)


def test_ten_days_find_what_was_put_in_and_the_past_weighs_ten_at_most() -> None:
    """Standard deviations of 1 % a turn and 0.5 % a pull, from 80 degrees of freedom and more."""
    rng = np.random.default_rng(2)

    known = learn([past(rng, 0.005, 0.01) for _ in range(20)])

    assert known.level.turn == pytest.approx(0.01, rel=0.25)
    assert known.level.pull == pytest.approx(0.005, rel=0.15)
    assert known.shape.turn < 0.0015
    assert (known.pull_df, known.turn_df, known.days) == (10, 10, 20)


def test_few_days_are_blended_with_the_prior_and_none_leave_it() -> None:
    """One day of two turns of each tune has two degrees of freedom between turns: it counts a third, the prior the
    rest."""
    day = past(np.random.default_rng(3), 0.004, 0.0, turns=4)

    known = learn([day])

    sums = [day.values.mean(axis=1)[day.turn == turn] for turn in range(4)]
    between = sum((3 * (np.mean(sums[t]) - np.mean([*sums[t % 2], *sums[t % 2 + 2]])) ** 2) for t in range(4)) / 2
    within = sum(((one - one.mean()) ** 2).sum() for one in sums) / 8
    own = max(0.0, (between - within) / 3)
    assert known.level.turn == pytest.approx(np.sqrt((4 * PRIOR.level.turn**2 + 2 * own) / 6))
    assert known.turn_df == 6
    assert learn([]) is PRIOR
    assert learn([PastDay(np.full((3, 4), np.nan), np.zeros(3, int), np.arange(3), ())]) is PRIOR


def test_a_turn_is_a_run_of_one_tune_in_one_recording() -> None:
    """The same tune in the next recording is another turn."""
    runs = [("a", "heron"), ("a", "heron"), ("a", "plover"), ("a", "heron"), ("b", "heron"), ("b", "heron")]

    assert turn_numbers(runs).tolist() == [0, 0, 1, 2, 3, 3]
