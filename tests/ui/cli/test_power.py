"""`power` through the command line, on the rehearsal car, whose truth is its own model's."""

import json
import pickle
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import numpy as np
import psychrolib
import pytest

from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.scenario import demo_car_text
from stream.sources.rehearsal.sensors import Chain
from tests.array_session import write_session
from tests.stream.study.rehearsed import BEGAN, session
from tests.ui.cli.test_coastdown import RATE as COAST_RATE
from tests.ui.cli.test_coastdown import car_text as coast_car_text
from tests.ui.cli.test_coastdown import drive as coasted
from ui.cli.main import run

NEWTONS_PER_UNIT = 2900.0
Day = tuple[list[str], dict[int, Recording]]


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Day]:
    """Sessions of pulls in second and third gear, made once for each kind."""
    made: dict[bytes, Day] = {}

    def make(**more: object) -> Day:
        key = pickle.dumps(sorted(more.items(), key=str))
        if key not in made:
            folder = tmp_path_factory.mktemp("power")
            paths, recordings = [], {}
            road = bool(more.get("road"))
            for place, gear in enumerate((3, 2)):
                path = folder / f"{gear}.h5"
                recordings[gear] = session(
                    path,
                    50 + place,
                    "heron",
                    BEGAN + timedelta(minutes=12 * place),
                    pulls=3,
                    drive_gear=gear,
                    chain=Chain(extra=("road_speed",) if road else ()),
                    gear=None if road else gear,
                )
                paths.append(str(path))
            made[key] = paths, recordings
        return made[key]

    return make


def answer(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict:
    assert run(["power", *arguments, "--json"]) == 0
    found: dict = json.loads(capsys.readouterr().out)
    return found


def true_band(recording: Recording, rpm: float) -> tuple[float, float]:
    """(force N, power kW) that the driven axle really gave about this speed, mean over the pulls."""
    motion, forces, powers = recording.motion, [], []
    for pull in recording.truth.pulls:
        rows = (motion.time_s > pull.start_s + 0.4) & (motion.time_s < pull.end_s)
        speed = np.maximum.accumulate(motion["rpm"][rows])
        at = np.arange(rpm - 125, rpm + 125)
        forces.append(np.interp(at, speed, motion["force"][rows]).mean())
        powers.append(np.interp(at, speed, (motion["force"] * motion["speed"])[rows]).mean())
    return float(np.mean(forces)), float(np.mean(powers)) / 1000


@pytest.mark.parametrize("road", [False, True])
def test_scale_force_and_power_hold_the_truth(
    day: Callable[..., Day], road: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """Scale, force and power lie within their intervals of the model's truth."""
    paths, recordings = day(road=road)

    found = answer(capsys, *paths)

    assert abs(found["force_per_unit_n"] - NEWTONS_PER_UNIT) < 1.96 * found["u_force_per_unit_n"]
    # With the road speed there is no slip to doubt.
    assert found["u_force_per_unit_n"] < (0.04 if road else 0.12) * NEWTONS_PER_UNIT
    assert {gear["gear"] for gear in found["gears"]} == {2, 3}
    assert len(found["bands"]) > 12
    inside = 0
    for band in found["bands"]:
        force, power_kw = true_band(recordings[found["gear"]], band["rpm"])
        inside += abs(band["force_n"] - force) < 1.96 * band["u_force_n"]
        inside += abs(band["wheel_power_kw"] - power_kw) < 1.96 * band["u_wheel_power_kw"]
        assert band["wheel_power_kw"] == pytest.approx(band["force_n"] * band["speed_mps"] / 1000)
        assert band["steady_equivalent_kw"] > band["wheel_power_kw"]
    assert inside >= 0.9 * 2 * len(found["bands"])
    assert any("slip" in line for line in found["warnings"]) is not road
    assert any("grade" in line for line in found["warnings"])


def test_slip_is_seen_beside_a_road_speed(day: Callable[..., Day], capsys: pytest.CaptureFixture[str]) -> None:
    """Tyre slip shows between engine and road speed."""
    paths, recordings = day(road=True)

    gears = {gear["gear"]: gear for gear in answer(capsys, *paths)["gears"]}

    assert len(recordings) > 1
    for gear, recording in recordings.items():
        motion, pull = recording.motion, recording.truth.pulls[0]
        rows = (motion.time_s > pull.start_s + 0.4) & (motion.time_s < pull.end_s)
        overall = 4.3 * (3.0, 1.95, 1.38, 1.0)[gear - 1]
        wheels = motion["rpm"][rows] / 60 * 2 * np.pi * 0.281 / overall
        assert gears[gear]["slip_pct"] == pytest.approx(100 * np.mean(wheels / motion["speed"][rows] - 1), abs=0.4)


def test_one_gear_gives_a_result_a_warning_and_a_wider_doubt(
    day: Callable[..., Day], capsys: pytest.CaptureFixture[str]
) -> None:
    """One gear cannot check another: a warning and a wider uncertainty."""
    paths, _ = day(road=False)

    both, one = answer(capsys, *paths), answer(capsys, paths[0])

    assert one["u_force_per_unit_n"] > both["u_force_per_unit_n"]
    assert abs(one["force_per_unit_n"] - NEWTONS_PER_UNIT) < 1.96 * one["u_force_per_unit_n"]
    assert any("all pulls are in gear 3" in line for line in one["warnings"])


def changed_car(tmp_path: Path, old: str, new: str, extra: tuple[str, ...] = ()) -> str:
    text = demo_car_text(extra)
    assert old in text
    path = tmp_path / "car.toml"
    path.write_text(text.replace(old, new))
    return str(path)


def test_a_scale_that_differs_by_gear_is_reported_not_averaged(
    day: Callable[..., Day], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Gears that disagree are shown, not averaged."""
    paths, _ = day(road=False)
    car = changed_car(tmp_path, "1.95", "2.25")

    found = answer(capsys, *paths, "--car", car)

    assert found["force_per_unit_n"] is None
    assert found["bands"] == []
    assert any("differs by gear" in line for line in found["warnings"])
    scales = {gear["gear"]: gear["force_per_unit_n"] for gear in found["gears"]}
    assert scales[3] > 1.08 * scales[2]


def test_a_gear_nobody_declared_is_seen_from_road_speed(
    day: Callable[..., Day], capsys: pytest.CaptureFixture[str]
) -> None:
    """Road speed tells the gear."""
    paths, _ = day(road=True)

    assert answer(capsys, paths[0])["gear"] == 3
    assert answer(capsys, paths[1])["gear"] == 2


def test_a_wrong_gear_is_mended_by_road_speed_and_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A declared gear that road speed denies is mended and said."""
    path = tmp_path / "s.h5"
    session(path, 50, "heron", BEGAN, chain=Chain(extra=("road_speed",)), gear=2, drive_gear=3, pulls=1)

    found = answer(capsys, str(path))

    assert found["gear"] == 3
    assert any("declared as gear 2, but road speed shows gear 3" in line for line in found["warnings"])


def test_newtons_per_unit_of_the_car_file_is_checked_against_the_fit(
    day: Callable[..., Day], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The car file's scale is held against the fit."""
    paths, _ = day(road=True)
    for given, words in ((2900, "agrees with the fit"), (2200, "do not agree")):
        car = changed_car(tmp_path, "sign = 1\n", f"sign = 1\nnewtons_per_unit = {given}\n", ("road_speed",))
        found = answer(capsys, *paths, "--car", car)
        assert found["force_per_unit_n"] == pytest.approx(2900, rel=0.05)
        assert any(words in line for line in found["warnings"])


@pytest.mark.parametrize(
    ("old", "words"),
    [
        ("mass_kg = 790.0             # as driven, people included", "car.mass_kg"),
        ("rolling_radius_m = 0.281", "car.rolling_radius_m"),
        ("final_drive = 4.3", "gearing.final_drive"),
        ("ratios = [3.0, 1.95, 1.38, 1.0]", "gearing.ratios"),
        ("drag_area_m2 = 0.58", "car.drag_area_m2"),
    ],
)
def test_what_is_missing_is_named(
    day: Callable[..., Day], tmp_path: Path, old: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What the car file lacks is named with the cure."""
    paths, _ = day(road=False)

    assert run(["power", *paths, "--car", changed_car(tmp_path, old, ""), "--json"]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert words in told.err.splitlines()[-1]


def test_pulls_without_a_known_gear_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a gear there is no force."""
    session(tmp_path / "s.h5", 50, "heron", BEGAN, chain=Chain(rate_hz=200), gear=None, pulls=1)

    assert run(["power", str(tmp_path / "s.h5")]) == 2
    assert "no known gear" in capsys.readouterr().err


def test_the_text_has_units_doubts_and_the_caution(day: Callable[..., Day], capsys: pytest.CaptureFixture[str]) -> None:
    """The text has units, intervals and the caution."""
    paths, _ = day(road=True)

    assert run(["power", *paths, "--air", "18,1002,55"]) == 0
    text = capsys.readouterr().out
    for words in ("mV/V of load is", "kW", "steady-equivalent", "95 %", "knock detection"):
        assert words in text


def test_a_coastdown_is_read_with_the_car_file_that_it_carries(
    day: Callable[..., Day], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The coastdown's car has its own names, units and mass; the pulls' car file knows nothing of its wheel speed."""
    paths, _ = day(road=False)
    rolled = write_session(tmp_path / "rolled.h5", coast_car_text(), COAST_RATE, coasted())

    found = answer(capsys, *paths, "--coastdown", str(rolled))

    codes = {finding["code"] for finding in found["findings"]}
    assert found["bands"]
    assert "power-other-car" in codes  # 1247 kg rolled, 790 kg pulled
    beyond = "power-beyond-coastdown" in codes
    speeds = [band["speed_mps"] for band in found["bands"]]
    assert beyond == (max(speeds) > 37.0 or min(speeds) < 9.0)


def test_the_air_that_was_kept_is_the_air_of_the_power(
    day: Callable[..., Day], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """18 °C, 1002 hPa, 55 %: the density is that of psychrolib, and `--air none` is none."""
    copies = []
    for path in day(road=True)[0]:
        copy = tmp_path / Path(path).name
        copy.write_bytes(Path(path).read_bytes())
        assert run(["mark", str(copy), "--air", "18,1002,55"]) == 0
        copies.append(str(copy))
    capsys.readouterr()
    psychrolib.SetUnitSystem(psychrolib.SI)
    ratio = psychrolib.GetHumRatioFromRelHum(18.0, 0.55, 100200.0)
    density = psychrolib.GetMoistAirDensity(18.0, ratio, 100200.0)

    kept, none, given = (answer(capsys, *copies, *more) for more in ((), ("--air", "none"), ("--air", "18,1002,55")))

    assert any(f"{density:.3f} kg/m³" in line for line in kept["warnings"])
    assert not any("kg/m³" in line for line in none["warnings"])
    assert kept["bands"] == given["bands"] != none["bands"]


@pytest.mark.parametrize("command", ["curve", "coach", "power"])
def test_a_gear_that_road_speed_contradicts_is_said_by_every_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    """Driven in third, declared as second."""
    path = tmp_path / "s.h5"
    session(path, 50, "heron", BEGAN, chain=Chain(extra=("road_speed",)), gear=2, drive_gear=3, pulls=2)

    assert run([command, str(path), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)

    assert any("declared as gear 2, but road speed shows gear 3" in line for line in found["warnings"])
