"""Tables that a person hands in: what is read, and one clear line for each fault."""

from pathlib import Path

import numpy as np
import pytest

from stream.errors import InputError
from stream.study.tables.user_table import AdvanceList, UserTable, read_advance, read_target

TARGET = "manifold_pressure [kPa],40,60,100\n2000,1.0,1.0,0.9\n4000,1,0.96,0.88\n"


def write(folder: Path, text: str) -> Path:
    path = folder / "table.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_target_is_read_interpolated_and_written_back(tmp_path: Path) -> None:
    """Straight between breakpoints, the border's value half a step outside, nothing beyond; axes as written."""
    table = read_target(write(tmp_path, TARGET))

    assert (table.axis, table.unit) == ("manifold_pressure", "kPa")
    values = table.at(np.array([2000.0, 3000, 4000, 1500, 500]), np.array([60.0, 80, 110, 40, 40]))
    assert values[:4] == pytest.approx([1.0, (1.0 + 0.9 + 0.96 + 0.88) / 4, 0.88, 1.0])
    assert np.isnan(values[4])
    assert table.with_cells(np.array([[1.0, np.nan, 1.05], [1, 1, 1]])).splitlines()[1] == "2000,1.0000,,1.0500"


def test_an_order_that_falls_is_kept_and_semicolons_with_commas_are_read(tmp_path: Path) -> None:
    """As many tables are printed: highest rpm first."""
    table = read_target(write(tmp_path, "throttle;0;100\n6000;1,0;0,88\n2000;1,0;0,9\n"))

    assert table.rpm.tolist() == [2000, 6000]
    assert table.cells[:, 1].tolist() == [0.9, 0.88]
    assert table.with_cells(table.cells).splitlines()[1].startswith("6000,")


def test_advance_in_both_forms(tmp_path: Path) -> None:
    """A list of tunes; a table."""
    found = read_advance(write(tmp_path, "tune,rpm,advance\nheron,2000,20\nheron,4000,30\nplover,2000,22\n"))
    assert isinstance(found, AdvanceList)
    assert found.at("heron", np.array([3000.0, 5000.0])) == pytest.approx([25.0, np.nan], nan_ok=True)
    with pytest.raises(InputError, match=r"table\.csv: .*'wren'"):
        found.at("wren", np.array([3000.0]))
    assert isinstance(read_advance(write(tmp_path, "map,40,100\n2000,30,20\n")), UserTable)


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("manifold_pressure,40,x\n2000,1,1\n", "line 1, column 3: 'x' is not a number"),
        ("manifold_pressure,40,60\n2000,1,rich\n", "line 2, column 3: 'rich' is not a number"),
        ("manifold_pressure,40,60\n2000,1,-0.9\n", "line 2, column 3: -0.9 is outside"),
        ("manifold_pressure,40,60\n2000,14.7,14.7\n", "line 2, column 2: 14.7 is outside"),
        ("manifold_pressure,40,60\n2000,1,1\n2000,1,1\n", "line 3, column 1: rpm 2000 is there twice"),
        ("manifold_pressure,40,40\n2000,1,1\n", "line 1, column 3: manifold_pressure 40 is there twice"),
        ("manifold_pressure,40,60\n2000,1\n", "line 2: has 2 cells"),
        ("manifold_pressure,40,60\n2000,,1\n", "line 2, column 2: is empty"),
        ("coolant,40,60\n2000,1,1\n", "line 1, column 1: 'coolant' does not name the axis"),
        ("manifold_pressure,40,60\n-5,1,1\n", "line 2, column 1: -5 rpm"),
        ("", "has no rows"),
    ],
)
def test_faults_of_a_target_name_line_and_column(tmp_path: Path, text: str, place: str) -> None:
    """File, line, column, cure; one line."""
    with pytest.raises(InputError) as caught:
        read_target(write(tmp_path, text))

    assert str(caught.value).startswith(f"{tmp_path / 'table.csv'}: ")
    assert place in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("tune,rpm\nheron,2000\n", "line 1: columns tune, rpm are not tune, rpm, advance"),
        (
            "tune,rpm,advance\nheron,2000,20\nheron,2000,21\n",
            "line 3, column 2: 2000 rpm of tune 'heron' is there twice",
        ),
        ("tune,rpm,advance\nheron,2000,late\n", "line 2, column 3: 'late' is not a number"),
        ("tune,rpm,advance\nheron,2000,200\n", "line 2, column 3: 200 is outside"),
        ("tune,rpm,advance\n,2000,20\n", "line 2, column 1: names no tune"),
    ],
)
def test_faults_of_an_advance_list(tmp_path: Path, text: str, place: str) -> None:
    """The same for lists."""
    with pytest.raises(InputError, match=place):
        read_advance(write(tmp_path, text))
