"""The few statistics the study rests on: Welch, nested analysis of variance, intervals, power.

Only scipy.special is used (it loads in a tenth of the time of scipy.stats); tests hold each against
scipy.stats and statsmodels.

Sources: Welch, Biometrika 34 (1947) 28; Satterthwaite, Biometrics Bulletin 2 (1946) 110; Holm, Scandinavian
Journal of Statistics 6 (1979) 65.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy  # its parts load when first used

from stream.units import Floats, Ints

LEVEL = 0.95
ALPHA = 0.05
POWER = 0.80
MOST_PULLS = 10_000  # a search that gets here has no useful answer


@dataclass(frozen=True, slots=True)
class Part:
    """One independent part of a variance and its degrees of freedom (math.inf: stated, not estimated)."""

    variance: float
    df: float


@dataclass(frozen=True, slots=True)
class Test:
    """A difference with its standard error, degrees of freedom, two-sided p, and 95 % interval."""

    __test__ = False  # not for pytest

    difference: float
    se: float
    df: float
    p: float
    low: float
    high: float


def t_quantile(df: float, probability: float = 0.5 + LEVEL / 2) -> float:
    """Student's t; the normal distribution where df is infinite."""
    if math.isinf(df):
        return float(scipy.special.ndtri(probability))
    return float(scipy.special.stdtrit(df, probability))


def two_sided_p(t: float, df: float) -> float:
    """Probability of a |t| at least this large."""
    if math.isinf(df):
        return float(2 * scipy.special.ndtr(-abs(t)))
    return float(2 * scipy.special.stdtr(df, -abs(t)))


def satterthwaite(parts: Sequence[Part]) -> float:
    """Degrees of freedom of a sum of independent variance estimates; infinite where nothing was estimated."""
    total = sum(part.variance for part in parts)
    if total <= 0:
        return min((part.df for part in parts), default=math.inf)
    spread = sum((part.variance / total) ** 2 / part.df for part in parts if math.isfinite(part.df))
    return 1 / spread if spread > 0 else math.inf


def judge(difference: float, scatter: Sequence[Part], shared: Sequence[Part] = (), floor: float = 0.0) -> Test:
    """Test a difference whose variance is the sum of `scatter` and `shared`.

    `floor` is the least standard error believed. Satterthwaite's degrees of freedom have a known flaw: a
    stated part beside a scatter known from two or three pulls raises them so much that the interval shrinks.
    So the wider of the two is taken: with all parts, or with the scatter alone.
    """
    every = _judge(difference, [*scatter, *shared], floor)
    if not shared:
        return every
    alone = _judge(difference, scatter, floor)
    if alone.high - alone.low <= every.high - every.low:
        return every
    return replace(alone, p=max(alone.p, every.p))


def _judge(difference: float, parts: Sequence[Part], floor: float) -> Test:
    se = max(math.sqrt(sum(part.variance for part in parts)), floor)
    df = satterthwaite(parts)
    if se == 0:
        return Test(difference, 0.0, df, 1.0 if difference == 0 else 0.0, difference, difference)
    half = t_quantile(df) * se
    return Test(difference, se, df, two_sided_p(difference / se, df), difference - half, difference + half)


def mean_interval(values: Floats) -> tuple[float, float] | None:
    """95 % t-interval of the mean of values, shape (n,); None where n < 2."""
    if len(values) < 2:
        return None
    half = t_quantile(len(values) - 1) * float(values.std(ddof=1)) / math.sqrt(len(values))
    return float(values.mean()) - half, float(values.mean()) + half


def sd_interval(sd: float, df: float) -> tuple[float, float]:
    """95 % chi-square interval of a standard deviation estimated with df degrees of freedom."""
    tail = (1 - LEVEL) / 2
    return sd * math.sqrt(df / scipy.special.chdtri(df, tail)), sd * math.sqrt(df / scipy.special.chdtri(df, 1 - tail))


def power_of(effect: float, se: float, df: float) -> float:
    """Chance that a true `effect` is found by a two-sided 5 % t test (noncentral t; the wrong tail is
    nothing)."""
    if se == 0:
        return 1.0
    critical = t_quantile(df)
    if df > 1000:  # noncentral t is the shifted normal to four figures here
        return float(scipy.special.ndtr(effect / se - critical))
    return float(1 - scipy.special.nctdtr(df, effect / se, critical))


def detectable(se: float, df: float) -> float:
    """The effect that a two-sided 5 % t test finds with 80 % power."""
    critical = t_quantile(df)
    low, high = 0.0, critical + 1.0
    while power_of(high, 1.0, df) < POWER:
        low, high = high, 2 * high
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if power_of(middle, 1.0, df) < POWER else (low, middle)
    return high * se


def pulls_needed(effect: float, sd: float, shared_variance: float = 0.0) -> int | None:
    """Least n, the same on each side, that finds `effect` with 80 % power; None where no useful number does.

    `shared_variance` is the part of the difference's variance that no number of pulls makes smaller.
    """

    def enough(n: int) -> bool:
        scatter = Part(2 * sd**2 / n, 2 * n - 2)
        parts = [scatter, Part(shared_variance, math.inf)]
        return power_of(effect, math.sqrt(scatter.variance + shared_variance), satterthwaite(parts)) >= POWER

    low, high = 1, 2
    while not enough(high):
        low, high = high, 2 * high
        if high > MOST_PULLS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


@dataclass(slots=True)
class Nested:
    """A nested analysis of variance by moments, unbalanced: values within groups, groups within classes (pulls of turns
    or sessions, turns or sessions of tunes). Sums over all that was added.

    within_sum, between_sum   sums of squares of values about their group's mean, of groups about their class's mean
    weight                    what a group's variance is multiplied by in the expectation of `between_sum`: with n_i
                              values a group and N a class, Σ (N - Σ n_i² / N) (Searle, Casella and McCulloch, Variance
                              Components, 1992, section 3.6, from memory)
    """

    within_sum: float = 0.0
    within_df: int = 0
    between_sum: float = 0.0
    between_df: int = 0
    weight: float = 0.0

    def add(self, values: Floats, classes: Ints, groups: Ints) -> "Nested":
        """One set of values, each (n,); NaN is left out, and the same group number in two classes is two groups."""
        good = np.isfinite(values)
        values, classes, groups = values[good], classes[good], groups[good]
        for one in np.unique(classes):
            own = classes == one
            parts = [values[own & (groups == group)] for group in np.unique(groups[own])]
            sizes = np.array([len(part) for part in parts], np.float64)
            means = np.array([part.mean() for part in parts])
            middle = float(sizes @ means) / float(sizes.sum())
            self.within_sum += sum(float(((part - part.mean()) ** 2).sum()) for part in parts)
            self.within_df += int(sizes.sum()) - len(parts)
            self.between_sum += float(sizes @ (means - middle) ** 2)
            self.between_df += len(parts) - 1
            self.weight += float(sizes.sum() - (sizes**2).sum() / sizes.sum())
        return self

    @property
    def within(self) -> float:
        """Mean square within groups: the variance of a value; 0 where no group has two."""
        return self.within_sum / self.within_df if self.within_df else 0.0

    @property
    def between(self) -> float | None:
        """Mean square of groups within their class; None where no class has two groups."""
        return self.between_sum / self.between_df if self.between_df else None

    @property
    def group_variance(self) -> float | None:
        """Variance of a group about its class, 0 at least; None where no class has two groups."""
        if not self.between_df:
            return None
        return max(0.0, (self.between_sum - self.between_df * self.within) / self.weight)
