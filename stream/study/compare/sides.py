"""Pulls of two tunes in one band table, made ready to be weighed: what can be tested, what is left out, what is shared.

Everything is log load, so that a change is a ratio and reads the same from either side. Said as well: what else differs
between the two sides than the tune, and whether order alone could explain the result.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stream.findings import Finding, note, warning
from stream.study import shared, stats
from stream.study.bands import BandTable
from stream.study.compare.evidence import Sides
from stream.study.compare.scatter import Scatter, turn_numbers
from stream.study.force.boost import at_unequal_boost, boost_not_known
from stream.study.pulls import TEMPERATURE, PullTrace, in_time_order
from stream.study.stats import ALPHA, Part
from stream.units import Flags, Floats, Ints

LEAST_SHARE = 0.10  # chosen: of the greatest load in the curve; below it a change in % says nothing
ZERO_UNCERTAINTIES = 3.0  # chosen: load must stand so many standard uncertainties of its zero away from it
UNLIKE_SDS = 4.0  # standard deviations from its tune's others: 1 pull in 16 000 by chance (normal distribution)
LEAST_OTHERS = 3  # pulls of the tune that must agree before one may be called unlike them
MOST_UNLIKE = 1 / 3  # chosen: of a tune's pulls; more than that is how the tune scatters, not odd ones


@dataclass(frozen=True, slots=True)
class Prepared:
    """Ready to be weighed.

    pulls     those kept;  rows (pulls,) their rows in what was given;  unlike: rows left out as unlike the others
    load      (pulls, bands);  trial (pulls,) true on the trial side
    tested    (bands,) where a change in % has a meaning;  shared (bands,) those behind the curve's level
    whole     (pulls,) true for pulls that have all shared bands
    pressure  (2, bands) mean manifold pressure of base and trial, kPa, NaN where it was not recorded
    boost_unknown   whether the engine is boosted, and by how much the sides differ in it is not known
    """

    pulls: tuple[PullTrace, ...]
    rows: Ints
    unlike: Ints
    rpm: Floats
    load: Floats
    trial: Flags
    tested: Flags
    shared: Flags
    whole: Flags
    level: Sides
    shape: Sides | None
    pressure: Floats
    boost_unknown: bool
    findings: tuple[Finding, ...]


def prepare(
    pulls: Sequence[PullTrace], table: BandTable, pressure: Floats, trial_tune: str, scatter: Scatter
) -> Prepared:
    """Sort pulls into sides, leave out what is unlike the others, and find what can be tested.

    pulls      in the order they were made;  table their bands
    pressure   (pulls, bands) manifold pressure, kPa, NaN where unknown
    """
    trial = np.array([pull.tune == trial_tune for pull in pulls], bool)
    unlike = _unlike(pulls, table.load, trial, scatter)
    rows = np.flatnonzero(~unlike)
    kept = tuple(pulls[int(row)] for row in rows)
    load, rate, trial = table.load[rows], table.rate[rows], trial[rows]
    findings: list[Finding] = []
    sides = (_side_mean(pressure[rows], trial, False), _side_mean(pressure[rows], trial, True))
    tested, words = _tested(kept, table.rpm, load, trial)
    airs = [pull.air for pull in kept]
    unequal = tested & at_unequal_boost(*sides, airs)
    findings += words
    if unequal.any():
        gap = np.nanmax(100 * np.abs(sides[1] / sides[0] - 1)[unequal])
        findings.append(warning("unequal-boost", rpm=tuple(map(float, table.rpm[unequal])), largest_pct=float(gap)))
    tested &= ~unequal
    unknown = tested & boost_not_known(*sides, airs)
    have = np.isfinite(load) & tested
    whole, bands = best_block(have, trial)
    left = int((~whole & have.any(axis=1)).sum())
    if bands.any() and left:
        findings.append(note("short-pulls-not-in-level", pulls=left))
    logs = np.log(np.abs(np.where(have, load, np.nan)))
    many = max(int(bands.sum()), 1)
    level = np.where(whole & bands.any(), np.where(bands, np.nan_to_num(logs), 0.0).sum(axis=1) / many, np.nan)
    loading, variance = _shared_errors(kept, table.rpm, load, rate)
    turn = turn_numbers([(pull.session, pull.tune) for pull in kept])
    across = np.where(bands[None, :, None], np.nan_to_num(loading), 0.0).sum(axis=1) / many
    everything = Sides(
        np.column_stack([logs, level]), trial, turn, np.concatenate([loading, across[:, None]], axis=1), variance
    )
    shape = None
    if bands.sum() >= 3:  # with two bands the one is the other turned round
        centred = np.where(bands & whole[:, None], logs - level[:, None], np.nan)[:, bands]
        shape = Sides(centred, trial, turn, (loading - across[:, None])[:, bands], variance, level=False)
    return Prepared(
        kept,
        rows,
        np.flatnonzero(unlike),
        table.rpm,
        load,
        trial,
        tested,
        bands,
        whole,
        everything,
        shape,
        np.array(sides),
        bool(unknown.any()),
        tuple(findings),
    )


def _unlike(pulls: Sequence[PullTrace], load: Floats, trial: Flags, scatter: Scatter) -> Flags:
    """(pulls,) whose level against their tune's others, or load in one band, is not scatter.

    Measured in learned standard deviations, or in today's own where today is wilder (median absolute deviation, which a
    few odd pulls do not move). A pull that a person kept stays.
    """
    result = np.zeros(len(pulls), bool)
    with np.errstate(invalid="ignore", divide="ignore"):
        logs = np.log(np.abs(load))
    centred = np.full(logs.shape, np.nan)
    for side in (False, True):
        own = np.flatnonzero(trial == side)
        if len(own) > LEAST_OTHERS:
            filled = np.isfinite(logs[own]).sum(axis=0) > LEAST_OTHERS
            part = centred[own]
            part[:, filled] = logs[own][:, filled] - np.nanmedian(logs[own][:, filled], axis=0)
            centred[own] = part
    known = np.isfinite(centred)
    if not known.any():
        return result
    level = np.array([np.median(row[np.isfinite(row)]) if np.isfinite(row).any() else np.nan for row in centred])
    rest = centred - level[:, None]
    away = np.abs(level) / _scale(level, float(np.hypot(scatter.level.pull, scatter.level.turn)))
    apart = np.abs(rest) / _scale(rest, float(np.hypot(scatter.shape.pull, scatter.shape.turn)))
    odd = (np.nan_to_num(away) > UNLIKE_SDS) | (np.nan_to_num(apart) > UNLIKE_SDS).any(axis=1)
    odd &= np.array([pull.keep is not True for pull in pulls])
    for side in (False, True):
        own = trial == side
        if (odd & own).sum() <= MOST_UNLIKE * own.sum() and (own & ~odd).sum() >= LEAST_OTHERS:
            result |= odd & own
    return result


def _scale(residual: Floats, expected: float) -> float:
    """The larger of the expected standard deviation and today's, by the median absolute deviation."""
    finite = np.abs(residual[np.isfinite(residual)])
    return max(expected, 1.4826 * float(np.median(finite)) if len(finite) else 0.0)


def _tested(pulls: Sequence[PullTrace], rpm: Floats, load: Floats, trial: Flags) -> tuple[Flags, list[Finding]]:
    """Bands with a pull on each side, load of one sign and well away from zero on both."""
    zero = max((pull.zero.doubt for pull in pulls if pull.zero is not None), default=0.0)
    there = np.isfinite(load)
    both = there[trial].any(axis=0) & there[~trial].any(axis=0)
    size = np.array([_side_mean(np.abs(load), trial, side) for side in (False, True)]).min(axis=0)
    greatest = float(size[both].max()) if both.any() else 0.0
    filled = np.where(there, load, 0.0)
    one_sign = (filled >= 0).all(axis=0) | (filled <= 0).all(axis=0)
    safe = both & one_sign & (np.nan_to_num(size) > max(LEAST_SHARE * greatest, ZERO_UNCERTAINTIES * zero))
    findings = []
    if (both & ~safe).any():
        findings.append(warning("load-near-zero", rpm=tuple(map(float, rpm[both & ~safe]))))
    if safe.any() and (filled[:, safe] <= 0).all():
        findings.append(warning("load-negative"))
    return safe, findings


def _side_mean(values: Floats, trial: Flags, side: bool) -> Floats:
    """(bands,) mean over the pulls of a side, NaN where none has a value."""
    rows = values[trial == side]
    there = np.isfinite(rows)
    count = there.sum(axis=0)
    total = np.where(there, rows, 0.0).sum(axis=0)
    return np.asarray(np.divide(total, count, out=np.full(values.shape[1], np.nan), where=count > 0), np.float64)


def _shared_errors(pulls: Sequence[PullTrace], rpm: Floats, load: Floats, rate: Floats) -> tuple[Floats, Floats]:
    """(relative loading (pulls, bands, sources), variance (sources,)) of zeros and of the converter's lag."""
    zeros = shared.zero_sources(pulls)
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = [zeros.loading[:, None, :] / load[:, :, None]]
    variance = [zeros.variance]
    uncertainty = max((pull.u_lag_s for pull in pulls), default=0.0)
    if uncertainty > 0:
        parts.append(_lag_loading(rpm, load, rate)[:, :, None])
        variance.append(np.array([uncertainty**2]))
    return np.nan_to_num(np.concatenate(parts, axis=2), posinf=0.0, neginf=0.0), np.concatenate(variance)


def _lag_loading(rpm: Floats, load: Floats, rate: Floats) -> Floats:
    """(pulls, bands): relative error of load when the lag is one second longer than thought."""
    mean = _side_mean(load, np.zeros(len(load), bool), False)
    good = np.isfinite(mean)
    if good.sum() < 2:
        return np.zeros(load.shape)
    slope = np.interp(rpm, rpm[good], np.gradient(mean[good], rpm[good]))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.nan_to_num(slope / mean * rate, posinf=0.0, neginf=0.0), np.float64)


def best_block(have: Flags, side: Flags) -> tuple[Flags, Flags]:
    """Rows (pulls) and columns (bands), bool, such that every row has every column.

    Starts from all pulls and lets the one with the fewest bands go, one at a time, never the last two of a
    side. Best is the greatest pulls² × bands: a pull is worth more than a band.
    """
    rows: Flags = np.asarray(have.any(axis=1))
    size, best_rows, best_bands = 0, rows.copy(), np.zeros(have.shape[1], dtype=np.bool_)
    shown = have.sum(axis=1)
    # Of each side the pulls that may go, the one with the fewest bands last; of equals the last one stays longest.
    order = [row for row in np.argsort(shown, kind="stable")[::-1].tolist() if rows[row]]
    going = [[row for row in order if bool(side[row]) is of] for of in (False, True)]
    lacking = np.count_nonzero(~have[rows], axis=0)  # pulls without it, for each band
    while going[0] or going[1]:
        bands: Flags = np.asarray(lacking == 0) & bool(going[0] and going[1])
        worth = int(rows.sum()) ** 2 * int(bands.sum())
        if worth > size:
            size, best_rows, best_bands = worth, rows.copy(), bands
        spare = [one for one in going if len(one) > 2]
        if not spare:
            break
        row = min((one[-1] for one in spare), key=lambda row: (int(shown[row]), row))
        going[int(side[row])].pop()
        rows[row] = False
        lacking -= ~have[row]
    return best_rows, best_bands


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
