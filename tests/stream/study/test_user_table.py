"""Tables that a person hands in: any shape is read, written back as it came, and one clear line for each fault."""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.errors import InputError
from stream.study.tables.sheet import read_sheet
from stream.study.tables.user_table import (
    AdvanceList,
    UserTable,
    companion,
    read_advance,
    read_fuel,
    read_target,
    why_csv,
)

TARGET = "manifold_pressure [kPa],40,60,100\n2000,1.0,1.0,0.9\n4000,1,0.96,0.88\n"
# kPa in one unit: NIST SP 811 (2008), appendix B.8, from memory; the bar, hPa and mbar by definition
KPA = {"kPa": 1.0, "hPa": 0.1, "mbar": 0.1, "Pa": 0.001, "bar": 100.0, "psi": 6.894757, "inHg": 3.386389}


def write(folder: Path, text: str) -> Path:
    path = folder / "table.csv"
    path.write_bytes(text.encode())
    return path


def test_a_target_is_read_and_interpolated(tmp_path: Path) -> None:
    """Straight between breakpoints, the border's value half a step outside, nothing beyond."""
    table = read_target(write(tmp_path, TARGET))

    assert (table.axis, table.unit) == ("manifold_pressure", "kPa")
    values = table.at(np.array([2000.0, 3000, 4000, 1500, 500]), np.array([60.0, 80, 110, 40, 40]))
    assert values[:4] == pytest.approx([1.0, (1.0 + 0.9 + 0.96 + 0.88) / 4, 0.88, 1.0])
    assert np.isnan(values[4])


@pytest.mark.parametrize(
    ("text", "axis", "unit", "rpm", "second", "first"),
    [
        ("rpm,30,60,100\n2000,1,2,3\n6000,4,5,6\n", "manifold_pressure", "kPa", (2000, 6000), (30, 60, 100), 1),
        ("kPa,30,60,100\n2000,1,2,3\n6000,4,5,6\n", "manifold_pressure", "kPa", (2000, 6000), (30, 60, 100), 1),
        ("kPa,2000,6000\n30,1,2\n100,4,5\n", "manifold_pressure", "kPa", (2000, 6000), (30, 100), 1),
        ("kPa\\rpm\t2000\t6000\n100\t1\t2\n30\t4\t5\n", "manifold_pressure", "kPa", (2000, 6000), (30, 100), 4),
        ("rpm/kPa,30,100\n2000,1,2\n6000,4,5\n", "manifold_pressure", "kPa", (2000, 6000), (30, 100), 1),
        ("1/min\\hPa,300,1000\n2000,1,2\n6000,4,5\n", "manifold_pressure", "hPa", (2000, 6000), (300, 1000), 1),
        ("manifold_pressure[bar];0,3;1,0\n2000;1;2\n6000;4;5\n", "manifold_pressure", "bar", (2000, 6000), (0.3, 1), 1),
        ("MAP (psi),4.4,14.5\n2000,1,2\n6000,4,5\n", "manifold_pressure", "psi", (2000, 6000), (4.4, 14.5), 1),
        ("manifold_pressure_kpa,30,100\n900,1,2\n1500,4,5\n", "manifold_pressure", "kPa", (900, 1500), (30, 100), 1),
        ("map,300,1000\n2000,1,2\n6000,4,5\n", "manifold_pressure", "hPa", (2000, 6000), (300, 1000), 1),
        (",20,60,100\n2000,1,2,3\n6000,4,5,6\n", "manifold_pressure", "kPa", (2000, 6000), (20, 60, 100), 1),
        ("\t6000\t2000\n0\t1\t2\n100\t4\t5\n", "throttle", "%", (2000, 6000), (0, 100), 2),
        ("throttle,0,0.5,1\n2000,1,2,3\n6000,4,5,6\n", "throttle", "1", (2000, 6000), (0, 0.5, 1), 1),
        ("TPS %\\rpm,2000,6000\n0,1,2\n100,4,5\n", "throttle", "%", (2000, 6000), (0, 100), 1),
        ("sep=;\nrpm;30;100\n2000;1;2\n6000;4;5\n", "manifold_pressure", "kPa", (2000, 6000), (30, 100), 1),
        ("hPa,500,1000,2500\n2000,1,2,3\n7000,4,5,6\n", "manifold_pressure", "hPa", (2000, 7000), (500, 1000, 2500), 1),
        ("Pa,2000,7000\n20000,1,2\n100000,4,5\n", "manifold_pressure", "Pa", (2000, 7000), (20000, 100000), 1),
    ],
)
def test_the_corner_or_the_values_say_which_axis_is_which(
    tmp_path: Path, text: str, axis: str, unit: str, rpm: tuple[float, ...], second: tuple[float, ...], first: float
) -> None:
    """The cell at the lowest rpm and load is the one that a person would find there."""
    table = read_fuel(write(tmp_path, text))

    assert (table.axis, table.unit) == (axis, unit)
    assert (table.rpm.tolist(), table.second.tolist()) == (list(rpm), list(second))
    assert table.cells[0, 0] == first
    assert table.sheet.text() == text


def test_what_changed_has_the_decimals_of_its_neighbours_and_nothing_else_moved(tmp_path: Path) -> None:
    """Quotes, blanks, order, marks and line ends stay; a change below the last decimal is none."""
    text = '\ufeff"kPa\\rpm";6000; 2000 ;;\r\n100;"52,5"; 49,0;;\r\n40;38;40,2;;\r\n;;;;\r\n\r\n'
    table = read_fuel(write(tmp_path, text))
    cells = table.cells.copy()
    cells[0, 1] *= 1.043  # 49,0 at 2000 rpm, 100 kPa: 51,107
    cells[1, 0] *= 1.05  # 38 at 6000 rpm, 40 kPa: 39,9
    cells[0, 0] += 0.04  # 40,24: no change at one decimal
    whole, written = table.rewritten(cells)

    assert whole == text.replace(" 49,0", " 51,1").replace("40;38;", "40;39,9;")
    assert written.tolist() == [[40.2, 51.1], [39.9, 52.5]]


def test_rounding_stays_within_the_bounds(tmp_path: Path) -> None:
    """57.3 of a table of whole numbers, no lower than that: 58; where no whole number fits, nothing is changed."""
    table = read_fuel(write(tmp_path, "kPa,40,100\n2000,59,60\n6000,61,62\n"))
    cells = np.full((2, 2), np.nan)
    cells[0, 0], cells[1, 1] = 57.3, 62.4
    text, written = table.rewritten(cells, np.full((2, 2), 57.23), np.full((2, 2), 62.45))

    assert written.tolist() == [[58, 60], [61, 62]]
    assert text == "kPa,40,100\n2000,58,60\n6000,61,62\n"


rpm_axis = (
    st.lists(st.integers(0, 9000), min_size=1, max_size=6, unique=True).map(sorted).filter(lambda v: v[-1] > 2100)
)
kpa_axis = st.lists(st.integers(11, 250), min_size=1, max_size=6, unique=True).map(sorted).filter(lambda v: v[-1] >= 50)


@st.composite
def shapes(draw: st.DrawFn) -> dict[str, object]:
    """How a table may be written."""
    return {
        "turned": draw(st.booleans()),
        "unit": draw(st.sampled_from(sorted(KPA))),
        "separator": draw(st.sampled_from([",", ";", "\t"])),
        "comma": draw(st.booleans()),
        "down": draw(st.booleans()),
        "across": draw(st.booleans()),
        "bom": draw(st.sampled_from(["", "\ufeff"])),
        "end": draw(st.sampled_from(["\n", "\r\n"])),
        "quoted": draw(st.booleans()),
        "blank": draw(st.integers(0, 2)),
        "tail": draw(st.sampled_from(["", "\n", "\n\n"])),
    }


def written(rpm: list[int], kpa: list[int], cells: np.ndarray, shape: dict[str, object]) -> str:
    """The table as text; every number with more figures than any reader needs."""
    unit, separator, end = str(shape["unit"]), str(shape["separator"]), str(shape["end"])

    def cell(value: float) -> str:
        text = np.format_float_positional(value, trim="-", precision=9)
        text = text.replace(".", ",") if shape["comma"] and separator != "," else text
        return f'"{text}"' if shape["quoted"] else text

    second = [value / KPA[unit] for value in kpa]
    corner, side, top, body = f"rpm\\{unit}", [float(r) for r in rpm], second, cells
    if shape["turned"]:
        corner, side, top, body = f"{unit}\\rpm", second, side, cells.T
    side_order, top_order = (
        range(len(side))[:: -1 if shape["down"] else 1],
        range(len(top))[:: -1 if shape["across"] else 1],
    )
    lines = [separator.join([corner, *(cell(top[column]) for column in top_order)])]
    lines += [separator.join([cell(side[row]), *(cell(body[row, c]) for c in top_order)]) for row in side_order]
    lines = [line + separator * int(str(shape["blank"])) for line in lines]
    return str(shape["bom"]) + end.join(lines) + str(shape["tail"]).replace("\n", end)


@given(rpm_axis, kpa_axis, st.integers(0, 2**31), shapes(), shapes())
def test_any_shape_comes_back_as_it_was_and_means_what_its_twin_means(
    tmp_path_factory: pytest.TempPathFactory, rpm: list[int], kpa: list[int], seed: int, one: dict, other: dict
) -> None:
    """Transposed, re-ordered, in another unit, quoted, with other separators: the same numbers, and byte for byte."""
    folder = tmp_path_factory.mktemp("table")
    cells = np.random.default_rng(seed).uniform(0.5, 1.5, (len(rpm), len(kpa))).round(4)
    texts = [written(rpm, kpa, cells, shape) for shape in (one, other)]
    tables = []
    for text in texts:
        table = read_target(write(folder, text))
        assert table.sheet.text().encode() == text.encode()
        assert table.rewritten(table.cells)[0].encode() == text.encode()
        tables.append(table)
    where = np.array([rpm[0] + 0.3 * (rpm[-1] - rpm[0]), rpm[-1]], dtype=float)
    load = np.array([kpa[-1], kpa[0] + 0.6 * (kpa[-1] - kpa[0])], dtype=float)
    values = []
    for table, shape in zip(tables, (one, other), strict=True):
        assert table.rpm.tolist() == rpm
        assert table.second * KPA[str(shape["unit"])] == pytest.approx(kpa, rel=1e-6)
        assert table.cells.tolist() == cells.tolist()
        values.append(table.at(where, load / KPA[str(shape["unit"])]))
    assert values[0] == pytest.approx(values[1], abs=1e-5)
    # one cell changed: every other byte stands
    row, column = int(seed) % len(rpm), int(seed // 7) % len(kpa)
    new = tables[0].cells.copy()
    new[row, column] = 1.9876
    text, standing = tables[0].rewritten(new)
    assert standing[row, column] == pytest.approx(1.9876, abs=0.5)
    assert read_target(write(folder, text)).cells.tolist() == standing.tolist()
    old_cells, new_cells = (
        t.replace(str(one["end"]), str(one["separator"])).split(str(one["separator"])) for t in (texts[0], text)
    )
    assert sum(a != b for a, b in zip(old_cells, new_cells, strict=True)) == 1


def test_advance_in_both_forms_and_back(tmp_path: Path) -> None:
    """A list of tunes; a table."""
    text = "tune,rpm,advance\nheron,4000,30\nheron,2000,20.5\nplover,2000,22\n"
    found = read_advance(write(tmp_path, text))
    assert isinstance(found, AdvanceList)
    assert found.at("heron", np.array([3000.0, 5000.0])) == pytest.approx([25.25, np.nan], nan_ok=True)
    whole, degrees = found.rewritten("heron", np.array([np.nan, 31.26]), np.array([99, 31.26]))
    assert whole == text.replace("4000,30", "4000,31.2")
    assert degrees.tolist() == [20.5, 31.2]
    with pytest.raises(InputError, match=r"table\.csv: .*'wren'"):
        found.at("wren", np.array([3000.0]))
    assert isinstance(read_advance(write(tmp_path, "map,40,100\n2000,30,20\n")), UserTable)


def test_a_cell_far_off_its_neighbours_is_found(tmp_path: Path) -> None:
    """5.8 among values about 58; a steep but straight table has none."""
    grid = 20.0 + np.arange(1, 6)[:, None] * 2 + np.arange(1, 7)[None, :] * 9.0
    grid[2, 3] = 5.8
    rows = "\n".join(",".join([f"{1000 * (r + 1)}", *(f"{v:g}" for v in row)]) for r, row in enumerate(grid))
    table = read_fuel(write(tmp_path, f"kPa,20,35,50,65,80,95\n{rows}\n"))
    assert np.argwhere(table.far_from_neighbours(0.0, 0.35)).tolist() == [[2, 3]]
    grid[2, 3] = 62.0
    rows = "\n".join(",".join([f"{1000 * (r + 1)}", *(f"{v:g}" for v in row)]) for r, row in enumerate(grid))
    assert not read_fuel(write(tmp_path, f"kPa,20,35,50,65,80,95\n{rows}\n")).far_from_neighbours(0.0, 0.35).any()


def test_the_companion_says_per_cell_why(tmp_path: Path) -> None:
    """A row for each cell, in the table's own separator; notes in front."""
    table = read_fuel(write(tmp_path, "kPa;40;100\n2000;59;60\n"))
    text = why_csv(table, table.cells, table.cells + 1, [["one", "two; or so"]], ["made from a.h5"])
    assert companion(Path("x/fuel.csv")) == Path("x/fuel-why.csv")
    assert text.splitlines() == [
        "# made from a.h5",
        "rpm;manifold_pressure [kPa];now;written;why",
        "2000;40;59;60;one",
        '2000;100;60;61;"two; or so"',
    ]


def test_a_table_without_end_is_refused(tmp_path: Path) -> None:
    """No more of a file is read than a table can have: /dev/zero once took all memory there was."""
    path = tmp_path / "long.csv"
    path.write_bytes(b"0" * 5_000_000)
    with pytest.raises(InputError, match="longer than 4 MB"):
        read_sheet(path)


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("manifold_pressure,40,x\n2000,1,1\n", "line 1, column 3: 'x' is not a number"),
        ("manifold_pressure,40,60\n2000,1,rich\n", "line 2, column 3: 'rich' is not a number"),
        ("manifold_pressure,40,60\n2000,1,nan\n", "line 2, column 3: 'nan' is not finite"),
        ("manifold_pressure,40,60\n2000,1,-0.9\n", "line 2, column 3 (2000 rpm, 60 kPa): -0.9 is outside"),
        ("manifold_pressure,40,60\n2000,14.7,14.7\n", "line 2, column 2 (2000 rpm, 40 kPa): 14.7 is outside"),
        ("manifold_pressure,40,60\n2000,1,8.8\n", "line 2, column 3 (2000 rpm, 60 kPa): 8.8 is outside"),
        ("kPa\\rpm,2000,3000\n40,1,1\n60,1,8.8\n", "line 3, column 3 (3000 rpm, 60 kPa): 8.8 is outside"),
        ("manifold_pressure,40,60\n2000,1,1\n2000,1,1\n", "line 3, column 1: rpm 2000 is there twice"),
        ("manifold_pressure,60,60\n2000,1,1\n", "line 1, column 3: manifold_pressure 60 is there twice"),
        ("kPa,40,60,50\n2000,1,1,1\n", "line 1, column 4: manifold_pressure 50 after 60, where the values before rise"),
        ("kPa,40,60\n4000,1,1\n2000,1,1\n3000,1,1\n", "line 4, column 1: rpm 3000 after 2000, where the values before"),
        ("manifold_pressure,40,60\n2000,1\n", "line 2: has 2 cells"),
        ("manifold_pressure,40,60\n2000,,1\n", "line 2, column 2: is empty"),
        ("manifold_pressure,40,60\n2000,1,\n", "line 2, column 3: is empty"),
        ("manifold_pressure,40,60\n2000,1,0,9\n", "line 2: has 4 cells"),
        ("coolant,40,60\n2000,1,1\n", "line 1, column 1: 'coolant' does not name the axis"),
        ("manifold_pressure,40,60\n-5,1,1\n", "line 2, column 1: -5 rpm"),
        ("kPa\\rpm\\x,40,60\n2000,1,1\n", "more than two words"),
        ("kPa\\rpm,40,60\n2000,1,1\n", "line 1, column 1: 'kPa\\\\rpm' says that rpm is on top"),
        ("rpm\\rpm,40,60\n2000,1,1\n", "the same kind of axis twice"),
        ("rpm,40,60\n500,1,1\n", "neither axis reaches 2000"),
        (",5000,6000\n3000,1,1\n", "both axes reach 2000"),
        ("rpm,0.3,0.9\n3000,1,1\n", "may be pressure or throttle"),
        ("map,5,15\n3000,1,1\n", "names no unit"),
        ("kPa,300,1000\n3000,1,1\n", "1e+03 kPa, which no engine sees"),
        ("bar,30,100\n3000,1,1\n", "which no engine sees"),
        ("boost[psi],0,15\n3000,1,1\n", "is gauge pressure"),
        ("rpm\\bar(g),0,0.5,1\n3000,1,1,1\n", "is gauge pressure"),
        ("rpm\\map[kPa relative],0,50,100\n3000,1,1,1\n", "is gauge pressure"),
        ("rpm\\psi,0,5,15\n3000,1,1,1\n", "begins at 0 psi, as gauge pressure does; if it is absolute write"),
        ("rpm\\throttle V,0,2,5\n3000,1,1,1\n", "not read in 'v'"),
        ("throttle deg,0,40,80\n3000,1,1,1\n", "not read in 'deg'"),
        ("rpm x1000\\kPa,40,60\n3,1,1\n", "not read in 'x'"),
        ("rpm\\kPa,40,60\n3.000,1,1\n6.000,1,1\n", "rpm that ends at 6 is no engine's"),
        ("kPa,-60,0,60\n3000,1,1,1\n", "-60 is below zero; write absolute pressure"),
        ("manifold_pressure[torr],100,700\n3000,1,1\n", "'torr' is no unit of manifold_pressure"),
        ("throttle[%],0,0.5,1\n3000,1,1,1\n", "is not in %"),
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


def test_a_fuel_table_holds_amounts(tmp_path: Path) -> None:
    """A table of trims about 0 would be multiplied to nothing."""
    with pytest.raises(InputError, match=r"line 2, column 3 \(2000 rpm, 100 kPa\): -2 is outside"):
        read_fuel(write(tmp_path, "kPa,40,100\n2000,1,-2\n"))
    with pytest.raises(InputError, match="no amounts of fuel"):
        read_fuel(write(tmp_path, "kPa,40,100\n2000,0,0\n3000,0,2\n"))


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


def test_units_of_the_check_are_those_of_the_definition() -> None:
    """psi from pound force and inch, both exact since 1959; the check's own table is held to it."""
    assert KPA["psi"] == pytest.approx(0.45359237 * 9.80665 / 0.0254**2 / 1000, rel=1e-6)
    assert math.isclose(KPA["inHg"], 13595.1 * 9.80665 * 0.0254 / 1000, rel_tol=1e-5)


PLAIN_GRID = "kPa\\rpm,2000,4000,6000\n40,30.5,33.0,35.0\n100,20.0,25.5,28.0\n"


@pytest.mark.parametrize(
    "text",
    [
        "Ignition main,,,\n" + PLAIN_GRID.replace("\n", ",\n"),
        "Main table\n\n" + PLAIN_GRID,
        PLAIN_GRID.replace("2000,", "2000 rpm,").replace("\n40,", "\n40 kPa,").replace("\n100,", "\n100 kPa,"),
        ",2000 rpm,4000 rpm,6000 rpm\n40kPa,30.5,33.0,35.0\n100kPa,20.0,25.5,28.0\n",
        PLAIN_GRID.replace("30.5", "30.5°").replace("28.0", "28.0 deg"),
        "100,20.0,25.5,28.0\n40,30.5,33.0,35.0\nkPa\\rpm,2000,4000,6000\n",
        "rpm;40;100\n;kPa;kPa\n2000;30,5;20,0\n4000;33,0;25,5\n6000;35,0;28,0\n",
        "kPa\\rpm\t2 000\t4 000\t6 000\n40\t30.5\t33.0\t35.0\n100\t20.0\t25.5\t28.0\n",
        "kPa\\rpm;6'000;4'000;2'000\n40;35.0;33.0;30.5\n100;28.0;25.5;20.0\n",
    ],
    ids=["title", "title-alone", "units", "units-no-corner", "degrees", "foot", "unit-row", "blank", "apostrophe"],
)
def test_what_people_write_around_a_table_is_read_and_kept(tmp_path: Path, text: str) -> None:
    """Titles over it, units behind values or in a row of their own, the axis at the foot, thousands set apart."""
    table = read_advance(write(tmp_path, text))

    assert isinstance(table, UserTable)
    assert (table.axis, table.unit, table.rpm.tolist(), table.second.tolist()) == (
        "manifold_pressure",
        "kPa",
        [2000, 4000, 6000],
        [40, 100],
    )
    assert table.cells.tolist() == [[30.5, 20.0], [33.0, 25.5], [35.0, 28.0]]
    new = table.cells.copy()
    new[1, 1] = 27.1
    whole, _ = table.rewritten(new)
    mark = "25,5" if "25,5" in text else "25.5"
    assert whole == text.replace(mark, f"27{mark[2]}1")


def test_a_thousand_is_told_from_a_one_with_three_decimals(tmp_path: Path) -> None:
    """After 750 the axis would turn back, so 1.000 is a thousand; a pressure of 0.500 to 2.000 bar is none."""
    rpm = "kPa\\rpm;750;1.000;2.500;6.000\n40;1;2;3;4\n100;5;6;7;8\n"
    assert read_fuel(write(tmp_path, rpm)).rpm.tolist() == [750, 1000, 2500, 6000]
    bar = "bar\\rpm;2000;6000\n0.500;1;2\n1.000;3;4\n2.000;5;6\n"
    assert read_fuel(write(tmp_path, bar)).second.tolist() == [0.5, 1.0, 2.0]


@pytest.mark.parametrize("encoding", ["utf-16", "latin-1", "utf-8-sig"])
def test_the_encoding_goes_back_as_it_came(tmp_path: Path, encoding: str) -> None:
    """What spreadsheets write: 'Unicode text' is UTF-16, old ones write one byte a letter."""
    from stream.record.names import write_text

    text = "Zündung (°)\t\t\r\nkPa\\rpm\t2000\t6000\r\n40\t30,5\t35\r\n100\t20\t28\r\n"
    (tmp_path / "t.csv").write_bytes(text.encode(encoding))
    table = read_advance(tmp_path / "t.csv")
    assert isinstance(table, UserTable)
    new = table.cells.copy()
    new[0, 0] = 29.5
    write_text(tmp_path / "new.csv", table.rewritten(new)[0], table.encoding)
    assert (tmp_path / "new.csv").read_bytes() == text.replace("30,5", "29,5").encode(encoding)


@pytest.mark.parametrize(
    ("text", "cure"),
    [
        (PLAIN_GRID.replace("40,30.5", "40,30.5x"), "line 2, column 2: '30.5x' is not a number"),
        (PLAIN_GRID.replace("\n40", "\n40 psi").replace("\n100", "\n100 kPa"), "several units"),
        (PLAIN_GRID.replace("\n40", "\n40 psi").replace("\n100", "\n100 psi"), "values in psi on an axis of kPa"),
        ("kPa\\rpm 2000 6000\n40 1 2\n100 3 4\n", "apart by comma, semicolon or tab"),
    ],
)
def test_what_two_people_would_read_in_two_ways_is_refused(tmp_path: Path, text: str, cure: str) -> None:
    """With the place and what to write."""
    with pytest.raises(InputError, match=cure.replace("\\", "\\\\")):
        read_advance(write(tmp_path, text))


@pytest.mark.parametrize("corner", ["rpm\\psia", "rpm\\MAP [kPa]", "rpm\\manifold_pressure[bar]", "rpm\\absolute psi"])
def test_an_axis_that_says_it_is_absolute_may_begin_at_nothing(tmp_path: Path, corner: str) -> None:
    """A boost gauge begins at 0 too: only where the corner says absolute is such an axis taken, and then it is."""
    top = {"psi": "0,5,15", "kPa": "0,50,100", "bar": "0,0.5,1"}[next(u for u in ("psi", "kPa", "bar") if u in corner)]
    assert read_target(write(tmp_path, f"{corner},{top}\n3000,1,1,1\n")).axis == "manifold_pressure"
