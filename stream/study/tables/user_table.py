"""Tables that a person exports from the engine controller: wanted λ, fuel, spark advance; in, and out as they came.

Two forms. A grid: rpm along the side or along the top, manifold pressure or throttle along the other; the corner says
which. A list of tunes: columns tune, rpm, advance, at full load. Separators comma, semicolon or tab.
"""

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np

from stream.errors import InputError
from stream.study.tables.sheet import NUMBER, Place, Sheet, plain, read_sheet
from stream.study.tables.table_axes import LARGEST_RPM, PRESSURE_UNITS, Axis, layout
from stream.units import Flags, Floats

ADVANCE_LIMITS = (-30.0, 70.0)  # degrees before top dead centre; beyond, the column is something else
LAMBDA_LIMITS = (0.4, 2.0)  # beyond, nothing burns: the cells are an air-fuel ratio, or something else
FUEL_LIMITS = (0.0, 1e6)  # any measure of an amount: per cent filling, ms, mg, counts
# a unit that may stand behind a value of an axis, and what it is called in a corner
AXIS_UNITS = {**PRESSURE_UNITS, "%": "%", **dict.fromkeys(("rpm", "1/min", "u/min"), "rpm")}
_DEGREES = dict.fromkeys(("°", "deg"), "deg")
_PLAIN: Mapping[str, str] = {}
_THOUSANDS, _UNDER_1000 = re.compile("[1-9][0-9]?([.,' \u00a0\u202f])[0-9]{3}"), re.compile("[0-9]{1,3}")
_LIST = ("tune", "rpm", "advance")


@dataclass(frozen=True, slots=True)
class UserTable:
    """A grid, both axes rising whatever the order in the file.

    axis, unit    what the second axis is, and its unit: kPa hPa mbar Pa bar psi inHg, or % and 1 (a share) of throttle
    named         whether the file says what the second axis is; else its values do
    rpm, second   (n,) rpm and (m,) values of the second axis, in `unit`
    cells         (n, m)
    sheet         the file;  `places` (n, m, 2): row and column of each cell in it, `turned` where rpm runs across
    """

    path: Path
    axis: Axis
    unit: str
    named: bool
    second: Floats
    rpm: Floats
    cells: Floats
    sheet: Sheet
    places: np.typing.NDArray[np.intp]
    turned: bool

    @property
    def encoding(self) -> str:
        """How the file is written back."""
        return self.sheet.encoding

    def at(self, rpm: Floats, second: Floats) -> Floats:
        """Cells interpolated straight in both axes, the border's value up to half a step outside, NaN beyond.

        `second` is in the table's own unit.
        """
        row, row_part = _places(rpm, self.rpm)
        column, column_part = _places(second, self.second)
        up, right = np.minimum(row + 1, len(self.rpm) - 1), np.minimum(column + 1, len(self.second) - 1)
        low = self.cells[row, column] * (1 - column_part) + self.cells[row, right] * column_part
        high = self.cells[up, column] * (1 - column_part) + self.cells[up, right] * column_part
        result: Floats = low * (1 - row_part) + high * row_part
        return result

    def place(self, row: int, column: int) -> Place:
        """Where in the file the cell of rpm `row` and second axis `column` stands."""
        down, across = self.places[row, column]
        return int(down), int(across)

    def in_file_order(self) -> tuple[list[int], list[int]]:
        """(rows of rpm, columns of the second axis) in the order that the file has them."""
        rpm, second = self.places[:, 0, 1 if self.turned else 0], self.places[0, :, 0 if self.turned else 1]
        return np.argsort(rpm).tolist(), np.argsort(second).tolist()

    def where(self, row: int, column: int) -> str:
        """File, line, column, and the cell's name, for an error."""
        return f"{self.sheet.where(*self.place(row, column))} ({self.name(row, column)})"

    def name(self, row: int, column: int) -> str:
        """The cell by its axes: '4000 rpm, 60 kPa'."""
        unit = {"1": "throttle", "%": " % throttle"}.get(self.unit, f" {self.unit}")
        return f"{self.rpm[row]:g} rpm, {self.second[column]:g}{unit if unit[0] == ' ' else f' {unit}'}"

    def decimals(self, row: int, column: int) -> int:
        """Decimals of a cell and its neighbours in the file, the most that any of them has."""
        rows = slice(max(row - 1, 0), row + 2)
        columns = slice(max(column - 1, 0), column + 2)
        around = self.places[rows, columns].reshape(-1, 2)
        return max(self.sheet.decimals((int(down), int(across))) for down, across in around)

    def rewritten(
        self, cells: Floats, lowest: Floats | None = None, highest: Floats | None = None
    ) -> tuple[str, Floats]:
        """(the whole file with these cells in it, the cells as they then stand there); arrays (n, m), NaN: unchanged.

        A changed cell has the decimals of its neighbours, rounded to the nearest that lies within lowest and highest;
        where none does, the cell stays as it is. Everything else is kept byte for byte.
        """
        changed: dict[Place, str] = {}
        written = self.cells.copy()
        mark = self._mark()
        for row, column in np.argwhere(np.isfinite(cells) & (cells != self.cells)):
            decimals = self.decimals(int(row), int(column))
            bounds = (
                -np.inf if lowest is None else float(lowest[row, column]),
                np.inf if highest is None else float(highest[row, column]),
            )
            value = _rounded(float(cells[row, column]), decimals, bounds)
            if value is None or value == self.cells[row, column]:
                continue
            at = self.place(int(row), int(column))
            changed[at] = self.sheet.formatted(at, value, decimals, mark)
            written[row, column] = value
        return self.sheet.text(changed), written

    def filled(self, cells: Floats, decimals: int) -> str:
        """The whole file with other numbers in every cell, (n, m): another quantity on the same axes."""
        mark = self._mark()
        changed = {
            at: self.sheet.formatted(at, float(cells[row, column]), decimals, mark)
            for row, column in np.ndindex(*cells.shape)
            for at in (self.place(row, column),)
        }
        return self.sheet.text(changed)

    def _mark(self) -> str:
        """The decimal mark that the table's numbers have."""
        texts = [plain(cell) for row in self.sheet.cells for cell in row]
        commas = sum("," in text for text in texts)
        points = sum("." in text for text in texts)
        return "," if commas > points or (commas == points == 0 and self.sheet.separator == ";") else "."

    def far_from_neighbours(self, least: float, share: float) -> Flags:
        """(n, m) cells that lie off every straight line through their neighbours by more than the larger of
        `least` and `share` of the line's value: a slip of the pen more likely than a wish."""
        near_a_line = np.zeros(self.cells.shape, dtype=np.bool_)
        has_a_line = np.zeros(self.cells.shape, dtype=np.bool_)
        for values, turned in ((self.rpm, False), (self.second, True)):
            cells, near, has = (a.T if turned else a for a in (self.cells, near_a_line, has_a_line))
            for row in range(len(values)):
                for one, other in ((row - 1, row + 1), (row - 2, row - 1), (row + 1, row + 2)):
                    if one < 0 or other >= len(values):
                        continue
                    slope = (cells[other] - cells[one]) / (values[other] - values[one])
                    line = cells[one] + slope * (values[row] - values[one])
                    near[row] |= np.abs(cells[row] - line) <= np.maximum(least, share * np.abs(line))
                    has[row] = True
        return np.asarray(has_a_line & ~near_a_line)


@dataclass(frozen=True, slots=True)
class AdvanceList:
    """Full-load advance of several tunes: tune to (rpm rising (n,), degrees (n,)).

    places   (tune, rpm) to the cell of the file that holds its degrees
    """

    path: Path
    tunes: dict[str, tuple[Floats, Floats]]
    sheet: Sheet | None = None
    places: Mapping[tuple[str, float], Place] = field(default_factory=dict)

    @property
    def encoding(self) -> str:
        """How the file is written back."""
        return "utf-8" if self.sheet is None else self.sheet.encoding

    def at(self, tune: str, rpm: Floats) -> Floats:
        """Degrees at each rpm, straight between the rows; NaN outside them. InputError for a tune it lacks."""
        if tune not in self.tunes:
            there = ", ".join(repr(name) for name in self.tunes)
            raise InputError(
                f"{self.path}: column 'tune': no row for tune {tune!r} (it has {there}); add its rows, leave its "
                "sessions out, or log the advance"
            )
        points, degrees = self.tunes[tune]
        return np.interp(rpm, points, degrees, left=np.nan, right=np.nan)

    def rewritten(self, tune: str, degrees: Floats, highest: Floats | None = None) -> tuple[str, Floats]:
        """(the whole file with these degrees in the rows of one tune, the degrees as they then stand there); NaN and
        what cannot be written at or below `highest` stay as they are."""
        if self.sheet is None:
            raise InputError(f"{self.path}: was not read from a file and cannot be written back as one")
        points, old = self.tunes[tune]
        written = old.copy()
        changed: dict[Place, str] = {}
        most = max(self.sheet.decimals(self.places[tune, float(rpm)]) for rpm in points)
        for row in np.flatnonzero(np.isfinite(degrees) & (degrees != old)):
            at = self.places[tune, float(points[row])]
            value = _rounded(float(degrees[row]), most, (-np.inf, np.inf if highest is None else float(highest[row])))
            if value is not None and value != old[row]:
                changed[at] = self.sheet.formatted(at, value, most, ".")
                written[row] = value
        return self.sheet.text(changed), written


def read_target(path: str | Path) -> UserTable:
    """A table of wanted λ. Raises InputError that names the file, the line and the column."""
    return _grid(
        read_sheet(Path(path)), LAMBDA_LIMITS, "cells are λ: divide an air-fuel ratio by the stoichiometric one"
    )


def read_fuel(path: str | Path) -> UserTable:
    """The fuel table in the car, in any measure of an amount. Raises InputError that names the file and the cell."""
    table = _grid(read_sheet(Path(path)), FUEL_LIMITS, "cells are amounts of fuel or filling, none below zero")
    if float(np.median(table.cells)) == 0:
        raise InputError(f"{path}: most cells are 0: these are no amounts of fuel; export the fuel table itself")
    return table


def read_table(path: str | Path) -> UserTable:
    """Any table for the sake of its axes; its cells are numbers of any kind. Raises InputError that names the place."""
    sheet = read_sheet(Path(path))
    first = sheet.content()[0]
    if {"tune", "advance"} & {word.casefold() for word in sheet.words(first)}:
        raise InputError(
            f"{path}: line {sheet.lines[first]}: is a list of tunes without a second axis; give a table of rpm against "
            "manifold pressure or throttle",
            "table-is-list",
        )
    return _grid(sheet, (-np.inf, np.inf), "cells are numbers")


def read_advance(path: str | Path) -> AdvanceList | UserTable:
    """Advance, as a list of tunes or a grid. Raises InputError that names the place."""
    sheet = read_sheet(Path(path))
    first = sheet.content()[0]
    head = [word.casefold() for word in sheet.words(first)]
    if sorted(head) == sorted(_LIST):
        listed = _list(sheet, [head.index(name) for name in _LIST])
        _before_top(sheet, np.concatenate([degrees for _, degrees in listed.tunes.values()]))
        return listed
    if set(head) & {"tune", "advance"}:
        raise InputError(
            f"{path}: line {sheet.lines[first]}: columns {', '.join(sheet.words(first))} are not tune, rpm, advance; "
            "write these, or a table of rpm and manifold_pressure or throttle"
        )
    grid = _grid(sheet, ADVANCE_LIMITS, "cells are degrees before top dead centre", _DEGREES)
    _before_top(sheet, grid.cells)
    return grid


def _before_top(sheet: Sheet, degrees: Floats) -> None:
    """Raises InputError where most cells are below zero: counted the other way, less would be more advance."""
    if float(np.median(degrees)) < 0:
        raise InputError(
            f"{sheet.path}: most cells are below 0 (the middle one is {np.median(degrees):g}); cells are degrees "
            "before top dead centre, so advance is above 0: turn the sign",
            "advance-sign",
        )


def companion(path: Path) -> Path:
    """The file that stands beside a written table and says per cell why."""
    return path.with_name(f"{path.stem}-why.csv")


def why_csv(table: UserTable, now: Floats, written: Floats, why: Sequence[Sequence[str]], notes: Sequence[str]) -> str:
    """The companion of a written table: notes as '#' lines, then a row for each cell, (n, m) in the axes' order."""
    text = io.StringIO()
    text.writelines(f"# {' '.join(note.split())}\n" for note in notes)
    writer = csv.writer(text, delimiter=table.sheet.separator, lineterminator="\n")
    writer.writerow(["rpm", f"{table.axis} [{table.unit}]", "now", "written", "why"])
    for row, rpm in enumerate(table.rpm):
        for column, second in enumerate(table.second):
            values = (rpm, second, now[row, column], written[row, column])
            writer.writerow([*(f"{value:.10g}" for value in values), why[row][column]])
    return text.getvalue()


def _grid(sheet: Sheet, limits: tuple[float, float], hint: str, units: Mapping[str, str] = _PLAIN) -> UserTable:
    first, body = _head_and_body(sheet)
    width = len(sheet.words(first))
    if width < 2:
        raise InputError(
            f"{sheet.path}: line {sheet.lines[first]}: has a corner and no values beside it; write the axis there, "
            "cells apart by comma, semicolon or tab"
        )
    for row in body:
        if len(sheet.words(row)) > width or len(sheet.cells[row]) < width:
            raise InputError(
                f"{sheet.path}: line {sheet.lines[row]}: has {len(sheet.words(row))} cells where the first row has "
                f"{width}; mend it"
            )
    corner = plain(sheet.cells[first][0])
    along = [(first, column) for column in range(1, width)]
    down = [(row, 0) for row in body]
    top, side = _axis(sheet, along, "the first row is an axis"), _axis(sheet, down, "the first column is an axis")
    corner = _with_units(sheet, corner, down, along)
    lies = layout(sheet.where(first, 0), corner, side, top)
    for values, unit in zip((down, along), (lies.unit, "rpm") if lies.rpm_on_top else ("rpm", lies.unit), strict=True):
        behind = {sheet.unit(place, AXIS_UNITS) for place in values} - {"", unit}
        if behind:
            raise InputError(
                f"{sheet.where(*values[0])}: values in {behind.pop()} on an axis of {unit}; write one of them"
            )
    kinds = (lies.axis, "rpm") if lies.rpm_on_top else ("rpm", lies.axis)
    _monotone(side, [sheet.where(row, 0) for row in body], kinds[0])
    _monotone(top, [sheet.where(first, column) for column in range(1, width)], kinds[1])
    cells = np.array([[sheet.number((row, column), hint, units) for column in range(1, width)] for row in body])
    places = np.array([[(row, column) for column in range(1, width)] for row in body], dtype=np.intp)
    rpm, second = np.array(side), np.array(top)
    if lies.rpm_on_top:
        rpm, second, cells, places = second, rpm, cells.T, places.transpose(1, 0, 2)
    rising, across = np.argsort(rpm), np.argsort(second)
    table = UserTable(
        path=sheet.path,
        axis=lies.axis,
        unit=lies.unit,
        named=lies.named,
        second=second[across],
        rpm=rpm[rising],
        cells=cells[np.ix_(rising, across)],
        sheet=sheet,
        places=places[np.ix_(rising, across)],
        turned=lies.rpm_on_top,
    )
    for row, column in np.argwhere((table.cells < limits[0]) | (table.cells > limits[1])):
        raise InputError(
            f"{table.where(row, column)}: {table.cells[row, column]:g} is outside {limits[0]:g} to {limits[1]:g}; "
            f"{hint}"
        )
    return table


def _head_and_body(sheet: Sheet) -> tuple[int, list[int]]:
    """(the row of the axis that runs across, the rows of cells). Titles may stand over it, a row of units under it, and
    it may stand at the foot, where its corner is no number."""
    rows = sheet.content()
    while len(rows) > 2 and len(sheet.words(rows[0])) == 1 < len(sheet.words(rows[1])):
        rows = rows[1:]
    words = [sheet.words(row) for row in (rows[0], rows[-1])]
    is_number = [bool(one and NUMBER.fullmatch(one[0])) for one in words]
    if is_number[0] and not is_number[1] and len(words[1]) > 1:
        return rows[-1], rows[:-1]
    under = sheet.words(rows[1])
    if (
        len(rows) > 2
        and len(set(under[1:])) == 1
        and under[0].lower() in {"", *AXIS_UNITS}
        and under[1].lower() in AXIS_UNITS
    ):
        return rows[0], rows[2:]
    return rows[0], rows[1:]


def _axis(sheet: Sheet, places: Sequence[Place], cure: str) -> list[float]:
    """The values of an axis; a unit may stand behind each, and thousands may be set apart.

    1.000 may be one with three decimals: it is a thousand only where the axis would turn back otherwise, as after 750.
    """
    texts = [plain(sheet.cells[row][column]) if column < len(sheet.cells[row]) else "" for row, column in places]
    marks = {found.group(1) for text in texts if (found := _THOUSANDS.fullmatch(text))}
    if len(marks) == 1 and all(_THOUSANDS.fullmatch(text) or _UNDER_1000.fullmatch(text) for text in texts):
        mark = marks.pop()
        steps = [b - a for a, b in pairwise(float(text.replace(mark, ".")) for text in texts)]
        if mark not in ".," or (min(steps) < 0 < max(steps)):
            return [float(text.replace(mark, "")) for text in texts]
    return [sheet.number(place, cure, AXIS_UNITS) for place in places]


def _with_units(sheet: Sheet, corner: str, side: Sequence[Place], top: Sequence[Place]) -> str:
    """The corner's words, with units that stand behind the values of an axis where the corner says nothing."""
    found = [{sheet.unit(place, AXIS_UNITS) for place in places} - {""} for places in (side, top)]
    for units, places in zip(found, (side, top), strict=True):
        if len(units) > 1:
            raise InputError(f"{sheet.where(*places[0])}: the axis has several units; write one")
    if corner or not any(found):
        return corner
    words = ["".join(units) for units in found]
    return "\\".join(words) if all(words) else "".join(words)


def _monotone(values: Sequence[float], places: Sequence[str], what: str) -> None:
    """Raises InputError at the first value that breaks the axis's order."""
    if what == "rpm":
        for value, place in zip(values, places, strict=True):
            if not 0 <= value <= LARGEST_RPM:
                raise InputError(f"{place}: {value:g} rpm is outside 0 to {LARGEST_RPM:g}; mend it")
    if len(values) < 2:
        return
    falling = values[1] < values[0] if values[1] != values[0] else values[-1] < values[0]
    for (before, value), place in zip(pairwise(values), places[1:], strict=True):
        if value == before:
            raise InputError(f"{place}: {what} {value:g} is there twice; leave one")
        if (value < before) != falling:
            order = "fall" if falling else "rise"
            raise InputError(f"{place}: {what} {value:g} after {before:g}, where the values before {order}; mend it")


def _list(sheet: Sheet, columns: Sequence[int]) -> AdvanceList:
    found: dict[str, dict[float, float]] = {}
    places: dict[tuple[str, float], Place] = {}
    hint = "cells are degrees before top dead centre"
    for row in sheet.content()[1:]:
        if len(words := sheet.words(row)) != len(_LIST):
            raise InputError(
                f"{sheet.path}: line {sheet.lines[row]}: has {len(words)} cells where the first row has {len(_LIST)}; "
                "mend it"
            )
        tune = words[columns[0]]
        if not tune:
            raise InputError(f"{sheet.where(row, columns[0])}: names no tune; write its label")
        rpm = sheet.number((row, columns[1]), "this column is rpm")
        if rpm < 0:
            raise InputError(f"{sheet.where(row, columns[1])}: {rpm:g} rpm is below zero; mend it")
        degrees = sheet.number((row, columns[2]), hint)
        if not ADVANCE_LIMITS[0] <= degrees <= ADVANCE_LIMITS[1]:
            low, high = ADVANCE_LIMITS
            raise InputError(f"{sheet.where(row, columns[2])}: {degrees:g} is outside {low:g} to {high:g}; {hint}")
        points = found.setdefault(tune, {})
        if rpm in points:
            raise InputError(f"{sheet.where(row, columns[1])}: {rpm:g} rpm of tune {tune!r} is there twice; leave one")
        points[rpm] = degrees
        places[tune, rpm] = (row, columns[2])
    tunes = {tune: (np.array(sorted(p)), np.array([p[rpm] for rpm in sorted(p)])) for tune, p in found.items()}
    return AdvanceList(sheet.path, tunes, sheet, places)


def _rounded(value: float, decimals: int, bounds: tuple[float, float]) -> float | None:
    """The multiple of 10^-decimals nearest to a value and within bounds, or None."""
    size = 10.0**decimals
    slack = 1e-9 / size
    near = np.array([round(value * size), np.floor(value * size), np.ceil(value * size)]) / size
    for number in sorted(near, key=lambda number: abs(number - value)):
        if bounds[0] - slack <= number <= bounds[1] + slack:
            return float(round(number, decimals))
    return None


def _places(values: Floats, axis: Floats) -> tuple[np.typing.NDArray[np.intp], Floats]:
    """(index below, part of the step above it) in a rising axis; part is NaN more than half a step outside."""
    if len(axis) == 1:
        return np.zeros(len(values), dtype=np.intp), np.where(np.isfinite(values), 0.0, np.nan)
    index = np.clip(np.searchsorted(axis, values, side="right") - 1, 0, len(axis) - 2)
    part = (values - axis[index]) / (axis[index + 1] - axis[index])
    part = np.where((part < -0.5) | (part > 1.5), np.nan, np.clip(part, 0.0, 1.0))
    return index, part
