"""How much pulls and turns of one tune scatter on this car: learned from its earlier days, else a stated prior.

Nested analysis of variance on log load (`stats.Nested`): pulls within turns, turns within one tune of one day in one
gear.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stream.study.stats import Nested
from stream.units import Floats, Ints

MOST_WEIGHT = 10.0  # degrees of freedom that the past may have beside today
PRIOR_WEIGHT = 6.0  # chosen by measurement: false claims, and a change of 5 % found, with four turns of three pulls


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations expected of columns, relative, each (columns,), and the degrees of freedom they are worth."""

    pull: Floats
    turn: Floats
    pull_df: float
    turn_df: float


@dataclass(frozen=True, slots=True)
class Component:
    """Standard deviations, relative, of one kind of value: of a pull about its turn, of a turn about its tune."""

    pull: float
    turn: float


@dataclass(frozen=True, slots=True)
class Scatter:
    """What is known of this car's scatter before today.

    level, band, shape   of a pull's mean over its bands, of one band, of one band less the mean over the bands
    pull_df, turn_df     degrees of freedom these are worth
    days, sessions       how many days taught it, and the sessions' paths; none: the stated prior
    """

    level: Component
    band: Component
    shape: Component
    pull_df: float = PRIOR_WEIGHT
    turn_df: float = PRIOR_WEIGHT
    days: int = 0
    sessions: tuple[str, ...] = ()

    def spread(self, bands: int) -> Spread:
        """For `bands` rev bands and, last, the level of the whole curve."""
        pull = np.append(np.full(bands, self.band.pull), self.level.pull)
        turn = np.append(np.full(bands, self.band.turn), self.level.turn)
        return Spread(pull, turn, self.pull_df, self.turn_df)

    def shape_spread(self, bands: int) -> Spread:
        """For the shape of `bands` rev bands."""
        return Spread(np.full(bands, self.shape.pull), np.full(bands, self.shape.turn), self.pull_df, self.turn_df)


# Chosen: what a careful driver on a closed road gets, from the audits' generator (pulls 0.8 % with 0.6 % of roughness,
# sessions 0.5 %); measured in tests/bench/evidence.py. Printed as a prior wherever it is used.
PRIOR = Scatter(Component(0.008, 0.005), Component(0.0105, 0.0055), Component(0.007, 0.002))


@dataclass(frozen=True, slots=True)
class PastDay:
    """One earlier day of one gear: values (pulls, bands) log load, NaN where a band is empty; tune, turn (pulls,)."""

    values: Floats
    tune: Ints
    turn: Ints
    sessions: tuple[str, ...]


def learn(days: Sequence[PastDay]) -> Scatter:
    """The scatter that earlier days show, blended with the prior as far as they are few; the prior without any."""
    level, band, shape = Nested(), Nested(), Nested()
    used = []
    for day in days:
        whole = np.isfinite(day.values).all(axis=1)
        if whole.sum() < 2 or not day.values.shape[1]:
            continue
        used.append(day)
        values, tune, turn = day.values[whole], day.tune[whole], day.turn[whole]
        mean = values.mean(axis=1)
        level.add(mean, tune, turn)
        for column in values.T:
            band.add(column, tune, turn)
            shape.add(column - mean, tune, turn)
    if not used or not (level.within_df or level.between_df):
        return PRIOR
    pull_df, turn_df = level.within_df, level.between_df
    pulls_known = max(PRIOR_WEIGHT - pull_df, 0.0)
    turns_known = max(PRIOR_WEIGHT - turn_df, 0.0)

    def blended(sums: Nested, prior: Component) -> Component:
        turn = sums.group_variance
        pull = (pulls_known * prior.pull**2 + pull_df * sums.within) / (pulls_known + pull_df)
        kept = prior.turn**2 if turn is None else turn
        kept = (turns_known * prior.turn**2 + turn_df * kept) / (turns_known + turn_df)
        return Component(float(np.sqrt(pull)), float(np.sqrt(kept)))

    return Scatter(
        level=blended(level, PRIOR.level),
        band=blended(band, PRIOR.band),
        shape=blended(shape, PRIOR.shape),
        pull_df=min(MOST_WEIGHT, pulls_known + pull_df),
        turn_df=min(MOST_WEIGHT, turns_known + turn_df),
        days=len(used),
        sessions=tuple(dict.fromkeys(path for day in used for path in day.sessions)),
    )


def turn_numbers(pulls: Sequence[tuple[str, str]]) -> Ints:
    """Number of the turn of each pull, (pulls,): a run of one tune in one recording. `pulls`: (recording, tune)."""
    changed = [number > 0 and pulls[number] != pulls[number - 1] for number in range(len(pulls))]
    return np.cumsum(changed).astype(np.intp)
