"""advise-ignition and advise-mixture through the command line, on logs whose truth is written into them."""

from pathlib import Path

import numpy as np
import pytest

CAR = """\
[car]
name = "hill-climb special"
[[channel]]
name = "time"
role = "time"
[[channel]]
name = "rpm"
role = "engine_speed"
unit = "rpm"
[[channel]]
name = "link"
role = "load"
unit = "mV/V"
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
unit = "UNIT"
[[channel]]
name = "trim"
role = "fuel_trim"
unit = "%"
[[channel]]
name = "coolant"
role = "temperature"
unit = "C"
[[channel]]
name = "advance"
role = "advance"
unit = "deg"
"""
TARGET = "manifold_pressure,50,100\n2000,1.0,0.88\n4000,1.0,0.88\n6000,1.0,0.88\n"
RATE = 20


def log(folder: Path, name: str, steadypull, unit: str = "", tune: str = "heron", **columns: np.ndarray) -> Path:
    """A log imported as a session; columns not given stand still."""
    count = len(columns["rpm"])
    base = {"link": 0.3, "map": 50.0, "throttle": 20.0, "lam": 1.0, "trim": 0.0, "coolant": 88.0, "advance": 20.0}
    rows = {"time": np.arange(count) / RATE, **{k: np.full(count, v) for k, v in base.items()}, **columns}
    rng = np.random.default_rng(3)
    rows["lam"] = rows["lam"] + 0.003 * rng.standard_normal(count)
    text = (
        ",".join(rows) + "\n" + "\n".join(",".join(f"{v:.5g}" for v in row) for row in zip(*rows.values(), strict=True))
    )
    (folder / f"{name}.csv").write_text(text)
    (folder / f"{name}.toml").write_text(CAR.replace("UNIT", unit))
    made = folder / f"{name}.h5"
    done = steadypull("import", folder / f"{name}.csv", "--car", folder / f"{name}.toml", "-o", made, "--tune", tune)
    assert done.code == 0, done.err
    return made


def sweep(cycles: int = 6) -> np.ndarray:
    """Engine speed up and down between 1800 and 6200 rpm, 30 s a cycle."""
    phase = np.arange(cycles * 30 * RATE) / (30 * RATE)
    return 4000 + 2200 * np.sin(2 * np.pi * phase)


@pytest.fixture
def target(tmp_path: Path) -> Path:
    """λ 1 at 50 kPa, 0.88 at 100 kPa."""
    path = tmp_path / "target.csv"
    path.write_text(TARGET)
    return path


def cells(outcome) -> dict[tuple[float, float], dict]:
    """JSON's cells by place."""
    assert outcome.code == 0, outcome.err
    return {(cell["rpm"], cell["second_axis"]): cell for cell in outcome.json["cells"]}


def test_a_lean_table_gets_its_factor_and_blank_cells_stay_blank(steadypull, tmp_path: Path, target: Path) -> None:
    """λ 4 % above wanted everywhere at 50 kPa: 1.04; nothing was driven at 100 kPa."""
    rpm = sweep()
    made = log(tmp_path, "a", steadypull, rpm=rpm, lam=np.full(len(rpm), 1.04))
    found = cells(steadypull("advise-mixture", made, "--target", target, "-o", tmp_path / "out.csv", "--json"))

    assert set(found) == {(r, p) for r in (2000, 4000, 6000) for p in (50, 100)}
    cell = found[4000, 50]
    assert cell["proposed"] == pytest.approx(1.04, abs=0.003)
    assert cell["low"] < 1.04 < cell["high"]
    assert cell["now"] == 1.0
    assert cell["n"] > 100
    assert found[4000, 100]["proposed"] is None
    assert found[4000, 100]["n"] == 0
    lines = (tmp_path / "out.csv").read_text().splitlines()
    assert lines[0] == "manifold_pressure,50,100"
    assert float(lines[2].split(",")[1]) == pytest.approx(cell["proposed"], abs=1e-4)
    assert float(lines[2].split(",")[2]) == 1


def test_bounds_are_lopsided(steadypull, tmp_path: Path, target: Path) -> None:
    """λ 1.08 over 0.88 asks for 1.227 and gets 1.10; 12 % too rich at low pressure gets 0.97 and no less."""
    rpm = sweep()
    lean = log(tmp_path, "lean", steadypull, rpm=rpm, map=np.full(len(rpm), 100.0), lam=np.full(len(rpm), 1.08))
    rich = log(tmp_path, "rich", steadypull, rpm=rpm, lam=np.full(len(rpm), 0.88))
    high = cells(steadypull("advise-mixture", lean, "--target", target, "--json"))[4000, 100]
    low = cells(steadypull("advise-mixture", rich, "--target", target, "--json"))[4000, 50]

    assert high["estimate"] == pytest.approx(1.227273, abs=0.004)
    assert high["proposed"] == 1.10
    assert low["estimate"] == pytest.approx(0.88, abs=0.004)
    assert low["proposed"] == 0.97


def test_none_leaner_at_high_pressure_under_the_stated_hits(steadypull, tmp_path: Path, target: Path) -> None:
    """Three seconds of a rich full load: measured, and held."""
    rpm = np.concatenate([sweep(1), np.full(3 * RATE, 4000.0)])
    where = np.concatenate([np.full(30 * RATE, 50.0), np.full(3 * RATE, 100.0)])
    lam = np.where(where > 75, 0.80, 1.0)
    made = log(tmp_path, "a", steadypull, rpm=rpm, map=where, lam=lam)
    cell = cells(steadypull("advise-mixture", made, "--target", target, "--json"))[4000, 100]

    assert 10 <= cell["n"] < 50
    assert cell["estimate"] < 0.95
    assert cell["proposed"] == 1.0
    assert "under 50 hits" in cell["evidence"]


def test_trim_counts_and_cold_overrun_and_misfire_do_not(steadypull, tmp_path: Path, target: Path) -> None:
    """Closed loop holds λ 1 with 6 % more fuel: 1.06. The rest would pull it away and is told."""
    rpm = sweep()
    count = len(rpm)
    t = np.arange(count) / RATE
    cold, cut, spike = t < 20, (t % 30 > 20) & (t % 30 < 24), (t % 7 < 0.2)
    made = log(
        tmp_path,
        "a",
        steadypull,
        rpm=rpm,
        trim=np.full(count, 6.0),
        coolant=np.where(cold, 30.0, 90.0),
        throttle=np.where(cut, 0.0, 20.0),
        lam=np.where(cut, 1.9, np.where(cold, 0.8, np.where(spike, 1.35, 1.0))),
    )
    done = steadypull("advise-mixture", made, "--target", target, "--json")
    cell = cells(done)[4000, 50]

    assert cell["proposed"] == pytest.approx(1.06, abs=0.004)
    told = " ".join(done.json["warnings"])
    for why in ("overrun", "cold engine", "misfire-lean"):
        assert why in told
    assert "a person decides" in told
    assert "exhaust heat" in told


def test_an_air_fuel_ratio_is_divided_by_the_stated_one(steadypull, tmp_path: Path, target: Path) -> None:
    """14.7 by default, and said; another on demand."""
    rpm = sweep(2)
    made = log(tmp_path, "a", steadypull, unit="AFR", rpm=rpm, lam=np.full(len(rpm), 15.288))
    plain = steadypull("advise-mixture", made, "--target", target, "--json")
    other = steadypull("advise-mixture", made, "--target", target, "--stoichiometric", "15.288", "--json")

    assert cells(plain)[4000, 50]["estimate"] == pytest.approx(1.04, abs=0.002)
    assert any("14.7" in words for words in plain.json["warnings"])
    assert cells(other)[4000, 50]["estimate"] == pytest.approx(1.0, abs=0.002)


def test_bad_input_of_mixture_is_one_line(steadypull, tmp_path: Path, target: Path) -> None:
    """Negative λ; a target elsewhere; a file in the way."""
    rpm = sweep(1)
    below = log(tmp_path, "below", steadypull, rpm=rpm, lam=np.where(np.arange(len(rpm)) == 100, -0.5, 1.0))
    good = log(tmp_path, "good", steadypull, rpm=rpm)
    far = tmp_path / "far.csv"
    far.write_text("manifold_pressure,200,250\n2000,0.8,0.8\n4000,0.8,0.8\n")

    negative = steadypull("advise-mixture", below, "--target", target)
    assert (negative.code, "'lam'" in negative.error, "below zero" in negative.error) == (2, True, True)
    outside = steadypull("advise-mixture", good, "--target", far)
    assert (outside.code, str(far) in outside.error, "covers none" in outside.error) == (2, True, True)
    there = steadypull("advise-mixture", good, "--target", target, "-o", target)
    assert (there.code, "never overwritten" in there.error) == (2, True)


def part_log(folder: Path, steadypull, tune: str, advance: float, shift: float = 0.0) -> Path:
    """Steady speed about 3000 rpm at pressures about 50 kPa; load follows pressure and the advance (best 30)."""
    rng = np.random.default_rng(int(advance))
    count = 90 * RATE
    pressure = 50 + shift + np.repeat(rng.uniform(-3, 3, 18), 5 * RATE)
    load = 0.012 * (pressure - 20) * (1 - 6e-4 * (advance - 30) ** 2) + np.repeat(
        0.001 * rng.standard_normal(18), 5 * RATE
    )
    rpm = np.full(count, 3000.0) + 10 * np.sin(np.arange(count) / 40)
    return log(folder, tune, steadypull, tune=tune, rpm=rpm, map=pressure, link=load, advance=np.full(count, advance))


def test_part_load_compares_at_common_pressure_or_refuses(steadypull, tmp_path: Path) -> None:
    """The best of a known curve is in its interval; tunes that never shared a pressure are not compared."""
    advance = tmp_path / "advance.csv"
    advance.write_text("tune,rpm,advance\nheron,2000,20\nplover,2000,28\nwren,2000,38\n")
    made = [part_log(tmp_path, steadypull, *one) for one in (("heron", 20.0), ("plover", 28.0), ("wren", 38.0))]
    words = ("--advance", advance, "--now", "heron", "--none-heard", "--json")
    cell = cells(steadypull("advise-ignition", *made, *words))[3000, 50]

    assert cell["low"] < 30 < cell["high"]
    assert cell["high"] - cell["low"] < 6
    assert cell["proposed"] == pytest.approx(22.0, abs=0.01)
    apart = part_log(tmp_path, steadypull, "other", 39.0, shift=0.0)
    assert apart.exists()
    silent = cells(steadypull("advise-ignition", *made, *words[:4], "--json"))[3000, 50]
    assert silent["proposed"] == pytest.approx(20.0, abs=0.01)


def test_bad_input_of_ignition_is_one_line(steadypull, tmp_path: Path) -> None:
    """A table with text, a step that is none, a tune that is not there."""
    made = part_log(tmp_path, steadypull, "heron", 20.0)
    table = tmp_path / "advance.csv"
    table.write_text("tune,rpm,advance\nheron,2000,much\n")
    text = steadypull("advise-ignition", made, "--advance", table, "--now", "heron")
    assert (text.code, "line 2, column 3" in text.error) == (2, True)
    table.write_text("tune,rpm,advance\nheron,2000,20\n")
    step = steadypull("advise-ignition", made, "--advance", table, "--now", "heron", "--step", "20")
    assert (step.code, "--step 20" in step.error) == (2, True)
    other = steadypull("advise-ignition", made, "--advance", table, "--now", "wren")
    assert (other.code, "wren" in other.error) == (2, True)


def test_text_shows_the_cells_their_evidence_and_the_cautions(steadypull, tmp_path: Path, target: Path) -> None:
    """What a person reads without --json."""
    made = log(tmp_path, "a", steadypull, rpm=sweep(2))
    done = steadypull("advise-mixture", made, "--target", target)

    assert done.code == 0
    for words in ("Fuel multiplier", "hits", "a person decides", "knock", "closed road"):
        assert words in done.out
