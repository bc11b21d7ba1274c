# NOTE TO ALL (04:55): lead rewrites stream/study/compare/{compare,coach,fair,pair}.py and their commands now.
# data, air: leave these alone. air: put `pressure_kpa` (rows,), absolute, on PullTrace; lead compares at equal boost.
"""Is tune B better than tune A, at which speeds, and how sure is that?

Pulls are the replicates. Per band the change is the ratio of the two means; its interval is Welch's on the
log of the ratio, each mean's relative variance by the delta method, turned back into per cent. (On the log
rather than the ratio: the interval is the same whichever tune is called base, and no interval reaches below
-100 %.) The overall change is Welch's on each pull's mean log load over the bands that all pulls share.

To both is added what pulls share: the stated doubt of the zeros, the lag's doubt, and, where sessions of one
tune differ by more than pulls and zeros explain, that excess (see `shared.py`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import msgspec
import numpy as np

from stream.errors import InputError
from stream.study import stats
from stream.study.bands import DEFAULT_WIDTH_RPM, BandTable, band_table
from stream.study.choose import in_one_gear, one_zero, usable_pulls
from stream.study.compare import fair
from stream.study.compare.pair import LEAST_RELATIVE_SE, Pair
from stream.study.pulls import PullTrace, in_time_order
from stream.study.stats import ALPHA

WANTED_PCT = 2.0


class PullCount(msgspec.Struct, frozen=True):
    """Pulls used on each side."""

    base: int
    trial: int


class BandChange(msgspec.Struct, frozen=True, kw_only=True):
    """One rev band. None is 'cannot be known'; the interval is 95 %."""

    rpm: float
    base_mean: float | None
    base_n: int
    trial_mean: float | None
    trial_n: int
    change_pct: float | None
    low_pct: float | None
    high_pct: float | None
    p_adjusted: float | None
    resolved: bool


class Overall(msgspec.Struct, frozen=True, kw_only=True):
    """The change over all shared bands; the interval is 95 %."""

    change_pct: float | None
    low_pct: float | None
    high_pct: float | None
    resolved: bool


class Comparison(msgspec.Struct, frozen=True, kw_only=True):
    """The answer of `compare`, as its JSON. `pulls_for_2_pct` is a range of pulls on each side."""

    unit: str
    base: str
    trial: str
    pulls: PullCount
    order_only: bool
    bands: tuple[BandChange, ...]
    overall: Overall
    smallest_resolvable_pct: float | None
    pulls_for_2_pct: tuple[int, int] | None
    warnings: tuple[str, ...]


def compare(
    pulls: Sequence[PullTrace],
    base: str,
    trial: str,
    width: float = DEFAULT_WIDTH_RPM,
    air: Mapping[str, float] | None = None,
) -> Comparison:
    """Compare two tunes band by band and overall.

    pulls   of any tunes and sessions; only usable pulls of these two tunes, in one gear, count
    width   of a rev band, rpm
    air     correction factor by session; both sides are corrected, and it is said where that changes the
            verdict

    Raises InputError where a tune, a clean pull or a common gear is missing, where cars or units differ, and
    where air correction is asked for without a zero or for some sessions only.
    """
    if base == trial:
        raise InputError(f"--base and --trial are both {base!r}; give two tunes")
    used, warnings = usable_pulls(pulls, (base, trial))
    used, gear_warnings = in_one_gear(in_time_order(used), (base, trial), width)[::2]
    used, zero_warnings = one_zero(used)
    warnings += gear_warnings + zero_warnings
    result = _compare(used, base, trial, width, warnings)
    if air is None:
        return result
    corrected = _compare(with_air(used, air), base, trial, width, warnings)
    return msgspec.structs.replace(corrected, warnings=corrected.warnings + _air_words(result, corrected))


def with_air(pulls: Sequence[PullTrace], air: Mapping[str, float]) -> list[PullTrace]:
    """The pulls with load times their session's correction factor. Raises InputError as `compare` says."""
    for pull in pulls:
        if pull.zero is None:
            raise InputError(f"{pull.session}: air correction needs a zero; take one with 'steadypull zero'")
        if pull.session not in air:
            raise InputError(f"{pull.session}: no air reading for it; correct all sessions or none")
    return [replace(pull, load=pull.load * air[pull.session]) for pull in pulls]


def _air_words(plain: Comparison, corrected: Comparison) -> tuple[str, ...]:
    words = ["corrected to standard air on both sides; that holds for full throttle without boost only"]
    changed = [
        f"{after.rpm:.0f} rpm"
        for before, after in zip(plain.bands, corrected.bands, strict=True)
        if before.resolved != after.resolved
    ]
    if plain.overall.resolved != corrected.overall.resolved:
        changed.append("the overall change")
    if changed:
        words.append("the air correction changes the verdict at " + ", ".join(changed))
    return tuple(words)


def _compare(used: list[PullTrace], base: str, trial: str, width: float, said: Sequence[str]) -> Comparison:
    table = band_table(used, width)
    warnings = list(said) + table_words(table)
    pair = Pair.of(used, table, trial)
    if not pair.tested.any():
        warnings.append("no band was crossed by a pull of each tune: nothing to compare")
    bands = _bands(pair)
    overall, test = _overall(pair)
    warnings += pair.warnings + fair.differences(pair.base_pulls, pair.trial_pulls)
    order_only, order_words = fair.order(used, base, trial)
    warnings += order_words + fair.drift(pair.log_load, pair.side)
    smallest, wanted = None, None
    if test is not None:
        smallest = 100 * float(np.expm1(stats.detectable(test.se, test.df)))
        wanted, words = _wanted_pulls(pair)
        warnings += words
    elif min(len(pair.base_pulls), len(pair.trial_pulls)) < 2:
        warnings.append("one pull on a side gives curves and no verdict; make at least two of each tune")
    return Comparison(
        unit=used[0].unit,
        base=base,
        trial=trial,
        pulls=PullCount(len(pair.base_pulls), len(pair.trial_pulls)),
        order_only=order_only,
        bands=bands,
        overall=overall,
        smallest_resolvable_pct=smallest,
        pulls_for_2_pct=wanted,
        warnings=tuple(dict.fromkeys(warnings)),
    )


def table_words(table: BandTable) -> list[str]:
    """Warnings: bands narrower than the steps of the data, pulls that fill no band."""
    words = []
    if table.coarse:
        words.append(
            f"bands of {table.width:g} rpm are narrower than the data of {len(table.coarse)} pull(s): bands "
            "without a sample are left empty; use wider bands or a higher live rate"
        )
    empty = int((~np.isfinite(table.load).any(axis=1)).sum())
    if empty:
        words.append(f"{empty} pull(s) cross no whole band of {table.width:g} rpm with load known: use narrower bands")
    return words


def _bands(pair: Pair) -> tuple[BandChange, ...]:
    tests = [pair.band_test(column) for column in range(len(pair.rpm))]
    adjusted = stats.holm(np.array([np.nan if test is None else test.p for test in tests]))
    rows = []
    for column, test in enumerate(tests):
        base, trial = pair.side_values(column)
        p = None if test is None else float(adjusted[column])
        rows.append(
            BandChange(
                rpm=float(pair.rpm[column]),
                base_mean=float(base.mean()) if len(base) else None,
                base_n=len(base),
                trial_mean=float(trial.mean()) if len(trial) else None,
                trial_n=len(trial),
                change_pct=100 * float(trial.mean() / base.mean() - 1) if pair.tested[column] else None,
                low_pct=None if test is None else 100 * float(np.expm1(test.low)),
                high_pct=None if test is None else 100 * float(np.expm1(test.high)),
                p_adjusted=p,
                resolved=p is not None and p < ALPHA,
            )
        )
    return tuple(rows)


def _overall(pair: Pair) -> tuple[Overall, stats.Test | None]:
    test = pair.overall_test()
    base, trial = pair.log_sides()
    if not (len(base) and len(trial)):
        return Overall(change_pct=None, low_pct=None, high_pct=None, resolved=False), None
    change = 100 * float(np.expm1(trial.mean() - base.mean()))
    if test is None:
        return Overall(change_pct=change, low_pct=None, high_pct=None, resolved=False), None
    low, high = (100 * float(np.expm1(limit)) for limit in (test.low, test.high))
    return Overall(change_pct=change, low_pct=low, high_pct=high, resolved=test.p < ALPHA), test


def _wanted_pulls(pair: Pair) -> tuple[tuple[int, int] | None, list[str]]:
    """The range of pulls a side that settles 2 %, over the 95 % interval of the pulls' scatter."""
    base, trial = pair.log_sides()
    df = len(base) + len(trial) - 2
    sd = max(float(np.sqrt((base.var() * len(base) + trial.var() * len(trial)) / df)), LEAST_RELATIVE_SE)
    kept = sum(part.variance for part in pair.shared_parts)
    low, high = (stats.pulls_needed(np.log1p(WANTED_PCT / 100), limit, kept) for limit in stats.sd_interval(sd, df))
    if low is None or high is None:
        cause = "the doubt that pulls share (zero, session) is too large" if kept else "the pulls scatter too much"
        return None, [f"no useful number of pulls settles {WANTED_PCT:g} %: {cause}"]
    return (low, high), []
