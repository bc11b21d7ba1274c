"""How much pulls and turns of one tune scatter on this car: learned from its earlier days, else a stated prior.

Nested analysis of variance by moments on log load: pulls within turns, turns within one tune of one day in one gear
(Searle, Casella and McCulloch, Variance components, 1992, section 3.6, unbalanced data).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

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


@dataclass(slots=True)
class _Sums:
    """Sums of squares and degrees of freedom of a nested analysis, over days and columns."""

    within: float = 0.0
    within_df: float = 0.0
    between: float = 0.0
    between_df: float = 0.0
    weight: float = 0.0  # what turn² is multiplied by in the expectation of `between`

    def add(self, values: Floats, tune: Ints, turn: Ints) -> None:
        """One column of one day; NaN rows are left out."""
        good = np.isfinite(values)
        values, tune, turn = values[good], tune[good], turn[good]
        for name in np.unique(tune):
            own = tune == name
            turns = [values[own & (turn == one)] for one in np.unique(turn[own])]
            sizes = np.array([len(one) for one in turns], float)
            means = np.array([one.mean() for one in turns])
            self.within += sum(float(((one - one.mean()) ** 2).sum()) for one in turns)
            self.within_df += float(sizes.sum() - len(turns))
            middle = float((sizes * means).sum() / sizes.sum())
            self.between += float((sizes * (means - middle) ** 2).sum())
            self.between_df += len(turns) - 1
            self.weight += float(sizes.sum() - (sizes**2).sum() / sizes.sum())

    def variances(self) -> tuple[float, float | None]:
        """(pull², turn²); turn² None where no tune had two turns."""
        pull = self.within / self.within_df if self.within_df else 0.0
        if not self.between_df:
            return pull, None
        return pull, max(0.0, (self.between - self.between_df * pull) / self.weight)


def learn(days: Sequence[PastDay]) -> Scatter:
    """The scatter that earlier days show, blended with the prior as far as they are few; the prior without any."""
    level, band, shape = _Sums(), _Sums(), _Sums()
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

    def blended(sums: _Sums, prior: Component) -> Component:
        pull, turn = sums.variances()
        pull = (pulls_known * prior.pull**2 + pull_df * pull) / (pulls_known + pull_df)
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
