"""Errors that pulls share: a zero, a session, the converter's lag.

A shared error does not average out, so it is added to the variance of a difference as it stands and never
divided by the number of pulls. Part of it may show in the pulls' own scatter already (a fresh zero for each
pull shows there in full); that part is taken off, so nothing counts twice.

Formally: the error of pull i is the sum over sources k of W[i, k] e_k with var(e_k) = v_k. For a difference
of means of the two sides it adds sum_k v_k (mean W_trial - mean W_base)²; of this, Welch's s²/n already
holds, per side, sum_k v_k [sum_i W_ik² - (sum_i W_ik)² / n] / (n (n - 1)).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from stream.study.pulls import PullTrace
from stream.units import Flags, Floats, Ints

# The excess between sessions is added only where an F test at this level shows one. Always adding it would
# widen honest results; 5 % would miss more of the harmful ones. With four sessions neither is sure: see the
# bench.
SESSION_TEST = 0.10


@dataclass(frozen=True, slots=True)
class Sources:
    """The sources of zero error of some pulls: loadings, shape (pulls, sources), and variances, shape
    (sources,)."""

    loading: Floats
    variance: Floats


def zero_sources(pulls: Sequence[PullTrace]) -> Sources:
    """The zero parts of these pulls, load unit; no sources where no zero was taken."""
    keys: dict[str, float] = {}
    for pull in pulls:
        for part in pull.zero.parts if pull.zero is not None else ():
            keys[part.key] = part.doubt**2
    loading = np.zeros((len(pulls), len(keys)))
    column = {key: index for index, key in enumerate(keys)}
    for row, pull in enumerate(pulls):
        for part in pull.zero.parts if pull.zero is not None else ():
            loading[row, column[part.key]] += part.weight
    return Sources(loading, np.array(list(keys.values()), dtype=float))


def session_loading(pulls: Sequence[PullTrace]) -> Floats:
    """1 where a pull (row) belongs to a session (column), in order of first appearance."""
    names = list(dict.fromkeys(pull.session for pull in pulls))
    return np.array([[float(pull.session == name) for name in names] for pull in pulls])


def shared_variance(base: Floats, trial: Floats, variance: Floats) -> float:
    """What shared errors add to the variance of mean(trial) - mean(base), beyond what scatter shows already.

    base, trial   loadings, shape (pulls of that side, sources)
    variance      of each source, shape (sources,)
    """
    total = float(variance @ (trial.mean(axis=0) - base.mean(axis=0)) ** 2)
    for side in (base, trial):
        n = len(side)
        if n > 1:
            total -= float(variance @ ((side**2).sum(axis=0) - side.sum(axis=0) ** 2 / n)) / (n * (n - 1))
    return max(total, 0.0)


@dataclass(frozen=True, slots=True)
class Nested:
    """A nested analysis of variance: values within groups, groups within classes (pulls, sessions, tunes).

    within, between   mean squares of values about their group's mean, of groups about their class's mean
    size              what a group's variance is multiplied by in the expectation of `between`: the pulls of a session
                      where all have equally many
    """

    within: float
    within_df: int
    between: float
    between_df: int
    size: float


def nested(values: Floats, classes: Ints, groups: Ints) -> Nested | None:
    """Unbalanced two-stage nested analysis by moments; None where classes have one group each or groups one value.

    values, classes, groups   (n,); the same group number in two classes is two groups
    With n_i values a group and N a class, size is Σ (N - Σ n_i² / N) over the degrees of freedom between
    (Searle, Casella and McCulloch, Variance Components, 1992, section 3.6, from memory).
    """
    cells, whole = _members(classes, groups), _members(classes)
    between_df, within_df = len(cells) - len(whole), len(values) - len(cells)
    if between_df < 1 or within_df < 1:
        return None
    centred = (values - values.mean())[:, None]
    of_cells, of_whole = (float(_sum_of_means(centred, members)[0]) for members in (cells, whole))
    belongs = np.column_stack([cell.astype(np.float64) for cell in cells])
    return Nested(
        within=max(float((centred**2).sum()) - of_cells, 0.0) / within_df,
        within_df=within_df,
        between=max(of_cells - of_whole, 0.0) / between_df,
        between_df=between_df,
        size=_between(belongs, classes, groups) / between_df,
    )


@dataclass(frozen=True, slots=True)
class SessionExcess:
    """Scatter between sessions of one tune beyond pulls and stated zeros: variance, its degrees of freedom, p."""

    variance: float
    df: float
    p: float


NO_EXCESS = SessionExcess(0.0, np.inf, 1.0)


def session_excess(values: Floats, tunes: Ints, sessions: Ints, known: Floats, variance: Floats) -> SessionExcess:
    """What sessions of one tune differ by, where an F test shows it.

    values     (pulls,) log load;  tunes, sessions (pulls,) the number of the tune and of the session
    known      (pulls, sources) loadings on values of errors already stated, with `variance` (sources,)
    """
    found = nested(values, tunes, sessions)
    if found is None:
        return NO_EXCESS
    stated = sum(
        float(v) * _between(column[:, None], tunes, sessions) for v, column in zip(variance, known.T, strict=True)
    )
    expected = found.within + stated / found.between_df
    if expected <= 0 or found.between <= expected:
        return NO_EXCESS
    df_expected = found.within_df * (expected / found.within) ** 2 if found.within > 0 else 1e9
    p = float(special.fdtrc(found.between_df, min(df_expected, 1e9), found.between / expected))
    if p >= SESSION_TEST:
        return SessionExcess(0.0, np.inf, p)
    return SessionExcess((found.between - expected) / found.size, found.between_df, p)


def _between(columns: Floats, classes: Ints, groups: Ints) -> float:
    """Sum of squares between groups within classes, over all columns."""
    whole = _sum_of_means(columns, _members(classes))
    return float((_sum_of_means(columns, _members(classes, groups)) - whole).sum())


def _members(*labels: Ints) -> list[Flags]:
    """For each combination of labels that is there, which values have it."""
    keys = np.unique(np.column_stack(labels), axis=0, return_inverse=True)[1].ravel()
    return [np.asarray(keys == key) for key in range(int(keys.max(initial=-1)) + 1)]


def _sum_of_means(columns: Floats, members: Sequence[Flags]) -> Floats:
    """Sum over groups of (sum of the group's rows)² / rows, for each column."""
    total = np.zeros(columns.shape[1])
    for rows in members:
        total += columns[rows].sum(axis=0) ** 2 / rows.sum()
    return total
