"""Situations tried with the one aim of getting an air correction, or a comparison, that boost makes wrong.

The logs are drawn by the generator of `tests/pull_logs.py`, with a manifold pressure of this file's own. Factors are
the published reference values of ISO 1585 (15 °C, 1013.25 hPa, dry: 0.95281; 25 °C, 990 hPa, dry: 1), the pressure at
altitude that of ISO 2533 (1 000 m: 898.75 hPa of 1013.25).
"""

import io
import json
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from stream.study.dataset import open_dataset
from stream.study.pulls import pull_traces
from tests.pull_logs import STEP_S, LogPlan, car_text, write_log
from ui.cli.main import run

ISO_15_1013 = 0.95281
DENSE = "15,1013.25,0"
BAND = 4125.0  # rpm, the middle of a band that every pull crosses


@dataclass
class BoostPlan(LogPlan):
    """Pulls with a manifold pressure, kPa absolute: `low` at a cruise, `high` at full load."""

    low: float = 45.0
    high: float = 97.0
    stuck_kpa: float | None = None
    unit_per_kpa: float = 1.0
    gauge_from: float = 0.0  # kPa taken off what is logged
    baro_kpa: float | None = None

    def columns(self) -> dict[str, np.ndarray]:
        columns = super().columns()
        _, load = self.motion()
        load = load[:: round(1.0 / (STEP_S * self.rate_hz))]
        rng = np.random.default_rng([self.seed, 2])
        kpa = self.low + (self.high - self.low) * np.clip((load - 0.1) / 0.4, 0, 1) + rng.normal(0, 0.3, len(load))
        if self.stuck_kpa is not None:
            kpa = np.full(len(load), self.stuck_kpa)
        columns["map"] = (kpa - self.gauge_from) * self.unit_per_kpa
        if self.baro_kpa is not None:
            columns["baro"] = np.full(len(load), self.baro_kpa) + rng.normal(0, 0.02, len(load))
        return columns


def channels(unit: str = "kPa", more: str = "", baro: bool = False, boosted: bool | None = None) -> str:
    """What the car file says beside speed and load."""
    engine = "" if boosted is None else f"[engine]\nboosted = {str(boosted).lower()}\n"
    other = '[[channel]]\nname = "baro"\nrole = "other"\nunit = "kPa"\n' if baro else ""
    return f'{engine}[[channel]]\nname = "map"\nrole = "manifold_pressure"\nunit = "{unit}"\n{more}\n{other}'


def said(*words: object) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = run([str(word) for word in words])
    assert "Traceback" not in err.getvalue()
    return code, out.getvalue(), err.getvalue()


def answer(*words: object) -> Any:
    code, out, err = said(*words, "--json")
    assert code == 0, err
    return json.loads(out)


def refused(*words: object) -> str:
    code, out, err = said(*words)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    return err


Make = Callable[..., Path]


@pytest.fixture
def made(tmp_path: Path) -> Make:
    """A session of two pulls with a zero, imported from a log."""

    def make(
        tune: str = "A", air: str | None = None, car: str = "", zero: bool = True, seed: int = 1, **plan: Any
    ) -> Path:
        place = len(list(tmp_path.glob("*.csv")))
        toml, log, path = (tmp_path / f"{place}{suffix}" for suffix in (".toml", ".csv", ".h5"))
        toml.write_text(car_text(more=car or channels()), encoding="utf-8")
        write_log(log, BoostPlan(seed, pulls=2, rate_hz=100.0, **plan), {}, ("time", "volts", "load"))
        assert said("import", log, "--car", toml, "-o", path, "--tune", tune, "--gear", "3")[0] == 0
        if zero:
            with h5py.File(path, "r+") as file:
                file["zeros"].resize(1, axis=0)
                file["zeros"][0] = (0.0, 1.0, 0.0, 0.002, "test")
        if air is not None:
            assert said("mark", path, "--air", air)[0] == 0
        return path

    return make


def factor(path: Path, *words: object) -> tuple[float, set[str], str]:
    """(by how much a band's load was multiplied, codes of the findings, their text)."""
    plain, got = (answer("curve", path, "--air", "none"), answer("curve", path, *words))
    loads = [next(band["mean"] for band in one["tunes"][0]["bands"] if band["rpm"] == BAND) for one in (plain, got)]
    codes = {finding["code"] for finding in got.get("findings", [])}
    return loads[1] / loads[0], codes, " ".join(got["warnings"])


# -- boost, declared or seen ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("car", "plan", "air"),
    [
        (channels(boosted=True), {}, ("--air", DENSE)),  # declared, and pressure looks like none
        (channels(boosted=True), {"high": 170.0}, ("--air", DENSE)),
        (channels(), {"high": 170.0}, ("--air", DENSE)),  # seen, ambient not known: above any weather on earth
        (channels(boosted=False), {"high": 170.0}, ("--air", DENSE)),  # the car file is wrong
        (channels(more="gauge = true"), {"high": 170.0, "gauge_from": 99.0}, ("--air", DENSE)),
        (channels("psi"), {"high": 170.0, "unit_per_kpa": 1 / 6.894757}, ("--air", DENSE)),
        (channels("bar"), {"high": 130.0, "unit_per_kpa": 0.01}, ("--air", DENSE)),
    ],
)
def test_a_boosted_engine_is_never_corrected_as_one_without(
    made: Make, car: str, plan: dict, air: tuple[str, ...]
) -> None:
    """The factors hold without boost alone: a boosted engine gets none."""
    ratio, codes, text = factor(made(car=car, **plan), *air)

    assert ratio == pytest.approx(1.0)
    assert "no air correction" in text
    assert not codes or "air-refused-boost" in codes


def test_boost_is_refused_also_where_the_air_was_kept_and_nothing_is_asked(made: Make) -> None:
    """Air that the session kept corrects no boosted engine either."""
    for car, plan in ((channels(boosted=True), {}), (channels(), {"high": 130.0})):
        ratio, _, text = factor(made(car=car, air="15,1005,0", **plan))

        assert ratio == pytest.approx(1.0)
        assert "no air correction" in text


def test_a_car_file_that_denies_the_boost_which_is_seen_is_contradicted(made: Make) -> None:
    """A logged pressure above ambient outranks a car file that says no boost."""
    _, _, text = factor(made(car=channels(boosted=False), high=150.0, air="15,1005,0"))

    assert "the car file says the engine is not boosted" in text


def test_low_boost_at_altitude_is_seen_against_the_air_that_is_there(made: Make) -> None:
    """95 kPa is no boost at the sea, and 10 kPa of it at 850 hPa of ambient."""
    high = made(air="20,850,30", high=95.0)
    sea = made(air="20,1000,30", high=95.0)

    assert factor(high, "--beyond-range")[0] == pytest.approx(1.0)
    assert "10 kPa above ambient" in factor(high, "--beyond-range")[2]
    assert factor(sea)[0] != pytest.approx(1.0, abs=1e-6)


def test_a_sea_level_pressure_kept_at_altitude_does_not_hide_boost(made: Make) -> None:
    """The trap: 1013 hPa of the weather report at a place where a barometer on board reads 850."""
    path = made(car=channels(baro=True), air="20,1013,30", high=95.0, baro_kpa=85.0)

    ratio, _, text = factor(path)

    assert ratio == pytest.approx(1.0)
    assert "sea-level pressure" in text


# -- boost not known --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("car", "plan", "words"),
    [
        ('[[channel]]\nname = "map"\nrole = "other"\nunit = "kPa"\n', {}, "is not known"),  # no pressure channel
        (channels(), {}, "is not known"),  # pressure, but no ambient: absence of boost cannot be seen
        (channels(), {"stuck_kpa": 97.0}, "stuck"),  # reads like full load without boost, always
        (channels(), {"stuck_kpa": 0.0}, "stuck"),
        (channels("%"), {}, "which is no pressure"),
        (channels(), {"high": 170.0, "gauge_from": 99.0}, "no absolute pressure"),  # gauge, and nobody said so
    ],
)
def test_with_boost_unknown_the_correction_says_so(made: Make, car: str, plan: dict, words: str) -> None:
    """Where boost is not known, the correction says that it rests on none."""
    ratio, _, text = factor(made(car=car, **plan), "--air", DENSE)

    assert ratio == pytest.approx(ISO_15_1013, rel=5e-5)
    assert words in text
    assert "with boost this correction is wrong" in text
    assert "never went above ambient" not in text


def test_pressure_that_never_went_above_a_known_ambient_is_said_as_such(made: Make) -> None:
    """Pressure that stayed below ambient is evidence of no boost, and is named as that."""
    ratio, _, text = factor(made(air=DENSE, high=97.0))

    assert ratio == pytest.approx(ISO_15_1013, rel=5e-5)
    assert "never went above ambient" in text


def test_declared_without_boost_needs_no_words_on_boost(made: Make) -> None:
    """A car declared without boost gets no warning about it."""
    ratio, _, text = factor(made(car=channels(boosted=False), air=DENSE))

    assert ratio == pytest.approx(ISO_15_1013, rel=5e-5)
    assert "boosted" not in text


# -- manifold pressure as absolute -----------------------------------------------------------------------------------


def test_a_gauge_channel_is_made_absolute_with_the_air_that_was_kept(made: Make) -> None:
    """170 kPa absolute at full load, logged as 85 above an ambient pressure of 85."""
    gauge = channels(more="gauge = true", boosted=True)
    path = made(car=gauge, high=170.0, gauge_from=85.0, air="20,850,30")

    with open_dataset(path) as data:
        pulls = pull_traces(data)

    assert len(pulls) == 2
    for pull in pulls:
        assert pull.pressure_kpa is not None
        assert np.nanmax(pull.pressure_kpa) == pytest.approx(170.0, abs=1.5)
        assert pull.air.boost == "boosted"


def test_a_gauge_channel_without_ambient_says_what_was_added(made: Make) -> None:
    """A gauge pressure needs the ambient one; what was taken for it is said."""
    gauge = channels(more="gauge = true")

    _, _, text = factor(made(car=gauge, high=170.0, gauge_from=99.0), "--air", DENSE)

    assert "1013 hPa is added" in text


# -- the weather -----------------------------------------------------------------------------------------------------


def test_a_kept_air_is_used_and_none_means_none(made: Make) -> None:
    """The session's own air is used unless 'none' is asked for."""
    path = made(air=DENSE)

    assert factor(path)[0] == pytest.approx(ISO_15_1013, rel=5e-5)
    assert factor(path, "--air", "none")[0] == pytest.approx(1.0)
    assert answer("mark", path)["air"]["pressure_hpa"] == pytest.approx(1013.25)


def test_weather_kept_in_one_session_and_not_in_the_other_corrects_neither(made: Make) -> None:
    """Half a correction would make a difference of 5 % between two tunes that are the same."""
    paths = made("A", air=DENSE), made("B", seed=2)

    one, none = (answer("curve", *paths, *more) for more in ((), ("--air", "none")))

    assert [tune["bands"] for tune in one["tunes"]] == [tune["bands"] for tune in none["tunes"]]
    assert any(paths[1].name in line and "correct all or none" in line for line in one["warnings"])


def test_an_air_that_contradicts_the_kept_one_is_named(made: Make) -> None:
    """Two airs for one session that differ are named."""
    path = made(air="15,898.7,0", high=88.0)

    ratio, _, text = factor(path, "--air", DENSE)

    assert ratio == pytest.approx(ISO_15_1013, rel=5e-5)
    assert "is not the air kept with the session" in text
    assert "is not the air kept" not in factor(path, "--air", "15.5,900,5", "--beyond-range")[2]


def test_a_kept_air_that_cannot_be_used_leaves_the_load_as_it_is(made: Make) -> None:
    """An unusable air corrects nothing, and that is said."""
    for path, words in (
        (made(air="0,1030,50"), "out of the standards' range"),
        (made(air=DENSE, zero=False), "needs a zero"),
    ):
        ratio, _, text = factor(path)

        assert ratio == pytest.approx(1.0)
        assert words in text


@pytest.mark.parametrize(
    ("air", "words"),
    [
        ("18,1002,140", "humidity"),
        ("18,1002,-3", "humidity"),
        ("18,101325,55", "pressure"),  # pascals
        ("18,29.9,55", "pressure"),  # inches of mercury
        ("1002,18,55", "temperature"),  # the other way round
        ("18,1002", "three numbers"),
        ("18,1002,nan", "no size that this can have"),
        ("warm", "not a number"),
    ],
)
def test_what_is_no_weather_is_neither_kept_nor_used(made: Make, air: str, words: str) -> None:
    """Impossible air is refused at the door and in the file."""
    path = made()
    before = path.read_bytes()

    for command in (("mark", path), ("curve", path)):
        line = refused(*command, "--air", air)
        assert words in line
        assert "--air" in line
    assert path.read_bytes() == before


def test_sea_level_pressure_and_altitude_are_kept_as_the_pressure_where_the_car_stands(made: Make) -> None:
    """What is kept is the pressure where the car stands."""
    path = made()

    assert said("mark", path, "--air", "15,1013.25,40", "--altitude", "1000")[0] == 0
    with h5py.File(path) as file:
        kept = dict(file["conditions"].attrs)

    assert kept["pressure_hpa"] == pytest.approx(898.75, abs=0.05)  # ISO 2533, 1 000 m
    assert (kept["temperature_c"], kept["humidity_pct"]) == (15.0, 40.0)
    assert kept["said_utc"]
    assert "belongs to --air" in refused("mark", path, "--altitude", "500")
    assert "no sea level" in refused("mark", path, "--air", "15,700,40", "--altitude", "1000")


def test_a_replay_carries_the_air_on(made: Make, tmp_path: Path) -> None:
    """A replay into a new session copies the day's air."""
    path, new = made(air=DENSE), tmp_path / "again.h5"

    assert said("replay", path, "-o", new, "--headless", "--json")[0] == 0

    assert answer("mark", new)["air"]["pressure_hpa"] == pytest.approx(1013.25)


def test_the_report_says_that_a_boosted_engine_was_not_corrected(made: Make, tmp_path: Path) -> None:
    """The printed session says that no factor was used, and why."""
    page = tmp_path / "day.html"

    assert said("report", made(car=channels(boosted=True), air=DENSE), "-o", page)[0] == 0

    assert "no air correction" in page.read_text(encoding="utf-8").lower()


def advised(paths: list[Path], folder: Path) -> tuple[int, set[str]]:
    """(cells with more advance than now, codes): from A at 20 degrees and B at 24, nobody having heard knock."""
    table = folder / "advance.csv"
    rows = [f"{tune},{rpm},{degrees}" for tune, degrees in (("A", 20), ("B", 24)) for rpm in (1500, 4000, 7000)]
    table.write_text("tune,rpm,advance\n" + "\n".join(rows) + "\n")
    found = answer("advise-ignition", *paths, "--advance", table, "--now", "A", "--none-heard")
    more = sum(cell["proposed"] is not None and cell["proposed"] > cell["now"] + 0.05 for cell in found["cells"])
    return more, {finding["code"] for finding in found["findings"]}


def test_more_boost_is_never_taken_for_better_advance(made: Make, tmp_path: Path) -> None:
    """B has 4 degrees more and 5 % more load, all of it from 5 % more boost: no more advance follows from that. At
    equal boost the same load would be the advance's."""
    car = channels(boosted=True)
    more: dict[str, Any] = {"change": 0.05, "scatter": 0.002}

    base = made("A", car=car, high=150.0, scatter=0.002)
    steps, codes = advised([base, made("B", seed=2, car=car, high=157.5, **more)], tmp_path)
    equal, quiet = advised([base, made("B", seed=2, car=car, high=150.0, **more)], tmp_path)

    assert steps == 0
    assert "advance-unequal-boost" in codes
    assert equal > 0
    assert "advance-unequal-boost" not in quiet


def test_a_boosted_engine_without_a_pressure_log_says_that_boost_cannot_be_compared(made: Make, tmp_path: Path) -> None:
    """Two tunes of a boosted engine whose boost nobody logged."""
    car = '[engine]\nboosted = true\n[[channel]]\nname = "map"\nrole = "other"\nunit = "kPa"\n'

    _, codes = advised([made("A", car=car), made("B", seed=2, car=car, change=0.05)], tmp_path)

    assert "advance-boost-not-logged" in codes


# -- what is not known is not equal -----------------------------------------------------------------------------------

NO_PRESSURE = '[[channel]]\nname = "map"\nrole = "other"\nunit = "kPa"\n'


def compared(made: Make, scale: float, **both: Any) -> Any:
    """A B B A, the load of B `scale` times that of A."""
    paths = [
        made(tune, seed=10 + place, **both, **({"scale": scale} if tune == "B" else {}))
        for place, tune in enumerate("ABBA")
    ]
    return answer("compare", *paths, "--base", "A", "--trial", "B", "--history", "none")


@pytest.mark.parametrize("how", [{"car": "[engine]\nboosted = true\n" + NO_PRESSURE}, {"stuck_kpa": 150.0}])
def test_a_boosted_engine_of_unknown_boost_resolves_no_small_change(made: Make, how: dict[str, Any]) -> None:
    """Load goes about with pressure (common practice): 5 % of boost is 5 % of load, and nobody measured it."""
    both = {"car": channels(boosted=True), **how}

    small, large = compared(made, 1.05, **both), compared(made, 1.25, **both)

    assert "boost-not-compared" in {one["code"] for one in small["findings"]}
    assert not small["overall"]["resolved"]
    assert not any(band["resolved"] for band in small["bands"])
    assert large["overall"]["resolved"]


def test_a_boosted_engine_of_known_equal_boost_is_compared(made: Make) -> None:
    """Where boost is known and equal, a change is told like any other."""
    found = compared(made, 1.05, car=channels(boosted=True), high=150.0)

    assert "boost-not-compared" not in {one["code"] for one in found["findings"]}
    assert found["overall"]["resolved"]


def test_the_weather_blocks_no_comparison_of_an_engine_without_boost(made: Make) -> None:
    """Without boost a manifold pressure that differs is the day's air, which blocks nothing."""
    car = channels(boosted=False)
    paths = [made(tune, seed=10 + place, car=car, high=97.0 - 2.5 * (tune == "B")) for place, tune in enumerate("ABBA")]

    found = answer("compare", *paths, "--base", "A", "--trial", "B", "--history", "none")

    assert "unequal-boost" not in {one["code"] for one in found["findings"]}
    assert found["overall"]["change_pct"] is not None


def test_the_air_that_is_given_is_the_ambient_one(made: Make) -> None:
    """Manifold pressure 9 kPa above the barometer's is boost, though some weather on earth would explain it."""
    ratio, codes, _ = factor(made(high=108.0), "--air", "25,990,0")

    assert ratio == 1
    assert "air-refused-boost" in codes


def test_a_standing_engine_tells_the_ambient_pressure(made: Make) -> None:
    """One rule for the boost, the air and the tables: before the engine is started its manifold holds the air's."""
    path = made(high=108.0)
    with h5py.File(path, "r+") as file:
        names = list(file["raw/samples"].attrs["names"])
        rows = slice(0, 200)
        file["raw/samples"][rows, names.index("volts")] = 0.2  # 0 rpm by the car file's line
        file["raw/samples"][rows, names.index("map")] = 99.0
        del file["live"], file["pulls"]  # found again from what stands in the file now
    with open_dataset(path) as data:
        air = pull_traces(data)[0].air

    assert air.boost == "boosted"
    assert air.above_hpa == pytest.approx(90, abs=10)
