# NOTE TO ALL (04:55): lead rewrites stream/study/compare/{compare,coach,fair,pair}.py and their commands now.
# data, air: leave these alone. air: put `pressure_kpa` (rows,), absolute, on PullTrace; lead compares at equal boost.
"""What else differs between the two sides than the tune, and whether order alone could explain the result."""

import math
from collections.abc import Sequence
from itertools import groupby

import numpy as np

from stream.study import stats
from stream.study.pulls import TEMPERATURE, PullTrace, in_time_order
from stream.study.stats import ALPHA, Part
from stream.units import Flags, Floats

# (condition, its name in words, unit, the least difference worth naming). Common practice, no source.
NAMED = (
    ("lambda", "mixture (λ)", "", 0.02),
    ("fuel_trim_pct", "fuel trim", " %", 3.0),
    ("intake_c", "intake temperature", " °C", 5.0),
    ("air_c", "air temperature", " °C", 3.0),
    ("pressure_hpa", "air pressure", " hPa", 5.0),
    ("manifold_hpa", "manifold pressure", " hPa", 10.0),
    ("coolant_c", "coolant temperature", " °C", 5.0),
)
TEMPERATURE_LEAST = 5.0


def differences(base: Sequence[PullTrace], trial: Sequence[PullTrace]) -> list[str]:
    """Sentences that name what differs between the sides: mixture, temperatures, pressure, zero,
    direction."""
    words = []
    others = {key for p in (*base, *trial) for key in p.conditions if key.startswith(TEMPERATURE)}
    rows = [*NAMED, *((key, key, " °C", TEMPERATURE_LEAST) for key in sorted(others))]
    for key, name, unit, least in rows:
        sides = [np.array([p.conditions[key] for p in side if key in p.conditions]) for side in (base, trial)]
        there = [side[np.isfinite(side)] for side in sides]
        if not all(len(side) for side in there):
            continue
        gap = float(there[1].mean() - there[0].mean())
        if abs(gap) >= least:
            words.append(
                f"not the tune alone: {name} is {there[0].mean():.4g}{unit} on the base side and "
                f"{there[1].mean():.4g}{unit} on the trial side"
            )
    words += _zero_words(base, trial)
    ways = [sorted({p.direction for p in side if p.direction is not None}) for side in (base, trial)]
    if all(ways) and ways[0] != ways[1]:
        words.append(f"not the tune alone: base went {' and '.join(ways[0])}, trial {' and '.join(ways[1])}")
    return words


def _zero_words(base: Sequence[PullTrace], trial: Sequence[PullTrace]) -> list[str]:
    values = [np.array([p.zero.value for p in side if p.zero is not None]) for side in (base, trial)]
    if not all(len(side) for side in values):
        return []
    gap = float(values[1].mean() - values[0].mean())
    doubts = [max(p.zero.doubt for p in side if p.zero is not None) for side in (base, trial)]
    if abs(gap) <= 2 * math.hypot(*doubts):
        return []
    unit = f" {base[0].unit}" if base[0].unit else ""
    apart = f"the zeros of the two sides differ by {abs(gap):.2g}{unit}, more than their doubt"
    return [f"{apart}: zero drifted; take a fresh one before each row of pulls"]


def turns(pulls: Sequence[PullTrace]) -> list[str]:
    """The tunes in the order they were driven, runs of one tune counted once."""
    return [tune for tune, _ in groupby(pull.tune for pull in in_time_order(pulls))]


def order(pulls: Sequence[PullTrace], base: str, trial: str) -> tuple[bool, list[str]]:
    """(whether the verdict holds 'in this order only', why in words).

    Alternation is at least two turns of each tune, base trial base trial or the other way round. One session
    a side is never enough, unless the two tunes alternate inside the same session.
    """
    row = turns(pulls)
    sessions = [{p.session for p in pulls if p.tune == tune} for tune in (base, trial)]
    alone = len(sessions[0]) == len(sessions[1]) == 1 and sessions[0] != sessions[1]
    alternates = min(row.count(base), row.count(trial)) >= 2
    if alternates and not alone:
        return False, []
    if alone:
        words = "one session a side: what differs between the two sessions cannot be told from the tune"
    elif fresh_for_each(pulls):
        words = "the tunes did not take turns: zeros are fresh, but heat soak could look like a change"
    else:
        words = "the tunes did not take turns: a drifting zero or heat soak could look like a change"
    return True, [f"in this order only: {words}; drive base, trial, base, trial"]


def fresh_for_each(pulls: Sequence[PullTrace]) -> bool:
    """Whether every pull leans most on a zero that no other pull leans most on."""
    leading = [pull.zero.leans_on for pull in pulls if pull.zero is not None and pull.zero.leans_on]
    return len(leading) == len(pulls) == len(set(leading)) and len(pulls) > 0


def drift(log_load: Floats, side: Flags) -> list[str]:
    """A warning where log load goes up or down with the order of pulls, tune taken out.

    log_load, in time order, (pulls,) NaN for a pull left out, side (pulls,) true on the trial side. Least
    squares on tune and place in the order, t test of the slope.
    """
    place = np.flatnonzero(np.isfinite(log_load))
    found = drift_test(place.astype(float), log_load[place], side[place])
    if found is None or found.p >= ALPHA:
        return []
    way = "falls" if found.difference < 0 else "rises"
    return [
        f"order drift: load {way} by {100 * abs(found.difference):.2g} % from pull to pull whatever the tune "
        f"(p = {found.p:.2g}); heat soak, perhaps: let it cool, and alternate"
    ]


def drift_test(place: Floats, log_load: Floats, side: Flags) -> stats.Test | None:
    """Slope of log load per place in the order, with the tune's own step taken out; None where it cannot be
    told."""
    columns = np.column_stack([~side, side]).astype(float)
    columns = columns[:, columns.any(axis=0)]
    free = len(place) - columns.shape[1] - 1
    if free < 1:
        return None
    # Taking the side means off both leaves the same slope and residuals as the joint fit.
    off = [values - columns @ (columns.T @ values / columns.sum(axis=0)) for values in (place, log_load)]
    spread = float(off[0] @ off[0])
    if spread <= 0:
        return None
    slope = float(off[0] @ off[1]) / spread
    residual = off[1] - slope * off[0]
    return stats.judge(slope, [Part(float(residual @ residual) / free / spread, free)], floor=1e-9)
