"""Whether two tunes differ, column by column (rev bands and the level of the whole curve), as one family.

The unit is the *turn*: a run of consecutive pulls of one tune in one recording. What a turn has of its own (a session,
the heat of the engine, the wind of that quarter of an hour) does not average out over its pulls, so the variance of a
turn's mean is turn² + pull² / n, both known from earlier days or stated beforehand (`Scatter`), with so much weight
as they deserve; today's own scatter of the turns then says by which factor today is wilder or quieter (moderated
variances: Smyth, Statistical Applications in Genetics and Molecular Biology 3 (2004) article 3). Where today is far
wilder than all that was known, today's own alone counts.

Bands go together, so a family of them is judged by its greatest |t| (Westfall and Young, Resampling-based multiple
testing, 1993), here by simulation from the correlation of the residuals.
"""

from dataclasses import dataclass

import numpy as np
import scipy  # its parts load when first used

from stream.study import stats
from stream.study.compare.scatter import Spread
from stream.units import Flags, Floats, Ints

WILD = 0.05  # level of the one-sided F test of today's scatter against what was known
DRIFT_DF = 8.0  # the stated allowance for drift is itself known to about a quarter: JCGM 100:2008, G.4.2
CORRELATION_WEIGHT = 10.0  # chosen: residuals' worth of the constant correlation that the measured ones are drawn to
DRAWS = 2000  # of the greatest |t|
TAIL = 0.02  # below it the simulated family is counted on by its size there, since 2 000 draws hold too few
LEAST_VARIANCE = 1e-12  # load arrays in single precision carry no more


@dataclass(frozen=True, slots=True)
class Sides:
    """What is compared.

    values    (pulls, columns) log load, NaN where a pull has none
    trial     (pulls,) true for pulls of the trial tune;  turn (pulls,) number of the turn
    loading   (pulls, columns, sources) relative error of the value for one unit of each shared source of error
    variance  (sources,) of these sources: zeros, the converter's lag
    level     whether the last column is the level of the whole curve, the mean of the others
    """

    values: Floats
    trial: Flags
    turn: Ints
    loading: Floats
    variance: Floats
    level: bool = True


@dataclass(frozen=True, slots=True)
class Evidence:
    """Per column, each (columns,); NaN where a column lacks pulls on a side.

    change, se, df   of the log ratio trial / base; se with all that is shared
    base, trial      weighted mean log load of the sides
    p                two-sided, of the column alone;  p_family: of the greatest |t| of all columns
    scatter          of the variance, what the turns' own scatter makes
    factor           today's variance of the turns' means over the one expected
    wild             whether the level's own scatter of today alone counts
    """

    change: Floats
    se: Floats
    df: Floats
    base: Floats
    trial: Floats
    p: Floats
    p_family: Floats
    scatter: Floats
    factor: Floats
    wild: bool

    def interval(self) -> tuple[Floats, Floats]:
        """95 % interval of the log ratio of each column by itself."""
        half = np.array([stats.t_quantile(df) if df > 0 else np.nan for df in self.df]) * self.se
        return self.change - half, self.change + half


@dataclass(frozen=True, slots=True)
class _Turns:
    """Means of the turns: mean, weight (turns, columns); trial (turns,); loading (turns, columns, sources)."""

    mean: Floats
    weight: Floats
    trial: Flags
    loading: Floats
    within: Floats  # (pulls, columns) residuals of the pulls about their turn's mean
    count: Floats  # (turns, columns)
    known_df: Floats  # (columns,) degrees of freedom that the expected variance of a turn's mean is known by


def weigh(sides: Sides, spread: Spread, allowance: float = 0.0, seed: int = 1) -> Evidence:
    """The evidence of the pulls given.

    spread      standard deviations expected of each column
    allowance   standard uncertainty, relative, of a drift that the order of the turns would not show
    seed        of the simulation; the same pulls give the same figures
    """
    turns = _turns(sides, spread)
    base, trial = (_side_mean(turns, turns.trial == side) for side in (False, True))
    usable = np.isfinite(base) & np.isfinite(trial)
    present = np.isfinite(turns.mean)
    free = np.where(usable, present.sum(axis=0) - 2, 0).astype(float)
    residual = np.where(present, turns.mean - np.where(turns.trial[:, None], trial, base), 0.0)
    contrast = _contrast(turns)
    split = 1 / _weight(turns, False) + 1 / _weight(turns, True)
    known, shown = _shared(turns, contrast, sides.variance, free, split)
    factor = np.divide((turns.weight * residual**2).sum(axis=0), free, out=np.ones(len(free)), where=free > 0)
    zero_share = shown / np.maximum(split, LEAST_VARIANCE)
    known_df = turns.known_df
    wild = (free > 0) & (scipy.special.fdtrc(np.maximum(free, 1), known_df, factor / (1 + zero_share)) < WILD)
    day_is_wild = sides.level and bool(wild[-1])
    own = (wild | day_is_wild) & (free > 0)
    trust = np.where(own, 1.0, free / (known_df + free))
    df = np.where(own, free, known_df + free)
    scatter = np.maximum(np.where(own, factor, 1 - trust + trust * factor) * split, LEAST_VARIANCE)
    common = np.maximum(known - trust * shown, 0.0) + allowance**2
    variance = scatter + common
    df = variance**2 / (scatter**2 / df + (allowance**4 / DRIFT_DF if allowance else 0.0))
    change = np.where(usable, trial - base, np.nan)
    se = np.where(usable, np.sqrt(variance), np.nan)
    with np.errstate(invalid="ignore"):
        t = np.abs(change) / se
    p = np.array([stats.two_sided_p(one, d) if np.isfinite(one) else np.nan for one, d in zip(t, df, strict=True)])
    family = _family(t, p, df, np.sqrt(common / variance), _correlation(turns, residual, sides.level), usable, seed)
    return Evidence(change, se, df, base, trial, p, family, scatter, factor, day_is_wild)


def _turns(sides: Sides, spread: Spread) -> _Turns:
    names, place = np.unique(sides.turn, return_inverse=True)
    there = np.isfinite(sides.values)
    count = np.zeros((len(names), sides.values.shape[1]))
    total = np.zeros_like(count)
    np.add.at(count, place, there)
    np.add.at(total, place, np.where(there, sides.values, 0.0))
    mean = np.divide(total, count, out=np.full_like(total, np.nan), where=count > 0)
    within = np.where(there, sides.values - mean[place], 0.0)
    free = np.maximum(count - 1, 0).sum(axis=0)
    pull = (spread.pull_df * spread.pull**2 + (within**2).sum(axis=0)) / (spread.pull_df + free)
    weight = np.where(count > 0, 1 / (spread.turn**2 + pull / np.maximum(count, 1)), 0.0)
    loading = np.zeros((len(names), *sides.loading.shape[1:]))
    np.add.at(loading, place, np.where(there[..., None], sides.loading, 0.0))
    loading /= np.maximum(count, 1)[..., None]
    trial = np.zeros(len(names), bool)
    trial[place] = sides.trial
    return _Turns(mean, weight, trial, loading, within, count, _known_df(sides, spread, pull, count, free))


def _known_df(sides: Sides, spread: Spread, pull: Floats, count: Floats, free: Floats) -> Floats:
    """Degrees of freedom of turn² + pull² / n as it is expected. Where a session's own error is most of it, as in a
    level, what is known of turns alone counts. In the shape a session's error cancels and the pulls are most of it,
    which today's pulls teach: Satterthwaite's rule over the two parts."""
    if sides.level:
        return np.full(len(free), spread.turn_df)
    share = pull / np.maximum(count.sum(axis=0) / np.maximum((count > 0).sum(axis=0), 1), 1)
    parts = spread.turn**4 / spread.turn_df + share**2 / (spread.pull_df + free)
    return np.asarray((spread.turn**2 + share) ** 2 / np.maximum(parts, LEAST_VARIANCE**2), np.float64)


def _weight(turns: _Turns, trial: bool) -> Floats:
    """(columns,) summed weight of a side's turns; what has none is tiny, so that nothing divides by zero."""
    return np.asarray(np.maximum(turns.weight[turns.trial == trial].sum(axis=0), 1e-30))


def _side_mean(turns: _Turns, rows: Flags) -> Floats:
    weight = turns.weight[rows]
    whole = weight.sum(axis=0)
    total = (weight * np.where(weight > 0, turns.mean[rows], 0.0)).sum(axis=0)
    return np.asarray(np.divide(total, whole, out=np.full(len(whole), np.nan), where=whole > 0), np.float64)


def _contrast(turns: _Turns) -> Floats:
    """(turns, columns): with what weight a turn's mean enters the change."""
    whole = np.where(turns.trial[:, None], _weight(turns, True), -_weight(turns, False))
    return np.asarray(turns.weight / whole, np.float64)


def _shared(turns: _Turns, contrast: Floats, variance: Floats, free: Floats, split: Floats) -> tuple[Floats, Floats]:
    """(columns,) each: what shared errors add to the variance of the change, and how much of it the scatter of the
    turns is expected to show already."""
    if not len(variance):
        return np.zeros(len(free)), np.zeros(len(free))
    reach = np.einsum("tc,tcs->cs", contrast, turns.loading)
    whole = reach**2 @ variance
    squares = np.zeros((len(free), len(variance)))
    for side in (False, True):
        rows = turns.trial == side
        weight, load = turns.weight[rows][..., None], turns.loading[rows]
        middle = (weight * load).sum(axis=0) / _weight(turns, side)[:, None]
        squares += (weight * (load - middle) ** 2).sum(axis=0)
    shown = np.divide(squares @ variance, free, out=np.zeros(len(free)), where=free > 0) * split
    return np.asarray(whole, np.float64), np.asarray(np.minimum(shown, whole), np.float64)


def _correlation(turns: _Turns, residual: Floats, level: bool) -> Floats:
    """(columns, columns) of the residuals, drawn towards a constant one; a last column that is the mean of the others
    towards what follows from that."""
    rows = np.vstack([turns.within, residual * np.sqrt(turns.count)])
    size = np.sqrt((rows**2).sum(axis=0))
    rows = rows / np.where(size > 0, size, 1.0)
    found = rows.T @ rows
    bands = found[:-1, :-1] if level else found
    free = max(int((turns.count[:, -1] - 1).clip(0).sum()) + len(turns.trial) - 2, 1)
    apart = ~np.eye(len(bands), dtype=bool)
    usual = float(np.clip(bands[apart].mean(), 0.0, 0.95)) if apart.any() else 0.0
    pulled = CORRELATION_WEIGHT / (CORRELATION_WEIGHT + free)
    aim = np.full(found.shape, usual)
    if level:
        aim[-1] = aim[:, -1] = np.sqrt(usual + (1 - usual) / max(len(bands), 1))  # of a band with the mean of all
    result = (1 - pulled) * found + pulled * aim
    np.fill_diagonal(result, 1.0)
    return np.asarray(result)


def _family(t: Floats, p: Floats, df: Floats, common: Floats, correlation: Floats, usable: Flags, seed: int) -> Floats:
    """p of each |t| against the greatest of all columns; `common` (columns,) is the share, as a standard deviation, of
    errors that all columns have together."""
    kept = np.flatnonzero(usable)
    result = np.full(len(t), np.nan)
    if not len(kept):
        return result
    own = np.sqrt(1 - common[kept] ** 2)
    matrix = np.outer(own, own) * correlation[np.ix_(kept, kept)] + np.outer(common[kept], common[kept])
    values, vectors = np.linalg.eigh(matrix)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    rng = np.random.default_rng(seed)
    freedom = float(np.median(df[kept]))
    normal = rng.standard_normal((DRAWS, len(kept))) @ root.T
    greatest = np.sort(np.abs(normal).max(axis=1) / np.sqrt(rng.chisquare(freedom, DRAWS) / freedom))
    edge = float(np.quantile(greatest, 1 - TAIL))
    size = float(np.clip(TAIL / stats.two_sided_p(edge, freedom), 1.0, len(kept)))  # tests' worth of the family
    by_size = np.minimum(1.0, size * p[kept])
    counted = 1 - np.searchsorted(greatest, t[kept]) / DRAWS
    result[kept] = np.where(by_size > TAIL, np.maximum(counted, p[kept]), by_size)
    return result
