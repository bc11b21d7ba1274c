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
from itertools import combinations

import numpy as np

from stream.errors import InputError
from stream.findings import Finding, warning
from stream.study import shared
from stream.study.bands import BandTable, band_table
from stream.study.choose import in_one_gear, one_zero, usable_pulls
from stream.study.compare.scatter import PRIOR, Scatter
from stream.study.compare.sides import order_of
from stream.study.force.boost import at_unequal_boost
from stream.study.pulls import TEMPERATURE, PullTrace, in_time_order
from stream.study.stats import t_quantile
from stream.study.tables.gate import APART_DEG, AdvanceCell, Place, gate
from stream.study.tables.ignition_aim import LEAST_GAIN, Pooled, Settings, propose
from stream.study.tables.ignition_pool import best_curve, runs_of
from stream.study.tables.ignition_table import OddCell, Step, driven_before
from stream.study.tables.knock import KnockMap
from stream.study.tables.user_table import AdvanceList, UserTable
from stream.units import Flags, Floats, Ints

# Differences of condition that alone change load by about 1 %: by ISO 1585 5 to 6 °C of air and 8 hPa; 0.03 of λ and
# 10 °C of oil or coolant: common practice, no source
ALIKE = (("lambda", 0.03), ("fuel_trim_pct", 3.0), ("intake_c", 6.0), ("air_c", 5.0), ("coolant_c", 10.0))
ALIKE_TEMPERATURE_C = 10.0
ALIKE_AIR_C, ALIKE_AIR_HPA = 5.0, 8.0  # of the air kept with the sessions
LEAN = 1.02  # λ at full load. chosen: an engine at full load runs at 1.0 at most, give or take the sensor
LEAST_PULLS = 2  # chosen: knock is restless, and one pull that was quiet is chance
LOGGED_APART_DEG = 1.0  # the log and the table differ by more: something is not as the person thinks


@dataclass(frozen=True, slots=True)
class LoggedPull:
    """What was logged beside one pull, on its own stamps; None where there is no such channel."""

    advance: Floats | None = None
    second: Floats | None = None  # the second axis of a two-axis table, in its unit


@dataclass(frozen=True, slots=True)
class Asked:
    """What an advice is asked for.

    steps    by session: the steps of more advance that were proposed from it before
    odd      cells of the table that are in question
    scatter  what is known of the car's scatter before today
    """

    advance: AdvanceList | UserTable
    now: str
    step_deg: float
    width: float
    most_deg: float | None
    odd: Sequence[OddCell]
    steps: Mapping[str, Sequence[Step]]
    scatter: Scatter = PRIOR


@dataclass(frozen=True, slots=True)
class _Bands:
    """(pulls, bands) tables of one gear's pulls: load, the advance they ran with, what the table says, second axis."""

    pulls: Sequence[PullTrace]
    table: BandTable
    advance: Floats
    written: Floats
    second: Floats


def full_load(
    pulls: Sequence[PullTrace], logged: Mapping[tuple[str, float | None], LoggedPull], asked: Asked, knock: KnockMap
) -> tuple[list[AdvanceCell], list[Finding]]:
    """(one cell per rev band, findings). `logged`: what was logged beside each pull, by (session, start_s).

    Raises InputError where `now` has no clean pull, a tune is in no table and no log, or there is no common gear.
    """
    now = asked.now
    # a limit that was passed says nothing against the load of a pull; what it says of knock is in `knock`
    pulls = [replace(pull, verdict="clean") if pull.faults == ("over-limit",) else pull for pull in pulls]
    used, words = usable_pulls(pulls)
    tunes = list(dict.fromkeys(pull.tune for pull in used))
    if now not in tunes:
        raise InputError(
            f"{now!r} is in the car now: no clean pull of this tune in these sessions (they hold "
            f"{', '.join(map(repr, tunes))}); steps do not chain: drive a clean session on it first",
            "no-pull-of-now",
            now=now,
        )
    findings = [*words, *_stale(used, now)]
    used, words = _gear(used, tunes, now, asked.width)
    used, more = one_zero(used)
    used, unlike = _alike(used, now)
    findings += [*words, *more, *unlike]
    bands, found = _bands(used, logged, asked)
    findings += found
    used = list(bands.pulls)
    tunes = list(dict.fromkeys(pull.tune for pull in used))
    excess = _session_excess(bands.table.load, used, tunes)
    if excess > 0:
        findings.append(warning("advance-sessions-differ", differ_pct=100 * math.sqrt(excess)))
    own = [pull for pull in used if pull.tune == now]
    refused = _unfit(own)
    drifting = _drifting(used, tunes)
    if drifting and len(tunes) == 2:
        findings.append(warning("advance-order-only", least_pct=100 * LEAST_GAIN))
    runs = runs_of(used, bands.table.load, bands.advance, asked.scatter)
    curve = None if runs is None else best_curve(runs, bands.table.rpm)
    cells = []
    for column, rpm in enumerate(bands.table.rpm):
        settings = _settings(bands, column, tunes, now, excess, drifting)
        low, high = float(rpm) - asked.width / 2, float(rpm) + asked.width / 2
        mine = np.array([pull.tune == now for pull in used])
        reached = _reached(bands.second[mine, column])
        if settings is None or now not in settings.tunes:
            cell = _untested(float(rpm), settings, asked, knock)
        else:
            place = Place(
                now_deg=float(settings.advance[settings.now]),
                step_deg=asked.step_deg,
                table_deg=_mean(bands.written[mine, column]),
                tested=(float(settings.advance.min()), float(settings.advance.max())),
                most_deg=asked.most_deg,
                odd=_odd(asked, tunes, low, high),
            )
            evidence = knock.at_full_load(low, high, place.now_deg, own)
            few = () if settings.count[settings.now] >= LEAST_PULLS else (warning("advance-one-pull", now=now),)
            evidence = replace(evidence, withdrawn=(*evidence.withdrawn, *refused, *few))
            pooled = None if curve is None else Pooled(curve, column, len(bands.table.rpm))
            cell = propose(settings, place, evidence, float(rpm), None, pooled)
        cells.append(replace_reached(cell, reached))
    if not cells:
        findings.append(warning("advance-no-band"))
    return cells, findings


def replace_reached(cell: AdvanceCell, reached: tuple[float, float] | None) -> AdvanceCell:
    """The cell with what the second axis ran through."""
    import msgspec

    return msgspec.structs.replace(cell, reached=reached)


def _reached(second: Floats) -> tuple[float, float] | None:
    seen = second[np.isfinite(second)]
    return (float(seen.min()), float(seen.max())) if len(seen) else None


def _mean(values: Floats) -> float:
    seen = values[np.isfinite(values)]
    return float(seen.mean()) if len(seen) else math.nan


def _odd(asked: Asked, tunes: Sequence[str], low: float, high: float) -> bool:
    return any(one.tune in ("", *tunes) and one.low < high and one.high > low for one in asked.odd)


def _stale(used: Sequence[PullTrace], now: str) -> list[Finding]:
    latest = used[-1].tune
    return [] if latest == now else [warning("advance-stale", latest=latest, now=now)]


def _gear(used: list[PullTrace], tunes: Sequence[str], now: str, width: float) -> tuple[list[PullTrace], list[Finding]]:
    """The pulls in the gear that all tunes share; without one, in that of `now` and whatever tune shares it."""
    try:
        kept, _, words = in_one_gear(used, tunes, width)
    except InputError:
        kept, gear, words = in_one_gear(used, [now], width)
        others = tuple(tune for tune in tunes if all(pull.tune != tune for pull in kept))
        words = [
            *words,
            warning("tunes-not-in-one-gear", gear=gear.number, gain_rpm_s=gear.gain_rpm_s, left_out=others),
        ]
    return kept, words


def _bands(
    used: Sequence[PullTrace], logged: Mapping[tuple[str, float | None], LoggedPull], asked: Asked
) -> tuple[_Bands, list[Finding]]:
    advance, now, width = asked.advance, asked.now, asked.width
    table = band_table(used, width)
    beside = [logged.get((pull.session, pull.start_s), LoggedPull()) for pull in used]

    def banded(values: Sequence[Floats | None]) -> Floats:
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

    pressure = banded([pull.pressure_kpa for pull in used])
    real, second = banded([one.advance for one in beside]), banded([one.second for one in beside])
    written = np.full(table.load.shape, np.nan)
    for row, pull in enumerate(used):
        if isinstance(advance, AdvanceList):
            if pull.tune in advance.tunes or not np.isfinite(real[row]).any():
                written[row] = advance.at(pull.tune, table.rpm)
        elif pull.tune == now:
            full = np.where(np.isfinite(second[row]), second[row], advance.second[-1])
            written[row] = advance.at(table.rpm, np.clip(full, advance.second[0], advance.second[-1]))
        elif not np.isfinite(real[row]).any():
            raise InputError(
                f"{advance.path}: is one table, that of {now!r}, and {pull.tune!r} has no logged advance; give a list "
                "with columns tune, rpm, advance"
            )
    findings = [*_equal_boost(used, table, pressure, now), *_apart(used, real, written)]
    driven = np.where(np.isfinite(real), real, _before(used, table.rpm, asked))
    driven = np.where(np.isfinite(driven), driven, written)
    uncovered = ~np.isfinite(driven) & np.isfinite(table.load)
    if uncovered.any():
        rpm = table.rpm[uncovered.any(axis=0)]
        findings.append(
            warning("advance-not-covered", path=str(advance.path), low_rpm=float(rpm.min()), high_rpm=float(rpm.max()))
        )
    return _Bands(_renamed(used, driven - written, now), table, driven, written, second), findings


def _equal_boost(used: Sequence[PullTrace], table: BandTable, pressure: Floats, now: str) -> list[Finding]:
    """Take out of `table` the bands in which a tune ran at another boost than `now`: that is no effect of advance."""
    tunes = [pull.tune for pull in used]
    airs = [pull.air for pull in used]
    own = _band_means(pressure, np.array([tune == now for tune in tunes]))
    findings: list[Finding] = []
    for tune in dict.fromkeys(tunes):
        rows = np.array([one == tune for one in tunes])
        if tune == now:
            continue
        theirs = _band_means(pressure, rows)
        apart = at_unequal_boost(own, theirs, airs) & np.isfinite(table.load[rows]).any(axis=0)
        if apart.any():
            table.load[np.ix_(rows, apart)] = np.nan
            gap = float(100 * np.abs(theirs[apart] / own[apart] - 1).max())
            findings.append(
                warning("advance-unequal-boost", tune=tune, now=now, rpm=tuple(table.rpm[apart].tolist()), gap_pct=gap)
            )
    if any(air.boost == "boosted" for air in airs) and not np.isfinite(own).any():
        findings.append(warning("advance-boost-not-logged"))
    return findings


def _band_means(values: Floats, rows: Flags) -> Floats:
    """(bands,) means over some pulls, NaN where none has any."""
    seen = np.isfinite(values[rows])
    total = np.where(seen, values[rows], 0.0).sum(axis=0)
    count = seen.sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _before(used: Sequence[PullTrace], rpm: Floats, asked: Asked) -> Floats:
    """(pulls, bands) advance of pulls from which a step was proposed before; NaN where none was."""
    rows = np.full((len(used), len(rpm)), np.nan)
    for row, pull in enumerate(used):
        if pull.tune == asked.now and (steps := asked.steps.get(pull.session)):
            rows[row] = [driven_before(steps, asked.now, float(at), None, asked.width) for at in rpm]
    return rows


def _renamed(used: Sequence[PullTrace], gap: Floats, now: str) -> list[PullTrace]:
    """Where some pulls of `now` ran on what its table holds, in most bands, the others are a setting of its own."""
    off = [
        pull.tune == now and bool(np.nanmedian(np.where(np.isfinite(row), np.abs(row), np.nan)) > APART_DEG)
        if np.isfinite(row).any()
        else False
        for pull, row in zip(used, gap, strict=True)
    ]
    on = any(pull.tune == now and not off[row] for row, pull in enumerate(used))
    return [replace(pull, tune=f"{now} (before)") if on and off[row] else pull for row, pull in enumerate(used)]


def _apart(used: Sequence[PullTrace], real: Floats, written: Floats) -> list[Finding]:
    """Where the logged advance is not what the table says."""
    findings = []
    for tune in dict.fromkeys(pull.tune for pull in used):
        rows = [row for row, pull in enumerate(used) if pull.tune == tune]
        gap = (real - written)[rows]
        if np.isfinite(gap).any() and abs(mean := float(np.nanmean(gap))) > LOGGED_APART_DEG:
            findings.append(warning("advance-log-apart", tune=tune, apart_deg=mean))
    return findings


def _alike(used: Sequence[PullTrace], now: str) -> tuple[list[PullTrace], list[Finding]]:
    """The pulls of the tunes that ran in about the same air, mixture and heat as `now`: what those give is no effect of
    advance."""
    own = [pull for pull in used if pull.tune == now]
    findings: list[Finding] = []
    left = set()
    for tune in dict.fromkeys(pull.tune for pull in used if pull.tune != now):
        theirs = [pull for pull in used if pull.tune == tune]
        for key in sorted(_conditions(own).keys() & _conditions(theirs).keys()):
            a, b = _conditions(own)[key], _conditions(theirs)[key]
            if abs(a - b) > _allowed(key):
                findings.append(warning("advance-unlike", tune=tune, now=now, what=key, own=a, other=b))
                left.add(tune)
                break
    return [pull for pull in used if pull.tune not in left], findings


def _conditions(pulls: Sequence[PullTrace]) -> dict[str, float]:
    """Means over the pulls of what bears on load besides advance, where it was logged or said."""
    rows: dict[str, list[float]] = {}
    for pull in pulls:
        weather = pull.air.weather
        said = {} if weather is None else {"said_c": weather.temperature_c, "said_hpa": weather.pressure_hpa}
        for key, value in {**pull.conditions, **said}.items():
            if math.isfinite(value):
                rows.setdefault(key, []).append(value)
    return {key: float(np.mean(values)) for key, values in rows.items()}


def _allowed(key: str) -> float:
    if key.startswith(TEMPERATURE):
        return ALIKE_TEMPERATURE_C
    return {**dict(ALIKE), "said_c": ALIKE_AIR_C, "said_hpa": ALIKE_AIR_HPA}.get(key, math.inf)


def _unfit(own: Sequence[PullTrace]) -> tuple[Finding, ...]:
    """Why pulls of the tune in the car permit no more advance, whatever is known of knock: a lean mixture."""
    leanest = max(
        (pull.conditions.get("lambda", math.nan) for pull in own),
        default=math.nan,
        key=lambda value: -math.inf if math.isnan(value) else value,
    )
    return (warning("advance-lean", value=leanest, most=LEAN),) if leanest > LEAN else ()


def _drifting(used: Sequence[PullTrace], tunes: Sequence[str]) -> bool:
    """Whether the order of the pulls lets a drift through the day pass for advance, between any two tunes."""
    driven = [(pull.tune, pull.session) for pull in in_time_order(used)]
    return any(order_of(driven, one, other) for one, other in combinations(tunes, 2))


def _settings(
    bands: _Bands, column: int, tunes: Sequence[str], now: str, excess: float, drifting: bool
) -> Settings | None:
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
        tunes=there,
        advance=np.array([bands.advance[rows[tune], column].mean() for tune in there]),
        load=means,
        covariance=covariance,
        count=[len(rows[tune]) for tune in there],
        t=t_quantile(free) if free else math.nan,
        now=there.index(now) if now in there else -1,
        drifting=drifting,
    )


def _shared(pulls: Sequence[PullTrace], rows: Sequence[Ints], means: Floats, excess: float) -> Floats:
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
    result: Floats = total
    return result


def _session_excess(load: Floats, pulls: Sequence[PullTrace], tunes: Sequence[str]) -> float:
    """Variance of log load between sessions of one tune beyond pulls and zeros, where an F test shows it; else 0.

    On each pull's mean log load over the bands that all pulls share.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        logs = np.log(load)
    common = np.isfinite(logs).all(axis=0)
    if not common.any():
        return 0.0
    sources = shared.zero_sources(pulls)
    on_log = sources.loading * (1 / load[:, common]).mean(axis=1)[:, None]
    names = list(dict.fromkeys(pull.session for pull in pulls))
    tune, session = (
        np.array(row, np.intp)
        for row in ([tunes.index(pull.tune) for pull in pulls], [names.index(pull.session) for pull in pulls])
    )
    return shared.session_excess(logs[:, common].mean(axis=1), tune, session, on_log, sources.variance).variance


def _untested(rpm: float, settings: Settings | None, asked: Asked, knock: KnockMap) -> AdvanceCell:
    """A band that the tune in the car has not crossed: no more advance; less where knock was seen."""
    advance, at = asked.advance, np.array([rpm])
    if isinstance(advance, AdvanceList):
        known = float(advance.at(asked.now, at)[0]) if asked.now in advance.tunes else math.nan
    else:
        known = float(advance.at(at, advance.second[-1:])[0])
    low, high = rpm - asked.width / 2, rpm + asked.width / 2
    place = Place(now_deg=known, step_deg=asked.step_deg, most_deg=asked.most_deg)
    proposal = gate(None, place, knock.at_full_load(low, high, known, ()))
    tried = () if settings is None else (settings.finding(),)
    return AdvanceCell(
        rpm=rpm,
        second_axis=None,
        proposal=proposal,
        low=None,
        high=None,
        n=0 if settings is None else int(sum(settings.count)),
        evidence=(*proposal.reasons, warning("advance-band-not-crossed", now=asked.now), *tried),
    )
