"""Each shape in which instruments and controllers write logs, through `import` and `replay --json`."""

import gzip
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import h5py
import numpy as np
import pytest

CAR = """
[car]
name = "x"
[[channel]]
name = "rpm"
role = "engine_speed"
unit = "rpm"
[[channel]]
name = "link"
role = "load"
unit = "mV/V"
[[channel]]
name = "clock"
role = "time"
column = "time"
"""
RATE, ROWS = 50, 500
BEGAN = datetime(2024, 3, 31, 23, 59, 55)
RNG = np.random.default_rng(12)
VALUES = np.column_stack([2000 + RNG.integers(-20, 20, ROWS) / 4, RNG.integers(-99, 99, ROWS) / 100])


def rows(stamp: Callable[[float], str] = lambda t: f"{t:.2f}", separator: str = ",", comma: bool = False) -> list[str]:
    """A row a sample, without line ends."""
    lines = []
    for k, (rpm, link) in enumerate(VALUES):
        numbers = [f"{rpm:.2f}", f"{link:.2f}"]
        lines.append(separator.join([stamp(k / RATE), *(n.replace(".", ",") if comma else n for n in numbers)]))
    return lines


def thousands() -> list[str]:
    """Decimal commas; engine speed whole, with a dot for its thousands."""
    found = []
    for k, (rpm, link) in enumerate(VALUES):
        found.append(f"{k / RATE:.2f};{rpm:.0f};{link:.2f}".replace(".", ",").replace(";20", ";2.0", 1))
    return found


def moment(form: str, keep: int = 3) -> Callable[[float], str]:
    """Stamps of a wall clock that passes midnight, with `keep` figures of the second's fraction."""

    def stamp(seconds: float) -> str:
        text = (BEGAN + timedelta(seconds=seconds)).strftime(form.replace("%f", "@"))
        fraction = f"{(BEGAN + timedelta(seconds=seconds)).microsecond:06d}"[:keep]
        return text.replace("@", fraction)

    return stamp


def put(lines: list[str], more: dict[int, str]) -> list[str]:
    """The lines with others in front of those whose places are given."""
    for at in sorted(more, reverse=True):
        lines = [*lines[:at], *more[at].split("\n"), *lines[at:]]
    return lines


H = "time,rpm,link"
SHAPES: dict[str, list[str]] = {
    "a preamble, a comment and units below": [
        "Recorder X, serial 12",
        "Date: 2024-03-01",
        "rpm range,0,8000",
        "",
        "# hello",
        H,
        "s,1/min,mV/V",
        *rows(),
    ],
    "a preamble of as many cells": ["name,owner,place", "heron,nobody,here", H, *rows()],
    "header in a comment": ["# a log", "# " + H, *rows()],
    "sep= and decimal commas": ["sep=;", "time;rpm;link", *rows(separator=";", comma=True)],
    "sep= in quotes, and another mark": ['"sep=|"', "time|rpm|link", *rows(separator="|")],
    "tabs, quotes and units in brackets": ['"time [s]"\t"rpm [1/min]"\t"link (mV/V)"', *rows(separator="\t")],
    "times of day past midnight": [H, *rows(moment("%H:%M:%S.%f"))],
    "times of day, comma": ["time;rpm;link", *rows(moment("%H:%M:%S,%f"), ";", comma=True)],
    "times of day, twelve hours": [H, *rows(moment("%I:%M:%S.%f %p"))],
    "minutes and seconds": [H, *rows(lambda t: f"{int(t + 58) // 60:02d}:{(t + 58) % 60:05.2f}")],
    "dd.mm.yyyy": ["time;rpm;link", "[s];[1/min];[mV/V]", *rows(moment("%d.%m.%Y %H:%M:%S,%f"), ";", comma=True)],
    "ISO with T": [H, *rows(moment("%Y-%m-%dT%H:%M:%S.%f"))],
    "ISO without T, microseconds": [H, *rows(moment("%Y-%m-%d %H:%M:%S.%f", 6))],
    "ISO with a zone": [H, *rows(moment("%Y-%m-%dT%H:%M:%S.%fZ"))],
    "epoch milliseconds": [H, *rows(lambda t: f"{1711929595000 + round(1000 * t)}")],
    "epoch seconds": [H, *rows(lambda t: f"{1711929595 + t:.2f}")],
    "milliseconds by the header": ["time [ms],rpm,link", *rows(lambda t: f"{1000 * t:.0f}")],
    "milliseconds by the row below": [H, "ms,rpm,-", *rows(lambda t: f"{1000 * t:.0f}")],
    "header and units repeated": [H, "s,1/min,mV/V", *put(rows(), {200: H + "\ns,1/min,mV/V", 300: H})],
    "header again in another order": [
        H,
        *rows()[:300],
        "link,time,rpm",
        *(",".join(np.roll(line.split(","), 1)) for line in rows()[300:]),
    ],
    "comments and blank lines": [H, *put(rows(), {100: "# noted", 200: "", 300: "   "})],
    "a comment behind a row": [H, *(line + " # here" * (n == 99) for n, line in enumerate(rows()))],
    "stray rows": [
        H,
        *put(rows(), {100: "*** mark ***", 150: "1,2", 200: "9,9,9,9", 250: "3.0,x,1", 260: "later,1,1"}),
    ],
    "empty cells at the rows' ends": [H + ",", *(line + "," for line in rows())],
    "the last row cut off": [H, *rows(), "10.00,20"],
}
LEFT_OUT = {
    "stray rows": "5 of 505 lines do not fit and are left out: 102, 153, 204, 255, 266; the first of them has 1"
}


@pytest.mark.parametrize("name", SHAPES)
def test_a_log_of_this_shape_is_read_as_it_was_written(steadypull, tmp_path: Path, name: str) -> None:
    """All numbers, at their times, and nothing else; what was left out is named."""
    (tmp_path / "car.toml").write_text(CAR)
    text = "\n".join(SHAPES[name]) + ("" if "cut off" in name else "\n")
    packed = len(name) % 2 == 0
    log = tmp_path / ("log.csv.gz" if packed else "log.csv")
    log.write_bytes(gzip.compress(text.encode()) if packed else text.encode())

    done = steadypull("import", log, "--car", tmp_path / "car.toml", "-o", tmp_path / "s.h5", "--json")
    assert done.code == 0, done.err
    again = steadypull("replay", tmp_path / "s.h5", "--headless", "--json").json

    assert again["session"]["rate_hz"] == RATE
    assert again["session"]["duration_s"] == pytest.approx(ROWS / RATE)
    assert again["session"]["lost_samples"] == 0
    (hold,) = again["holds"]
    assert hold["speed_rpm"] == pytest.approx(VALUES[:, 0].mean(), abs=1.0)
    with h5py.File(tmp_path / "s.h5") as file:
        np.testing.assert_array_equal(file["raw/samples"][:], VALUES.astype(np.float32))
        assert len(file["raw/gaps"]) == 0
        if name.startswith(("ISO", "dd.mm", "epoch")):
            assert file.attrs["started_utc"].startswith(("2024-03-31T23:59:55", "2024-03-31 23:59:55"))
    if name in LEFT_OUT:
        assert LEFT_OUT[name] in done.err
    assert [finding["code"] for finding in done.json["findings"]] == {
        "stray rows": ["lines-left-out"],
        "the last row cut off": ["last-row-cut-off"],
        "header and units repeated": ["header-repeated"],
        "header again in another order": ["header-repeated"],
    }.get(name, [])


def six(line: str) -> list[str]:
    """A log with six lines of this kind among its rows."""
    return [H, *put(rows(), dict.fromkeys(range(100, 106), line))]


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (six("what"), "line 102: has 1 cells where the header has 3; 6 of 506"),
        (six("9,9,9,9"), "line 102: has 4 cells .* by semicolons; 6 of 506"),
        (six("3.0,x,1"), "line 102, column 'rpm': 'x' is not a number; .* 6 of"),
        ([H, *rows()[:300], "time,rpm,force", *rows()[300:]], "line 302: another header, without column 'link'; cut"),
        ([H, *rows(lambda t: f"{1e12 * t:.0f}")], "column 'time': the clock steps by 2e.10 s, which no log does"),
        (["when,rpm,link", *rows()], "line 1: no column 'time'; .*, or give --rate HZ"),
    ],
)
def test_what_fits_too_little_is_refused_in_one_line(
    steadypull, tmp_path: Path, lines: list[str], message: str
) -> None:
    """Exit 2, the file, the first line that does not fit, and the cure; no session is left behind."""
    import re

    (tmp_path / "car.toml").write_text(CAR)
    (tmp_path / "log.csv").write_text("\n".join(lines) + "\n")

    done = steadypull("import", tmp_path / "log.csv", "--car", tmp_path / "car.toml", "-o", tmp_path / "s.h5")

    assert done.code == 2
    assert re.search(rf"^steadypull: error: \S+log\.csv: {message}", done.err)
    assert done.err.strip().count("\n") == 0
    assert not (tmp_path / "s.h5").exists()


@pytest.mark.parametrize("rate", ["1e-300", "1e300", "0", "-5", "nan"])
def test_a_rate_that_no_log_has_is_refused(steadypull, tmp_path: Path, rate: str) -> None:
    """One line that names the option."""
    (tmp_path / "car.toml").write_text(CAR)
    (tmp_path / "log.csv").write_text("\n".join([H, *rows()]) + "\n")

    done = steadypull(
        "import", tmp_path / "log.csv", "--car", tmp_path / "car.toml", "-o", tmp_path / "s.h5", "--rate", rate
    )

    assert done.code == 2
    assert done.err.startswith("steadypull: error: --rate: ")
    assert done.err.strip().count("\n") == 0


def test_a_column_that_is_not_there_costs_its_channel_and_is_said(steadypull, tmp_path: Path) -> None:
    """The car file has a load, the log has none: holds all the same, and pulls by nothing else are not invented."""
    (tmp_path / "car.toml").write_text(CAR)
    (tmp_path / "log.csv").write_text("\n".join(["time,rpm,strain", *rows()]) + "\n")

    done = steadypull("import", tmp_path / "log.csv", "--car", tmp_path / "car.toml", "-o", tmp_path / "s.h5", "--json")

    assert done.code == 0
    assert [channel["name"] for channel in done.json["session"]["channels"]] == ["rpm"]
    assert len(done.json["holds"]) == 1
    (finding,) = done.json["findings"]
    assert (finding["code"], finding["severity"]) == ("log-lacks-column", "warning")
    assert "no column 'link'" in done.err
    assert "'strain'" in done.err


def test_pressure_in_another_unit_than_the_car_file_says_is_a_warning(steadypull, tmp_path: Path) -> None:
    """Nothing is converted in silence."""
    (tmp_path / "car.toml").write_text(
        CAR.replace('role = "load"\nunit = "mV/V"', 'role = "manifold_pressure"\nunit = "kPa"')
    )
    (tmp_path / "log.csv").write_text("\n".join(["time,rpm,link [psi]", *rows()]) + "\n")

    done = steadypull("import", tmp_path / "log.csv", "--car", tmp_path / "car.toml", "-o", tmp_path / "s.h5", "--json")

    assert [finding["code"] for finding in done.json["findings"]] == ["log-unit-differs"]
    assert "psi" in done.err


@pytest.mark.parametrize(
    ("head", "lines", "words"),
    [
        ("time [ms],rpm,link", rows(lambda t: f"{1000 * t:.0f}"), "is in 'ms' by the log and in 's'"),
        ("time,rpm,link", rows(lambda t: f"{1000 * t:.0f}"), "rows a second"),  # milliseconds, and nobody says so
        ("time,rpm,link", rows(lambda t: f"{45000 + t / 86400:.9f}"), "rows a second"),  # days, as a spreadsheet counts
        ("time;rpm;link", thousands(), "thousands or a decimal"),
    ],
)
def test_what_may_be_other_numbers_is_refused(
    steadypull, tmp_path: Path, head: str, lines: list[str], words: str
) -> None:
    """A log whose numbers can be read two ways is refused, naming the place."""
    (tmp_path / "car.toml").write_text(CAR.replace('column = "time"', 'column = "time"\nunit = "s"'), encoding="utf-8")
    (tmp_path / "log.csv").write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")

    done = steadypull("import", tmp_path / "log.csv", "--car", tmp_path / "car.toml", "-o", tmp_path / "s.h5")

    assert done.code == 2, done.out
    assert words in done.err
    assert done.err.count("\n") == 1


@pytest.mark.parametrize("head", ["time,rpm [krpm],link", "time,rpm,link [microstrain]"])
def test_a_unit_that_the_car_file_contradicts_is_said(steadypull, tmp_path: Path, head: str) -> None:
    """The log's own unit against the car file's is a warning, since nothing is converted."""
    (tmp_path / "car.toml").write_text(CAR, encoding="utf-8")
    (tmp_path / "log.csv").write_text("\n".join([head, *rows()]) + "\n", encoding="utf-8")

    done = steadypull("import", tmp_path / "log.csv", "--car", tmp_path / "car.toml", "-o", tmp_path / "s.h5", "--json")

    assert "log-unit-differs" in [finding["code"] for finding in done.json["findings"]]
