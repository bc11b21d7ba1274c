"""Maps of a person's table, and the one painter of their cells, for every screen and for paper.

A map says each thing twice: zero is the card's colour, plus goes in steps towards one colour and minus towards another,
and the figure with its sign stands in the cell; what is thin is hatched as well, what was never reached is a dot.
`strokes` lays a map out as fillings, lines, dots and texts; a screen and a page only put these down.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from stream.study.tables.user_table import UserTable

STEPS: Final = 5  # of colour, each way
SHARES: Final = (0.0, 0.12, 0.24, 0.38, 0.54, 1.0)  # of the way: none of them leaves a figure under 4.5:1
NEVER: Final = "·"
TEXT_SHARE, LEAST_TEXT = 0.62, 7.0  # of a cell's height; smaller figures give way to their sign, pixels or points
FIGURE_EM = 0.64  # width of a figure of the typeface by its size
UNITS = {"1": "of full throttle", "%": "% throttle"}


@dataclass(frozen=True, slots=True)
class MapCell:
    """One cell.

    text      the figure in it; '' with `never`
    step      of colour, -5 to 5
    thin      hatched: little stands behind it
    never     nothing was reached here
    wanted    worth driving next: a mark in its corner
    reading   the whole of it in words, for who points at it
    """

    text: str = ""
    step: int = 0
    thin: bool = False
    never: bool = False
    wanted: bool = False
    reading: str = ""


@dataclass(frozen=True, slots=True)
class CellMap:
    """Cells in the person's own orientation and order: `rows` from the top, `sides` before them, `heads` over them."""

    title: str
    legend: str
    corner: str
    heads: tuple[str, ...]
    sides: tuple[str, ...]
    rows: tuple[tuple[MapCell, ...], ...]

    def words(self) -> list[list[str]]:
        """The map as rows of words, for a terminal."""
        cells = [[NEVER if cell.never else cell.text for cell in row] for row in self.rows]
        return [[self.corner, *self.heads], *([side, *row] for side, row in zip(self.sides, cells, strict=True))]


def in_shape(table: UserTable, title: str, legend: str, cell: Callable[[int, int], MapCell]) -> CellMap:
    """A map in the shape of a table; `cell` is asked for (rpm, second axis), both counted upwards."""
    rows, columns = table.in_file_order()
    rpm, second = tuple(f"{table.rpm[i]:g}" for i in rows), tuple(f"{table.second[i]:g}" for i in columns)
    cells = [tuple(cell(row, column) for column in columns) for row in rows]
    unit = UNITS.get(table.unit, table.unit)
    if table.turned:
        return CellMap(title, legend, f"{unit}\\rpm", rpm, second, tuple(zip(*cells, strict=True)))
    return CellMap(title, legend, f"rpm\\{unit}", second, rpm, tuple(cells))


def shown_at(table: UserTable, row: int, column: int) -> tuple[int, int]:
    """Where on a map of `in_shape` the cell of rpm `row` and second axis `column`, counted upwards, stands."""
    rows, columns = table.in_file_order()
    at = rows.index(row), columns.index(column)
    return (at[1], at[0]) if table.turned else at


def step_of(value: float, bounds: Sequence[float]) -> int:
    """How many steps of colour a size is worth: one, and one more for each bound that it reaches; its sign kept."""
    size = 1 + sum(abs(value) >= bound for bound in bounds)
    return 0 if value == 0 else min(size, STEPS) * (1 if value > 0 else -1)


# -- the painter ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours as '#RRGGBB': the card, what is written on it, rules, and the two ways a cell's colour can go."""

    card: str
    text: str
    muted: str
    line: str
    plus: str
    minus: str
    on_signal: str


@dataclass(frozen=True, slots=True)
class Fill:
    """A rectangle, from its upper left corner; `edge` a frame of this width."""

    x: float
    y: float
    width: float
    height: float
    colour: str
    edge: float = 0.0


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line."""

    x: float
    y: float
    to_x: float
    to_y: float
    colour: str
    width: float


@dataclass(frozen=True, slots=True)
class Dot:
    """A disc about a middle."""

    x: float
    y: float
    radius: float
    colour: str


@dataclass(frozen=True, slots=True)
class Mark:
    """Text with its middle at a place; `to_right`: ends there."""

    x: float
    y: float
    text: str
    size: float
    colour: str
    bold: bool = False
    to_right: bool = False


Stroke = Fill | Line | Dot | Mark


@dataclass(frozen=True, slots=True)
class Sheet:
    """Where the cells of a map lie on a rectangle of this size."""

    left: float
    top: float
    cell_width: float
    cell_height: float
    across: int
    down: int

    def at(self, x: float, y: float) -> tuple[int, int] | None:
        """(row, column) of the cell at a place, None beside them."""
        column, row = int((x - self.left) // self.cell_width), int((y - self.top) // self.cell_height)
        return (row, column) if 0 <= row < self.down and 0 <= column < self.across else None

    def box(self, row: int, column: int) -> tuple[float, float, float, float]:
        """x, y, width and height of a cell."""
        x, y = self.left + column * self.cell_width, self.top + row * self.cell_height
        return x, y, self.cell_width, self.cell_height


def sheet(shown: CellMap, width: float, height: float, axes: bool = True) -> Sheet:
    """Cells that fill a rectangle; `axes` False: no room for the axis values."""
    down, across = len(shown.rows), max(len(shown.heads), 1)
    top = min(height / (down + 1), max(height * 0.12, 0.5 * height / (down + 1))) if axes else 0.0
    longest = max(map(len, (shown.corner, *shown.sides)), default=1)
    left = min(FIGURE_EM * longest * _axis_size(top) + 0.6 * top, 0.22 * width) if axes else 0.0
    return Sheet(left, top, (width - left) / across, (height - top) / max(down, 1), across, down)


def _axis_size(top: float) -> float:
    return TEXT_SHARE * top


@dataclass(slots=True)
class _Drawing:
    shown: CellMap
    palette: Palette
    where: Sheet
    size: float
    strokes: list[Stroke] = field(default_factory=list)

    def cell(self, row: int, column: int, figures: bool) -> None:
        cell, palette = self.shown.rows[row][column], self.palette
        x, y, width, height = self.where.box(row, column)
        gap = min(1.0, 0.04 * height)
        fill = shade(palette.card, palette.plus if cell.step > 0 else palette.minus, cell.step)
        ink = readable(fill, palette.text, palette.on_signal)
        self.strokes.append(Fill(x + gap / 2, y + gap / 2, width - gap, height - gap, fill))
        if cell.never:
            radius = max(0.07 * min(width, height), 0.7)
            self.strokes.append(Dot(x + width / 2, y + height / 2, radius, palette.muted))
        if cell.thin:
            self._hatch(x, y, width, height, mixed(fill, ink, 0.34))
        text = cell.text if figures else cell.text[:1] if cell.text[:1] in ("+", "−", "?") else ""
        if text and not cell.never:
            size = self.size if figures else min(0.8 * height, 0.9 * width)
            if cell.thin and figures:  # a clear ground under the figure: hatching takes nothing from reading it
                wide = FIGURE_EM * len(text) * size
                self.strokes.append(Fill(x + (width - wide) / 2, y + height / 2 - 0.55 * size, wide, 1.1 * size, fill))
            self.strokes.append(Mark(x + width / 2, y + height / 2, text, size, ink))
        if cell.wanted:
            side = 0.3 * min(width, height)
            self.strokes.append(Fill(x + width - gap / 2 - side, y + gap / 2, side, side, palette.text))

    def _hatch(self, x: float, y: float, width: float, height: float, colour: str) -> None:
        side = min(height, width)
        pitch, thick = max(side / 3.2, 1.5), max(0.045 * side, 0.3)
        start = -height
        while start < width:
            begin, end = max(start, 0.0), min(start + height, width)
            if end > begin:
                self.strokes.append(
                    Line(x + begin, y + height - (begin - start), x + end, y + height - (end - start), colour, thick)
                )
            start += pitch

    def axes(self) -> None:
        where, size = self.where, _axis_size(self.where.top)
        room = 0.88 * where.cell_width / (FIGURE_EM * max(map(len, self.shown.heads), default=1))
        step = max(1, math.ceil(0.7 * size / room))  # of many narrow columns some are named, and can be read
        room *= step
        for column, text in enumerate(self.shown.heads):
            if column % step or (step > 1 and column + 1 == len(self.shown.heads)):  # the last has no room beyond it
                continue
            x = where.left + (column + 0.5) * where.cell_width
            self.strokes.append(Mark(x, where.top / 2, text, min(size, room), self.palette.muted))
        for row, text in enumerate(self.shown.sides):
            y = where.top + (row + 0.5) * where.cell_height
            fits = min(size, TEXT_SHARE * where.cell_height)
            self.strokes.append(Mark(where.left * 0.93, y, text, fits, self.palette.muted, to_right=True))
        fits = min(size, 0.9 * where.left / (FIGURE_EM * len(self.shown.corner)))
        self.strokes.append(
            Mark(where.left * 0.93, where.top / 2, self.shown.corner, fits, self.palette.muted, True, True)
        )


def strokes(
    shown: CellMap,
    palette: Palette,
    width: float,
    height: float,
    *,
    chosen: tuple[int, int] | None = None,
    here: tuple[int, int] | None = None,
    axes: bool = True,
    least_text: float = LEAST_TEXT,
) -> list[Stroke]:
    """A map on a rectangle, y downwards. `chosen` and `here` (where the engine is now) are cells with a frame."""
    where = sheet(shown, width, height, axes)
    longest = max((len(cell.text) for row in shown.rows for cell in row), default=1)
    size = min(TEXT_SHARE * where.cell_height, 0.86 * where.cell_width / (FIGURE_EM * max(longest, 2)))
    drawing = _Drawing(shown, palette, where, size)
    drawing.strokes.append(Fill(where.left, where.top, width - where.left, height - where.top, palette.line))
    for row, column in ((r, c) for r in range(where.down) for c in range(where.across)):
        drawing.cell(row, column, size >= least_text)
    if axes:
        drawing.axes()
    for at, colour, share in ((chosen, palette.text, 0.1), (here, palette.text, 0.16)):
        if at is not None and at[0] < where.down and at[1] < where.across:
            x, y, wide, high = where.box(*at)
            drawing.strokes.append(Fill(x, y, wide, high, colour, edge=max(share * min(high, wide), 2.0)))
    return drawing.strokes


def shade(card: str, towards: str, step: int) -> str:
    """The card's colour, so many of five steps on the way to another."""
    return mixed(card, towards, SHARES[min(abs(step), STEPS)])


def mixed(one: str, other: str, share: float) -> str:
    """A colour between two, `share` of the way."""
    pairs = zip(_rgb(one), _rgb(other), strict=True)
    return "#" + "".join(f"{round(a + share * (b - a)):02X}" for a, b in pairs)


def readable(ground: str, *inks: str) -> str:
    """The ink with the most contrast on a ground (WCAG 2)."""
    return max(inks, key=lambda ink: contrast(ink, ground))


def contrast(one: str, other: str) -> float:
    """Contrast of two colours by WCAG 2, 1 to 21."""
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def _luminance(colour: str) -> float:
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (v / 255 for v in _rgb(colour))]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
