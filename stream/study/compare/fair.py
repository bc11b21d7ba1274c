"""What else differs between the two sides than the tune, and whether order alone could explain the result."""

import math
from collections.abc import Sequence
from itertools import groupby

import numpy as np

from stream.findings import Finding, warning
from stream.study import stats
from stream.study.pulls import TEMPERATURE, PullTrace, in_time_order
from stream.study.stats import ALPHA, Part
from stream.units import Flags, Floats

# (condition, unit, the least difference worth naming). Common practice, no source.
NAMED = (
    ("lambda", "", 0.02),
    ("fuel_trim_pct", " %", 3.0),
    ("intake_c", " °C", 5.0),
    ("air_c", " °C", 3.0),
    ("pressure_hpa", " hPa", 5.0),
    ("manifold_hpa", " hPa", 10.0),
    ("coolant_c", " °C", 5.0),
)
TEMPERATURE_LEAST = 5.0
# A drift through the day moves the sides apart by this share of itself: their mean places in the order, over the
# number of pulls. In blocks it is a half; A B A B with equal turns a quarter, A B B A nothing. Chosen between these.
DRIFT_SHARE = 0.3


def differences(base: Sequence[PullTrace], trial: Sequence[PullTrace]) -> list[Finding]:
    """What differs between the sides: mixture, temperatures, pressure, zero, direction."""
    findings = []
    others = {key for p in (*base, *trial) for key in p.conditions if key.startswith(TEMPERATURE)}
    rows = [*NAMED, *((key, " °C", TEMPERATURE_LEAST) for key in sorted(others))]
    for key, unit, least in rows:
        sides = [np.array([p.conditions[key] for p in side if key in p.conditions]) for side in (base, trial)]
        there = [side[np.isfinite(side)] for side in sides]
        if not all(len(side) for side in there):
            continue
        means = [float(side.mean()) for side in there]
        if abs(means[1] - means[0]) >= least:
            findings.append(warning("not-tune-alone", what=key, base=means[0], trial=means[1], unit=unit))
    findings += _zeros(base, trial)
    ways = [sorted({p.direction for p in side if p.direction is not None}) for side in (base, trial)]
    if all(ways) and ways[0] != ways[1]:
        findings.append(warning("not-same-direction", base=tuple(ways[0]), trial=tuple(ways[1])))
    return findings


def _zeros(base: Sequence[PullTrace], trial: Sequence[PullTrace]) -> list[Finding]:
    values = [np.array([p.zero.value for p in side if p.zero is not None]) for side in (base, trial)]
    if not all(len(side) for side in values):
        return []
    gap = float(values[1].mean() - values[0].mean())
    uncertainty = [max(p.zero.doubt for p in side if p.zero is not None) for side in (base, trial)]
    if abs(gap) <= 2 * math.hypot(*uncertainty):
        return []
    return [warning("zeros-differ", gap=abs(gap), unit=base[0].unit)]


def turns(pulls: Sequence[PullTrace]) -> list[str]:
    """The tunes in the order they were driven, runs of one tune counted once."""
    return [tune for tune, _ in groupby(pull.tune for pull in in_time_order(pulls))]


def order(pulls: Sequence[PullTrace], base: str, trial: str) -> str:
    """Why the verdict holds 'in this order only'; '' where the order is balanced.

    'one-session-a-side': what differs between two recordings cannot be told from the tune. 'order-like-drift': a drift
    through the day would move the two sides apart by much of itself.
    """
    return order_of([(pull.tune, pull.session) for pull in in_time_order(pulls)], base, trial)


def order_of(driven: Sequence[tuple[str, str]], base: str, trial: str) -> str:
    """The same of (tune, session) in the order of time."""
    driven = [one for one in driven if one[0] in (base, trial)]
    sessions = [{session for name, session in driven if name == tune} for tune in (base, trial)]
    if len(sessions[0]) == len(sessions[1]) == 1 and sessions[0] != sessions[1]:
        return "one-session-a-side"
    side = np.array([tune == trial for tune, _ in driven])
    place = np.arange(len(side))
    apart = abs(float(place[side].mean() - place[~side].mean())) / len(side)
    return "order-like-drift" if apart > DRIFT_SHARE else ""


def drift(log_load: Floats, side: Flags) -> list[Finding]:
    """A warning where log load goes up or down with the order of pulls, tune taken out.

    log_load, in time order, (pulls,) NaN for a pull left out, side (pulls,) true on the trial side. Least
    squares on tune and place in the order, t test of the slope.
    """
    place = np.flatnonzero(np.isfinite(log_load))
    found = drift_test(place.astype(float), log_load[place], side[place])
    if found is None or found.p >= ALPHA:
        return []
    return [warning("order-drift", change_pct=100 * found.difference, p=found.p)]


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
