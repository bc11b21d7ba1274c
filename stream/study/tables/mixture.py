"""A fuel multiplier for each cell of the person's own table, with its hits, spread and interval.

A hit is a tenth of a second in a cell: faster rows say the same twice. Rows of one passage through a cell lean on each
other, so the interval comes from passage to passage. The cell's value is read at its own breakpoint where the hits lie
on both sides of it, by a local fit; where they do not, at their mean. The sensor's own error is in no interval.

Lean breaks engines, so less fuel passes one gate (`_leaner`), and every unknown closes it.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import msgspec
import numpy as np

from stream.car import Role
from stream.errors import InputError
from stream.findings import Finding, danger, note, warning
from stream.study.dataset import Dataset, EvenRows
from stream.study.tables.load_axis import LoadAxes, ambient_finding, high_columns, load_axes
from stream.study.tables.mixture_cells import HIT_S, CellFit, cell_fits, nearest
from stream.study.tables.mixture_delay import Delay, cut_ends, fit_delay, possible
from stream.study.tables.mixture_lambda import closed_throttle, read_sensor
from stream.study.tables.mixture_rows import (
    Drive,
    MixtureRows,
    engine_temperature,
    lean_rows,
    mixture_rows,
    read_trim,
)
from stream.study.tables.mixture_steps import Step, each_drive_once, refuse_chained
from stream.study.tables.user_table import UserTable
from stream.units import Flags, Floats

RICHER = 1.10  # the most a pass: rich is safe for a while
LEANER = 0.97  # lean is not
AS_WANTED = 0.0005  # chosen: no table resolves less
LEAST_HITS = 10
LEANER_HIGH_HITS = 50  # below, nothing is leaned where the engine works hard
LEANER_HIGH_VISITS = 2
LEANER_HIGH_EDGE = 0.25  # chosen: of the way to the neighbour; a cell seen only farther off was not seen
SILENT_SHARE = 0.2  # chosen: of the time in a cell; what λ says there may be its better moments alone
FAR_LEAN = 0.08  # λ above the wanted one, under load
FAR_LEAN_S = 0.3  # so long at once: shorter is a misfire or noise
TARGET_APART = 0.06  # λ: a wish that its neighbours do not share by more is a slip until somebody says otherwise
FUEL_APART = 0.35  # of the value that the neighbours lead to
ROWS_HZ = 20.0  # a mixture sensor answers in about 0.1 s; twice as fast as that is enough
_ROLES: tuple[Role, ...] = ("lambda", "manifold_pressure", "throttle", "fuel_trim", "temperature")


class MixtureCell(msgspec.Struct, frozen=True, kw_only=True):
    """One cell of the fuel grid.

    now, proposed     multipliers of the fuel: now 1; proposed None where nothing is known
    low, high         95 % interval of the measured multiplier; `estimate` the multiplier itself before any bound
    n, spread         hits, and the standard deviation over them
    wanted            mean wanted λ of the rows, or the table's own where there were none
    high_load         whether the cell reaches into high load
    fuel_now, fuel_proposed   what the fuel table holds, and would hold; None without one
    why               what the proposal rests on, or what stands against one
    """

    rpm: float
    second_axis: float
    now: float
    proposed: float | None
    low: float | None
    high: float | None
    n: int
    why: Finding
    estimate: float | None = None
    spread: float | None = None
    wanted: float | None = None
    high_load: bool = False
    fuel_now: float | None = None
    fuel_proposed: float | None = None


@dataclass(frozen=True, slots=True)
class MixtureAdvice:
    """Cells in the order of the grid's axes, both rising; findings, dangers first.

    grid    the table whose cells these are: the fuel table, or the target where none was given
    drives  file name of each drive, and what it is known by
    """

    cells: tuple[MixtureCell, ...]
    findings: tuple[Finding, ...]
    grid: UserTable
    fuel: bool
    drives: tuple[tuple[str, str], ...]


def advise_mixture(
    drives: Sequence[Dataset],
    target: UserTable,
    fuel: UserTable | None = None,
    *,
    stoichiometric: float = 14.7,
    lean_at_load: bool = False,
    steps: Sequence[Step] = (),
) -> MixtureAdvice:
    """One cell for each cell of the fuel table, or of the target without one; `proposed` None where hits are few.

    lean_at_load   a person wants λ above 1 at high load
    steps          what was written before

    Raises InputError where λ or the second axis was not logged, λ cannot be one, the table covers nothing, or the fuel
    table came from these very drives.
    """
    if not 5 < stoichiometric < 20:
        raise InputError(
            f"{stoichiometric:g} is no air-fuel ratio of a fuel; 14.7 is usual for petrol",
            "stoichiometric-ratio",
            value=stoichiometric,
        )
    grid = target if fuel is None else fuel
    marks = each_drive_once(drives)
    if fuel is not None:
        refuse_chained(fuel, marks, steps)
    asked, odd_wanted = _without_slips(target)
    read, without = _read_all(drives, asked, grid, stoichiometric)
    used = {id(drive.data) for drive in read}
    names = tuple((data.path.name, mark) for data, mark in zip(drives, marks, strict=True) if id(data) in used)
    delay = _delay(read)
    found = [mixture_rows(drive, asked, delay) for drive in read]
    left = sum((one.left_out for one in found), Counter())
    _need_rows(read, found, left, target)
    ambient = [drive.axes.ambient for drive in read]
    least_throttle = min(drive.axes.high_throttle_pct for drive in read)
    gate = _Gate(
        fits=_fits(read, found, grid),
        cautious=_fits(read, found, grid, cautious=True),
        delayed=[_fits(read, [mixture_rows(drive, asked, other) for drive in read], grid) for other in possible(delay)],
        high=high_columns(grid, ambient, least_throttle),
        odd=np.zeros(grid.cells.shape, np.bool_) if fuel is None else fuel.far_from_neighbours(0.0, FUEL_APART),
        step=max(drive.sensor.step for drive in read),
        lean_at_load=lean_at_load,
        lean={},
        silent=_silent_s(read, found, grid),
    )
    gate.lean.update(_lean_cells(read, asked, grid, delay, gate.high))
    cells = tuple(_cell(gate, grid, target, row, column) for row, column in np.ndindex(*grid.cells.shape))
    earlier = [
        step
        for step in steps
        if step.leaner and step.drives & set(marks) and (fuel is None or bool((step.now == 1).all()))
    ]
    if earlier:
        cells = tuple(_held_back(cell, earlier[-1]) for cell in cells)
    if fuel is not None:
        cells = _with_fuel(cells, fuel)
    findings = [
        *_dangers(gate, grid),
        *without,
        *_table_findings(gate, grid, target, high_columns(target, ambient, least_throttle), odd_wanted, cells),
        *(
            finding
            for drive in read
            for finding in (*drive.sensor.findings, *drive.trim.findings, *drive.axes.findings)
        ),
        delay.finding(),
        ambient_finding(ambient),
        *_session_findings(read, left),
    ]
    ordered = [
        *(one for one in findings if one.severity == "danger"),
        *(one for one in findings if one.severity == "warning"),
        *(one for one in findings if one.severity == "note"),
    ]
    kept: list[Finding] = []
    kept += (one for one in ordered if one not in kept)
    return MixtureAdvice(cells, tuple(kept), grid, fuel is not None, names)


def written_table(advice: MixtureAdvice) -> tuple[str, Floats, Floats]:
    """(the table as a file, what it held, what it holds then), (n, m): the fuel table multiplied out where one was
    given, else the multipliers in the target's shape, 1 where nothing is proposed."""
    shape = advice.grid.cells.shape
    factor = np.array([1.0 if cell.proposed is None else cell.proposed for cell in advice.cells]).reshape(shape)
    if advice.fuel:
        text, written = advice.grid.rewritten(*_multiplied(advice.grid, factor))
        return text, advice.grid.cells, written
    return advice.grid.filled(factor, 4), np.ones(shape), factor.round(4)


def _multiplied(fuel: UserTable, factor: Floats) -> tuple[Floats, Floats, Floats]:
    """(cells, lowest, highest) of the fuel table: rounding may make no cell leaner than proposed, nor richer than the
    most a pass."""
    cells = np.where(factor == 1, np.nan, fuel.cells * factor)
    lowest = fuel.cells * np.minimum(factor, 1.0)
    highest = np.where(factor > 1, fuel.cells * RICHER, fuel.cells)
    return cells, lowest, highest


def _without_slips(target: UserTable) -> tuple[UserTable, Flags]:
    """(the target with cells in question empty, which these are)."""
    odd = target.far_from_neighbours(TARGET_APART, 0.0)
    return replace(target, cells=np.where(odd, np.nan, target.cells)), odd


def _read_all(
    drives: Sequence[Dataset], target: UserTable, grid: UserTable, stoichiometric: float
) -> tuple[list[Drive], list[Finding]]:
    """(the drives that have λ and the tables' axes, a warning for each that lacks one).

    Raises InputError where no drive has both; and where a λ that was logged cannot be one: that drive may be the lean
    one.
    """
    read: list[Drive] = []
    found: list[Finding] = []
    for data in drives:
        rows = data.even(_ROLES, ROWS_HZ)
        axes = load_axes(data, rows)
        wanted = {"manifold_pressure": axes.pressure_kpa, "throttle": axes.throttle_pct}
        lacking = next((table.axis for table in (grid, target) if wanted[table.axis] is None), "")
        lacking = lacking if data.recorded("lambda") else "lambda"
        if lacking and len(drives) > 1:
            found += (warning("drive-left-out", session=data.path.name, lacking=lacking), *axes.findings)
        else:
            read.append(_read(data, rows, axes, target, grid, stoichiometric))
    if not read:
        _read_all(drives[:1], target, grid, stoichiometric)
    return read, found


def _read(
    data: Dataset, rows: EvenRows, axes: LoadAxes, target: UserTable, grid: UserTable, stoichiometric: float
) -> Drive:
    second, target_second = axes.on(grid), axes.on(target)
    wanted = target.at(rows.speed_rpm, target_second)
    sensor = read_sensor(data, rows, axes, wanted, stoichiometric)
    return Drive(data, rows, axes, sensor, read_trim(data, rows), second, target_second)


def _delay(read: Sequence[Drive]) -> Delay:
    delays, flows = [np.empty(0)], [np.empty(0)]
    for drive in read:
        opening = closed_throttle(drive.axes)
        if opening is not None and not drive.sensor.dead:
            late, flow = cut_ends(drive.rows, drive.sensor.values, opening, drive.axes.pressure_kpa)
            delays.append(late)
            flows.append(flow)
    return fit_delay(np.concatenate(delays), np.concatenate(flows))


def _fits(
    read: Sequence[Drive], found: Sequence[MixtureRows], grid: UserTable, *, cautious: bool = False
) -> dict[tuple[int, int], CellFit]:
    if not sum(len(one.ratio) for one in found):
        return {}
    return cell_fits(found, grid, [drive.rows.step_s for drive in read], cautious=cautious)


def _silent_s(read: Sequence[Drive], found: Sequence[MixtureRows], grid: UserTable) -> dict[tuple[int, int], float]:
    """Seconds in each cell in which there was fuel and no λ to be believed."""
    seconds: dict[tuple[int, int], float] = {}
    for drive, one in zip(read, found, strict=True):
        for at in zip(nearest(one.silent[0], grid.rpm), nearest(one.silent[1], grid.second), strict=True):
            key = (int(at[0]), int(at[1]))
            seconds[key] = seconds.get(key, 0.0) + drive.rows.step_s
    return seconds


def _need_rows(read: Sequence[Drive], found: Sequence[MixtureRows], left: Counter[str], target: UserTable) -> None:
    """Raises InputError where no row tells the mixture for a reason that a person can mend before the next drive."""
    if sum(len(one.ratio) for one in found) or left["dead-sensor"] or left["still-sensor"]:
        return
    if left["outside"]:
        raise InputError(f"{target.path}: covers none of the driven cells; give a table that reaches them")
    path = read[0].data.path
    if not sum(left.values()):
        raise InputError(f"{path}: λ is missing or 0 in every row; mend the sensor or its channel, and drive again")
    step = read[0].rows.step_s
    why = ", ".join(f"{code} {count * step:.1f} s" for code, count in left.most_common() if count)
    raise InputError(f"{path}: no row tells the mixture (left out: {why}); drive warm and steady")


@dataclass(frozen=True, slots=True)
class _Gate:
    """What less fuel must pass, for all cells: fits by cell, and what is in question."""

    fits: dict[tuple[int, int], CellFit]
    cautious: dict[tuple[int, int], CellFit]
    delayed: list[dict[tuple[int, int], CellFit]]
    high: Flags
    odd: Flags
    step: float
    lean_at_load: bool
    lean: dict[tuple[int, int], "_LeanCell"]
    silent: dict[tuple[int, int], float]

    def is_high(self, at: tuple[int, int]) -> bool:
        """Whether a cell reaches into high load by its axis, or was driven there by the other quantity."""
        fit = self.fits.get(at)
        return bool(self.high[at[1]]) or (fit is not None and fit.high_share >= 0.1)


@dataclass(frozen=True, slots=True)
class _LeanCell:
    seconds: float
    lam: float
    wanted: float


def _cell(gate: _Gate, grid: UserTable, target: UserTable, row: int, column: int) -> MixtureCell:
    at = (row, column)
    fit = gate.fits.get(at)
    plain = MixtureCell(
        rpm=float(grid.rpm[row]),
        second_axis=float(grid.second[column]),
        now=1.0,
        proposed=None,
        low=None,
        high=None,
        n=0 if fit is None else fit.hits,
        why=note("few-hits", hits=0, needed=LEAST_HITS),
        spread=None if fit is None else fit.spread,
        high_load=gate.is_high(at),
        wanted=None if fit is None else fit.wanted,
    )
    if grid is target:
        plain = msgspec.structs.replace(plain, wanted=float(target.cells[row, column]))
    if gate.odd[row, column]:
        return msgspec.structs.replace(plain, why=warning("fuel-cell-odd", value=float(grid.cells[row, column])))
    if fit is None or fit.hits < LEAST_HITS or fit.low is None or fit.high is None:
        hits = 0 if fit is None else fit.hits
        why = note("few-hits", hits=hits, needed=LEAST_HITS)
        if hits >= LEAST_HITS:
            why = note("one-short-passage", hits=hits)
        return msgspec.structs.replace(plain, why=why)
    proposed, why = _richer(fit) if fit.ratio >= 1 else _leaner(gate, at, fit)
    return msgspec.structs.replace(plain, proposed=proposed, low=fit.low, high=fit.high, estimate=fit.ratio, why=why)


def _values(fit: CellFit) -> dict[str, float | int | bool]:
    """What every sentence about a measured cell needs."""
    return {
        "ratio": fit.ratio,
        "low": fit.low or 0.0,
        "high": fit.high or 0.0,
        "hits": fit.hits,
        "visits": fit.visits,
        "spread": fit.spread,
        "centred": fit.centred,
        "rpm": fit.rpm,
        "second": fit.second,
    }


def _richer(fit: CellFit) -> tuple[float, Finding]:
    if fit.ratio < 1 + AS_WANTED:
        return 1.0, note("as-wanted", **_values(fit))
    if fit.ratio > RICHER:
        return RICHER, note("richer-bounded", most_pct=100 * (RICHER - 1), **_values(fit))
    return fit.ratio, note("richer", **_values(fit))


def _leaner(gate: _Gate, at: tuple[int, int], fit: CellFit) -> tuple[float, Finding]:
    """The one way to less fuel: everything must speak for it. Else the cell is held as it is."""
    values = _values(fit)
    if at in gate.lean:
        return 1.0, warning("hold-lean-seen", lam=gate.lean[at].lam, **values)
    if gate.is_high(at):
        if fit.wanted_most > 1 + 1e-6 and not gate.lean_at_load:
            return 1.0, warning("hold-lean-target", wanted=fit.wanted_most, **values)
        silent = gate.silent.get(at, 0.0)
        if silent > SILENT_SHARE * (silent + HIT_S * fit.hits):
            return 1.0, warning("hold-silent", silent_s=silent, **values)
        if fit.hits < LEANER_HIGH_HITS:
            return 1.0, note("hold-few-hits", needed=LEANER_HIGH_HITS, **values)
        if fit.visits < LEANER_HIGH_VISITS:
            return 1.0, note("hold-one-passage", needed=LEANER_HIGH_VISITS, **values)
        if fit.edge > LEANER_HIGH_EDGE:
            return 1.0, note("hold-edge", edge=fit.edge, **values)
        if fit.leanest >= 1:
            return 1.0, note("hold-one-was-lean", leanest=fit.leanest, **values)
        if fit.ratio + fit.settling >= 1:
            return 1.0, note("hold-settling", settling=fit.settling, **values)
    if fit.high is None or fit.high >= 1:
        return 1.0, note("hold-not-resolved", **values)
    cautious = gate.cautious.get(at)
    if cautious is None or cautious.high is None or cautious.high >= 1:
        return 1.0, note("hold-trim-still", **values)
    delayed = [other.get(at) for other in gate.delayed]
    if any(other is not None and (other.high is None or other.high >= 1) for other in delayed):
        return 1.0, note("hold-delay", **values)
    if any(other is None for other in delayed) and gate.is_high(at):
        return 1.0, note("hold-delay", **values)
    coarse = gate.step / fit.wanted
    if fit.high + coarse >= 1:
        return 1.0, note("hold-coarse", step=gate.step, **values)
    worst = max(fit.ratio, cautious.ratio, *(other.ratio for other in delayed if other is not None)) + coarse
    if gate.is_high(at):
        worst = min(max(worst, fit.leanest, fit.ratio + fit.settling), 1.0)
    if worst < LEANER:
        return LEANER, note("leaner-bounded", most_pct=100 * (1 - LEANER), **values)
    return worst, note("leaner", **values)


def _held_back(cell: MixtureCell, step: Step) -> MixtureCell:
    """A leaner cell, held because these drives led to leaner steps already."""
    if cell.proposed is None or cell.proposed >= 1:
        return cell
    return msgspec.structs.replace(cell, proposed=1.0, why=warning("hold-step-written", file=step.path.name))


def _with_fuel(cells: Sequence[MixtureCell], fuel: UserTable) -> tuple[MixtureCell, ...]:
    """The cells with what the fuel table holds, and would hold as written."""
    factor = np.array([1.0 if cell.proposed is None else cell.proposed for cell in cells]).reshape(fuel.cells.shape)
    written = fuel.rewritten(*_multiplied(fuel, factor))[1]
    return tuple(
        msgspec.structs.replace(cell, fuel_now=float(now), fuel_proposed=float(then))
        for cell, now, then in zip(cells, fuel.cells.ravel(), written.ravel(), strict=True)
    )


def _lean_cells(
    read: Sequence[Drive], target: UserTable, grid: UserTable, delay: Delay, high: Flags
) -> dict[tuple[int, int], _LeanCell]:
    """Cells at high load in which λ was far above the wanted one, with how long, and the middle λ of it."""
    seconds: dict[tuple[int, int], float] = {}
    lam: dict[tuple[int, int], list[tuple[float, float]]] = {}
    for drive in read:
        lean = lean_rows(drive, target, delay, FAR_LEAN, FAR_LEAN_S)
        places = zip(nearest(lean.rpm, grid.rpm), nearest(lean.second, grid.second), strict=True)
        for (row, column), hard, value, wanted in zip(places, lean.high, lean.lam, lean.wanted, strict=True):
            if high[column] or hard:
                at = (int(row), int(column))
                seconds[at] = seconds.get(at, 0.0) + lean.step_s
                lam.setdefault(at, []).append((float(value), float(wanted)))
    return {
        at: _LeanCell(total, *(float(value) for value in np.median(lam[at], axis=0))) for at, total in seconds.items()
    }


def _dangers(gate: _Gate, grid: UserTable) -> list[Finding]:
    """The first thing to say: λ far leaner than wanted under load."""
    if not gate.lean:
        return []
    at, worst = max(gate.lean.items(), key=lambda item: item[1].lam - item[1].wanted)
    return [
        danger(
            "lean-under-load",
            cell=grid.name(*at),
            lam=worst.lam,
            wanted=worst.wanted,
            seconds=sum(one.seconds for one in gate.lean.values()),
            cells=len(gate.lean),
            above=FAR_LEAN,
        )
    ]


def _table_findings(
    gate: _Gate,
    grid: UserTable,
    target: UserTable,
    target_high: Flags,
    odd_wanted: Flags,
    cells: Sequence[MixtureCell],
) -> list[Finding]:
    """What is in question in the tables themselves."""
    found: list[Finding] = []
    for row, column in np.argwhere(odd_wanted):
        found.append(
            warning(
                "wanted-odd",
                cell=target.name(row, column),
                value=float(target.cells[row, column]),
                file=target.path.name,
            )
        )
    for row, column in np.argwhere(gate.odd):
        found.append(
            warning("fuel-odd", cell=grid.name(row, column), value=float(grid.cells[row, column]), file=grid.path.name)
        )
    lean = np.argwhere((target.cells > 1) & target_high[None, :])
    if len(lean):
        row, column = lean[0]
        found.append(
            warning(
                "lean-wanted-at-load",
                cell=target.name(row, column),
                cells=len(lean),
                value=float(target.cells[row, column]),
                allowed=gate.lean_at_load,
            )
        )
    for table in dict.fromkeys((grid.path, target.path)):
        one = grid if table == grid.path else target
        if not one.named:
            found.append(warning("axis-not-named", file=one.path.name, axis=one.axis, unit=one.unit))
    if any(cell.why.code == "hold-step-written" for cell in cells):
        file = next(str(cell.why.values["file"]) for cell in cells if cell.why.code == "hold-step-written")
        found.append(warning("step-written", file=file))
    return found


def _session_findings(read: Sequence[Drive], left: Counter[str]) -> list[Finding]:
    found: list[Finding] = []
    step = read[0].rows.step_s
    out = [(code, count * step) for code, count in left.most_common() if count]
    if out:
        found.append(note("rows-left-out", reasons=tuple(code for code, _ in out), seconds=tuple(s for _, s in out)))
    tunes = tuple(dict.fromkeys(drive.data.tune for drive in read))
    if len(tunes) > 1:
        found.append(warning("several-tunes", tunes=tunes))
    if not any(drive.trim.logged for drive in read):
        found.append(warning("no-trim"))
    if not all(any(engine_temperature(one) for one in drive.data.recorded("temperature")) for drive in read):
        found.append(warning("no-engine-temperature"))
    if any(drive.axes.throttle_pct is None for drive in read):
        found.append(warning("no-throttle"))
    found.append(note("hits-are", seconds=max(HIT_S, step), needed=LEAST_HITS))
    found += (note("sensor-error"), note("mixture-decides"), note("mixture-watch"))
    return found
