"""Three tunes and more: each against the base, and in an order only where pairs are told apart.

All pairs are one family: with k tunes each of the k (k - 1) / 2 comparisons is as many times stricter (Bonferroni).
"""

from collections.abc import Mapping, Sequence
from itertools import combinations

import msgspec

from stream.errors import InputError
from stream.study.bands import DEFAULT_WIDTH_RPM
from stream.study.compare.answer import Comparison
from stream.study.compare.compare import DRIFT_PCT, compare
from stream.study.compare.scatter import PRIOR, Scatter
from stream.study.pulls import PullTrace


class Pair(msgspec.Struct, frozen=True):
    """Two tunes of which one gives more load, resolved overall and in any order."""

    more: str
    less: str


class Several(msgspec.Struct, frozen=True, kw_only=True):
    """Every trial against the base, in the order given; `family` comparisons were made; `ranked` are the pairs told
    apart, a pair that is not there has no order; `not_compared` trials with the reason, one plain line each."""

    base: str
    family: int
    comparisons: tuple[Comparison, ...]
    ranked: tuple[Pair, ...]
    not_compared: dict[str, str]


def compare_several(
    pulls: Sequence[PullTrace],
    base: str,
    trials: Sequence[str],
    width: float = DEFAULT_WIDTH_RPM,
    air: Mapping[str, float] | None = None,
    scatter: Scatter = PRIOR,
    drift_pct: float = DRIFT_PCT,
) -> Several:
    """Compare trials with one base, as `compare` does. Raises InputError as it does where not one can be compared."""
    tunes = list(dict.fromkeys([base, *trials]))
    if len(tunes) < 2:
        raise InputError(f"base and trial are both {base!r}; give two tunes", code="same-tune-twice", tune=base)
    family = len(tunes) * (len(tunes) - 1) // 2
    found: dict[tuple[str, str], Comparison] = {}
    refused: dict[str, str] = {}
    last: InputError | None = None
    for first, second in combinations(tunes, 2):
        try:
            found[first, second] = compare(pulls, first, second, width, air, scatter, drift_pct, family)
        except InputError as error:
            last = error
            if first == base:
                refused[second] = str(error)
    against_base = tuple(result for (first, _), result in found.items() if first == base)
    if not against_base and last is not None:
        raise last
    told = [result for result in found.values() if result.overall.resolved and not result.order_only]
    ranked = tuple(
        Pair(result.trial, result.base) if (result.overall.change_pct or 0.0) > 0 else Pair(result.base, result.trial)
        for result in told
    )
    return Several(base=base, family=family, comparisons=against_base, ranked=ranked, not_compared=refused)
