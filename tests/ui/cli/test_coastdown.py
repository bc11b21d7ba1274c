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
    """Published coefficients come back whatever unit road speed has."""
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
    """One coastdown gives a result, a warning and a wider uncertainty."""
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
    """A log that rolls from its first row to its last is one coastdown."""
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
    """What was seen instead of a coastdown is named."""
    path = write_session(tmp_path / "s.h5", car_text(), RATE, drive(**drive_of))

    assert run(["coastdown", str(path), "--json"]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert words in told.err
    assert told.err.count("\n") == 1


def test_a_missing_road_speed_or_mass_or_unit_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the car file lacks is named."""
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
    """Each coefficient stands with its 95 % interval."""
    path = write_session(tmp_path / "s.h5", car_text(), RATE, drive())

    assert run(["coastdown", str(path)]) == 0
    text = capsys.readouterr().out
    assert "A = " in text
    assert "±" in text
    assert "from 2 coastdowns" in text


def joined(*parts: dict) -> dict:
    """Drives one after the other."""
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def marginal(seed: int) -> dict:
    """A glide of a few seconds, as before a junction: 20 to about 16 m/s; then braked to a stop."""
    columns = drive(1, seed=seed)
    fast = int(np.flatnonzero(columns["wheel"][300:] < 20)[0]) + 300
    fall = {name: column[fast : fast + 14 * int(RATE)] for name, column in columns.items()}
    up, down = np.linspace(1, 20, 200), np.arange(fall["wheel"][-1], 0, -0.15)
    return {
        "rpm": np.concatenate([up * TOP_RPM_PER_MPS, fall["rpm"], np.full(len(down), IDLE)]),
        "wheel": np.concatenate([up, fall["wheel"], down]),
    }


def test_a_marginal_glide_is_left_out_and_named_and_the_others_count(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each glide is judged by itself; the short one also is no turn, so the pair about it stays a pair."""
    first, second = drive(1, grade=0.004), drive(1, grade=-0.004, seed=1)
    path = write_session(tmp_path / "s.h5", car_text(), RATE, joined(first, marginal(2), second))

    found = coast(capsys, str(path))

    assert found["runs"] == 2
    assert near(found)
    assert [glide["used"] for glide in found["coastdowns"]] == [True, False, True]
    assert found["coastdowns"][1]["why_not"] in ("too-short", "too-small-a-fall")
    assert {"coast-glide-left-out", "coast-ways-guessed"} <= {row["code"] for row in found["findings"]}


def test_a_dropped_run_leaves_the_others_and_their_directions(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Run 2 of four is spoilt by a brake that drags a little; without it grade still cancels, for 1, 3 and 4 keep
    their ways."""
    runs = [drive(1, grade=0.004 * (-1) ** k, seed=k, brake=60.0 * (k == 1)) for k in range(4)]
    path = write_session(tmp_path / "s.h5", car_text(), RATE, joined(*runs))

    spoilt, mended = coast(capsys, str(path)), coast(capsys, str(path), "--drop", "2")

    assert (spoilt["runs"], mended["runs"]) == (4, 3)
    assert [glide["way"] for glide in mended["coastdowns"]] == [1, -1, 1, -1]
    truth = A + 20 * B + 400 * C

    def off(found: dict) -> float:
        return abs(found["a_n"] + 20 * found["b_n_per_mps"] + 400 * found["c_n_per_mps2"] - truth)

    assert off(mended) < 4 < off(spoilt)
    assert run(["coastdown", str(path), "--drop", "9"]) == 2
    assert "no glide 9" in capsys.readouterr().err


def test_the_ways_can_be_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """There, there, back, back: by turns grade would not cancel; said, it does."""
    runs = [drive(1, grade=grade, seed=k) for k, grade in enumerate((0.004, 0.004, -0.004, -0.004))]
    path = write_session(tmp_path / "s.h5", car_text(), RATE, joined(*runs))

    found = coast(capsys, str(path), "--back", "3,4", "--wind-change", "0")

    assert found["a_n"] + 20 * found["b_n_per_mps"] + 400 * found["c_n_per_mps2"] == pytest.approx(
        A + 20 * B + 400 * C, rel=0.005
    )
    assert run(["coastdown", str(path), "--back", "3,4", "--same-direction"]) == 2


def test_no_force_is_printed_beyond_the_speeds_glided_through(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The runs go from 38 to 9 m/s, 137 to 32 km/h."""
    path = write_session(tmp_path / "s.h5", car_text(), RATE, drive())

    found = coast(capsys, str(path))
    assert run(["coastdown", str(path)]) == 0
    text = capsys.readouterr().out

    assert 8.9 < found["from_mps"] < 11
    assert 35 < found["to_mps"] <= 38.1
    rows = text[text.index("km/h    N") :].splitlines()[1:]
    speeds = [int(line.split()[0]) for line in rows if line.strip()[:1].isdigit()]
    assert len(speeds) > 8
    assert all(30 <= speed <= 137 for speed in speeds)


def test_wheel_speed_alone_is_enough_from_log_to_road_load(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A log with a time and a wheel speed and nothing else is imported and coasted."""
    columns = drive(2, grade=0.002)
    car = tmp_path / "car.toml"
    car.write_text(f"""
[car]
name = "hill-climb special"
mass_kg = {MASS}
[[channel]]
name = "t"
role = "time"
unit = "s"
[[channel]]
name = "wheel"
role = "road_speed"
unit = "m/s"
""")
    log, session = tmp_path / "log.csv", tmp_path / "s.h5"
    time = np.arange(len(columns["wheel"])) / RATE
    np.savetxt(log, np.column_stack([time, columns["wheel"]]), "%.4f", ",", header="t,wheel", comments="")

    assert run(["import", str(log), "--car", str(car), "-o", str(session), "--json"]) == 0
    made = json.loads(capsys.readouterr().out)
    found = coast(capsys, str(session))

    assert made["pulls"] == []
    assert made["session"]["duration_s"] == pytest.approx(len(time) / RATE)
    assert found["runs"] == 2
    assert near(found)
    assert "coast-no-engine-speed" in {row["code"] for row in found["findings"]}


def test_a_wind_that_changes_between_two_runs_is_in_the_doubt(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The stated change (1.5 m/s) moves the force at 20 m/s by C * 1.5 * 20 N: that much doubt there is at least."""
    path = write_session(tmp_path / "s.h5", car_text(), RATE, drive())

    calm, stated = coast(capsys, str(path), "--wind-change", "0"), coast(capsys, str(path))

    shape = np.array([1, 20, 400])
    u = [float(np.sqrt(shape @ np.array(found["covariance"]) @ shape)) for found in (calm, stated)]
    assert u[1] ** 2 - u[0] ** 2 == pytest.approx((C * 1.5 * 20) ** 2, rel=0.1)
    assert "coast-wind-change" in {row["code"] for row in stated["findings"]}


def test_precision_is_that_of_the_road_load_standards(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """100 t s / (√n T) over pairs, computed here from the printed definition and the exact times between speeds."""
    brakes = (0.0, 12.0, 25.0)
    path = write_session(
        tmp_path / "s.h5", car_text(), RATE, joined(*(drive(2, brake=b, seed=k) for k, b in enumerate(brakes)))
    )

    found = coast(capsys, str(path))

    step = next(row for row in found["precision"] if row["speed_kmh"] == 80)
    speed = np.linspace(75 / 3.6, 85 / 3.6, 2001)
    times = [float(np.trapezoid(1.03 * MASS / (A + B * speed + C * speed**2 + b), speed)) for b in brakes]
    mean, s = np.mean(times), np.std(times, ddof=1)
    assert step["pairs"] == 3
    assert step["time_s"] == pytest.approx(mean, rel=0.005)
    assert step["precision_pct"] == pytest.approx(100 * 4.303 * s / (np.sqrt(3) * mean), rel=0.1)  # Student, 2 dof


def test_a_glide_begins_and_ends_where_it_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A stretch cut in half is judged and fitted as it is; one that is no glide, or no number, is refused in a line."""
    path = str(write_session(tmp_path / "s.h5", car_text(), RATE, drive()))
    found = coast(capsys, path)["coastdowns"][0]
    middle = (found["start_s"] + found["end_s"]) / 2
    cut = coast(capsys, path, "--stretch", f"1={found['start_s']:.2f}-{middle:.2f}")

    assert cut["coastdowns"][0]["end_s"] == pytest.approx(middle, abs=0.1)
    assert cut["coastdowns"][0]["used"]
    assert near(cut)
    assert cut["u_c"] > coast(capsys, path)["u_c"]
    for wrong in ("9=1-20", "1=20", "x=1-20", "1=20-1"):
        assert run(["coastdown", path, "--stretch", wrong]) == 2


def test_a_stretch_that_a_person_chose_is_coasting_from_end_to_end_and_counts_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Dragged over brakes, the next start or a gap, it is left out with the reason, whatever its ends look like;
    dragged over the seconds of another glide, it is no second run of a pair. A part of a glide still counts."""
    columns = drive(2, grade=0.004)
    path = write_session(tmp_path / "s.h5", car_text(), RATE, columns)
    columns["wheel"] = np.where(np.arange(len(columns["wheel"])) // 80 == 15, np.nan, columns["wheel"])  # 60 to 64 s
    gap = write_session(tmp_path / "gap.h5", car_text(), RATE, columns)
    first, second = coast(capsys, str(path))["coastdowns"]
    early, late = first["start_s"] + 0.5, first["end_s"] - 0.5

    def why(path: Path, *stretches: str) -> list[str]:
        words = [word for stretch in stretches for word in ("--stretch", stretch)]
        return [glide["why_not"] for glide in coast(capsys, str(path), *words)["coastdowns"]]

    assert why(path, f"1={early}-{late}") == ["", ""]
    assert why(path, f"1={early}-{second['start_s'] + 40}") == ["braked", ""]
    assert why(path, f"1=5-{late}") == ["driven", ""]
    assert why(path, f"2={early}-{late}") == ["", "twice"]
    assert "broken" in why(gap, f"1={early}-{late}")
