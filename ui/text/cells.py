"""Sentences. The cells of a table that the drives reached, and the map of them."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from ui.text.findings import Sentence, as_json

if TYPE_CHECKING:
    from stream.study.tables.reached import NextCell, Reached, ReachedCell
    from stream.study.tables.user_table import UserTable

NEVER = "·"
LEGEND = f"Seconds in each cell; behind a stroke the full-load pulls through it; {NEVER} never reached."
UNITS = {"1": "of full throttle", "%": "% throttle"}
AXES = {"manifold_pressure": "manifold pressure", "throttle": "throttle"}
WHY = {
    "pulls": "full load, with fewer than three pulls",
    "thin": "only touched: hold it for 3 s or more",
    "new": "never reached, with reached cells on two sides",
}


def shown(cell: "ReachedCell") -> str:
    """One cell of the map."""
    if cell.seconds == 0:
        return NEVER
    seconds = f"{cell.seconds:.0f}" if cell.seconds >= 0.95 else "<1"
    return f"{seconds}/{cell.pulls}" if cell.pulls else seconds


def place(rpm: float, second: float, unit: str) -> str:
    """A cell by its axes."""
    return f"{rpm:g} rpm, {second:g} {UNITS.get(unit, unit)}"


def table_map(reached: "Reached", table: "UserTable") -> list[list[str]]:
    """Rows of words in the table's own orientation and order, the axis values first in each."""
    rows, columns = table.in_file_order()
    rpm, second = [f"{table.rpm[i]:g}" for i in rows], [f"{table.second[i]:g}" for i in columns]
    cells = [[shown(reached.at(row, column)) for column in columns] for row in rows]
    if table.turned:
        corner, top, side = f"{UNITS.get(table.unit, table.unit)}\\rpm", rpm, second
        cells = [list(column) for column in zip(*cells, strict=True)]
    else:
        corner, top, side = f"rpm\\{UNITS.get(table.unit, table.unit)}", second, rpm
    return [[corner, *top], *([name, *line] for name, line in zip(side, cells, strict=True))]


def summary(reached: "Reached") -> str:
    """How much of the table was reached."""
    there = [cell for cell in reached.cells if cell.seconds > 0]
    total = sum(cell.seconds for cell in there)
    pulls = max((cell.pulls for cell in there), default=0)
    words = f"{len(there)} of {len(reached.cells)} cells reached in {total:.0f} s"
    return f"{words}; the most crossed cell has {pulls} full-load pulls." if pulls else f"{words}; no full-load pull."


def next_lines(wanted: Sequence["NextCell"], unit: str) -> list[str]:
    """Where to drive next, and why; full-load cells of one column in one line, for one pull crosses them all."""
    lines = []
    columns = list(dict.fromkeys(cell.second_axis for cell in wanted if cell.why == "pulls"))
    for second in columns:
        rpm = [cell.rpm for cell in wanted if cell.why == "pulls" and cell.second_axis == second]
        span = f"{min(rpm):g}" if len(rpm) == 1 else f"{min(rpm):g} to {max(rpm):g}"
        lines.append(f"{span} rpm, {second:g} {UNITS.get(unit, unit)}: {WHY['pulls']}")
    rest = [cell for cell in wanted if cell.why != "pulls"]
    return [*lines, *(f"{place(cell.rpm, cell.second_axis, unit)}: {WHY[cell.why]}" for cell in rest)]


def cells_json(reached: "Reached") -> dict[str, Any]:
    """What `cells --json` prints."""
    import msgspec

    rows: dict[str, Any] = msgspec.to_builtins(msgspec.structs.replace(reached, findings=()))
    return {**rows, **as_json(reached.findings)}


def _outside(values: Mapping[str, Any]) -> str:
    return f"{values['seconds']:.0f} s ({values['share_pct']:.0f} % of the drive) lie outside the table"


def _boost(values: Mapping[str, Any]) -> str:
    why = "the engine is boosted" if values["boosted"] else "the table goes above the air's pressure and nobody says"
    why += "" if values["boosted"] else " whether the engine is boosted"
    return f"{values['session']}: no usable manifold pressure, and {why}: none of its rows has a cell; log the pressure"


def _not_logged(values: Mapping[str, Any]) -> str:
    count = values["pulls"]
    pulls = "its one pull is" if count == 1 else f"its {count} pulls are"
    return (
        f"{values['session']}: no usable {AXES[values['axis']]}: {pulls} placed at full load, all else of it has no "
        "cell; log it to see part load"
    )


SENTENCES: dict[str, Sentence] = {
    "cells-none": "no row of these sessions lies in {table}: compare its axes and units with the drive",
    "cells-outside": _outside,
    "cells-axis-boost": _boost,
    "cells-axis-not-logged": _not_logged,
    "cells-no-load": "{session}: no load was recorded: no pulls and no spread from it",
    "cells-no-zero": "{session}: no zero was taken: the spread of load is of load as recorded",
}
