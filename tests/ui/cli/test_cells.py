"""`cells`: the map of a person's table over drives made here, against counts of the test's own."""

import json
from pathlib import Path

import numpy as np
import pytest

from stream.events import Event
from stream.study.dataset import open_dataset
from stream.study.tables.reached import cells_reached
from stream.study.tables.user_table import read_table
from tests.array_session import write_session
from tests.pull_sessions import write_pull_session

RATE = 50.0
CAR = """\
[car]
name = "hill-climb special"
[engine]
redline_rpm = 7000
boosted = false
[[channel]]
name = "rpm"
role = "engine_speed"
unit = "rpm"
[[channel]]
name = "link"
role = "load"
unit = "mV/V"
"""
MAP = '[[channel]]\nname = "map"\nrole = "manifold_pressure"\nunit = "kPa"\n'
RPM, KPA = (1000, 2000, 3000, 4000, 5000, 6000), (30, 50, 70, 100)


def stretch(seconds: float, rpm: tuple[float, float], kpa: float, load: float) -> np.ndarray:
    """(samples, rpm kPa load) from one speed to the other."""
    n = round(seconds * RATE)
    return np.column_stack([np.linspace(*rpm, n), np.full(n, kpa), np.full(n, load)])


def drive(folder: Path, with_map: bool = True, name: str = "day.h5") -> Path:
    """Hold at 2000/50 for 20 s, at 3000/50 for 8 s, back to 2000/50 for 10 s; two pulls 2200 to 6300 at 100 kPa."""
    pull = [
        stretch(2, (2000, 2100), 50, 0.2),
        stretch(8, (2100, 6300), 100, 1.0),
        stretch(3, (6300, 2000), 30, -0.1),
        stretch(5, (2000, 2000), 50, 0.2),
    ]
    parts = [
        stretch(20, (2000, 2000), 50, 0.2),
        stretch(1, (2000, 3000), 50, 0.25),
        stretch(8, (3000, 3000), 50, 0.3),
        stretch(1, (3000, 2000), 50, 0.25),
        stretch(10, (2000, 2000), 50, 0.2),
        *pull,
        *pull,
    ]
    rpm, kpa, load = np.concatenate(parts).T
    columns = {"rpm": rpm, "link": load, "map": kpa}
    if not with_map:
        del columns["map"]
    return write_session(folder / name, CAR + (MAP if with_map else ""), RATE, columns)


def table(folder: Path, turned: bool = False, scale: float = 1.0, corner: str = "") -> Path:
    """A table of advance, rpm down or across."""
    kpa = [f"{one * scale:g}" for one in KPA]
    side, top = (kpa, RPM) if turned else (RPM, kpa)
    corner = corner or ("kPa\\rpm" if turned else "rpm\\kPa")
    lines = [";".join([corner, *map(str, top)]), *(";".join([str(one), *["-20"] * len(top)]) for one in side)]
    path = folder / "table.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def cells(steadypull, *arguments) -> dict:
    ran = steadypull("cells", *arguments, "--json")
    assert ran.code == 0, ran.err
    return json.loads(ran.out)


def by_place(found: dict) -> dict:
    return {(cell["rpm"], cell["second_axis"]): cell for cell in found["cells"]}


def test_seconds_visits_and_pulls_are_those_of_the_drive(steadypull, tmp_path: Path) -> None:
    """Seconds by the ramps' own arithmetic: the 1 s ramp from 2000 to 3000 crosses the edge at 2500 after 0.5 s."""
    found = by_place(cells(steadypull, drive(tmp_path), "--table", table(tmp_path)))

    assert len(found) == len(RPM) * len(KPA)
    # 20 + 0.5 | 0.5 + 10 + 2 (the pull's own start) | 5 + 2 | 5: three visits, for a pull lies between
    assert found[2000, 50]["seconds"] == pytest.approx(20.5 + 12.5 + 7 + 5, abs=0.8)
    assert found[2000, 50]["visits"] == 4
    assert found[3000, 50]["seconds"] == pytest.approx(9.0, abs=0.4)
    assert found[3000, 50]["visits"] == 1
    assert found[3000, 50]["pulls"] == 0
    assert found[4000, 100]["pulls"] == 2
    assert found[4000, 100]["seconds"] == pytest.approx(2 * 1000 / (4200 / 8), abs=0.4)
    assert found[4000, 100]["visits"] == 2
    assert found[1000, 70] == {
        "rpm": 1000.0,
        "second_axis": 70.0,
        "seconds": 0.0,
        "visits": 0,
        "pulls": 0,
        "load_sd_pct": None,
    }
    assert found[2000, 50]["load_sd_pct"] < 10


@pytest.mark.parametrize(("scale", "corner"), [(10.0, "hPa\\rpm"), (0.01, "bar\\rpm")])
def test_orientation_and_unit_change_nothing_but_the_names(steadypull, tmp_path: Path, scale, corner) -> None:
    """rpm along the top, another unit, semicolons: the same seconds in the same cells."""
    path = drive(tmp_path)
    plain = by_place(cells(steadypull, path, "--table", table(tmp_path)))
    turned = by_place(cells(steadypull, path, "--table", table(tmp_path, True, scale, corner)))

    for rpm in RPM:
        for kpa in KPA:
            other = next(
                cell for (r, s), cell in turned.items() if r == rpm and abs(s - kpa * scale) < 1e-9 * scale * kpa
            )
            assert other["seconds"] == plain[rpm, kpa]["seconds"]
            assert other["pulls"] == plain[rpm, kpa]["pulls"]


def test_the_map_stands_as_the_table_does(steadypull, tmp_path: Path) -> None:
    """rpm across where the table has it across; a mark where never reached; where to drive next, none above 6000."""
    ran = steadypull("cells", drive(tmp_path), "--table", table(tmp_path, turned=True))

    assert ran.code == 0, ran.err
    lines = ran.out.splitlines()
    head = next(line for line in lines if line.startswith("kPa\\rpm"))
    assert head.split()[1:] == [str(rpm) for rpm in RPM]
    assert next(line for line in lines if line.split()[:1] == ["100"]).split()[4] == "4/2"
    assert next(line for line in lines if line.split()[:1] == ["70"]).split()[1] == "·"
    assert "Drive here next:" in ran.out
    assert "fewer than three pulls" in ran.out


def test_without_pressure_the_pulls_stand_at_full_load_and_it_is_said(steadypull, tmp_path: Path) -> None:
    """An engine that is said to have no boost: 101 kPa is the nearest to 100."""
    found = cells(steadypull, drive(tmp_path, with_map=False), "--table", table(tmp_path))
    place = by_place(found)

    assert place[4000, 100]["pulls"] == 2
    assert sum(cell["seconds"] for (_, kpa), cell in place.items() if kpa != 100) == 0
    assert "cells-axis-not-logged" in {one["code"] for one in found["findings"]}


def test_a_boost_table_without_pressure_places_nothing(steadypull, tmp_path: Path) -> None:
    """Nobody says whether the rehearsal engine is boosted, and the table goes to 200 kPa: unknown is no place."""
    path = write_pull_session(tmp_path / "pulls.h5", 3, "heron", pulls=2)
    (tmp_path / "boost.csv").write_text(
        "rpm\\kPa,40,100,200\n" + "".join(f"{rpm},30,25,15\n" for rpm in (2000, 4000, 6000))
    )
    found = cells(steadypull, path, "--table", tmp_path / "boost.csv")

    assert not any(cell["seconds"] for cell in found["cells"])
    assert "cells-axis-boost" in {one["code"] for one in found["findings"]}


def test_a_list_of_tunes_is_refused_with_the_cure(steadypull, tmp_path: Path) -> None:
    """It has no second axis."""
    (tmp_path / "list.csv").write_text("tune,rpm,advance\nheron,2000,20\nheron,3000,22\n")
    ran = steadypull("cells", drive(tmp_path), "--table", tmp_path / "list.csv")

    assert ran.code == 2
    assert "list of tunes" in ran.err
    assert len(ran.err.strip().splitlines()) == 1


def test_nobody_is_sent_to_where_knock_was_heard_or_a_limit_passed(steadypull, tmp_path: Path) -> None:
    """What was heard of the drive, of one pull, or by the key, and a limit that passed: no cell at those speeds, nor
    beside them, is offered to be driven next, and it is said; the same drive without it is sent to just these."""
    path, grid = drive(tmp_path), table(tmp_path)
    free = {(cell["rpm"], cell["second_axis"]) for cell in cells(steadypull, path, "--table", grid)["next"]}
    assert {(4000, 100), (5000, 100)} <= free

    assert steadypull("mark", path, "--heard", "4100-4900").code == 0
    found = cells(steadypull, path, "--table", grid)
    assert {(cell["rpm"], cell["second_axis"]) for cell in found["next"]} == {
        one for one in free if one[0] not in (4000, 5000)
    }
    assert "cells-minded" in {finding["code"] for finding in found["findings"]}
    assert steadypull("undo", path).code == 0
    assert steadypull("mark", path, "--heard", "4100-4900", "--pull", "1").code == 0
    assert not any(cell["rpm"] in (4000, 5000) for cell in cells(steadypull, path, "--table", grid)["next"])
    assert steadypull("undo", path).code == 0

    with open_dataset(path) as data:
        reached = read_table(grid)
        at = next(pull.start_s + 4 for pull in data.pulls)
        for kind in ("knock-heard", "limit"):
            data.events = (Event(1, at, kind, ""),)
            placed = {(cell.rpm, cell.second_axis) for cell in cells_reached([data], reached).next}
            assert placed
            assert not placed & {(3000.0, 100.0), (4000.0, 100.0), (5000.0, 100.0)}
