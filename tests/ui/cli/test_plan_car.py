"""steadypull plan and car: before anything is measured."""

import io

import pytest

from stream.car import load_car
from ui.cli.main import run


def test_thirty_six_pulses_at_6600_rpm_need_3960_hz(steadypull) -> None:
    """Common practice, no source: a converter with a ceiling of 2 200 Hz then stops at 3 667 rpm."""
    ran = steadypull("plan", "--pulses", 36, "--redline", 6600, "--ceiling", 2200, "--json")
    own = next(row for row in ran.json["pulse_ranges"] if row["pulses_per_turn"] == 36.0)

    assert own["redline_hz"] == pytest.approx(3960.0)
    assert own["stops_at_rpm"] == pytest.approx(3667.0, abs=0.5)
    assert not own["covers"]
    assert "stops at 3667 rpm" in ran.err


def test_the_plan_in_words(steadypull) -> None:
    """Parts with their units, the trade of ripple against lag, what a bit is worth."""
    out = steadypull("plan", "--pulses", 4, "--redline", 7400).out

    for word in ("this engine", "kΩ", "nF", "chosen", "microstrain", "wheel hop"):
        assert word in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--pulses", 0), "--pulses"),
        (("--pump-current", "nan"), "--pump-current"),
        (("--output", 9), "--output"),
        (("--idle", 8000), "--idle"),
        (("--bits", 2), "bits"),
        (("--gain", -1), "--gain"),
        (("--ceiling", 0), "--ceiling"),
        (("--pulses", "3,x"), "'x'"),
        (("--output-headroom", 6), "--output-headroom"),
        (("--input-threshold", 0), "--input-threshold"),
        (("--pulses", ","), "--pulses"),
    ],
)
def test_wishes_that_cannot_be_met_name_the_option(steadypull, words, said: str) -> None:
    """Exit 2, one line."""
    ran = steadypull("plan", "--pulses", 4, "--redline", 7400, *words)

    assert ran.code == 2
    assert said in ran.err


def test_the_plan_says_which_pump_is_meant_and_why_a_module_sticks(steadypull) -> None:
    """Both kinds are offered, and both ends are explained."""
    twice = steadypull("plan", "--pulses", 4, "--redline", 7400).out
    once = steadypull("plan", "--pulses", 4, "--redline", 7400, "--pump", "once").out

    assert "half of its charge, C·V/2, in each half cycle" in twice
    assert "half as much with --pump twice" in once
    for cause in ("threshold and hysteresis", "busy all the time", "output stage", "dead below", "stuck above"):
        assert cause in twice


def test_pulse_counts_are_compared_side_by_side(steadypull) -> None:
    """One column a count; in JSON each has its own frequencies: N · rpm / 60."""
    out = steadypull("plan", "--pulses", "3,4,6", "--redline", 7200).out
    told = steadypull("plan", "--pulses", "3,4,6", "--redline", 7200, "--json").json

    for head in ("3 a turn", "4 a turn", "6 a turn", "ripple at idle", "sticks above"):
        assert head in out
    assert [row["pulses_per_turn"] for row in told["compared"]] == [3.0, 4.0, 6.0]
    assert [row["redline_hz"] for row in told["compared"]] == pytest.approx([360.0, 480.0, 720.0])
    assert told["pulses_per_turn"] == 3.0
    assert {row["code"] for row in told["findings"]} >= {"plan-ripple-against-response"}
    assert told["warnings"]


def answers(monkeypatch: pytest.MonkeyPatch, *lines: str, rest: int = 40) -> None:
    """Type these, then Enter as often as is asked."""
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join((*lines, *[""] * rest)) + "\n"))


def test_enter_all_the_way_gives_the_invented_car(monkeypatch, tmp_path, capsys) -> None:
    """The scenario: 0.25 V standing and 4.55 V at 7 400 rpm are 7 400 / 4.30 rpm a volt."""
    answers(monkeypatch)
    path = tmp_path / "CAR.toml"
    assert run(["car", "-o", str(path)]) == 0
    car = load_car(path)

    assert car.car.mass_kg == 790.0
    assert car.gearing.ratios == (3.0, 1.95, 1.38, 1.0)
    speed = car.need("engine_speed", "test")
    assert speed.rpm_per_unit == pytest.approx(7400.0 / 4.3, rel=1e-5)
    assert speed.rpm_at_zero == pytest.approx(-0.25 * 7400.0 / 4.3, rel=1e-4)
    assert car.need("load", "test").bridge == "full-bending"
    assert "# outside it: clipped" in path.read_text()
    assert car.findings == ()
    assert capsys.readouterr().out == ""


def test_nonsense_is_asked_again_and_what_is_not_known_is_left_out(monkeypatch, tmp_path, capsys) -> None:
    """Words for a number, a negative mass, equal readings, a wrong unit; - for the mass."""
    answers(
        monkeypatch,
        "my car",
        "heavy",
        "-5",
        "-",
        "-",
        "-",
        "-",
        "-",
        "-",
        "2",
        "6800",
        "volts",
        "V",
        "rpm_v",
        "1.0",
        "1.0",
        "4.0",
        "4.9, 0",
        "0, 5",
        "-",
        "no",
        "road_speed",
        "rpm_v",
        "wheel",
        "km/h",
        "-",
        "wheel",
        "t",
    )
    path = tmp_path / "mine.toml"
    assert run(["car", "-o", str(path)]) == 0
    car, err = load_car(path), capsys.readouterr().err

    assert err.count("once more") == 7
    assert (car.car.name, car.car.mass_kg, car.gearing.ratios) == ("my car", None, ())
    assert car.need("engine_speed", "test").rpm_per_unit == pytest.approx(6800.0 / 3.0, rel=1e-5)
    assert car.by_role("load") is None
    assert [channel.name for channel in car.channel] == ["rpm_v", "wheel", "t"]


def test_a_car_file_is_never_overwritten_nor_half_written(monkeypatch, tmp_path, capsys) -> None:
    """One that is there is refused before a question is asked; input that ends leaves none."""
    (tmp_path / "CAR.toml").write_text("mine")
    assert run(["car", "-o", str(tmp_path / "CAR.toml")]) == 2
    assert "already there" in capsys.readouterr().err
    answers(monkeypatch, "a", "100", rest=0)

    assert run(["car", "-o", str(tmp_path / "new.toml")]) == 2
    assert not (tmp_path / "new.toml").exists()
