"""steadypull fit: from a recorded session to a calibration, with what cannot be used said in one line."""

import numpy as np
import pytest

from stream.calibrate.speed.calfile import load_calibration
from tests.drives import CAR, CAR_TEXT, ROW, RPM_AT_0V, RPM_PER_V, TARGETS, hold_plan
from tests.sessions import STARTED, write_session

KEYS = [
    "model",
    "slope_rpm_per_unit",
    "intercept_rpm",
    "u_slope",
    "u_intercept",
    "covariance",
    "scale_error_pct",
    "residual_sd_rpm",
    "largest_departure_pct_span",
    "valid_from",
    "valid_to",
    "dead_below_rpm",
    "ceiling_above_rpm",
    "points",
    "warnings",
]


def test_a_drive_ends_in_a_calibration_that_holds_the_truth(steadypull, held, tmp_path) -> None:
    """The keys are those agreed, the targets right, the converter's line inside the stated doubt."""
    ran = steadypull("fit", held, "--targets", ROW, "--json", "-o", tmp_path / "SPEED.toml")
    fit = ran.json

    assert set(KEYS) <= set(fit)
    assert [p["target_rpm"] for p in fit["points"] if p["used"]] == list(TARGETS)
    assert list(fit["points"][0]) == ["signal", "target_rpm", "residual_rpm", "used", "why_not", "reason"]
    assert fit["points"][0]["target_rpm"] is None  # idle
    assert fit["slope_rpm_per_unit"] == pytest.approx(RPM_PER_V, abs=2 * fit["u_slope"])
    saved = load_calibration(tmp_path / "SPEED.toml")
    for rpm in (1500.0, 3700.0, 6000.0):
        low, high = saved.interval((rpm - RPM_AT_0V) / RPM_PER_V)
        assert low <= rpm <= high
    assert (saved.car, saved.channel, saved.unit) == ("hill-climb special", "speed_v", "V")
    assert saved.sessions[0].path == "held.h5"


def test_holds_named_by_their_start_behind_one_option(steadypull, held) -> None:
    """--at takes many pairs, as words behind it or with commas."""
    holds = steadypull("replay", held, "--json").json["holds"][1:]
    pairs = [f"{hold['start_s'] + 1:.1f}={rpm:.0f}" for hold, rpm in zip(holds, TARGETS, strict=True)]
    by_words = steadypull("fit", held, "--json", "--at", *pairs).json
    by_commas = steadypull("fit", held, "--json", "--at", ",".join(pairs)).json

    assert [p["target_rpm"] for p in by_words["points"] if p["used"]] == list(TARGETS)
    assert by_words == by_commas


def test_words_and_tables_are_for_people_and_json_stands_alone(steadypull, held) -> None:
    """Without --json a table with the line and the doubt; the next step on standard error."""
    ran = steadypull("fit", held, "--targets", ROW)

    assert ran.code == 0
    assert "rpm = " in ran.out
    assert "(95 %)" in ran.out
    assert "-o SPEED.toml" in ran.err


def test_a_converter_dead_below_and_stuck_above_is_told_in_words(steadypull, tmp_path) -> None:
    """Targets in the dead band and above the ceiling are shown and not used; both ends are named."""
    row = (1000.0, 1500.0, 2000.0, 2500.0, 3000.0, 3500.0, 4000.0, 4500.0, 5000.0, 5500.0, 6000.0, 6500.0)
    samples = hold_plan(5, row).samples(
        low_v=(1900.0 - RPM_AT_0V) / RPM_PER_V, high_v=(5700.0 - RPM_AT_0V) / RPM_PER_V, noise_v=0.002
    )
    path = write_session(tmp_path / "stuck.h5", samples, 200.0, CAR_TEXT)
    fit = steadypull("fit", path, "--targets", ",".join(f"{rpm:.0f}" for rpm in row), "--json").json

    assert [p["target_rpm"] for p in fit["points"] if p["used"]] == list(row[2:10])
    assert {p["target_rpm"] for p in fit["points"] if p["reason"] in ("stuck-bottom", "stuck-top")} == {
        1000.0,
        1500.0,
        6000.0,
        6500.0,
    }
    assert fit["dead_below_rpm"] == 2000.0
    assert fit["ceiling_above_rpm"] == pytest.approx(5700.0, abs=60.0)
    assert any("does not move below about 1 9" in words for words in fit["warnings"])
    assert any(
        "stops rising at about 5 7" in words or "stops rising at about 5 6" in words for words in fit["warnings"]
    )


def test_sessions_of_one_chain_are_pooled(steadypull, tmp_path) -> None:
    """Twice the holds, a smaller doubt; the origin names both."""
    paths = [
        write_session(
            tmp_path / f"{seed}.h5", hold_plan(seed).samples(), 200.0, CAR_TEXT, started=STARTED.replace(day=seed)
        )
        for seed in (6, 7)
    ]
    one = steadypull("fit", paths[0], "--targets", ROW, "--json").json
    both = steadypull("fit", *paths, "--targets", ROW, "--json", "-o", tmp_path / "S.toml").json

    assert sum(p["used"] for p in both["points"]) == 2 * len(TARGETS)
    assert both["u_slope"] < 0.85 * one["u_slope"]
    assert [s.path for s in load_calibration(tmp_path / "S.toml").sessions] == ["6.h5", "7.h5"]


def test_what_a_person_marked_counts(steadypull, held) -> None:
    """A dropped hold is shown and not used; a retargeted one has the speed it was given, with a word."""
    assert steadypull("mark", held, "--drop-hold", 4, "--retarget", "3=2040").code == 0
    fit = steadypull("fit", held, "--targets", ROW, "--json").json

    points = fit["points"]
    assert (points[3]["used"], points[3]["why_not"]) == (False, "left out by hand")
    assert (points[2]["target_rpm"], points[2]["used"]) == (2040.0, True)
    assert any("marked 2040 rpm by hand" in words for words in fit["warnings"])


def test_marks_alone_are_enough(steadypull, held) -> None:
    """Where every hold was given its speed, no targets are needed."""
    for number, rpm in enumerate(TARGETS, start=2):
        steadypull("mark", held, "--retarget", f"{number}={rpm:.0f}")

    fit = steadypull("fit", held, "--json").json
    assert [p["target_rpm"] for p in fit["points"] if p["used"]] == list(TARGETS)


def test_a_session_that_lacks_its_tables_has_its_holds_found(steadypull, held) -> None:
    """As a recording that was cut off: the same calibration, from memory."""
    import h5py

    whole = steadypull("fit", held, "--targets", ROW, "--json").json
    with h5py.File(held, "r+") as file:
        file.attrs["finished"] = 0
        file["holds"].resize(0, axis=0)
    found = steadypull("fit", held, "--targets", ROW, "--json").json

    assert found["slope_rpm_per_unit"] == pytest.approx(whole["slope_rpm_per_unit"], rel=1e-6)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "which speed each hold was is not known"),
        (("--targets", "1500,2000,abc"), "'abc'"),
        (("--targets", "3000,1500,2000,4000,5000,6000"), "out of order"),
        (("--targets", "1500,2000"), "too few"),
        (("--targets", "1500,2000,3000"), "too few"),
        (("--targets", ",".join(str(rpm) for rpm in range(1000, 7001, 150))), "--targets"),
        (("--targets", ROW, "--at", "12=3000"), "either"),
        (("--at", "9999=3000", "1=1000", "10=1500"), "no hold there"),
        (("--at", "12"), "START_S=RPM"),
        (("--targets", ROW, "--reading-error", "0"), "--reading-error"),
        (("--targets", ROW, "--scale-error", "-1"), "--scale-error"),
        (("--targets", ROW, "-o", "no/such/folder/S.toml"), "no such folder"),
    ],
)
def test_what_cannot_be_used_is_one_line(steadypull, held, words, said: str) -> None:
    """Exit 2, the cure in the line."""
    ran = steadypull("fit", held, *words)

    assert ran.code == 2
    assert said in ran.err


@pytest.mark.parametrize(
    ("rows", "said"),
    [((2000.0, 4000.0), "hold"), ((3000.0, 3000.0, 3000.0, 3000.0), "one speed")],
)
def test_two_holds_or_one_speed(steadypull, tmp_path, rows, said: str) -> None:
    """A row that no line can come of."""
    plan = hold_plan(8, ())
    plan.parts.clear()
    plan.holds.clear()
    plan.now = rows[0]
    for rpm in rows:
        plan.ramp(rpm, 500.0).hold(rpm, 5.0).ramp(rpm + 600.0, 500.0).ramp(rpm, 500.0)
    path = write_session(tmp_path / "few.h5", plan.samples(), 200.0, CAR_TEXT)
    ran = steadypull("fit", path, "--targets", "2000,3000,4000")

    assert ran.code == 2
    assert said in ran.err


def test_holds_of_another_car_are_not_pooled(steadypull, held, tmp_path) -> None:
    """The line names the session, what differs and the cure."""
    other = write_session(
        tmp_path / "other.h5",
        hold_plan(9).samples(),
        200.0,
        CAR_TEXT.replace("hill-climb special", "sprint car"),
    )
    ran = steadypull("fit", held, other, "--targets", ROW)

    assert ran.code == 2
    assert "'sprint car'" in ran.err
    assert "is given twice" in steadypull("fit", held, held, "--targets", ROW).err


def test_a_calibration_file_is_never_overwritten(steadypull, held, tmp_path) -> None:
    """-o takes a new name only."""
    (tmp_path / "S.toml").write_text("mine")

    assert "already there" in steadypull("fit", held, "--targets", ROW, "-o", tmp_path / "S.toml").err
    assert (tmp_path / "S.toml").read_text() == "mine"


def test_a_hold_that_is_none_by_the_fitted_line_is_left_out(steadypull, tmp_path) -> None:
    """The provisional slope is 30 % low, so a swing of ±90 rpm looked like ±63; by the fitted line it is no hold."""
    plan = hold_plan(10, (1500.0, 2000.0))
    plan.ramp(2500.0, 500.0)
    t = np.arange(round(9.0 * plan.rate_hz)) / plan.rate_hz
    plan.parts.append(2500.0 + 92.0 * np.sin(2 * np.pi * t / 2.2))
    for rpm in (3000.0, 3500.0, 4000.0, 5000.0):
        plan.ramp(rpm, 500.0).hold(rpm, 6.0, 30.0)
    text = CAR.format(slope=RPM_PER_V * 0.7, zero=RPM_AT_0V * 0.7)
    path = write_session(tmp_path / "restless.h5", plan.samples(), 200.0, text)
    fit = steadypull("fit", path, "--targets", "1500,2000,2500,3000,3500,4000,5000", "--json").json

    out = [p for p in fit["points"] if "swings" in p["why_not"]]
    assert [p["target_rpm"] for p in out] == [2500.0]
    assert [p["target_rpm"] for p in fit["points"] if p["used"]] == [1500.0, 2000.0, 3000.0, 3500.0, 4000.0, 5000.0]
