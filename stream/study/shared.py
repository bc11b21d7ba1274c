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
import scipy  # its parts load when first used

from stream.study.pulls import PullTrace
from stream.study.stats import Nested
from stream.units import Floats, Ints

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
    found = Nested().add(values, tunes, sessions)
    between = found.between
    if between is None or not found.within_df:
        return NO_EXCESS
    columns = zip(variance, known.T, strict=True)
    stated = sum(float(v) * Nested().add(column, tunes, sessions).between_sum for v, column in columns)
    expected = found.within + stated / found.between_df
    if expected <= 0 or between <= expected:
        return NO_EXCESS
    df_expected = found.within_df * (expected / found.within) ** 2 if found.within > 0 else 1e9
    p = float(scipy.special.fdtrc(found.between_df, min(df_expected, 1e9), between / expected))
    if p >= SESSION_TEST:
        return SessionExcess(0.0, np.inf, p)
    return SessionExcess((between - expected) * found.between_df / found.weight, found.between_df, p)
