"""The painter of cells: what a person can tell from a map without its colours, and where the cells lie."""

from pathlib import Path

import pytest

from stream.study.tables.user_table import read_table
from ui.report.pictures import PAPER
from ui.text.maps import (
    STEPS,
    CellMap,
    Dot,
    Fill,
    Line,
    MapCell,
    Mark,
    Palette,
    contrast,
    in_shape,
    shade,
    sheet,
    step_of,
    strokes,
)
from ui.window.theme import THEMES


def palette(name: str) -> Palette:
    theme = THEMES.get(name)
    if theme is None:
        return PAPER
    return Palette(theme.panel, theme.text, theme.muted, theme.line, theme.speed, theme.fault, theme.on_signal)


def one_cell(cell: MapCell, width: float = 90.0, height: float = 40.0, axes: bool = False):
    shown = CellMap("Change", "", "rpm", ("3000",), ("60",), ((cell,),))
    return strokes(shown, palette("dark"), width, height, axes=axes)


@pytest.mark.parametrize("name", ["dark", "light", "paper"])
@pytest.mark.parametrize("way", [-1, 1])
def test_the_figure_is_readable_on_every_step_of_colour(name: str, way: int) -> None:
    """WCAG 2, 1.4.3: 4.5:1 for text, on each of five steps both ways, dark, light and on paper."""
    colours = palette(name)
    for step in range(STEPS + 1):
        shown = CellMap("", "", "rpm", ("1",), ("1",), ((MapCell("+1.5", way * step),),))
        fill, mark = (
            next(one for one in strokes(shown, colours, 90, 40, axes=False)[1:] if isinstance(one, kind))
            for kind in (Fill, Mark)
        )
        assert fill.colour == shade(colours.card, colours.plus if way > 0 else colours.minus, step)
        assert contrast(mark.colour, fill.colour) >= 4.5


def test_each_state_is_told_without_colour() -> None:
    """A figure with its sign, hatching where little stands behind it, a dot for never, a corner filled."""
    kinds = {
        "plain": one_cell(MapCell("+1.5", 3)),
        "thin": one_cell(MapCell("−0.5", -1, thin=True)),
        "never": one_cell(MapCell(never=True)),
        "wanted": one_cell(MapCell("2", 1, wanted=True)),
    }
    marks = {name: [one.text for one in found if isinstance(one, Mark)] for name, found in kinds.items()}
    assert marks == {"plain": ["+1.5"], "thin": ["−0.5"], "never": [], "wanted": ["2"]}
    assert [any(isinstance(one, Line) for one in found) for found in kinds.values()] == [False, True, False, False]
    assert [any(isinstance(one, Dot) for one in found) for found in kinds.values()] == [False, False, True, False]
    ink = palette("dark").text
    cornered = [any(isinstance(one, Fill) and one.colour == ink for one in found) for found in kinds.values()]
    assert cornered == [False, False, False, True]


def test_hatching_stays_in_its_cell() -> None:
    """No line of one cell crosses another."""
    for one in one_cell(MapCell("1", thin=True), 70, 30):
        if isinstance(one, Line):
            for x, y in ((one.x, one.y), (one.to_x, one.to_y)):
                assert -1e-6 <= x <= 70 + 1e-6
                assert -1e-6 <= y <= 30 + 1e-6


def test_a_cell_too_small_for_its_figure_keeps_its_sign() -> None:
    """An overview still tells more from less without colour."""
    assert [one.text for one in one_cell(MapCell("−1.5", -3), 12, 10) if isinstance(one, Mark)] == ["−"]


def test_a_place_is_the_cell_that_is_drawn_there() -> None:
    """The middle of each cell's box leads back to it, the axes to none."""
    shown = CellMap("", "", "kPa\\rpm", ("1", "2", "3"), ("a", "b"), ((MapCell("1"),) * 3,) * 2)
    where = sheet(shown, 300, 90)
    for row in range(2):
        for column in range(3):
            x, y, width, height = where.box(row, column)
            assert where.at(x + width / 2, y + height / 2) == (row, column)
    assert where.at(1, 1) is None
    assert where.at(299, 91) is None


@pytest.mark.parametrize(
    ("text", "corner", "heads", "sides"),
    [
        ("rpm\\kPa;40;100\n3000;1;2\n2000;3;4\n", "rpm\\kPa", ("40", "100"), ("3000", "2000")),
        ("kPa\\rpm\t2000\t3000\n100\t4\t2\n40\t3\t1\n", "kPa\\rpm", ("2000", "3000"), ("100", "40")),
    ],
)
def test_a_map_stands_as_the_table_does(tmp_path: Path, text: str, corner: str, heads, sides) -> None:
    """Orientation and order of the axes are the person's own."""
    (tmp_path / "t.csv").write_text(text)
    table = read_table(tmp_path / "t.csv")
    shown = in_shape(table, "", "", lambda row, column: MapCell(f"{table.cells[row, column]:g}"))

    assert (shown.corner, shown.heads, shown.sides) == (corner, heads, sides)
    assert [[cell.text for cell in row] for row in shown.rows] == [
        line.split(";" if ";" in text else "\t")[1:] for line in text.splitlines()[1:]
    ]


def test_a_step_has_the_sign_of_its_value() -> None:
    """At most five steps, none for nothing."""
    assert [step_of(value, (0.5, 1.0, 1.5, 2.0)) for value in (0, 0.1, -0.5, 1.7, -9)] == [0, 1, -2, 4, -5]
