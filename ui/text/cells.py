"""Sentences. The cells of a table that the drives reached, and the map of them."""

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from stream.study.tables.mixture import LEANER_HIGH_HITS
from stream.study.tables.reached import ENOUGH_PULLS, ENOUGH_S
from stream.study.tables.user_table import AdvanceList, UserTable
from ui.text.figures import pct
from ui.text.findings import Sentence, as_json, say, say_all
from ui.text.maps import NEVER, UNITS, CellMap, MapCell, in_shape, step_of

if TYPE_CHECKING:
    from stream.study.tables.ignition_table import WrittenCell
    from stream.study.tables.mixture import MixtureAdvice
    from stream.study.tables.reached import NextCell, Reached, ReachedCell

IN_TERMINAL = f"Seconds in each cell; behind a stroke the full-load pulls through it; {NEVER} never reached."
THIN = f"hatched: little stands behind it; {NEVER} never reached"
LEGEND = (
    f"Seconds in each cell, behind a stroke the full-load pulls through it; {THIN}; a corner filled: drive here next."
)
PULLS_LEGEND = f"Full-load pulls of all tunes; {THIN}."
KNOWN_DEG = (
    f"How well the best advance is known: ± degrees, 95 %; n 6: not bounded yet by six pulls or stretches; {THIN}."
)
KNOWN_PCT = f"How well the fuel's error is known: ± %, 95 %; n 6: six hits, too few; {THIN}."
CHANGE_DEG = f"Degrees: + more advance, − less, 0 as it is; {THIN}."
CHANGE_PCT = f"Fuel in %: + richer, − leaner, 0 as it is; {THIN}."
# steps of colour, all chosen: seconds, pulls, degrees and per cent of change; and how near the truth is known
ON_THE_ROAD = {"pulls": "full-load pulls", "thin": "hold it 3 s", "new": "hold it 3 s, never reached"}
SECONDS, PULLS = (ENOUGH_S, 10.0, 30.0, 100.0), (ENOUGH_PULLS, 6.0, 9.0, 12.0)
STEPS_DEG, STEPS_PCT = (0.5, 1.0, 1.5, 2.0), (1.0, 2.0, 4.0, 8.0)
WITHIN_DEG, WITHIN_PCT = (1.0, 2.0, 3.0, 5.0), (0.5, 1.0, 2.0, 4.0)
AXES = {"manifold_pressure": "manifold pressure", "throttle": "throttle"}
WHY = {
    "pulls": "full load, with fewer than three pulls",
    "thin": "only touched: hold it for 3 s or more",
    "new": "never reached, with reached cells on two sides",
}


def shown(cell: "ReachedCell") -> str:
    """The figure of one cell: seconds, and behind a stroke the pulls."""
    seconds = f"{cell.seconds:.0f}" if cell.seconds >= 0.95 else "<1"
    return f"{seconds}/{cell.pulls}" if cell.pulls else seconds


def place(rpm: float, second: float, unit: str) -> str:
    """A cell by its axes."""
    return f"{rpm:g} rpm, {second:g} {UNITS.get(unit, unit)}"


def reached_map(reached: "Reached", table: "UserTable") -> CellMap:
    """Where the drives were, in the table's own shape; what is worth driving next has a frame."""
    wanted = {(cell.rpm, cell.second_axis): cell.why for cell in reached.next}

    def made(row: int, column: int) -> MapCell:
        cell = reached.at(row, column)
        why = wanted.get((cell.rpm, cell.second_axis), "")
        next_ = f"; drive here next: {WHY[why]}" if why else ""
        where = place(cell.rpm, cell.second_axis, reached.unit)
        if cell.seconds == 0:
            return MapCell(never=True, wanted=bool(why), reading=f"{where}: never reached{next_}")
        spread = "" if cell.load_sd_pct is None else f", load scatters by {pct(cell.load_sd_pct)} %"
        counts = f"{cell.seconds:.1f} s, {_count(cell.visits, 'visit')}, {_count(cell.pulls, 'full-load pull')}{spread}"
        return MapCell(
            shown(cell),
            max(step_of(cell.seconds, SECONDS), 3 if cell.pulls >= ENOUGH_PULLS else 0),
            thin=(cell.seconds < ENOUGH_S and not cell.pulls) or 0 < cell.pulls < ENOUGH_PULLS,
            wanted=bool(why),
            reading=f"{where}: {counts}{next_}",
        )

    return in_shape(table, "Reached", LEGEND, made)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def ignition_maps(
    written: Sequence["WrittenCell"], advance: "AdvanceList | UserTable", reached: "Reached | None"
) -> tuple[CellMap, ...]:
    """Reached, evidence and proposed change of an advance table, in its own shape; a list of tunes is one row, of the
    points that were reached and one on each side.

    reached   of a grid; a list has no second axis, and its row counts pulls
    """
    if not isinstance(advance, UserTable):
        there = [place for place, cell in enumerate(written) if cell.bands] or [0]
        written = written[max(there[0] - 1, 0) : there[-1] + 2]
    evidence = [_advance_evidence(cell, _where(cell, advance)) for cell in written]
    change = [_advance_change(cell, _where(cell, advance)) for cell in written]
    if isinstance(advance, UserTable):
        across = len(advance.second)
        first = () if reached is None else (reached_map(reached, advance),)
        return (
            *first,
            in_shape(advance, "Evidence", KNOWN_DEG, lambda row, column: evidence[row * across + column]),
            in_shape(advance, "Change", CHANGE_DEG, lambda row, column: change[row * across + column]),
        )
    heads = tuple(f"{cell.rpm:g}" for cell in written)
    pulls = [_pulls_cell(cell) for cell in written]
    rows = (("Reached", PULLS_LEGEND, pulls), ("Evidence", KNOWN_DEG, evidence), ("Change", CHANGE_DEG, change))
    return tuple(CellMap(title, legend, "rpm", heads, ("full load",), (tuple(row),)) for title, legend, row in rows)


def _where(cell: "WrittenCell", advance: "AdvanceList | UserTable") -> str:
    if cell.second is None or not isinstance(advance, UserTable):
        return f"{cell.rpm:g} rpm, full load"
    return place(cell.rpm, cell.second, advance.unit)


def _pulls_cell(cell: "WrittenCell") -> MapCell:
    if not cell.n:
        return MapCell(never=True, reading=f"{cell.rpm:g} rpm, full load: no pull reached it")
    reading = f"{cell.rpm:g} rpm, full load: {_count(cell.n, 'pull')} of all tunes"
    return MapCell(str(cell.n), step_of(cell.n, PULLS), thin=cell.n < ENOUGH_PULLS, reading=reading)


def _advance_evidence(cell: "WrittenCell", where: str) -> MapCell:
    if not cell.bands:
        return MapCell(never=True, reading=f"{where}: nothing reached it")
    if cell.best is None:
        return MapCell(f"n {cell.n}", thin=True, reading=f"{where}: the best advance is not bounded yet; n {cell.n}")
    best, half = cell.best
    reading = f"{where}: best advance {best:.1f}° ± {half:.1f}° (95 %)"
    return MapCell(f"±{half:.1f}", _known(half, WITHIN_DEG), thin=half > WITHIN_DEG[-1], reading=reading)


def _advance_change(cell: "WrittenCell", where: str) -> MapCell:
    if not cell.bands:
        return MapCell(never=True, reading=f"{where}: {cell.now:g}°, left as it is: nothing reached it")
    change = cell.written - cell.now
    why = "; ".join(say_all(cell.reasons)) or "nothing in the bands that it reaches asks for a change"
    told = f"{cell.now:g}° to {cell.written:g}°" if change else f"{cell.now:g}°, unchanged"
    thin = cell.best is None or cell.n < ENOUGH_PULLS
    return MapCell(signed(change, 1), step_of(change, STEPS_DEG), thin=thin, reading=f"{where}: {told}: {why}")


def mixture_maps(advice: "MixtureAdvice", reached: "Reached | None") -> tuple[CellMap, ...]:
    """Reached, evidence and proposed change of fuel, in per cent, in the shape of the table that is multiplied."""
    grid, across = advice.grid, len(advice.grid.second)

    def evidence(row: int, column: int) -> MapCell:
        cell = advice.cells[row * across + column]
        where = place(cell.rpm, cell.second_axis, grid.unit)
        if not cell.n:
            return MapCell(never=True, reading=f"{where}: no hit")
        if cell.low is None or cell.high is None:
            return MapCell(f"n {cell.n}", thin=True, reading=f"{where}: {say(cell.why)}")
        half = 50 * (cell.high - cell.low)
        reading = f"{where}: fuel × {cell.estimate or 1.0:.3f} ± {half / 100:.3f} (95 %), {_count(cell.n, 'hit')}"
        return MapCell(f"±{half:.1f}", _known(half, WITHIN_PCT), thin=cell.n < LEANER_HIGH_HITS, reading=reading)

    def change(row: int, column: int) -> MapCell:
        cell = advice.cells[row * across + column]
        wanted = "" if cell.wanted is None or not math.isfinite(cell.wanted) else f", λ {cell.wanted:.3g} wanted"
        reading = f"{place(cell.rpm, cell.second_axis, grid.unit)}{wanted}: {say(cell.why)}"
        if cell.proposed is None:
            return MapCell("?" if cell.n else "", thin=bool(cell.n), never=not cell.n, reading=reading)
        pct_ = round(100 * (cell.proposed - 1), 1)
        return MapCell(signed(pct_, 1), step_of(pct_, STEPS_PCT), thin=cell.n < LEANER_HIGH_HITS, reading=reading)

    first = () if reached is None else (reached_map(reached, grid),)
    return (*first, in_shape(grid, "Evidence", KNOWN_PCT, evidence), in_shape(grid, "Change", CHANGE_PCT, change))


def _known(half: float, bounds: Sequence[float]) -> int:
    """Steps of colour: the more, the better it is known."""
    return 1 + sum(half <= bound for bound in bounds)


def signed(value: float, decimals: int) -> str:
    """With its sign, a true minus; 0 without one."""
    rounded = round(value, decimals) + 0.0
    return f"{rounded:+.{decimals}f}".replace("-", "−") if rounded else "0"


def summary(reached: "Reached") -> str:
    """How much of the table was reached."""
    there = [cell for cell in reached.cells if cell.seconds > 0]
    total = sum(cell.seconds for cell in there)
    pulls = max((cell.pulls for cell in there), default=0)
    words = f"{len(there)} of {len(reached.cells)} cells reached in {total:.0f} s"
    return f"{words}; the most crossed cell has {pulls} full-load pulls." if pulls else f"{words}; no full-load pull."


def road_words(reached: "Reached", here: tuple[int, int] | None) -> str:
    """What is driven now, and how much was reached, short enough for the road."""
    there = sum(cell.seconds > 0 for cell in reached.cells)
    known = f"{there} of {len(reached.cells)} cells"
    if here is None:
        return f"{known} · not in a cell now"
    cell = reached.at(*here)
    return f"{known} · now {place(cell.rpm, cell.second_axis, reached.unit)}: {_count(round(cell.seconds), 'second')}"


def next_lines(wanted: Sequence["NextCell"], unit: str, why: Mapping[str, str] = WHY) -> list[str]:
    """Where to drive next, and why; full-load cells of one column in one line, for one pull crosses them all."""
    lines = []
    columns = list(dict.fromkeys(cell.second_axis for cell in wanted if cell.why == "pulls"))
    for second in columns:
        rpm = [cell.rpm for cell in wanted if cell.why == "pulls" and cell.second_axis == second]
        span = f"{min(rpm):g}" if len(rpm) == 1 else f"{min(rpm):g} to {max(rpm):g}"
        lines.append(f"{span} rpm, {second:g} {UNITS.get(unit, unit)}: {why['pulls']}")
    rest = [cell for cell in wanted if cell.why != "pulls"]
    return [*lines, *(f"{place(cell.rpm, cell.second_axis, unit)}: {why[cell.why]}" for cell in rest)]


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
    "cells-minded": (
        "knock was heard or a limit passed: {cells} cells at and around its speeds are not offered to be driven next; "
        "find out why first"
    ),
    "cells-no-load": "{session}: no load was recorded: no pulls and no spread from it",
    "cells-no-zero": "{session}: no zero was taken: the spread of load is of load as recorded",
}
