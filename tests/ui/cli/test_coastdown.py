"""`coastdown` through the command line, on trajectories that scipy's ODE solver integrates."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tests.array_session import write_session
from ui.cli.main import run

# Target coefficients of a roadster, US EPA test car list 2022 (US government data), in SI units.
A, B, C, MASS = 141.4312, 2.38063, 0.390612, 2750 * 0.45359237
RATE, IDLE, TOP_RPM_PER_MPS = 20.0, 900.0, 130.0
UNITS = {"m/s": 1.0, "km/h": 3.6, "mph": 1 / 0.44704}

CAR = """
[car]
name = "hill-climb special"
mass_kg = {mass}
[[channel]]
name = "rpm"
role = "engine_speed"
unit = "rpm"
[[channel]]
name = "wheel"
role = "road_speed"
unit = "{unit}"
"""


def car_text(unit: str = "m/s") -> str:
    return CAR.format(mass=MASS, unit=unit)


def drive(runs: int = 2, grade: float = 0.0, in_gear: bool = False, brake: float = 0.0, seed: int = 0) -> dict:
    """Up to 38 m/s, roll to about 9 m/s, stop; the next run the other way. 3 % of the mass turns."""
    rng = np.random.default_rng(seed)
    speeds, engine = [], []
    for run_number in range(runs):
        slope = grade * (-1) ** run_number * MASS * 9.80665

        def slower(_: float, v: np.ndarray, slope: float = slope) -> np.ndarray:
            return -(A + B * v + C * v * v + slope + brake) / (1.03 * MASS)

        time = np.arange(0, 120, 1 / RATE)
        fall = solve_ivp(slower, (0, 120), [38.0], t_eval=time, rtol=1e-9).y[0]
        fall = fall[fall > 9]
        up, down = np.linspace(1, 38, 300), np.arange(fall[-1], 0, -0.15)
        speeds += [up, fall, down]
        rolling = fall * TOP_RPM_PER_MPS if in_gear else np.full(len(fall), IDLE)
        engine += [up * TOP_RPM_PER_MPS, rolling, np.full(len(down), IDLE)]
    speed = np.concatenate(speeds)
    return {
        "rpm": np.concatenate(engine) + rng.normal(0, 10, len(speed)),
        "wheel": speed + rng.normal(0, 0.03, len(speed)),
    }


def coast(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict:
    assert run(["coastdown", *arguments, "--json"]) == 0
    found: dict = json.loads(capsys.readouterr().out)
    return found


def near(found: dict, wide: float = 3.0) -> bool:
    return all(
        abs(found[key] - truth) < wide * found[doubt]
        for key, truth, doubt in (("a_n", A, "u_a"), ("b_n_per_mps", B, "u_b"), ("c_n_per_mps2", C, "u_c"))
    )


@pytest.mark.parametrize("unit", UNITS)
def test_published_coefficients_come_back_in_every_unit(
    tmp_path: Path, unit: str, capsys: pytest.CaptureFixture[str]
) -> None:
    columns = drive(grade=0.002)
    columns["wheel"] = columns["wheel"] * UNITS[unit]
    path = write_session(tmp_path / "s.h5", car_text(unit), RATE, columns)

    found = coast(capsys, str(path))

    assert found["runs"] == 2
    assert near(found)
    assert found["a_n"] + 20 * found["b_n_per_mps"] + 400 * found["c_n_per_mps2"] == pytest.approx(
        A + 20 * B + 400 * C, rel=0.01
    )
    assert {"a_n", "b_n_per_mps", "c_n_per_mps2", "u_a", "u_b", "u_c", "runs", "warnings"} <= set(found)


def test_one_alone_or_one_way_gives_a_result_a_warning_and_a_wider_doubt(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pair = write_session(tmp_path / "pair.h5", car_text(), RATE, drive(2, grade=0.002))
    alone = write_session(tmp_path / "alone.h5", car_text(), RATE, drive(1, grade=0.002))

    both, one, same = coast(capsys, str(pair)), coast(capsys, str(alone)), coast(capsys, str(pair), "--same-direction")

    assert (both["runs"], one["runs"], same["runs"]) == (2, 1, 2)
    assert one["u_a"] > both["u_a"]
    assert near(one)
    assert any("one coastdown alone" in line for line in one["warnings"])
    assert any("one way" in line for line in same["warnings"])


def test_a_dragging_brake_is_told_from_a_tyre(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A brake that takes 2.5 % of the weight looks like rolling, and is more of it than tyres on a hard road need."""
    free = write_session(tmp_path / "free.h5", car_text(), RATE, drive())
    drags = write_session(tmp_path / "drags.h5", car_text(), RATE, drive(brake=0.025 * 9.81 * MASS))

    assert not any("drags" in line for line in coast(capsys, str(free))["warnings"])
    assert any("brake that drags" in line for line in coast(capsys, str(drags))["warnings"])


def test_a_log_that_only_rolls_is_a_coastdown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    columns = drive(1)
    rolling = slice(295, -60)
    path = write_session(tmp_path / "s.h5", car_text(), RATE, {name: c[rolling] for name, c in columns.items()})

    assert coast(capsys, str(path))["runs"] == 1


@pytest.mark.parametrize(
    ("drive_of", "words"),
    [
        ({"in_gear": True}, "with a gear in"),
        ({"brake": 0.35 * 9.81 * MASS}, "brakes"),
        ({"brake": 0.09 * 9.81 * MASS}, "brake or a gear"),
    ],
)
def test_what_is_no_coastdown_says_what_it_was(
    tmp_path: Path, drive_of: dict, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_session(tmp_path / "s.h5", car_text(), RATE, drive(**drive_of))

    assert run(["coastdown", str(path), "--json"]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert words in told.err
    assert told.err.count("\n") == 1


def test_a_missing_road_speed_or_mass_or_unit_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_session(tmp_path / "s.h5", car_text(), RATE, drive(1))
    for old, new, words in (
        ('role = "road_speed"', 'role = "other"', "road_speed"),
        (f"mass_kg = {MASS}", "", "mass_kg"),
        ('unit = "m/s"', 'unit = "knots"', "knots"),
        ('name = "wheel"', 'name = "gone"', "gone"),
    ):
        other = tmp_path / "car.toml"
        other.write_text(car_text().replace(old, new))
        assert run(["coastdown", str(path), "--car", str(other)]) == 2
        assert words in capsys.readouterr().err


def test_the_text_tells_coefficients_with_their_doubt(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_session(tmp_path / "s.h5", car_text(), RATE, drive())

    assert run(["coastdown", str(path)]) == 0
    text = capsys.readouterr().out
    assert "A = " in text
    assert "±" in text
    assert "from 2 coastdowns" in text
