"""Part-load ignition: load at common manifold pressure, from steady stretches and slow ramps.

At a steady speed on a level road the pull at the wheels is the road's, whatever the advance: a plain mean shows
nothing. So within a cell of speed and pressure load is regressed on pressure, speed and the rate of speed, with a step
for each tune; what a tune gives more at the same pressure is the step. A stretch is one replicate, however many rows it
has. Tunes whose pressures do not overlap in a cell are not compared.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise

import numpy as np

from stream.calibrate.link.zero import PullZero, zero_at
from stream.errors import InputError
from stream.findings import Finding, note, warning
from stream.study.compare.sides import order_of
from stream.study.dataset import Dataset, EvenRows
from stream.study.pulls import STOICHIOMETRIC_AFR
from stream.study.stats import t_quantile
from stream.study.tables.gate import AdvanceCell, Place, gate
from stream.study.tables.ignition_aim import Settings, propose
from stream.study.tables.ignition_full import ALIKE, Asked
from stream.study.tables.knock import ROLES, ROWS_HZ, KnockMap
from stream.study.tables.load_axis import load_axes
from stream.study.tables.table_axes import Axis
from stream.study.tables.user_table import AdvanceList, UserTable
from stream.units import Flags, Floats, plain_unit

RPM_WIDTH = 500.0
PRESSURE_WIDTH = 10.0  # kPa, or % of throttle
SLOW_RPM_S = 120.0  # a slow ramp; a pull in top gear is faster
SWEEP_RPM_S = 300.0  # chosen: a slow sweep; it counts where the link tells what the engine's inertia takes
LEAST_FREE = 8  # chosen: degrees of freedom below which inertia is not asked for
BOOST = 1.03  # times the pressure of the air: above is boost, whose cells part load cannot speak for
LEAST_STRETCH_S = 1.0
LONGEST_STRETCH_S = 4.0  # a longer one is cut: gusts and grade change within about this time
FULL = 0.9  # of the air's pressure, or of full throttle: above is full load, which pulls tell better
_COLUMNS = 3  # pressure, speed, rate of speed


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Means over one steady stretch in one cell."""

    tune: str
    session: str
    cell: tuple[int, int]
    load: float
    pressure: float
    rpm: float
    rate: float
    lam: float  # NaN: not logged
    started: float  # s, a clock that all sessions share
    advance: float
    written: float  # what the table of the tune in the car says there; NaN: nothing
    zero: PullZero | None


def part_load(sessions: Sequence[Dataset], asked: Asked, knock: KnockMap) -> tuple[list[AdvanceCell], list[Finding]]:
    """(one cell per speed and pressure where `now` was steady, findings); none without a pressure channel."""
    advance, now = asked.advance, asked.now
    axis = advance.axis if isinstance(advance, UserTable) else "manifold_pressure"
    if not isinstance(advance, UserTable) and not any(session.first(axis) for session in sessions):
        axis = "throttle"
    stretches: list[_Stretch] = []
    boosted_s = 0.0
    findings: list[Finding] = []
    zeroed = True
    gears = {session.gear for session in sessions if session.tune == now}
    for session in sessions:
        if session.gear not in gears:
            findings.append(warning("part-load-gear", where=session.path.name, now=now))
            continue
        found, above_s = _stretches(session, session.even(ROLES, ROWS_HZ), axis, advance, now)
        stretches += found
        boosted_s += above_s
        zeroed &= bool(session.zeros) or not found
    if boosted_s >= LEAST_STRETCH_S:
        findings.append(note("part-load-boost", seconds=boosted_s))
    stretches, inertia, found_inertia = _without_inertia(stretches)
    findings += found_inertia
    if not stretches:
        return [], [*findings, note("part-load-none")]
    if not zeroed:
        findings.append(warning("part-load-no-zero"))
    cells = []
    for key in sorted({one.cell for one in stretches}):
        mine = [one for one in stretches if one.cell == key]
        if any(one.tune == now for one in mine):
            cells.append(_cell(mine, key, asked, knock, inertia))
    return cells, findings


def _stretches(
    session: Dataset, rows: EvenRows, axis: Axis, advance: AdvanceList | UserTable, now: str
) -> tuple[list[_Stretch], float]:
    """(stretches, seconds of steady driving above the pressure of the air, which are left out)."""
    if session.first(axis) is None or session.car.by_role("load") is None or len(rows.time_s) < 3:
        return [], 0.0
    axes = load_axes(session, rows)
    try:
        pressure = axes.on(advance) if isinstance(advance, UserTable) else axes.base(axis)
    except InputError:  # the channel is there and cannot be what it is called: no cell for it
        return [], 0.0
    angle = _advance(session, rows, advance, now, pressure)
    if angle is None or not np.isfinite(pressure).any():
        return [], 0.0
    load_at = np.nan_to_num(axes.base(axis), nan=np.inf)
    full = FULL * (axes.ambient.kpa if axis == "manifold_pressure" else 100.0)
    rate = np.gradient(_smooth(rows.speed_rpm, rows.step_s), rows.step_s)
    good = np.isfinite(rate) & np.isfinite(rows.load) & np.isfinite(pressure) & np.isfinite(angle)
    good &= (np.abs(rate) < SWEEP_RPM_S) & (rows.speed_rpm > RPM_WIDTH)
    good &= _in_gear(session, rows)
    for pull in session.pulls:
        good &= (rows.time_s < pull.start_s - 0.5) | (rows.time_s > pull.end_s + 1.0)
    steady = good & (np.abs(rate) < SLOW_RPM_S)
    good &= load_at < full
    boosted_s = 0.0
    if axes.pressure_kpa is not None:
        boost = steady & (np.nan_to_num(axes.pressure_kpa) > BOOST * axes.ambient.kpa)
        boosted_s = float(boost.sum()) * rows.step_s
        good &= ~boost
    written = np.full(len(rows.time_s), np.nan)
    if isinstance(advance, UserTable) and session.tune == now:
        written = advance.at(rows.speed_rpm, pressure)
    mixture = _mixture(session)
    row, column = _grid(rows.speed_rpm, pressure, advance)
    scale = session.load_scale[0]
    found = []
    for first, last in _runs(good, row, column, rows.step_s):
        part = slice(first, last)
        zero = zero_at(float(rows.time_s[part].mean()), session.zeros, str(session.path))
        zero = None if zero is None else zero.scaled(scale)
        found.append(
            _Stretch(
                session.tune,
                str(session.path),
                (int(row[first]), int(column[first])),
                scale * float(rows.load[part].mean()) - (zero.value if zero else 0.0),
                float(pressure[part].mean()),
                float(rows.speed_rpm[part].mean()),
                float(rate[part].mean()),
                math.nan if mixture is None else float(mixture[part].mean()),
                session.started_utc.timestamp() + float(rows.time_s[first]),
                float(angle[part].mean()),
                float(written[part].mean()),
                zero,
            )
        )
    return found, boosted_s


def _mixture(session: Dataset) -> Floats | None:
    """λ on the rows; None where it was not logged as λ or as a ratio of air to fuel."""
    channel = session.first("lambda")
    if channel is None or plain_unit(channel.unit) == "v":
        return None
    values = session.even(("lambda",), ROWS_HZ).channels[channel.name]
    return values / STOICHIOMETRIC_AFR if "afr" in plain_unit(channel.unit) else values


def _in_gear(session: Dataset, rows: EvenRows) -> Flags:
    """Where the engine drives the car: standing, or in neutral, the link shows its zero whatever the engine does."""
    load = rows.load - (float(np.mean([zero.mean for zero in session.zeros])) if session.zeros else 0.0)
    load = load * session.load_scale[0]
    top = float(np.nanpercentile(load, 99))
    return np.asarray(load > 0.03 * top)


def _advance(
    session: Dataset, rows: EvenRows, advance: AdvanceList | UserTable, now: str, pressure: Floats
) -> Floats | None:
    """The advance that was there: logged, or by a two-axis table of the tune in the car."""
    channel = session.first("advance")
    if channel is not None:
        return rows.channels[channel.name]
    if isinstance(advance, UserTable) and session.tune == now:
        return advance.at(rows.speed_rpm, pressure)
    return None  # a full-load list does not tell what was there at part load


def _smooth(values: Floats, step: float) -> Floats:
    """Mean over half a second, so that a rate of change is one of the car and not of the noise."""
    width = max(round(0.5 / step) | 1, 1)
    return np.convolve(np.pad(values, width // 2, mode="edge"), np.ones(width) / width, mode="valid")


def _grid(rpm: Floats, pressure: Floats, advance: AdvanceList | UserTable) -> tuple[Floats, Floats]:
    """Cell numbers: nearest breakpoint of the person's own table, else even cells; -1 outside."""
    if isinstance(advance, UserTable):
        return _nearest(rpm, advance.rpm), _nearest(pressure, advance.second)
    rpm, pressure = np.nan_to_num(rpm, nan=-1.0), np.nan_to_num(pressure, nan=-1.0)
    return np.floor(rpm / RPM_WIDTH + 0.5), np.floor(pressure / PRESSURE_WIDTH + 0.5)


def _nearest(values: Floats, axis: Floats) -> Floats:
    if len(axis) < 2:
        return np.zeros(len(values))
    inside = np.isfinite(values) & (values > 1.5 * axis[0] - 0.5 * axis[1]) & (values < 1.5 * axis[-1] - 0.5 * axis[-2])
    return np.where(inside, np.searchsorted((axis[1:] + axis[:-1]) / 2, np.nan_to_num(values)), -1)


def _runs(good: Flags, row: Floats, column: Floats, step: float) -> list[tuple[int, int]]:
    """(first, last) rows of stretches that stay in one cell, cut where they are long."""
    good = good & (row >= 0) & (column >= 0)
    change = np.flatnonzero((np.diff(row) != 0) | (np.diff(column) != 0) | (np.diff(good.astype(np.int8)) != 0)) + 1
    least, most = round(LEAST_STRETCH_S / step), round(LONGEST_STRETCH_S / step)
    runs = []
    for first, last in zip(np.concatenate(([0], change)), np.concatenate((change, [len(good)])), strict=True):
        if good[first] and last - first >= least:
            pieces = max(int((last - first) // most), 1)
            edges = np.linspace(first, last, pieces + 1).astype(np.intp)
            runs += [(int(a), int(b)) for a, b in pairwise(edges)]
    return runs


def _cell(mine: list[_Stretch], key: tuple[int, int], asked: Asked, knock: KnockMap, inertia: float) -> AdvanceCell:
    advance, now = asked.advance, asked.now
    if isinstance(advance, UserTable):
        rpm, second = float(advance.rpm[key[0]]), float(advance.second[key[1]])
        reach, across = _between(advance.rpm, key[0]), _between(advance.second, key[1])
    else:
        rpm, second = key[0] * RPM_WIDTH, key[1] * PRESSURE_WIDTH
        reach = rpm - RPM_WIDTH / 2, rpm + RPM_WIDTH / 2
        across = second - PRESSURE_WIDTH / 2, second + PRESSURE_WIDTH / 2
    tunes = list(dict.fromkeys(one.tune for one in mine))
    at = {tune: float(np.mean([one.advance for one in mine if one.tune == tune])) for tune in tunes}
    spans = {tune: [one.pressure for one in mine if one.tune == tune] for tune in tunes}
    own = spans[now]
    shared = [tune for tune in tunes if min(spans[tune]) <= max(own) and max(spans[tune]) >= min(own)]
    mixture = {tune: float(np.mean([one.lam for one in mine if one.tune == tune])) for tune in tunes}
    unlike = [tune for tune in shared if abs(mixture[tune] - mixture[now]) > dict(ALIKE)["lambda"]]
    shared = [tune for tune in shared if tune not in unlike]
    place = Place(
        now_deg=at[now],
        step_deg=asked.step_deg,
        table_deg=float(np.mean([one.written for one in mine if one.tune == now])),
        tested=(min(at.values()), max(at.values())),
        most_deg=asked.most_deg,
        odd=any(one.second is not None and one.low < reach[1] and one.high > reach[0] for one in asked.odd),
    )
    evidence = knock.at_part_load(*reach, across, at[now])
    why = None
    if unlike and len(shared) < 2:
        why = warning(
            "advance-unlike", tune=unlike[0], now=now, what="lambda", own=mixture[now], other=mixture[unlike[0]]
        )
    elif len(tunes) > 1 and len(shared) < 2:
        why = note("part-load-apart")
    elif len(shared) < 2:
        why = note("part-load-one-tune")
    compared = [one for one in mine if one.tune in shared]
    settings = None if why else _settings(compared, shared, at, now, inertia)
    if settings is None:
        proposal = gate(None, place, evidence)
        tried = note(
            "advance-settings",
            tunes=tuple(tunes),
            advance_deg=tuple(at.values()),
            count=tuple(float(len(spans[tune])) for tune in tunes),
        )
        return AdvanceCell(
            rpm=rpm,
            second_axis=second,
            proposal=proposal,
            low=None,
            high=None,
            n=sum(map(len, spans.values())),
            evidence=(*proposal.reasons, why or note("part-load-few"), tried),
        )
    return propose(settings, place, evidence, rpm, second)


def _between(axis: Floats, place: int) -> tuple[float, float]:
    """The reach of a breakpoint: half way to its neighbours, and as far beyond an end of the axis."""
    if len(axis) < 2:
        return -np.inf, np.inf
    low = (axis[place] + axis[place - 1]) / 2 if place else 1.5 * axis[0] - 0.5 * axis[1]
    high = (axis[place] + axis[place + 1]) / 2 if place + 1 < len(axis) else 1.5 * axis[-1] - 0.5 * axis[-2]
    return float(low), float(high)


def _without_inertia(stretches: list[_Stretch]) -> tuple[list[_Stretch], float, list[Finding]]:
    """(stretches with what the engine's inertia took given back, standard uncertainty of that a rpm/s, findings).

    The link shows it itself: at one pressure, speed and tune it pulls less the faster speed rises. One number for all
    cells, by regression within cells and tunes. Where that cannot be told, 0 uncertainty stands for 'no correction',
    faster sweeps are left out, and each cell keeps a rate term of its own.
    """
    slow = [one for one in stretches if abs(one.rate) < SLOW_RPM_S]
    groups = list(dict.fromkeys((one.cell, one.tune) for one in stretches))
    free = len(stretches) - len(groups) - _COLUMNS
    if free < LEAST_FREE:
        return slow, 0.0, []
    number = np.array([groups.index((one.cell, one.tune)) for one in stretches], np.intp)
    rows = np.array([[one.pressure, one.rpm, one.rate, one.load] for one in stretches])
    count = np.bincount(number)
    for column in rows.T:
        column -= (np.bincount(number, column) / count)[number]
    beside, load = rows[:, :3], rows[:, 3]
    size = beside.std(axis=0)
    if not (size > 0).all() or np.linalg.cond(beside / size) > 1e3:
        return slow, 0.0, []
    inverse = np.linalg.inv(beside.T @ beside)
    found = inverse @ beside.T @ load
    residual = load - beside @ found
    u = float(np.sqrt(residual @ residual / free * inverse[2, 2]))
    per_rate = float(found[2])
    if not per_rate + t_quantile(free) * u < 0:
        return slow, 0.0, []
    given = [replace(one, load=one.load - per_rate * one.rate) for one in stretches]
    return given, u, [note("part-load-inertia", per_100=-100 * per_rate, u_per_100=100 * u, stretches=len(stretches))]


def _settings(
    mine: list[_Stretch], tunes: list[str], at: dict[str, float], now: str, inertia: float
) -> Settings | None:
    """Load of each tune at the cell's mean pressure and speed, by regression; None where it cannot be told.

    inertia   standard uncertainty of the inertia that was given back, load a rpm/s; 0: none was
    """
    tune = np.array([[float(one.tune == name) for name in tunes] for one in mine])
    beside = np.array([[one.pressure, one.rpm, one.rate][: 2 if inertia else 3] for one in mine])
    rates = np.array([np.mean([one.rate for one in mine if one.tune == name]) for name in tunes])
    rates = inertia * (rates - rates.mean())
    beside = beside - beside.mean(axis=0)
    size = beside.std(axis=0)
    beside = beside[:, size > 0] / size[size > 0]
    design = np.hstack([tune, beside])
    free = len(mine) - design.shape[1]
    if free < 2 or np.linalg.matrix_rank(design, tol=1e-6) < design.shape[1]:
        return None
    count = len(tunes)
    driven = [(one.tune, one.session) for one in sorted(mine, key=lambda one: one.started)]
    drifting = count == 2 and any(order_of(driven, one, other) for one, other in combinations(tunes, 2))
    load = np.array([one.load for one in mine])
    inverse = np.linalg.inv(design.T @ design)
    found = inverse @ design.T @ load
    residual = load - design @ found
    variance = float(residual @ residual) / free
    return Settings(
        tunes=tunes,
        advance=np.array([at[name] for name in tunes]),
        load=found[:count],
        covariance=variance * inverse[:count, :count] + _zero_uncertainty(mine, tunes) + np.outer(rates, rates),
        t=t_quantile(free),
        count=[int(column.sum()) for column in tune.T],
        now=tunes.index(now),
        drifting=drifting,
    )


def _zero_uncertainty(mine: list[_Stretch], tunes: list[str]) -> Floats:
    """(tunes, tunes) covariance from the zeros that stretches share; their own scatter may hold part of it already."""
    parts = {part.key: part.doubt**2 for one in mine if one.zero is not None for part in one.zero.parts}
    place = {key: index for index, key in enumerate(parts)}
    loading = np.zeros((len(tunes), len(parts)))
    for row, tune in enumerate(tunes):
        own = [one for one in mine if one.tune == tune]
        for one in own:
            for part in one.zero.parts if one.zero is not None else ():
                loading[row, place[part.key]] += part.weight / len(own)
    result: Floats = (loading * np.array(list(parts.values()))) @ loading.T
    return result
