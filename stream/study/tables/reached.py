"""Which cells of a person's table the drives reached, how long, how often, with what spread; and where to drive next.

Every row of every session counts: holds, pulls, and what lies between. A row belongs to the nearest breakpoint of each
axis, as far as half a step outside the table. Without the table's second axis in a session only its full-load pulls
have a place: an open throttle, or the pressure of the air where the engine is not boosted.
"""

import math
from collections.abc import Sequence

import msgspec
import numpy as np

from stream.calibrate.link.zero import zero_at
from stream.car import Role
from stream.errors import InputError
from stream.findings import Finding, note, unique, warning
from stream.study.dataset import Dataset, EvenRows
from stream.study.force.air import STANDING_RPM
from stream.study.tables.load_axis import LoadAxes, load_axes, to_base
from stream.study.tables.user_table import UserTable
from stream.units import Flags, Floats, Ints

ROWS_HZ = 10.0
AWAY_S = 1.0  # chosen: who leaves a cell for less than this wavers at its edge, and did not come a second time
ENOUGH_S = 3.0  # chosen: as long as a hold; a cell with less tells little
ENOUGH_PULLS = 3  # chosen: fewer pulls give no scatter of their own worth having
LATELY = 10  # rows, a second: older than that is not where the engine is now
MOST_NEXT = 5  # beside the full-load cells, which one pull crosses together
REACTION_S = 2.0  # chosen: from what happened to the key, and from a limit's passing to its event
LEAST_LOAD = 0.02  # of the highest load in any cell: below it a spread in per cent has no meaning
_ROLES: tuple[Role, ...] = ("manifold_pressure", "throttle")


class ReachedCell(msgspec.Struct, frozen=True, kw_only=True):
    """One cell: seconds and visits in it, full-load pulls through it, standard deviation of load in % of its mean."""

    rpm: float
    second_axis: float
    seconds: float
    visits: int
    pulls: int
    load_sd_pct: float | None


class NextCell(msgspec.Struct, frozen=True, kw_only=True):
    """A cell worth driving next. why: 'pulls' (full load, too few pulls), 'thin', or 'new' beside what was reached."""

    rpm: float
    second_axis: float
    why: str


class Reached(msgspec.Struct, frozen=True, kw_only=True):
    """All cells of a table, rpm rising, then the second axis; `next` in the order of worth."""

    axis: str
    unit: str
    cells: tuple[ReachedCell, ...]
    next: tuple[NextCell, ...]
    findings: tuple[Finding, ...]

    def at(self, row: int, column: int) -> ReachedCell:
        """The cell of rpm `row` and second axis `column`, both counted upwards."""
        return self.cells[row * (len(self.cells) // len({cell.rpm for cell in self.cells})) + column]


class _Sums:
    """What adds up over sessions, (n, m) each."""

    def __init__(self, table: UserTable) -> None:
        shape = table.cells.shape
        self.seconds, self.visits = np.zeros(shape), np.zeros(shape, np.int64)
        self.pulls, self.count = np.zeros(shape, np.int64), np.zeros(shape)
        self.total, self.squares = np.zeros(shape), np.zeros(shape)
        self.outside_s = self.running_s = 0.0
        self.minded = np.zeros(shape, np.bool_)  # knock was heard or a limit passed there, or at less load


def cells_reached(sessions: Sequence[Dataset], table: UserTable) -> Reached:
    """What the drives reached of a table. Raises InputError where a session has no engine speed or a unit is none."""
    to_base(table)
    sums = _Sums(table)
    findings: list[Finding] = []
    redlines = [one.car.engine.redline_rpm for one in sessions if one.car.engine.redline_rpm is not None]
    for session in sessions:
        findings += _add(session, table, sums)
    if not sums.seconds.any():
        findings.append(warning("cells-none", table=table.path.name))
    elif sums.outside_s > max(1.0, 0.01 * sums.running_s):
        share = 100 * sums.outside_s / sums.running_s
        findings.append(warning("cells-outside", seconds=sums.outside_s, share_pct=share))
    spread = _spread(sums)
    cells = tuple(
        ReachedCell(
            rpm=float(rpm),
            second_axis=float(second),
            seconds=round(float(sums.seconds[row, column]), 3),
            visits=int(sums.visits[row, column]),
            pulls=int(sums.pulls[row, column]),
            load_sd_pct=float(spread[row, column]) if math.isfinite(spread[row, column]) else None,
        )
        for row, rpm in enumerate(table.rpm)
        for column, second in enumerate(table.second)
    )
    if sums.minded.any():
        findings.append(warning("cells-minded", cells=int(sums.minded.sum())))
    wanted = _next(sums, table, min(redlines, default=math.inf))
    return Reached(axis=table.axis, unit=table.unit, cells=cells, next=wanted, findings=unique(findings))


def _add(session: Dataset, table: UserTable, sums: _Sums) -> list[Finding]:
    """Add one session; what was found in it."""
    rows = session.even(_ROLES, ROWS_HZ)
    axes = load_axes(session, rows)
    usable = [
        (pull.start_s, pull.end_s)
        for pull, mark in zip(session.pulls, session.pull_marks, strict=True)
        if mark.kept > 0 or (mark.kept == 0 and pull.verdict == "clean")
    ]
    driven = [(pull.start_s, pull.end_s) for pull in session.pulls]
    findings: list[Finding] = []
    try:
        second = axes.on(table)
    except InputError:
        second, found = _without_axis(session, rows, axes, table, driven)
        findings += found
    load, found = _load(session, rows)
    findings += found
    row, column = nearest(rows.speed_rpm, table.rpm), nearest(second, table.second)
    running = np.isfinite(rows.speed_rpm) & np.isfinite(second) & (rows.speed_rpm > STANDING_RPM)
    inside = running & (row >= 0) & (column >= 0)
    sums.running_s += float(running.sum()) * rows.step_s
    sums.outside_s += float((running & ~inside).sum()) * rows.step_s
    flat = np.where(inside, row * len(table.second) + column, -1)
    size, shape = table.cells.size, table.cells.shape

    def counted(which: Flags, weights: Floats | None = None) -> Floats:
        found = np.bincount(flat[which], None if weights is None else weights[which], minlength=size)
        return found.astype(np.float64).reshape(shape)

    sums.seconds += counted(inside) * rows.step_s
    known = inside & np.isfinite(load)
    sums.count += counted(known)
    sums.total += counted(known, load)
    sums.squares += counted(known, load**2)
    sums.visits += _visits(flat, rows.step_s, size).reshape(shape)
    for start, end in usable:
        part = inside & (rows.time_s >= start) & (rows.time_s <= end)
        for cell in np.unique(flat[part]):
            sums.pulls[np.unravel_index(int(cell), shape)] += 1
    _mind(session, table, rows, row, column, sums)
    return findings


def _mind(session: Dataset, table: UserTable, rows: EvenRows, row: Ints, column: Ints, sums: _Sums) -> None:
    """Mark the cells that nobody is sent to: the speeds at which knock was heard or a limit passed, with a breakpoint
    on each side, from the load it happened at upwards; where the speed or load of it is not known, all of them."""
    for event in session.events:
        if event.kind not in ("knock-heard", "limit"):
            continue
        near = (rows.time_s >= event.time_s - REACTION_S) & (rows.time_s <= event.time_s + rows.step_s)
        speeds, columns = row[near & (row >= 0)], column[near & (column >= 0)]
        low, high = (int(speeds.min()), int(speeds.max())) if len(speeds) else (0, len(table.rpm))
        sums.minded[max(low - 1, 0) : high + 2, int(columns.min()) if len(columns) else 0 :] = True
    for said in session.heard:
        if said.heard:
            pulls = [one for number, one in enumerate(session.pulls, 1) if said.pull in (0, number)]
            least = min((min(one.start_rpm, one.end_rpm) for one in pulls), default=-math.inf)
            most = max((max(one.start_rpm, one.end_rpm) for one in pulls), default=math.inf)
            first, last = (said.rpm_from or least, said.rpm_to or most) if said.pull else (said.rpm_from, said.rpm_to)
            low = int(np.searchsorted(table.rpm, -math.inf if first is None else first, "left"))
            high = int(np.searchsorted(table.rpm, math.inf if last is None else last, "right"))
            sums.minded[max(low - 1, 0) : high + 1] = True


def last_place(session: Dataset, table: UserTable) -> tuple[int, int] | None:
    """(row of rpm, column of the second axis) in which the engine ran last, both counted upwards; None outside the
    table, at rest, or where the second axis is not known."""
    rows = session.even(_ROLES, ROWS_HZ)
    try:
        second = load_axes(session, rows).on(table)
    except InputError:
        return None
    known = np.flatnonzero(np.isfinite(rows.speed_rpm[-LATELY:]) & np.isfinite(second[-LATELY:]))
    if not len(known):
        return None
    at = max(len(second) - LATELY, 0) + int(known[-1])
    row, column = nearest(rows.speed_rpm[at : at + 1], table.rpm), nearest(second[at : at + 1], table.second)
    return (int(row[0]), int(column[0])) if row[0] >= 0 <= column[0] and rows.speed_rpm[at] > STANDING_RPM else None


def _visits(flat: Ints, step_s: float, cells: int) -> Ints:
    """(cells,) how often each was come to; `flat` is the cell of each row, -1 none."""
    there = np.flatnonzero(flat >= 0)
    there = there[np.argsort(flat[there], kind="stable")]
    cell, time_s = flat[there], there * step_s
    first = np.ones(len(there), dtype=np.bool_)
    first[1:] = (np.diff(cell) != 0) | (np.diff(time_s) > AWAY_S + step_s / 2)
    return np.bincount(cell[first], minlength=cells)


def nearest(values: Floats, axis: Floats) -> Ints:
    """(rows,) nearest breakpoint of a rising axis; -1 more than half a step outside it, and where nothing is known."""
    known = np.nan_to_num(values, nan=-np.inf)
    if len(axis) < 2:
        return np.where(np.isfinite(values), 0, -1)
    low, high = 1.5 * axis[0] - 0.5 * axis[1], 1.5 * axis[-1] - 0.5 * axis[-2]
    found = np.searchsorted((axis[1:] + axis[:-1]) / 2, known)
    return np.where((known >= low) & (known <= high), found, -1)


def _without_axis(
    session: Dataset, rows: EvenRows, axes: LoadAxes, table: UserTable, pulls: Sequence[tuple[float, float]]
) -> tuple[Floats, list[Finding]]:
    """The second axis where only full load has a place: in pulls; NaN elsewhere."""
    second = np.full(len(rows.time_s), np.nan)
    name, boosted = session.path.name, session.car.engine.boosted
    full, reaches = 100.0, float(table.second[-1]) * to_base(table)
    if table.axis == "manifold_pressure":
        full = axes.ambient.kpa
        above = float(table.second[-2] + table.second[-1]) / 2 * to_base(table) if len(table.second) > 1 else reaches
        if boosted or (boosted is None and above > full):
            return second, [warning("cells-axis-boost", session=name, boosted=bool(boosted))]
    value = min(full, reaches) / to_base(table)
    for start, end in pulls:
        second[(rows.time_s >= start) & (rows.time_s <= end)] = value
    found = [*axes.findings, warning("cells-axis-not-logged", session=name, axis=table.axis, pulls=len(pulls))]
    return second, found


def _load(session: Dataset, rows: EvenRows) -> tuple[Floats, list[Finding]]:
    """Load with its zero off, (rows,); NaN where there is none."""
    try:
        scale = session.load_scale[0]
    except InputError:
        return np.full(len(rows.time_s), np.nan), [note("cells-no-load", session=session.path.name)]
    if not session.zeros:
        return scale * rows.load, [warning("cells-no-zero", session=session.path.name)]
    at = np.linspace(0.0, max(session.duration_s, 1.0), 50)
    zero = [found.value if (found := zero_at(t, session.zeros, str(session.path))) else 0.0 for t in at]
    return scale * (rows.load - np.interp(rows.time_s, at, zero)), []


def _spread(sums: _Sums) -> Floats:
    """(n, m) standard deviation of load in % of its mean; NaN below two rows, or where load is next to nothing."""
    count = np.maximum(sums.count, 1)
    mean = sums.total / count
    variance = np.maximum(sums.squares / count - mean**2, 0.0) * count / np.maximum(count - 1, 1)
    most = float(np.abs(mean).max(initial=0.0))
    clear = (sums.count >= 2) & (np.abs(mean) > LEAST_LOAD * most)
    return np.where(clear, 100 * np.sqrt(variance) / np.where(clear, np.abs(mean), 1.0), np.nan)


def _next(sums: _Sums, table: UserTable, redline: float) -> tuple[NextCell, ...]:
    """Cells beside those reached, never above the redline nor above the highest load that was driven at all, and none
    where knock was heard or a limit passed.

    First full-load cells with too few pulls, then cells that were only touched, then new ones; of each kind those whose
    neighbours were driven longest.
    """
    reached = sums.seconds > 0
    if not reached.any():
        return ()
    top = int(np.flatnonzero(reached.any(axis=0)).max())
    mean = sums.total / np.maximum(sums.count, 1)
    overrun = (sums.count > 0) & (mean <= LEAST_LOAD * float(np.abs(mean).max(initial=0.0)))  # nobody can hold it
    around = np.zeros(table.cells.shape)
    around[1:] += sums.seconds[:-1]
    around[:-1] += sums.seconds[1:]
    around[:, 1:] += sums.seconds[:, :-1]
    around[:, :-1] += sums.seconds[:, 1:]
    found: list[tuple[int, float, NextCell]] = []
    for row, column in np.ndindex(*table.cells.shape):
        if column > top or table.rpm[row] > redline or sums.minded[row, column]:
            continue
        seconds, pulls = float(sums.seconds[row, column]), int(sums.pulls[row, column])
        if 0 < pulls < ENOUGH_PULLS:
            rank, why = 0, "pulls"
        elif 0 < seconds < ENOUGH_S and not pulls and not overrun[row, column]:
            rank, why = 1, "thin"
        elif seconds == 0 and _between(reached, row, column):
            rank, why = 2, "new"
        else:
            continue
        cell = NextCell(rpm=float(table.rpm[row]), second_axis=float(table.second[column]), why=why)
        found.append((rank, -float(around[row, column]), cell))
    found.sort(key=lambda one: one[:2])
    pulls_first = [cell for rank, _, cell in found if rank == 0]
    return (*pulls_first, *[cell for rank, _, cell in found if rank > 0][:MOST_NEXT])


def _between(reached: Flags, row: int, column: int) -> bool:
    """Whether cells on two sides were reached, so that the road and the engine can surely get there."""
    near = [(row - 1, column), (row + 1, column), (row, column - 1), (row, column + 1)]
    inside = [(r, c) for r, c in near if 0 <= r < reached.shape[0] and 0 <= c < reached.shape[1]]
    return sum(bool(reached[place]) for place in inside) >= 2
