"""curve, compare, coach, trend and air through the command line, on logs whose truth a generator of their own knows."""

import csv
import io
import json
import math
from collections.abc import Callable, Sequence
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from tests.pull_logs import RPM_AT_0V, RPM_PER_V, LogPlan, car_text, true_change_pct, write_log
from ui.cli.main import run

CHANGE = 0.04
TURNS = "ABAB"
INSIDE = [3625.0, 3875.0, 4125.0, 4375.0, 4625.0, 4875.0]  # bands that the trial tune lifts by all of CHANGE


@dataclass(frozen=True)
class Said:
    """Exit code, standard output, standard error."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


def call(*words: object) -> Said:
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = run([str(word) for word in words])
    assert "Traceback" not in err.getvalue()
    return Said(code, out.getvalue(), err.getvalue())


def refused(*words: object) -> str:
    """The one line of a refusal."""
    said = call(*words)
    assert (said.code, said.out) == (2, "")
    assert said.err.count("\n") == 1
    assert said.err.startswith("steadypull: error: ")
    return said.err


def brought_in(
    folder: Path,
    plan: LogPlan,
    tune: str,
    car: str | None = None,
    gear: int | None = None,
    names: dict[str, str] | None = None,
    order: tuple[str, ...] = ("time", "volts", "load"),
    end: Callable[[Path], None] | None = None,
) -> Path:
    """A log made a session by `import`."""
    place = len(list(folder.glob("*.csv")))
    car_path, log, path = (folder / f"{place}{suffix}" for suffix in (".toml", ".csv", ".h5"))
    car_path.write_text(car or car_text(lag_s=plan.lag_s), encoding="utf-8")
    write_log(log, plan, names or {}, order)
    if end is not None:
        end(log)
    words = ("import", log, "--car", car_path, "-o", path, "--tune", tune, "--json")
    said = call(*words, *(() if gear is None else ("--gear", gear)))
    assert said.code == 0, said.err
    return path


def day(folder: Path, first_seed: int, tunes: str = TURNS, change: float = CHANGE, **more: Any) -> list[Path]:
    """Sessions of these tunes, B with the change."""
    plan_keys = {key: more.pop(key) for key in list(more) if key in LogPlan.__dataclass_fields__}
    return [
        brought_in(folder, LogPlan(first_seed + place, change if tune == "B" else 0.0, **plan_keys), tune, **more)
        for place, tune in enumerate(tunes)
    ]


def compared(paths: Sequence[Path], *more: object) -> Any:
    said = call("compare", *paths, "--base", "A", "--trial", "B", "--json", *more)
    assert said.code == 0, said.err
    return said.json


@pytest.fixture(scope="module")
def turns(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """A B A B with a known change between 3 500 and 5 000 rpm; in every session one pull is spoilt by a lift."""
    return day(tmp_path_factory.mktemp("turns"), 10, lifts=(1,), gear=3)


@pytest.mark.parametrize(
    ("rate_hz", "lag_s", "order"),
    [(50.0, 0.05, ("time", "volts", "load")), (1000.0, 0.1, ("load", "volts", "time"))],
)
def test_change_is_within_its_interval_at_any_rate(tmp_path, rate_hz, lag_s, order) -> None:
    """The planted change lies in its interval at any sample rate."""
    result = compared(day(tmp_path, 100, scatter=0.005, rate_hz=rate_hz, lag_s=lag_s, order=order))

    bands = [band for band in result["bands"] if band["low_pct"] is not None]
    held = [b["low_pct"] <= true_change_pct(b["rpm"], 250.0, CHANGE) <= b["high_pct"] for b in bands]
    assert len(bands) >= 15
    assert sum(held) >= len(held) - 1  # pulls scatter as a whole, so bands hold or miss together
    assert set(INSIDE) == {band["rpm"] for band in bands if band["resolved"]}
    assert {band["rpm"] for band in result["shape"]["bands"] if band["resolved"] and band["change_pct"] > 0} == set(
        INSIDE
    )
    whole = np.mean([true_change_pct(band["rpm"], 250.0, CHANGE) for band in bands])
    assert result["overall"]["low_pct"] <= whole <= result["overall"]["high_pct"]
    assert (result["order_only"], result["look"], result["next_look"]) == (False, 16, 20)


def test_link_turned_round_in_newtons_with_names_of_its_own(tmp_path) -> None:
    """Sign, unit and channel names are the car file's."""
    car = f"""
[car]
name = "special"
[[channel]]
name = "push"
column = "Schub"
role = "load"
unit = "mV/V"
sign = -1
newtons_per_unit = 2900
[[channel]]
name = "clock"
column = "Zeit"
role = "time"
unit = "s"
[[channel]]
name = "rev"
column = "Dreh zahl"
role = "engine_speed"
unit = "V"
rpm_per_unit = {RPM_PER_V}
rpm_at_zero = {RPM_AT_0V}
lag_s = 0.05
"""
    names = {"time": "Zeit", "volts": "Dreh zahl", "load": "Schub"}
    result = compared(day(tmp_path, 30, sign=-1, car=car, names=names, order=("load", "time", "volts")))

    assert result["unit"] == "N"
    assert all(1500 < band["base_mean"] < 2900 for band in result["bands"])
    assert set(INSIDE) <= {band["rpm"] for band in result["bands"] if band["resolved"]}
    for band in result["bands"]:
        assert band["low_pct"] <= true_change_pct(band["rpm"], 250.0, CHANGE) <= band["high_pct"]


def test_flawed_pulls_are_not_used_unasked(turns) -> None:
    """Flawed pulls are left out unless kept."""
    result = compared(turns)

    assert result["pulls"] == {"base": 6, "trial": 6}
    assert all(band["base_n"] <= 6 and band["trial_n"] <= 6 for band in result["bands"])


def test_pulls_are_kept_and_dropped_by_hand_and_raw_stays(turns, tmp_path) -> None:
    """Marks change what is used and no raw byte."""
    path = tmp_path / "mine.h5"
    path.write_bytes(turns[0].read_bytes())
    with h5py.File(path) as file:
        before = file["raw/samples"][:]
    listed = call("mark", path, "--json").json["pulls"]
    marked = call("mark", path, "--keep-pull=2", "--drop-pull=1", "--drop-pull=3", "--json").json["pulls"]
    used = compared([path, turns[1]])

    assert [pull["mark"] for pull in listed] == [""] * 4
    assert [pull["verdict"] for pull in listed] == ["clean", "flawed", "clean", "clean"]
    assert [pull["mark"] for pull in marked] == ["drop", "keep", "drop", ""]
    assert used["pulls"] == {"base": 2, "trial": 3}
    assert "1 flawed pull(s) kept by hand are in the result" in used["warnings"]
    assert "dropped" in call("mark", path).out
    cleared = call("mark", path, "--clear-pull=1", "--clear-pull=2", "--clear-pull=3", "--json").json["pulls"]
    assert [pull["mark"] for pull in cleared] == [""] * 4
    with h5py.File(path) as file:
        assert np.array_equal(file["raw/samples"][:], before)


def test_a_against_a_is_not_resolved(tmp_path) -> None:
    """The same tune twice is not resolved."""
    result = compared(day(tmp_path, 50, change=0.0))

    assert not result["overall"]["resolved"]
    assert not any(band["resolved"] for band in result["bands"])
    assert result["overall"]["low_pct"] < 0 < result["overall"]["high_pct"]


def test_one_session_a_side_is_in_this_order_only(turns) -> None:
    """One session a side says 'in this order only'."""
    result = compared(turns[:2])
    text = call("compare", *turns[:2], "--base", "A", "--trial", "B").out

    assert result["order_only"]
    assert all(band["change_pct"] is not None for band in result["bands"])
    assert text.splitlines()[1].startswith("In this order only. ")


def test_text_begins_with_what_the_day_resolves_and_the_verdict(turns) -> None:
    """First what the day resolves, then the verdict."""
    lines = call("compare", *turns, "--base", "A", "--trial", "B").out.splitlines()

    assert lines[0].startswith("Your day resolves ")
    assert lines[1].startswith(
        "Resolved at some speeds: 'B' differs from 'A' there; overall "
    )  # 4 % in a third of the bands
    assert lines[2].startswith("Verdict of the look at 12 pulls")
    assert lines[3].startswith("Resolved by band: more at 3500 to ")
    assert lines[4].startswith("Shape, whatever shifts the whole curve: more at 3500 to ")
    assert any(line.startswith("Warning: no zero was taken") for line in lines)


def test_offsets_of_zero_widen_the_interval_instead_of_moving_the_verdict(tmp_path) -> None:
    """Without a declared zero a session's offset looks like a change; sessions of one tune that differ say so."""
    folder = tmp_path / "offsets"
    folder.mkdir()
    paths = [
        brought_in(folder, LogPlan(60 + place, zero=zero), tune, gear=3)
        for place, (tune, zero) in enumerate(zip(TURNS, (-0.03, 0.02, 0.01, -0.05), strict=True))
    ]
    result = compared(paths)

    assert not result["overall"]["resolved"]
    assert {"wilder-than-known"} <= {one["code"] for one in result["findings"]}


def test_gears_are_told_by_the_rate_of_gain_and_never_mix(tmp_path) -> None:
    """Undeclared gears are told apart and never mixed."""
    paths = day(tmp_path, 70, "AB")
    other = brought_in(tmp_path, LogPlan(75, gain=1150.0), "A")
    result = compared([*paths, other])

    assert result["pulls"] == {"base": 4, "trial": 4}
    assert any("4 pull(s) in the gear that gains about" in words for words in result["warnings"])
    no_common = refused("compare", paths[1], other, "--base=A", "--trial=B")
    assert "no gear in which every tune has a clean pull" in no_common


@pytest.mark.parametrize(
    ("car", "words"),
    [
        (car_text(name="another car"), "different cars"),
        (car_text(unit="V"), "different load units"),
        (car_text(more_load="newtons_per_unit = 2900"), "different load units"),
    ],
)
def test_other_cars_and_units_are_refused(tmp_path, turns, car, words) -> None:
    """Sessions of another car or unit cannot be compared."""
    other = brought_in(tmp_path, LogPlan(80, CHANGE, pulls=2), "B", car)

    assert words in refused("compare", turns[0], other, "--base", "A", "--trial", "B")


def test_other_channels_lags_and_calibrations_are_named(tmp_path, turns) -> None:
    """What differs between the sides is named."""
    car = car_text(load="right", lag_s=0.02).replace(f"= {RPM_PER_V}\n", f"= {RPM_PER_V * 1.01}\n")
    other = brought_in(tmp_path, LogPlan(81, CHANGE, lag_s=0.02), "B", car, gear=3, names={"load": "right"})
    said = " ".join(compared([turns[0], other])["warnings"])

    assert "the load channel is not the same in all sessions ('load' in" in said
    assert "the lag of engine speed is not the same in all sessions (0.05 s in" in said
    assert "different calibrations" in said


def test_what_a_person_may_get_wrong_is_one_line_with_the_cure(turns, tmp_path) -> None:
    """Each mistake is one line with the cure."""
    pair = (turns[0], turns[1])
    assert "they hold 'A', 'B'" in refused("compare", *pair, "--base", "A", "--trial", "C")
    assert "give two tunes" in refused("compare", *pair, "--base", "A", "--trial", "A")
    assert "given twice" in refused("curve", turns[0], turns[0])
    assert "no such session" in refused("curve", tmp_path / "gone.h5")
    for band in ("abc", "nan", "-5", "0", "0.001"):
        assert "--band" in refused("curve", turns[0], "--band", band)
    for air in ("18,1002", "18,1002,x", "a", "18,1002,nan"):
        assert "--air" in refused("curve", turns[0], "--air", air)
    assert "needs a zero" in refused("curve", turns[0], "--air", "18,1002,55")
    assert "--air: given 2 times for 4 sessions" in refused("curve", *turns, "--air=18,1002,55", "--air=18,1002,55")
    assert "--base" in refused("compare", turns[0])
    assert "--csv" in refused("curve", turns[0], "--csv", turns[0])


def test_sessions_without_a_pull_say_so(tmp_path, turns) -> None:
    """Sessions without a pull say so."""
    empty = brought_in(tmp_path, LogPlan(82, pulls=0), "B")
    spoilt = brought_in(tmp_path, LogPlan(83, pulls=2, lifts=(0, 1)), "B", gear=3)

    assert "no pull was found" in refused("coach", empty)
    assert "tune 'B': no clean pull (lift ×2)" in refused("compare", turns[0], spoilt, "--base", "A", "--trial", "B")
    assert f"{empty}: no pull was found in it" in call("curve", turns[0], empty, "--json").json["warnings"]


def test_bands_narrower_than_the_data(tmp_path) -> None:
    """Too narrow bands are named."""
    paths = day(tmp_path, 84, "AB", rate_hz=50.0, pulls=2)

    assert any("narrower than the data" in words for words in compared(paths, "--band", "8")["warnings"])


def test_missing_cells_leave_bands_empty_and_never_nan(tmp_path) -> None:
    """Missing cells empty bands; no NaN is printed."""

    def blot(log: Path) -> None:
        rows = log.read_text().splitlines()
        for place in range(len(rows) // 2, len(rows), 40):
            rows[place] = rows[place].rsplit(",", 1)[0] + ","
        log.write_text("\n".join(rows) + "\n")

    paths = [brought_in(tmp_path, LogPlan(85), "A", gear=3), brought_in(tmp_path, LogPlan(86), "A", gear=3, end=blot)]
    result = call("curve", *paths, "--json").json

    assert all(math.isfinite(band["mean"]) and band["n"] >= 1 for band in result["tunes"][0]["bands"])


def test_curve_as_json_csv_and_text_agree(turns, tmp_path) -> None:
    """JSON, CSV and text hold the same numbers."""
    target = tmp_path / "curves.csv"
    result = call("curve", *turns, "--json", "--csv", target).json
    rows = list(csv.DictReader(io.StringIO(target.read_text(encoding="utf-8"))))
    text = call("curve", *turns).out

    bands = [(tune["tune"], band) for tune in result["tunes"] for band in tune["bands"]]
    assert [row["tune"] for row in rows] == [tune for tune, _ in bands]
    for row, (_, band) in zip(rows, bands, strict=True):
        for key in ("rpm", "mean", "low", "high", "n"):
            assert float(row[key]) == pytest.approx(band[key], rel=1e-8)
    assert [tune["pulls"] for tune in result["tunes"]] == [6, 6]
    assert text.startswith("A: 6 pulls, ")


def test_coach_says_first_what_the_day_resolves(turns) -> None:
    """The coach begins with what the day resolves."""
    settled, first = call("coach", *turns), call("coach", turns[0], "--json").json

    assert settled.out.startswith("Your day resolves ")
    assert "Settled: B differs from A" in settled.out
    assert "closed road" in settled.err
    assert (first["settled"], first["tune"], first["gear"], first["next_look"]) == (False, "", 3, 6)
    assert list(first)[:7] == ["settled", "tune", "gear", "direction", "why", "look", "next_look"]
    assert first["day_resolves_pct"] > 0


def test_trend_follows_one_tune_over_its_sessions(turns) -> None:
    """A trend lists the sessions of one tune."""
    result = call("trend", *turns, "--tune", "A", "--json").json

    assert [point["session"] for point in result["points"]] == [str(turns[0]), str(turns[2])]
    assert result["points"][0]["change_pct"] == 0.0
    assert "no trend can be told yet" in call("trend", *turns, "--tune", "A").out
    assert "they hold 'A', 'B'" in refused("trend", *turns, "--tune", "C")


def test_a_zero_and_air_of_each_session(turns, tmp_path) -> None:
    """Each session has its own zero and its own air."""
    paths = []
    for path in turns:
        copy = tmp_path / path.name
        copy.write_bytes(path.read_bytes())
        with h5py.File(copy, "r+") as file:
            file["zeros"].resize(1, axis=0)
            file["zeros"][0] = (0.0, 1.0, 0.0, 0.002, "test")
        paths.append(copy)
    plain = compared(paths)
    # ISO 1585 at 15 °C, 1013.25 hPa, dry: 0.95281 (published reference values, computed from the formula by hand)
    same = compared(paths, "--air", "15,1013.25,0")
    fairer = compared(paths, *(f"--air={reading}" for reading in ("15,1013.25,0", "25,990,0") * 2))

    assert "no zero" not in " ".join(plain["warnings"])
    assert same["bands"][5]["base_mean"] == pytest.approx(0.95281 * plain["bands"][5]["base_mean"], rel=5e-5)
    assert same["overall"]["change_pct"] == pytest.approx(plain["overall"]["change_pct"], rel=1e-9)
    expected = (1 + plain["bands"][5]["change_pct"] / 100) / 0.95281
    assert 1 + fairer["bands"][5]["change_pct"] / 100 == pytest.approx(expected, rel=5e-5)
    assert "outside" in refused("compare", *paths, "--base=A", "--trial=B", "--air=0,1030,50")
    assert compared(paths, "--air=0,1030,50", "--beyond-range")["bands"]


def test_mixture_and_road_speed_are_read_from_the_log(tmp_path) -> None:
    """Logged λ and road speed are compared between the sides."""
    more = """
[[channel]]
name = "wideband"
role = "lambda"
[[channel]]
name = "charge_air"
role = "temperature"
unit = "K"
"""
    paths = [
        brought_in(
            tmp_path,
            LogPlan(90 + place, extra={"wideband": rich, "charge_air": kelvin}),
            tune,
            car_text(more=more),
            gear=3,
        )
        for place, (tune, rich, kelvin) in enumerate((("A", 0.88, 300.0), ("B", 0.91, 310.0)))
    ]
    said = " ".join(compared(paths)["warnings"])

    assert "mixture (λ) is 0.88 on the base side and 0.91 on the trial side" in said
    assert "intake temperature is 26.85 °C on the base side and 36.85 °C on the trial side" in said


@pytest.mark.parametrize(
    ("words", "sae", "iso"),
    [  # SAE J1349 (1990 form) and ISO 1585, computed from the formulas with the vapour pressure of IAPWS
        (("--temperature", 20, "--pressure", 1013.25, "--humidity", 50), 0.97656, 0.97621),
        (("--temperature", 25, "--pressure", 990, "--humidity", 0), 1.0, 1.0),
    ],
)
def test_air_factors(words, sae, iso) -> None:
    """Factors of both standards for a usual day."""
    result = call("air", *words, "--json").json

    assert result["valid"]
    assert result["sae_j1349"] == pytest.approx(sae, abs=3e-5)
    assert result["iso_1585"] == pytest.approx(iso, abs=3e-5)


def test_air_hotter_than_weather_is_out_of_range_and_no_error() -> None:
    """Under a hot bonnet the air is above 65 °C: out of both standards' range, so no factor, and that is all."""
    hot = call("air", "--temperature", 80, "--pressure", 990, "--humidity", 5, "--json").json

    assert (hot["sae_j1349"], hot["iso_1585"], hot["valid"]) == (None, None, False)


def test_air_out_of_range_and_at_altitude() -> None:
    """Out of range there is no factor; sea-level pressure is brought to altitude."""
    cold = ("air", "--temperature", 0, "--pressure", 1030, "--humidity", 50)
    refused_factor, beyond = call(*cold, "--json"), call(*cold, "--beyond-range", "--json").json
    high = call("air", "--temperature=20", "--pressure=1013.25", "--humidity=0", "--altitude=1000", "--json").json

    assert refused_factor.code == 0
    assert refused_factor.json["sae_j1349"] is refused_factor.json["iso_1585"] is None
    assert not refused_factor.json["valid"]
    assert beyond["sae_j1349"] == pytest.approx(0.90879, abs=3e-5)
    assert beyond["iso_1585"] == pytest.approx(0.90798, abs=3e-5)
    assert not beyond["valid"]
    assert high["dry_pressure_hpa"] == pytest.approx(898.75, abs=0.05)  # ISO 2533 at 1 000 m: 898.745 hPa
    assert call(*cold).out.startswith("No factor: out of the standards' range")
    for name in ("--temperature", "--pressure", "--humidity"):
        words = {"--temperature": "20", "--pressure": "1000", "--humidity": "50"} | {name: "warm"}
        assert name in refused("air", *(part for pair in words.items() for part in pair))


def test_numbers_of_the_text_and_the_json_agree(turns) -> None:
    """Text and JSON hold the same numbers."""
    result = compared(turns)
    text = call("compare", *turns, "--base", "A", "--trial", "B").out
    rows = [line.split() for line in text.splitlines() if line[:5].strip().isdigit()]

    assert [float(row[0]) for row in rows] == [round(band["rpm"]) for band in result["bands"]]
    shown = np.array([float(row[5]) for row in rows])
    assert shown == pytest.approx([band["change_pct"] for band in result["bands"]], abs=0.06)
    assert [row[-1] == "resolved" for row in rows] == [band["resolved"] for band in result["bands"]]
