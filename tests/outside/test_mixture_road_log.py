"""A real car's log of 39 minutes, with a λ put into it that measures nothing: no cell may be proposed for.

The log is the carOBD data set's (see the data folder's README); its throttle reads 15 % where it is closed.
"""

import csv
import gzip
import json
from pathlib import Path

import pytest

from tests.outside_data import outside_file
from tests.ui_cli import in_process

CAR = """\
[car]
name = "road car"
[[channel]]
name = "time"
role = "time"
[[channel]]
name = "rpm"
role = "engine_speed"
unit = "rpm"
[[channel]]
name = "map"
role = "manifold_pressure"
unit = "kPa"
[[channel]]
name = "throttle"
role = "throttle"
unit = "%"
[[channel]]
name = "lam"
role = "lambda"
[[channel]]
name = "short"
role = "fuel_trim"
unit = "%"
[[channel]]
name = "coolant"
role = "temperature"
unit = "C"
"""
COLUMNS = ("ENGINE_RPM", "INTAKE_MANIFOLD_PRESSURE", "THROTTLE", "SHORT_TERM_FUEL_TRIM_BANK_1", "COOLANT_TEMPERATURE")
TARGET = "kPa,20,40,60,80,100\n1000,1,1,1,0.95,0.9\n2000,1,1,1,0.95,0.9\n3000,1,1,1,0.95,0.9\n4000,1,1,1,0.95,0.9\n"


@pytest.fixture(scope="module")
def rows() -> list[list[str]]:
    with gzip.open(outside_file("road_obd_long1.csv.gz"), "rt") as text:
        return list(csv.reader(text))


@pytest.mark.parametrize("level", [0.80, 1.00])
def test_a_lambda_that_sat_at_one_value_moves_nothing(rows: list[list[str]], tmp_path: Path, level: float) -> None:
    """At any value; where it says lean under load that is said first, all the same."""
    heads = [cell.split(" ")[0] for cell in rows[0]]
    places = [heads.index(name) for name in COLUMNS]
    lines = ["time,rpm,map,throttle,short,coolant,lam"]
    lines += [
        ",".join([f"{number / 1.5:.3f}", *(row[place].strip() for place in places), f"{level:g}"])
        for number, row in enumerate(rows[1:])
    ]
    (tmp_path / "log.csv").write_text("\n".join(lines) + "\n")
    (tmp_path / "car.toml").write_text(CAR)
    (tmp_path / "target.csv").write_text(TARGET)
    made = in_process("import", tmp_path / "log.csv", "--car", tmp_path / "car.toml", "-o", tmp_path / "s.h5")
    assert made.code == 0, made.err
    done = in_process("advise-mixture", tmp_path / "s.h5", "--target", tmp_path / "target.csv", "--json")
    assert done.code == 0, done.err
    answer = json.loads(done.out)

    assert len(answer["cells"]) == 20
    assert all(cell["proposed"] is None for cell in answer["cells"])
    codes = [finding["code"] for finding in answer["findings"]]
    assert "lambda-stuck" in codes
    assert (codes[0] == "lean-under-load") == (level >= 1.0)
