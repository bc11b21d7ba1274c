"""The next pull to make, or 'settled'; and first of all what this day can resolve.

One pull a turn, base, trial, base, trial: every pull is then a turn of its own, and a drift through the day falls on
both tunes alike. Settled is what the last look says (`looks.py`): resolved, or fine enough to have shown 2 %.
"""

from collections import Counter
from collections.abc import Sequence

import msgspec
import numpy as np

from stream.errors import InputError
from stream.findings import Finding, unique, warning
from stream.study import stats
from stream.study.bands import DEFAULT_WIDTH_RPM, band_table
from stream.study.choose import gear_of_each, one_zero
from stream.study.compare import looks
from stream.study.compare.answer import Comparison
from stream.study.compare.compare import WANTED_PCT, compare
from stream.study.compare.scatter import PRIOR, Scatter
from stream.study.compare.sides import best_block
from stream.study.pulls import PullTrace, gear_findings, in_time_order
from stream.study.stats import Part

LEAST_SD = 1e-6  # relative; load arrays in single precision carry no more


class Resolves(msgspec.Struct, frozen=True):
    """The smallest change, %, that this day's scatter lets be resolved, with its own 95 % interval."""

    pct: float
    low_pct: float
    high_pct: float


class Advice(msgspec.Struct, frozen=True, kw_only=True):
    """What to do next. `tune` '' is 'another tune, any'; `gear` None is 'not known'; `why` is a code, its values in
    `findings`; pulls made by tune; `look` 0 is before the first."""

    settled: bool
    tune: str
    gear: int | None
    direction: str | None
    why: str
    look: int
    next_look: int
    pulls: dict[str, int]
    resolves: Resolves | None
    findings: tuple[Finding, ...]
    comparison: Comparison | None = None


def day_resolves(pulls: Sequence[PullTrace], width: float = DEFAULT_WIDTH_RPM) -> Resolves | None:
    """What this day's repeats let be resolved with 80 % power; None without two pulls of a tune in a gear.

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
        logs = _levels(own, width)
        if len(logs) < 2:
            continue
        squares += float(((logs - logs.mean()) ** 2).sum())
        free += len(logs) - 1
        most = max(most, len(logs))
    if free == 0:
        return None
    sd = max(float(np.sqrt(squares / free)), LEAST_SD)

    def found_with(one: float) -> float:
        return 100 * float(np.expm1(stats.detectable(one * np.sqrt(2 / most), Part(1.0, free).df)))

    low, high = stats.sd_interval(sd, free)
    return Resolves(found_with(sd), found_with(low), found_with(high))


def _levels(pulls: Sequence[PullTrace], width: float) -> np.ndarray:
    """Mean log load of each pull over the bands that the most of them share, (kept pulls,)."""
    load = band_table(pulls, width).load
    good = np.isfinite(load) & ((load > 0).any() != (load < 0).any())
    rows, bands = best_block(np.vstack([good, good]), np.repeat([False, True], len(pulls)))
    kept = load[rows[: len(pulls)]][:, bands]
    return np.log(np.abs(kept)).mean(axis=1) if kept.size else np.empty(0)


def coach(
    pulls: Sequence[PullTrace],
    base: str | None = None,
    trial: str | None = None,
    width: float = DEFAULT_WIDTH_RPM,
    ways: tuple[str, str] = ("out", "back"),
    scatter: Scatter = PRIOR,
) -> Advice:
    """The next pull: which tune, gear and direction, or 'settled'.

    base, trial   the two tunes of interest; left out: the tune driven first, and the last one beside it
    ways          words for the two directions of the road
    """
    row = in_time_order([pull for pull in pulls if pull.usable])
    tunes = list(dict.fromkeys(pull.tune for pull in row))
    if base is None:
        base = tunes[0] if tunes else ""
    if trial is None:
        trial = next((pull.tune for pull in reversed(row) if pull.tune != base), "")
    counts = dict(Counter(pull.tune for pull in row))
    result: Comparison | None = None
    findings: tuple[Finding, ...] = ()
    if not row:
        why, tune, settled = "first-pull", base, False
    elif not trial or not counts.get(trial) or not counts.get(base):
        why, tune, settled = "other-tune-now", trial if counts.get(base) else base, False
    else:
        tune = _in_turn(row, base, trial)
        try:
            result = compare(pulls, base, trial, width, scatter=scatter)
        except InputError as error:
            why, settled, findings = "not-comparable", False, (warning("not-comparable", reason=str(error)),)
        else:
            why, settled = _weigh(result)
            findings = result.findings
    findings = unique([*findings, *gear_findings(row)])
    both = sum(counts.get(one, 0) for one in {base, trial})
    return Advice(
        settled=settled,
        tune="" if settled else tune,
        gear=_usual_gear(row),
        direction=None if settled else _next_way(row, tune, ways),
        why=why,
        look=result.look if result is not None else 0,
        next_look=result.next_look if result is not None else looks.next_look(both),
        pulls=counts,
        resolves=day_resolves(row, width),
        findings=findings,
        comparison=result,
    )


def _weigh(result: Comparison) -> tuple[str, bool]:
    """(why, as a code; whether it is settled)."""
    resolved = result.overall.resolved or any(band.resolved for band in result.bands)
    if resolved and not result.order_only:
        return "resolved", True
    fine = result.smallest_resolvable_pct
    if result.look >= looks.LOOKS[-1] and not result.order_only and fine is not None and fine <= WANTED_PCT:
        return "would-have-shown", True
    if result.order_only:
        return "take-turns", False
    return ("fresh-zero", False) if result.pulls_for_2_pct is None and result.look else ("not-settled", False)


def _in_turn(row: Sequence[PullTrace], base: str, trial: str) -> str:
    """The tune that is behind; where they are even, the one that was not driven last."""
    made = [pull.tune for pull in row if pull.tune in (base, trial)]
    ahead = made.count(base) - made.count(trial)
    if ahead:
        return trial if ahead > 0 else base
    return trial if made and made[-1] == base else base


def _usual_gear(row: Sequence[PullTrace]) -> int | None:
    gears = Counter(pull.gear for pull in row if pull.gear is not None)
    return gears.most_common(1)[0][0] if gears else None


def _next_way(row: Sequence[PullTrace], tune: str, ways: tuple[str, str]) -> str | None:
    """The direction this tune has had less of; the other one than its last where even. None where none is known."""
    known = [pull.direction for pull in row if pull.direction is not None]
    if not known:
        return None
    names = tuple(dict.fromkeys(known)) if len(set(known)) == 2 else (known[0], *ways)
    first, second = names[0], next((name for name in names if name != names[0]), ways[1])
    own = [pull.direction for pull in row if pull.tune == tune and pull.direction is not None]
    if own.count(first) == own.count(second):
        return second if own and own[-1] == first else first
    return first if own.count(first) < own.count(second) else second
