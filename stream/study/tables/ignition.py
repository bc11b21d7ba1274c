"""Full-load ignition: per rev band, the load of the pulls against the advance that was really there, tune by tune.

Load at the link is torque at the wheels less what the engine's own inertia takes, so its highest point lies at the
same advance as torque's, and 1 % of it is a little less than 1 % of torque: the aim errs towards the best.

The covariance of the tunes' means holds the scatter of the pulls (pooled over the tunes, for three pulls alone know
little of it), the zeros that pulls of a session share, what sessions of one tune differ by beyond that, and nothing
from the fit.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from stream.errors import InputError
from stream.study import shared
from stream.study.bands import DEFAULT_WIDTH_RPM, BandTable, band_table, lag_removed
from stream.study.choose import in_one_gear, one_zero, usable_pulls
from stream.study.pulls import PullTrace, in_time_order
from stream.study.stats import t_quantile
from stream.study.tables.advice import Cell
from stream.study.tables.ignition_step import Settings, propose
from stream.study.tables.knock import Listened, knocked_bands, leave_for
from stream.study.tables.user_table import AdvanceList, UserTable
from stream.units import Floats as Array

DEFAULT_STEP_DEG = 2.0
LOGGED_APART_DEG = 1.0  # the log and the table differ by more: something is not as the person thinks
SESSION_TEST = shared.SESSION_TEST


@dataclass(frozen=True, slots=True)
class LoggedPull:
    """What was logged beside one pull, on its own stamps; None where there is no such channel."""

    advance: Array | None = None
    knock: Array | None = None
    second: Array | None = None  # the second axis of a two-axis table, in its unit


@dataclass(frozen=True, slots=True)
class _Bands:
    """(pulls, bands) tables of one gear's pulls."""

    pulls: Sequence[PullTrace]
    table: BandTable
    advance: Array
    knock: Array


def full_load(
    pulls: Sequence[PullTrace],
    logged: Mapping[tuple[str, float | None], LoggedPull],
    advance: AdvanceList | UserTable,
    now: str,
    listened: Listened,
    step: float = DEFAULT_STEP_DEG,
    width: float = DEFAULT_WIDTH_RPM,
) -> tuple[list[Cell], list[str]]:
    """(one cell per rev band, warnings).

    logged   what was logged beside each pull, by (session, start_s)
    now      the tune that is in the car; it needs a clean pull here: steps do not chain without one
    step     degrees, the most that is proposed at once

    Raises InputError where `now` has no clean pull, a tune is in no table and no log, or there is no common gear.
    """
    used, warnings = usable_pulls(pulls)
    tunes = list(dict.fromkeys(pull.tune for pull in in_time_order(used)))
    if now not in tunes:
        raise InputError(
            f"--now {now}: no clean pull of this tune in these sessions (they hold {', '.join(map(repr, tunes))}); "
            "steps do not chain: drive a clean session on it first"
        )
    warnings += _stale(used, now)
    used, gear_words = _gear(used, tunes, now, width)
    tunes = [tune for tune in tunes if any(pull.tune == tune for pull in used)]
    used, zero_words = one_zero(used)
    bands, words = _bands(used, logged, advance, now, width)
    warnings += gear_words + zero_words + words
    excess = _session_excess(bands.table.load, used, tunes)
    if excess > 0:
        warnings.append(
            f"sessions of one tune differ by {100 * math.sqrt(excess):.1f} % beyond pulls and zeros; it is in the doubt"
        )
    cells = []
    loud = knocked_bands(bands.knock)
    for column, rpm in enumerate(bands.table.rpm):
        settings = _settings(bands, column, tunes, now, excess)
        if settings is None:
            continue
        if now not in settings.tunes:
            cells.append(_untested(bands, column, settings, now, advance))
            continue
        leave = leave_for(listened, bands.advance[:, column], loud[:, column], bands.knock[:, column],
                          np.array([pull.tune == now for pull in used]))  # fmt: skip
        cells.append(propose(settings, leave, step, float(rpm), None, "pulls"))
    if not cells:
        warnings.append("no rev band has both a clean pull and a known advance: full load has no proposal")
    return cells, warnings


def _stale(used: Sequence[PullTrace], now: str) -> list[str]:
    latest = in_time_order(used)[-1].tune
    if latest == now:
        return []
    return [f"the last clean pulls were of {latest!r}, not of {now!r}: make sure that {now!r} is in the car now"]


def _gear(used: list[PullTrace], tunes: Sequence[str], now: str, width: float) -> tuple[list[PullTrace], list[str]]:
    """The pulls in the gear that all tunes share; without one, in that of `now` and whatever tune shares it."""
    try:
        kept, _, words = in_one_gear(used, tunes, width)
    except InputError as error:
        kept, gear, words = in_one_gear(used, [now], width)
        words = [*words, f"not all tunes were driven in {gear}: the others are left out ({error})"]
    return kept, words


def _bands(used: Sequence[PullTrace], logged: Mapping[tuple[str, float | None], LoggedPull],
           advance: AdvanceList | UserTable, now: str, width: float) -> tuple[_Bands, list[str]]:  # fmt: skip
    table = band_table(used, width)
    beside = [logged.get((pull.session, pull.start_s), LoggedPull()) for pull in used]

    def banded(values: Sequence[Array | None]) -> Array:
        """(pulls, bands) means of what was logged, on the bands of the load."""
        rows = np.full(table.load.shape, np.nan)
        have = [row for row, value in enumerate(values) if value is not None]
        if have:
            found = band_table([replace(used[row], load=values[row]) for row in have], width)  # type: ignore[arg-type]
            where = {round(rpm): column for column, rpm in enumerate(found.rpm)}
            for column, rpm in enumerate(table.rpm):
                if round(rpm) in where:
                    rows[have, column] = found.load[:, where[round(rpm)]]
        return rows

    real, second = banded([one.advance for one in beside]), banded([one.second for one in beside])
    told = np.full(table.load.shape, np.nan)
    for row, pull in enumerate(used):
        if isinstance(advance, AdvanceList):
            if pull.tune in advance.tunes or not np.isfinite(real[row]).any():
                told[row] = advance.at(pull.tune, table.rpm)
        elif pull.tune == now:
            full = np.where(np.isfinite(second[row]), second[row], advance.second[-1])
            told[row] = advance.at(table.rpm, np.clip(full, advance.second[0], advance.second[-1]))
        elif not np.isfinite(real[row]).any():
            raise InputError(
                f"{advance.path}: is one table, that of {now!r}, and {pull.tune!r} has no logged advance; give a list "
                "with columns tune, rpm, advance"
            )
    words = _apart(used, real, told)
    uncovered = ~np.isfinite(real) & ~np.isfinite(told) & np.isfinite(table.load)
    if uncovered.any():
        rpm = table.rpm[uncovered.any(axis=0)]
        words.append(
            f"{advance.path}: does not cover every band at {rpm.min():.0f} to {rpm.max():.0f} rpm; left out there"
        )
    return _Bands(
        used, table, np.where(np.isfinite(real), real, told), _greatest(used, [one.knock for one in beside], table)
    ), words


def _greatest(used: Sequence[PullTrace], values: Sequence[Array | None], table: BandTable) -> Array:
    """(pulls, bands) greatest size of what was logged in each band: a mean would hide one knock among many turns."""
    result = np.full(table.load.shape, np.nan)
    for row, (pull, value) in enumerate(zip(used, values, strict=True)):
        if value is None:
            continue
        _, speed, size = lag_removed(replace(pull, load=np.abs(value)))
        place = np.floor((speed - table.rpm[0]) / table.width + 0.5).astype(np.intp)
        inside = (place >= 0) & (place < len(table.rpm))
        top = np.full(len(table.rpm), -np.inf)
        np.maximum.at(top, place[inside], size[inside])
        result[row] = np.where(np.isfinite(top), top, np.nan)
    return result


def _apart(used: Sequence[PullTrace], real: Array, told: Array) -> list[str]:
    """Where the logged advance is not what the table says."""
    words = []
    for tune in dict.fromkeys(pull.tune for pull in used):
        rows = [row for row, pull in enumerate(used) if pull.tune == tune]
        gap = (real - told)[rows]
        if np.isfinite(gap).any() and abs(mean := float(np.nanmean(gap))) > LOGGED_APART_DEG:
            way = "above" if mean > 0 else "below"
            words.append(f"{tune!r}: logged advance is {abs(mean):.1f}° {way} the table; the log counts")
    return words


def _settings(bands: _Bands, column: int, tunes: Sequence[str], now: str, excess: float) -> Settings | None:
    """Means and their covariance in one band over the tunes that filled it; None where none did."""
    filled = np.isfinite(bands.table.load[:, column]) & np.isfinite(bands.advance[:, column])
    rows = {
        tune: np.array(
            [row for row, pull in enumerate(bands.pulls) if pull.tune == tune and filled[row]], dtype=np.intp
        )
        for tune in tunes
    }
    there = [tune for tune in tunes if len(rows[tune])]
    if not there:
        return None
    load = bands.table.load[:, column]
    free = sum(len(rows[tune]) - 1 for tune in there)
    squares = sum(float(((load[rows[tune]] - load[rows[tune]].mean()) ** 2).sum()) for tune in there)
    scatter = squares / free if free else 0.0
    means = np.array([load[rows[tune]].mean() for tune in there])
    covariance = np.diag([scatter / len(rows[tune]) for tune in there])
    covariance += _shared(bands.pulls, [rows[tune] for tune in there], means, excess)
    return Settings(
        tunes=there, advance=np.array([bands.advance[rows[tune], column].mean() for tune in there]), load=means,
        covariance=covariance, count=[len(rows[tune]) for tune in there], t=t_quantile(free) if free else math.nan,
        now=there.index(now) if now in there else -1,
    )  # fmt: skip


def _shared(
    pulls: Sequence[PullTrace], rows: Sequence[np.typing.NDArray[np.intp]], means: Array, excess: float
) -> Array:
    """Covariance of the tunes' means from zeros and sessions, what shows in the scatter already taken off."""
    sources = shared.zero_sources(pulls)
    sessions = shared.session_loading(pulls)
    loading = np.hstack([sources.loading, sessions * float(np.mean(np.abs(means)))])
    variance = np.concatenate([sources.variance, np.full(sessions.shape[1], excess)])
    mean = np.array([loading[mine].mean(axis=0) for mine in rows])
    total = (mean * variance) @ mean.T
    for place, mine in enumerate(rows):
        n = len(mine)
        if n > 1:
            side = loading[mine]
            seen = float(variance @ ((side**2).sum(axis=0) - side.sum(axis=0) ** 2 / n)) / (n * (n - 1))
            total[place, place] = max(total[place, place] - seen, 0.0)
    result: Array = total
    return result


def _session_excess(load: Array, pulls: Sequence[PullTrace], tunes: Sequence[str]) -> float:
    """Variance of log load between sessions of one tune beyond pulls and zeros, where an F test shows it; else 0.

    Analysis of variance of sessions within tunes, by moments, on each pull's mean log load over the shared bands.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        logs = np.log(load)
    common = np.isfinite(logs).all(axis=0)
    if not common.any():
        return 0.0
    values = logs[:, common].mean(axis=1)
    level = float(load[:, common].mean())
    zero = {pull.session: (pull.zero.doubt / level) ** 2 if pull.zero is not None else 0.0 for pull in pulls}
    groups: dict[tuple[str, str], list[int]] = {}
    for row, pull in enumerate(pulls):
        groups.setdefault((pull.tune, pull.session), []).append(row)
    free_within = len(pulls) - len(groups)
    free_between = len(groups) - len(tunes)
    if free_within < 1 or free_between < 1:
        return 0.0
    within = sum(float(((values[rows] - values[rows].mean()) ** 2).sum()) for rows in groups.values()) / free_within
    between = 0.0
    for tune in tunes:
        mine = [rows for (name, _), rows in groups.items() if name == tune]
        middle = float(values[[row for rows in mine for row in rows]].mean())
        between += sum(len(rows) * (float(values[rows].mean()) - middle) ** 2 for rows in mine)
    size = len(pulls) / len(groups)
    stated = size * float(np.mean(list(zero.values())))
    found, expected = between / free_between, within + stated
    if expected <= 0 or found <= expected:
        return 0.0
    p = float(special.fdtrc(free_between, free_within, found / expected))
    return (found - expected) / size if p < SESSION_TEST else 0.0


def _untested(bands: _Bands, column: int, settings: Settings, now: str, advance: AdvanceList | UserTable) -> Cell:
    """A band that the tune in the car has not crossed: nothing is proposed."""
    rpm = bands.table.rpm[column : column + 1]
    if isinstance(advance, AdvanceList):
        at = advance.at(now, rpm)[0] if now in advance.tunes else math.nan
    else:
        at = advance.at(rpm, advance.second[-1:])[0]
    known = float(at) if math.isfinite(at) else None
    return Cell(
        rpm=float(rpm[0]), second_axis=None, now=known, proposed=known, low=None, high=None, n=int(sum(settings.count)),
        evidence=f"{settings.words()} pulls; hold: {now!r} has no clean pull in this band, and steps do not chain",
    )  # fmt: skip
