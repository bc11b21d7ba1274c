# NOTE TO ALL (04:55): lead rewrites stream/study/compare/{compare,coach,fair,pair}.py and their commands now.
# data, air: leave these alone. air: put `pressure_kpa` (rows,), absolute, on PullTrace; lead compares at equal boost.
"""The next pull to make, or 'settled'; and first of all what this day can resolve.

What a day resolves comes from repeats on one tune: with pulls that scatter so, the smallest change that as
many pulls of another tune would show with 80 % power.
"""

from collections import Counter
from collections.abc import Sequence
from typing import Literal

import msgspec
import numpy as np

from stream.errors import InputError
from stream.study import stats
from stream.study.bands import DEFAULT_WIDTH_RPM, band_table
from stream.study.choose import gear_of_each, one_zero
from stream.study.compare.compare import WANTED_PCT, Comparison, compare
from stream.study.compare.fair import turns
from stream.study.compare.pair import LEAST_RELATIVE_SE, best_block
from stream.study.pulls import PullTrace, in_time_order
from stream.study.stats import Part

REPEATS = 3  # of one tune, before its scatter is believed and another tune is worth a drive
A_TURN = 2  # pulls of one tune before the other has its turn


class Advice(msgspec.Struct, frozen=True, kw_only=True):
    """What to do next. `tune` None is 'another tune, any'; `gear` None is 'not known'; `words` says it
    all."""

    next: Literal["pull", "settled"]
    tune: str | None
    gear: int | None
    direction: str | None
    day_resolves_pct: float | None
    pulls: dict[str, int]
    words: str
    warnings: tuple[str, ...]


def day_resolves(pulls: Sequence[PullTrace], width: float = DEFAULT_WIDTH_RPM) -> float | None:
    """The smallest change, %, that this day's scatter lets be resolved; None without two pulls of a tune in a
    gear.

    Pulls of all tunes count, each about its own tune's mean; n is the most pulls any tune has.
    """
    used, _ = one_zero(in_time_order([pull for pull in pulls if pull.usable]))
    if not used:
        return None
    gears, _ = gear_of_each(used, width)
    groups = Counter((pull.tune, gear) for pull, gear in zip(used, gears, strict=True))
    gear = max(groups, key=lambda key: groups[key])[1]
    squares, free, most = 0.0, 0, 0
    for tune in {tune for tune, own in groups if own == gear}:
        own = [pull for pull, name in zip(used, gears, strict=True) if name == gear and pull.tune == tune]
        load = band_table(own, width).load
        good = np.isfinite(load) & ((load > 0).any() != (load < 0).any())
        rows, bands = best_block(np.vstack([good, good]), np.repeat([False, True], len(own)))
        kept = load[rows[: len(own)]][:, bands]
        if len(kept) < 2 or not kept.size:
            continue
        logs = np.log(np.abs(kept)).mean(axis=1)
        squares += float(((logs - logs.mean()) ** 2).sum())
        free += len(logs) - 1
        most = max(most, len(logs))
    if free == 0:
        return None
    part = Part(2 * squares / free / most, free)
    se = max(float(np.sqrt(part.variance)), LEAST_RELATIVE_SE)
    return 100 * float(np.expm1(stats.detectable(se, part.df)))


def coach(
    pulls: Sequence[PullTrace],
    base: str | None = None,
    trial: str | None = None,
    width: float = DEFAULT_WIDTH_RPM,
    ways: tuple[str, str] = ("out", "back"),
) -> Advice:
    """The next pull: which tune, gear and direction, or 'settled'.

    base, trial   the two tunes of interest; left out: the tune driven first, and the last one beside it
    ways          words for the two directions of the road

    Settled: taken in turns, and either resolved overall or fine enough to have shown 2 %. Raises InputError
    as `compare` does.
    """
    row = in_time_order([pull for pull in pulls if pull.usable])
    resolves = day_resolves(row, width)
    counts = dict(Counter(pull.tune for pull in row))
    tunes = list(dict.fromkeys(pull.tune for pull in row))
    if base is None:
        base = tunes[0] if tunes else None
    if trial is None:
        trial = next((pull.tune for pull in reversed(row) if pull.tune != base), None)
    warnings: tuple[str, ...] = ()
    tune: str | None = base
    if counts.get(base or "", 0) < REPEATS:
        why = f"repeats first: {REPEATS} of one tune show what this day can resolve"
    elif trial is None or counts.get(trial, 0) == 0:
        tune, why = trial, f"{base!r} has its repeats: now the other tune"
    else:
        try:
            result = compare(row, base or "", trial, width)
        except InputError as error:
            tune, why = _fewest(counts, base or "", trial), str(error)
        else:
            warnings = result.warnings
            tune, why = _weigh(result, row)
            if tune is None:
                return _advice("settled", None, None, None, resolves, counts, why, warnings)
    gear = _usual_gear(row)
    way = _next_way(row, tune, ways)
    return _advice("pull", tune, gear, way, resolves, counts, why, warnings)


def _weigh(result: Comparison, row: Sequence[PullTrace]) -> tuple[str | None, str]:
    """(tune of the next pull or None when settled, why)."""
    overall, fine = result.overall, result.smallest_resolvable_pct
    seen = any(band.resolved for band in result.bands) or overall.resolved
    if not result.order_only and seen:
        return None, f"settled: {result.trial!r} differs from {result.base!r}"
    if not result.order_only and fine is not None and fine <= WANTED_PCT:
        return None, f"settled: a change of {fine:.1f} % would have shown, and none did"
    pair = [pull for pull in row if pull.tune in (result.base, result.trial)]
    last = pair[-1].tune
    in_turn = next((n for n, pull in enumerate(reversed(pair)) if pull.tune != last), len(pair))
    other = result.trial if last == result.base else result.base
    counts = {result.base: result.pulls.base, result.trial: result.pulls.trial}
    behind = _fewest(counts, result.base, result.trial)
    tune = other if in_turn >= A_TURN else last
    if result.order_only:
        done = len(turns(pair))
        return tune, f"the tunes must take turns (turns so far: {done}, four are needed)"
    if abs(result.pulls.base - result.pulls.trial) > A_TURN:
        tune = behind
    if result.pulls_for_2_pct is None:
        return tune, f"not settled, and more pulls alone will not do for {WANTED_PCT:g} %: take a fresh zero"
    low, high = result.pulls_for_2_pct
    return tune, f"not settled: {low} to {high} pulls of each tune would settle {WANTED_PCT:g} %"


def _fewest(counts: dict[str, int], base: str, trial: str) -> str:
    return min((base, trial), key=lambda tune: counts.get(tune, 0))


def _usual_gear(row: Sequence[PullTrace]) -> int | None:
    gears = Counter(pull.gear for pull in row if pull.gear is not None)
    return gears.most_common(1)[0][0] if gears else None


def _next_way(row: Sequence[PullTrace], tune: str | None, ways: tuple[str, str]) -> str | None:
    """The direction this tune has had less of; the other one than its last where even. None where none is
    known."""
    known = [pull.direction for pull in row if pull.direction is not None]
    if not known:
        return None
    names = tuple(dict.fromkeys(known)) if len(set(known)) == 2 else (known[0], *ways)
    first, second = names[0], next((name for name in names if name != names[0]), ways[1])
    own = [pull.direction for pull in row if pull.tune == tune and pull.direction is not None]
    if own.count(first) == own.count(second):
        return second if own and own[-1] == first else first
    return first if own.count(first) < own.count(second) else second


def _advice(
    step: Literal["pull", "settled"],
    tune: str | None,
    gear: int | None,
    way: str | None,
    resolves: float | None,
    counts: dict[str, int],
    why: str,
    warnings: tuple[str, ...],
) -> Advice:
    day = "" if resolves is None else f"Your day resolves {resolves:.1f} %. "
    told = "another tune" if tune is None else f"tune {tune!r}"
    in_gear = "the same gear" if gear is None else f"gear {gear}"
    where = "the other way than the last pull of this tune" if way is None else f"direction {way!r}"
    settled = f"{day}{why[0].upper()}{why[1:]}."
    words = settled if step == "settled" else f"{day}Next: {told}, {in_gear}, {where}; {why}."
    return Advice(
        next=step, tune=tune, gear=gear, direction=way, day_resolves_pct=resolves, pulls=counts, words=words,
        warnings=warnings,
    )  # fmt: skip
