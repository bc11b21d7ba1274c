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
from stream.units import Flags, Floats

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
class SessionExcess:
    """Scatter between sessions of one tune beyond pulls and stated zeros: variance, its degrees of freedom,
    p."""

    variance: float
    df: float
    p: float


NO_EXCESS = SessionExcess(0.0, np.inf, 1.0)


def session_excess(values: Floats, side: Flags, sessions: Floats, known: Floats, variance: Floats) -> SessionExcess:
    """Analysis of variance of sessions within sides, by moments.

    values     (pulls,) log load;  side (pulls,) bool, true on the trial side
    sessions   (pulls, sessions) as from `session_loading`
    known      (pulls, sources) loadings on values of errors already stated, with `variance` (sources,)
    """
    member = np.argmax(sessions, axis=1) * 2 + side
    cells = [member == cell for cell in np.unique(member)]
    sides = [side, ~side]
    df_between = len(cells) - sum(1 for rows in sides if rows.any())
    df_within = len(values) - len(cells)
    if df_between < 1 or df_within < 1:
        return NO_EXCESS

    def between(columns: Floats) -> Floats:
        """Sum of squares between cells within sides, of each column."""
        return np.asarray(_sum_of_means(columns, cells) - _sum_of_means(columns, sides))

    column = values[:, None]
    centred = column - column.mean()
    within = float(((centred**2).sum() - _sum_of_means(centred, cells)[0]) / df_within)
    found = float(between(centred)[0]) / df_between
    stated = float(between(known) @ variance) / df_between if len(variance) else 0.0
    expected = max(within, 0.0) + stated
    if expected <= 0 or found <= expected:
        return NO_EXCESS
    df_expected = df_within * (expected / within) ** 2 if within > 0 else 1e9
    p = float(special.fdtrc(df_between, min(df_expected, 1e9), found / expected))
    if p >= SESSION_TEST:
        return SessionExcess(0.0, np.inf, p)
    weight = float(between(sessions).sum()) / df_between
    return SessionExcess((found - expected) / weight, df_between, p)


def _sum_of_means(columns: Floats, groups: Sequence[Flags]) -> Floats:
    """Sum over groups of (sum of the group's rows)² / rows, for each column."""
    total = np.zeros(columns.shape[1])
    for rows in groups:
        if rows.any():
            total += columns[rows].sum(axis=0) ** 2 / rows.sum()
    return total
