"""advise-ignition at part load, tried with the aim of a harmful proposal: steady stretches at 3000 rpm and 50 kPa.

Load has its best at 30 degrees (the curve of this file alone); heron, at 20, would gain from more.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.knock_sessions import CAR, RATE
from tests.sessions import STARTED, write_session

NOW, STEP = 20.0, 2.0
CHANNELS = (("map", "manifold_pressure", "kPa"), ("adv", "advance", "deg"), ("knock", "knock", "V"))
Knock = Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray]


def session(folder: Path, tune: str, degrees: float, knock: Knock, high: bool = False) -> Path:
    """90 s of steady driving about 50 kPa, then, where `high`, 10 s at 80 kPa."""
    rng = np.random.default_rng(round(degrees))
    pieces = 50 + rng.uniform(-3, 3, 18)
    pressure = np.repeat(np.concatenate([pieces, [80.0, 80.0]]) if high else pieces, round(5 * RATE))
    count = len(pressure)
    noise = np.repeat(0.001 * rng.standard_normal(len(pressure) // round(5 * RATE)), round(5 * RATE))
    load = 0.012 * (pressure - 20) * (1 - 6e-4 * (degrees - 30) ** 2) + noise
    rpm = 3000 + 10 * np.sin(np.arange(count) / 400)
    level = 0.4 * (1 + 0.05 * rng.standard_normal(count))
    text = CAR.format(name="hill-climb special", engine="")
    for name, role, unit in CHANNELS:
        text += f'[[channel]]\nname = "{name}"\nrole = "{role}"\nunit = "{unit}"\n'
    columns = [rpm, load, pressure, np.full(count, degrees), knock(level, pressure, np.arange(count) / RATE)]
    samples = np.column_stack(columns).astype(np.float32)
    return write_session(folder / f"{tune}.h5", samples, RATE, text, tune=tune, started=STARTED)


def quiet(level: np.ndarray, pressure: np.ndarray, time: np.ndarray) -> np.ndarray:
    return level


SITUATIONS: dict[str, tuple[Knock, float]] = {
    "quiet": (quiet, NOW + STEP),
    "dead": (lambda level, pressure, time: np.full(len(level), 0.4), NOW),
    "blank": (lambda level, pressure, time: np.full(len(level), np.nan), NOW),
    "loud now and then": (lambda level, pressure, time: level * np.where(time % 7 < 0.1, 3.0, 1.0), NOW - STEP),
    "loud once": (lambda level, pressure, time: level * np.where(np.abs(time - 33) < 0.01, 3.0, 1.0), NOW - STEP),
    "loud at a higher load alone": (lambda level, pressure, time: level * np.where(time > 92, 3.0, 1.0), NOW),
    "1.4 times as loud half of the time": (lambda level, pressure, time: level * np.where(time < 45, 1.35, 1.0), NOW),
}


@pytest.mark.parametrize("name", SITUATIONS)
def test_part_load_gets_no_more_than_is_permitted(name: str, steadypull, tmp_path: Path) -> None:
    """Quiet: the step. Not known, or near at a higher load: a hold. There: less."""
    knock, most = SITUATIONS[name]
    advance = tmp_path / "advance.csv"
    advance.write_text("tune,rpm,advance\nheron,2000,20\nplover,2000,28\nwren,2000,38\n")
    paths = [session(tmp_path, "heron", NOW, knock, high=True)]
    paths += [session(tmp_path, tune, degrees, quiet) for tune, degrees in (("plover", 28.0), ("wren", 38.0))]
    done = steadypull("advise-ignition", *paths, "--advance", advance, "--now", "heron", "--json")
    assert done.code == 0, done.err
    cell = next(one for one in done.json["cells"] if (one["rpm"], one["second_axis"]) == (3000, 50))
    assert cell["proposed"] == pytest.approx(most, abs=0.01)


def swept(folder: Path, tune: str, degrees: float, inertia: float, boost: bool = False) -> Path:
    """Slow sweeps up and down between 2800 and 3200 rpm about 50 kPa, at 40 to 250 rpm/s; `inertia`: load a rpm/s."""
    rng = np.random.default_rng(round(degrees) + 100)
    rpm, pressure = [np.full(round(2 * RATE), 2800.0)], [np.full(round(2 * RATE), 50.0)]
    at = 2800.0
    for number in range(30):
        to = 3200.0 if number % 2 == 0 else 2800.0
        count = round(abs(to - at) / rng.uniform(40, 250) * RATE)
        rpm.append(np.linspace(at, to, count))
        pressure.append(np.full(count, 50 + rng.uniform(-3, 3)))
        at = to
    if boost:
        rpm.append(np.full(round(20 * RATE), 2800.0))
        pressure.append(np.full(round(20 * RATE), 130.0))
        rpm.append(np.full(round(2 * RATE), 2800.0))
        pressure.append(np.full(round(2 * RATE), 180.0))
    speed, kpa = np.concatenate(rpm), np.concatenate(pressure)
    load = 0.012 * (kpa - 20) * (1 - 6e-4 * (degrees - 30) ** 2) - inertia * np.gradient(speed) * RATE
    load = load + 0.0005 * rng.standard_normal(len(load))
    count = len(speed)
    text = CAR.format(name="hill-climb special", engine="")
    for name, role, unit in CHANNELS:
        text += f'[[channel]]\nname = "{name}"\nrole = "{role}"\nunit = "{unit}"\n'
    level = 0.4 * (1 + 0.05 * rng.standard_normal(count))
    samples = np.column_stack([speed, load, kpa, np.full(count, degrees), level]).astype(np.float32)
    return write_session(folder / f"{tune}.h5", samples, RATE, text, tune=tune, started=STARTED)


@pytest.mark.parametrize("inertia", [2e-4, 0.0])
def test_sweeps_feed_part_load_and_the_link_tells_the_inertia(steadypull, tmp_path: Path, inertia: float) -> None:
    """What was put in, 0.02 for each 100 rpm/s, within its interval; none is given back where none shows."""
    advance = tmp_path / "advance.csv"
    advance.write_text("tune,rpm,advance\nheron,2000,20\nplover,2000,28\nwren,2000,38\n")
    paths = [swept(tmp_path, tune, deg, inertia) for tune, deg in (("heron", 20.0), ("plover", 28.0), ("wren", 38.0))]
    done = steadypull("advise-ignition", *paths, "--advance", advance, "--now", "heron", "--json")
    assert done.code == 0, done.err
    said = [one["text"] for one in done.json["findings"] if one["code"] == "part-load-inertia"]

    assert bool(said) == (inertia > 0)
    if said:
        found, u = (float(word) for word in said[0].split("given back, ")[1].split(" (k")[0].split(" ± "))
        assert abs(found - 100 * inertia) < max(3 * u, 0.05 * 100 * inertia)
    cell = next(one for one in done.json["cells"] if (one["rpm"], one["second_axis"]) == (3000, 50))
    assert cell["low"] < 30 < cell["high"]


def test_cells_above_the_air_are_boost(steadypull, tmp_path: Path) -> None:
    """20 s at 130 kPa with 180 kPa the most seen: said, and no part-load cell of it."""
    advance = tmp_path / "advance.csv"
    advance.write_text("tune,rpm,advance\nheron,2000,20\nplover,2000,28\nwren,2000,38\n")
    paths = [
        swept(tmp_path, tune, deg, 2e-4, boost=True)
        for tune, deg in (("heron", 20.0), ("plover", 28.0), ("wren", 38.0))
    ]
    done = steadypull("advise-ignition", *paths, "--advance", advance, "--now", "heron", "--json")

    assert done.code == 0, done.err
    assert max(cell["second_axis"] for cell in done.json["cells"] if cell["second_axis"] is not None) < 110
    assert "part-load-boost" in {one["code"] for one in done.json["findings"]}


def grid(folder: Path, corner: str, second: tuple[float, ...]) -> Path:
    """20 degrees everywhere, rpm down."""
    lines = [";".join((corner, *(f"{one:.3f}" for one in second)))]
    lines += [";".join((str(rpm), *("20.0" for _ in second))) for rpm in (1000, 2000, 3000, 4000)]
    (folder / "grid.csv").write_text("\n".join(lines) + "\n")
    return folder / "grid.csv"


def test_part_load_stands_in_the_tables_own_unit(steadypull, tmp_path: Path) -> None:
    """50 kPa are 7.252 psi (NIST SP 811, from memory): the step stands there, and no one calls it kPa."""
    paths = [session(tmp_path, tune, deg, quiet) for tune, deg in (("heron", NOW), ("plover", 28.0), ("wren", 38.0))]
    table = grid(tmp_path, "rpm\\psi", tuple(kpa / 6.894757 for kpa in (30, 50, 70, 100)))
    given = ("--advance", table, "--now", "heron")
    done = steadypull("advise-ignition", *paths, *given, "-o", tmp_path / "new.csv", "--json")

    assert done.code == 0, done.err
    assert (done.json["axis"], done.json["unit"]) == ("manifold_pressure", "psi")
    assert (tmp_path / "new.csv").read_text() == table.read_text().replace("3000;20.0;20.0", "3000;20.0;22.0")
    report = steadypull("report", *paths, *given, "-o", tmp_path / "r.html")
    assert report.code == 0, report.err
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "7.252 psi" in page
    assert "7.252 kPa" not in page


def test_a_table_over_a_channel_that_nobody_logged_says_so(steadypull, tmp_path: Path) -> None:
    """Throttle: that, and not the pulls, is what is missing first."""
    paths = [session(tmp_path, tune, degrees, quiet) for tune, degrees in (("heron", NOW), ("plover", 28.0))]
    table = grid(tmp_path, "rpm\\%", (10, 30, 60, 100))
    done = steadypull("advise-ignition", *paths, "--advance", table, "--now", "heron")

    assert done.code == 2
    assert "no channel with role 'throttle', the axis of" in done.error
