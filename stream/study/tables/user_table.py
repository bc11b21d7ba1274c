"""Tables that a person exports from the engine controller: target λ, spark advance; one clear line for each fault.

Two forms. A table of two axes: first row the second axis's name and its values, first column rpm. A list of tunes:
columns tune, rpm, advance, at full load. Separators comma, semicolon (then decimal commas are fine) or tab.
"""

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from stream.errors import InputError
from stream.units import Floats as Array

Axis = Literal["manifold_pressure", "throttle"]
ADVANCE_LIMITS = (-30.0, 70.0)  # degrees before top dead centre; beyond, the column is something else
LAMBDA_LIMITS = (0.4, 2.0)  # beyond, nothing burns: the cells are an air-fuel ratio, or something else
_LIST = ("tune", "rpm", "advance")
_PRESSURE = re.compile(r"pressure|\bmap\b|manifold", re.IGNORECASE)
_THROTTLE = re.compile(r"throttle|\btps\b|\btp\b", re.IGNORECASE)
_UNIT = re.compile(r"[\[(]([^\])]*)[\])]")


@dataclass(frozen=True, slots=True)
class UserTable:
    """A table of two axes, both rising.

    second, rpm   (m,) values of the second axis, in `unit` ('' where none is written), and (n,) rpm
    cells         (n, m)
    head          the first cell as written;  rpm_as_written, second_as_written keep the file's own order
    """

    path: Path
    axis: Axis
    unit: str
    second: Array
    rpm: Array
    cells: Array
    head: str
    rpm_as_written: tuple[float, ...]
    second_as_written: tuple[float, ...]

    def at(self, rpm: Array, second: Array) -> Array:
        """Cells interpolated straight in both axes, the border's value up to half a step outside, NaN beyond."""
        row, row_part = _places(rpm, self.rpm)
        column, column_part = _places(second, self.second)
        up, right = np.minimum(row + 1, len(self.rpm) - 1), np.minimum(column + 1, len(self.second) - 1)
        low = self.cells[row, column] * (1 - column_part) + self.cells[row, right] * column_part
        high = self.cells[up, column] * (1 - column_part) + self.cells[up, right] * column_part
        result: Array = low * (1 - row_part) + high * row_part
        return result

    def with_cells(self, cells: Array) -> str:
        """CSV text with these axes as the person wrote them; a NaN cell is empty. cells (n, m), axes rising."""
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow([self.head, *(f"{value:g}" for value in self.second_as_written)])
        for rpm in self.rpm_as_written:
            row = cells[int(np.searchsorted(self.rpm, rpm))]
            values = [row[int(np.searchsorted(self.second, value))] for value in self.second_as_written]
            writer.writerow([f"{rpm:g}", *("" if np.isnan(value) else f"{value:.4f}" for value in values)])
        return text.getvalue()


@dataclass(frozen=True, slots=True)
class AdvanceList:
    """Full-load advance of several tunes: tune to (rpm rising (n,), degrees (n,))."""

    path: Path
    tunes: dict[str, tuple[Array, Array]]

    def at(self, tune: str, rpm: Array) -> Array:
        """Degrees at each rpm, straight between the rows; NaN outside them. InputError for a tune it lacks."""
        if tune not in self.tunes:
            there = ", ".join(repr(name) for name in self.tunes)
            raise InputError(
                f"{self.path}: column 'tune': no row for tune {tune!r} (it has {there}); add its rows, leave its "
                "sessions out, or log the advance"
            )
        points, degrees = self.tunes[tune]
        return np.interp(rpm, points, degrees, left=np.nan, right=np.nan)


def read_target(path: str | Path) -> UserTable:
    """A table of target λ. Raises InputError that names the file, the line and the column."""
    path = Path(path)
    hint = "cells are λ: divide an air-fuel ratio by the fuel's stoichiometric one"
    return _two_axes(path, _rows(path), LAMBDA_LIMITS, hint)


def read_advance(path: str | Path) -> AdvanceList | UserTable:
    """Advance, as a list of tunes or a table of two axes. Raises InputError that names the place."""
    path = Path(path)
    rows = _rows(path)
    head = [cell.strip().casefold() for cell in rows[0][1]]
    if sorted(head) == sorted(_LIST):
        return _list(path, rows, [head.index(name) for name in _LIST])
    if set(head) & {"tune", "advance"}:
        raise InputError(
            f"{path}: line {rows[0][0]}: columns {', '.join(rows[0][1])} are not tune, rpm, advance; write these, "
            "or a table with rpm down and manifold_pressure or throttle across"
        )
    return _two_axes(path, rows, ADVANCE_LIMITS, "cells are degrees before top dead centre")


def _rows(path: Path) -> list[tuple[int, list[str]]]:
    """(line, cells) of each line that is not blank."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"{path}: no such file; check the name") from None
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder; give the CSV file in it") from None
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: not UTF-8 text at byte {error.start}; save it as CSV in UTF-8") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check its permissions") from None
    first = next((line for line in text.splitlines() if line.strip()), "")
    separator = next((mark for mark in (";", "\t") if mark in first), ",")
    reader = csv.reader(io.StringIO(text), delimiter=separator, skipinitialspace=True)
    rows = []
    try:
        for cells in reader:
            while cells and not cells[-1].strip():
                cells.pop()
            if cells:
                rows.append((reader.line_num, [c.replace(",", ".") if separator == ";" else c for c in cells]))
    except csv.Error as error:
        raise InputError(f"{path}: line {reader.line_num}: {error}; save it as plain CSV") from None
    if len(rows) < 2:
        raise InputError(f"{path}: has no rows below a first line; a table has its axis in the first row")
    return rows


def _number(path: Path, line: int, column: int, text: str, cure: str) -> float:
    try:
        value = float(text)
    except ValueError:
        what = f"{text.strip()!r} is not a number" if text.strip() else "is empty"
        raise InputError(f"{path}: line {line}, column {column}: {what}; {cure}") from None
    if not np.isfinite(value):
        raise InputError(f"{path}: line {line}, column {column}: {text.strip()!r} is not finite; {cure}")
    return value


def _checked(path: Path, line: int, column: int, text: str, limits: tuple[float, float], hint: str) -> float:
    value = _number(path, line, column, text, hint)
    if not limits[0] <= value <= limits[1]:
        raise InputError(
            f"{path}: line {line}, column {column}: {value:g} is outside {limits[0]:g} to {limits[1]:g}; {hint}"
        )
    return value


def _rpm(path: Path, line: int, column: int, text: str) -> float:
    value = _number(path, line, column, text, "this column is rpm")
    if value < 0:
        raise InputError(f"{path}: line {line}, column {column}: {value:g} rpm is below zero; mend it")
    return value


def _axis(path: Path, line: int, head: str) -> Axis:
    pressure, throttle = bool(_PRESSURE.search(head)), bool(_THROTTLE.search(head))
    if pressure == throttle:
        raise InputError(
            f"{path}: line {line}, column 1: {head.strip()!r} does not name the axis across; write manifold_pressure "
            "or throttle there, rpm goes down"
        )
    return "manifold_pressure" if pressure else "throttle"


def _two_axes(path: Path, rows: list[tuple[int, list[str]]], limits: tuple[float, float], hint: str) -> UserTable:
    line, head = rows[0]
    axis = _axis(path, line, head[0])
    if len(head) < 2:
        raise InputError(f"{path}: line {line}: names an axis and has no values of it; write them beside the name")
    second = [_number(path, line, place, cell, f"this row is {axis}") for place, cell in enumerate(head[1:], start=2)]
    _unique(path, second, [f"line {line}, column {place}" for place in range(2, len(head) + 1)], axis)
    rpm, cells = [], []
    for line, row in rows[1:]:
        if len(row) != len(head):
            raise InputError(f"{path}: line {line}: has {len(row)} cells where the first row has {len(head)}; mend it")
        rpm.append(_rpm(path, line, 1, row[0]))
        cells.append([_checked(path, line, place, cell, limits, hint) for place, cell in enumerate(row[1:], start=2)])
    _unique(path, rpm, [f"line {line}, column 1" for line, _ in rows[1:]], "rpm")
    down, across = np.argsort(rpm), np.argsort(second)
    unit = _UNIT.search(head[0])
    return UserTable(
        path=path, axis=axis, unit=unit.group(1).strip() if unit else "", second=np.array(second)[across],
        rpm=np.array(rpm)[down], cells=np.array(cells)[np.ix_(down, across)], head=head[0].strip(),
        rpm_as_written=tuple(rpm), second_as_written=tuple(second),
    )  # fmt: skip


def _list(path: Path, rows: list[tuple[int, list[str]]], places: Sequence[int]) -> AdvanceList:
    found: dict[str, dict[float, float]] = {}
    for line, row in rows[1:]:
        if len(row) != len(_LIST):
            raise InputError(f"{path}: line {line}: has {len(row)} cells where the first row has {len(_LIST)}; mend it")
        tune, rpm_text, degrees = (row[place] for place in places)
        if not tune.strip():
            raise InputError(f"{path}: line {line}, column {places[0] + 1}: names no tune; write its label")
        rpm = _rpm(path, line, places[1] + 1, rpm_text)
        points = found.setdefault(tune.strip(), {})
        if rpm in points:
            raise InputError(f"{path}: line {line}, column {places[1] + 1}: {rpm:g} rpm of tune {tune.strip()!r} is "
                             "there twice; leave one")  # fmt: skip
        hint = "cells are degrees before top dead centre"
        points[rpm] = _checked(path, line, places[2] + 1, degrees, ADVANCE_LIMITS, hint)
    return AdvanceList(
        path, {tune: (np.array(sorted(p)), np.array([p[rpm] for rpm in sorted(p)])) for tune, p in found.items()}
    )


def _unique(path: Path, values: Sequence[float], places: Sequence[str], what: str) -> None:
    seen: set[float] = set()
    for value, place in zip(values, places, strict=True):
        if value in seen:
            raise InputError(f"{path}: {place}: {what} {value:g} is there twice; leave one")
        seen.add(value)


def _places(values: Array, axis: Array) -> tuple[np.typing.NDArray[np.intp], Array]:
    """(index below, part of the step above it) in a rising axis; part is NaN more than half a step outside."""
    if len(axis) == 1:
        return np.zeros(len(values), dtype=np.intp), np.where(np.isfinite(values), 0.0, np.nan)
    index = np.clip(np.searchsorted(axis, values, side="right") - 1, 0, len(axis) - 2)
    part = (values - axis[index]) / (axis[index + 1] - axis[index])
    part = np.where((part < -0.5) | (part > 1.5), np.nan, np.clip(part, 0.0, 1.0))
    return index, part
