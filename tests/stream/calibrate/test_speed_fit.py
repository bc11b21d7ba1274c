"""The speed fit: its keys, its doubt in words, models on evidence, suspects, dead ends, refusals."""

import json

import numpy as np
import pytest

from stream.calibrate.speed.speed_fit import fit_speed
from stream.errors import InputError
from tests.stream.calibrate.hold_drives import SLOPE, ZERO, HoldDrive
from ui.cli.fit import fit_json

ROW = tuple(float(rpm) for rpm in range(1500, 6501, 500))
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


def codes(fit) -> set[str]:
    return {finding.code for finding in fit.findings}


def about(fit, code: str) -> dict:
    """The values of the finding with this code."""
    return dict(next(finding.values for finding in fit.findings if finding.code == code))


def test_a_plain_row_gives_the_converters_line_and_the_agreed_keys() -> None:
    """Slope and intercept within three standard uncertainties of the truth; exactly the keys of the JSON."""
    drive = HoldDrive(11, 1.3, reading=30.0).idle().row(*ROW)
    fit = fit_speed(drive.holds, targets=ROW, reading_error_rpm=30.0)

    assert fit.model == "line"
    assert abs(fit.slope_rpm_per_unit - SLOPE) < 3 * fit.u_slope
    assert abs(fit.intercept_rpm - ZERO) < 3 * fit.u_intercept
    assert (fit.valid_from, fit.valid_to) == (1500.0, 6500.0)
    keys = json.loads(json.dumps(fit_json(fit)))
    assert set(KEYS) | {"findings"} == set(keys)
    assert list(keys["points"][0]) == ["signal", "target_rpm", "residual_rpm", "used", "why_not", "reason"]
    assert keys["points"][0]["target_rpm"] is None
    assert not keys["points"][0]["used"]
    assert keys["points"][0]["reason"] == "no-target"
    assert "no target" in keys["points"][0]["why_not"]
    assert sum(point["used"] for point in keys["points"]) == 11


def test_the_scale_error_is_added_after_the_fit() -> None:
    """It changes no u_ of the fit, and comes on top of a predicted speed."""
    drive = HoldDrive(12).row(*ROW)
    without, plus = (fit_speed(drive.holds, targets=ROW, scale_error_pct=pct) for pct in (0.0, 1.0))

    assert (without.u_slope, without.u_intercept) == (plus.u_slope, plus.u_intercept)
    assert float(plus.u_rpm(3.0)) == pytest.approx(np.hypot(float(without.u_rpm(3.0)), 0.01 * float(plus.rpm(3.0))))
    assert float(plus.u_rpm(3.0, scale=False)) == pytest.approx(float(without.u_rpm(3.0)))
    assert plus.signal(float(plus.rpm(3.0))) == pytest.approx(3.0)


def test_dead_band_and_ceiling_are_named() -> None:
    """Stuck below 1900 and above 5700 rpm: in numbers, in points that are not used, and in words."""
    targets = (1000.0, *ROW)
    drive = HoldDrive(13, 1.2, dead=1900.0, ceiling=5700.0).idle().row(*targets)
    fit = fit_speed(drive.holds, drive.pinned, targets=targets)

    assert fit.dead_below_rpm == 2000.0
    assert fit.ceiling_above_rpm == pytest.approx(5700.0, abs=120.0)
    stuck = {point.target_rpm: point for point in fit.points if point.reason in ("stuck-bottom", "stuck-top")}
    assert sorted(stuck) == [1000.0, 1500.0, 6000.0, 6500.0]
    assert not any(point.used for point in stuck.values())
    assert about(fit, "dead-band")["rpm"] == pytest.approx(1900.0, abs=60.0)
    assert about(fit, "ceiling")["rpm"] == pytest.approx(5700.0, abs=120.0)


def test_a_long_flat_hold_at_the_bottom_is_told_as_a_dead_band() -> None:
    """The live stage took it for a hold; the targets that share it say otherwise."""
    targets = (1000.0, *ROW)
    drive = HoldDrive(14, 0.8, dead=1900.0, as_holds=True).idle().row(*targets)
    fit = fit_speed(drive.holds, drive.pinned, targets=targets)

    assert fit.dead_below_rpm == 2000.0
    assert [point.target_rpm for point in fit.points if not point.used] == [1000.0, 1500.0]


def test_a_misread_hold_is_left_out_with_its_reason() -> None:
    """One hold made at 4240 while 4000 was meant, reading error 20."""
    drive = HoldDrive(15, reading=15.0).row(*ROW[:5])
    drive._hold(4240.0, 4000.0, 6.0, 30.0)
    drive.row(*ROW[6:])
    fit = fit_speed(drive.holds, targets=ROW, reading_error_rpm=20.0)
    out = [point for point in fit.points if not point.used]

    assert [point.target_rpm for point in out] == [4000.0]
    assert out[0].reason == "suspect-hold"
    assert about(fit, "suspect-hold")["off_rpm"] == pytest.approx(240.0, abs=40.0)
    assert out[0].residual_rpm == pytest.approx(-240.0, abs=40.0)


def test_suspects_never_take_more_than_a_fifth_nor_leave_fewer_than_three() -> None:
    """Half of the readings are nonsense: the doubt grows instead."""
    drive = HoldDrive(16, reading=5.0).row(*ROW)
    rng = np.random.default_rng(3)
    assigned = [rpm + (rng.choice([-400, 400]) if index % 2 else 0.0) for index, rpm in enumerate(drive.truth)]
    fit = fit_speed(drive.holds, assigned=assigned, reading_error_rpm=5.0)

    assert sum(not point.used for point in fit.points) <= 2
    assert "scatter-above-stated" in codes(fit)
    assert fit.u_slope > 10.0


def test_a_bent_converter_gets_a_monotone_curve_and_says_why() -> None:
    """0.25 V of bend, a good reference: F test and AICc in the warning, speeds near the truth, slopes positive."""
    drive = HoldDrive(17, reading=8.0, bend=0.25).row(*ROW, *ROW[::-1])
    fit = fit_speed(drive.holds, targets=ROW, reading_error_rpm=10.0)
    speeds = np.linspace(1500.0, 6500.0, 41)
    volts = drive._volts(speeds)

    assert fit.model == "piecewise"
    assert about(fit, "converter-bent")["aicc_lower"] > 4.0
    assert np.max(np.abs(fit.rpm(volts) - speeds)) < 40.0
    assert np.all(np.diff(fit.rpm(np.linspace(0.3, 4.8, 200))) > 0)
    low, high = fit.interval(volts)
    assert np.mean((low <= speeds) & (speeds <= high)) > 0.9
    assert fit_speed(drive.holds, targets=ROW, reading_error_rpm=10.0, model="line").model == "line"


def test_through_zero_only_where_the_intercept_is_known_to_be_small() -> None:
    """A channel in rpm with a good reference goes through zero; with a needle that is not proved and the line stays."""
    from stream.live.records import Hold

    rng = np.random.default_rng(6)
    rows = [rpm for rpm in ROW for _ in range(6)]
    holds = [
        Hold(
            start_s=8.0 * i,
            end_s=8.0 * i + 5,
            signal_mean=rpm / 1000 + rng.normal(0, 0.002),
            signal_sem=0.0005,
            speed_rpm=rpm,
            speed_sd_rpm=20.0,
            drift_rpm_per_s=0.0,
            load_mean=None,
            n_effective=6.0,
        )
        for i, rpm in enumerate(rows)
    ]
    sharp = fit_speed(holds, assigned=rows, reading_error_rpm=3.0)
    blunt = fit_speed(holds, assigned=rows, reading_error_rpm=50.0)

    assert sharp.model == "through-zero"
    assert (sharp.intercept_rpm, sharp.u_intercept, sharp.covariance) == (0.0, 0.0, 0.0)
    assert "line-through-zero" in codes(sharp)
    assert blunt.model == "line"
    assert "scatter-below-stated" in codes(blunt)


def test_stated_errors_too_small_widen_the_doubt() -> None:
    """40 rpm of scatter stated as 5: said, and u grows accordingly."""
    drive = HoldDrive(18, reading=40.0).row(*ROW)
    small, fair = (fit_speed(drive.holds, targets=ROW, reading_error_rpm=error, model="line") for error in (5.0, 40.0))

    assert "scatter-above-stated" in codes(small)
    assert small.u_slope == pytest.approx(fair.u_slope, rel=0.5)
    assert small.scatter_dof is not None
    assert fair.scatter_dof is None


def test_named_holds_and_dropped_holds() -> None:
    """--at assigns; a hold dropped by hand is shown and not used."""
    drive = HoldDrive(19).row(1500.0, 3000.0, 4500.0, 6000.0)
    at = [(hold.start_s + 0.5, rpm) for hold, rpm in zip(drive.holds, (1500.0, 3000.0, 4500.0, 6000.0), strict=True)]
    fit = fit_speed(drive.holds, at=at, dropped={1})

    assert [point.used for point in fit.points] == [True, False, True, True]
    assert fit.points[1].reason == "dropped-by-hand"


@pytest.mark.parametrize(
    ("settings", "word"),
    [
        ({}, "either targets or holds"),
        ({"targets": ROW, "at": [(1.0, 2.0)]}, "either targets or holds"),
        ({"targets": ROW, "reading_error_rpm": 0.0}, "reading error"),
        ({"targets": ROW, "scale_error_pct": -1.0}, "scale error"),
        ({"targets": ROW, "model": "cubic"}, "not known"),
        ({"assigned": [3000.0] * 11}, "one speed"),
        ({"assigned": [1500.0, 2000.0] + [None] * 9}, "three or more"),
    ],
)
def test_settings_that_cannot_be_used(settings, word: str) -> None:
    """One line, a clear word."""
    drive = HoldDrive(20).row(*ROW)

    with pytest.raises(InputError, match=word):
        fit_speed(drive.holds, **settings)


def test_a_signal_that_falls_as_the_engine_speeds_up() -> None:
    """A negative slope: the ends of speed stay what they are."""
    drive = HoldDrive(21, 1.1, dead=1900.0).idle().row(*ROW)
    from msgspec.structs import replace

    holds = [replace(hold, signal_mean=5.0 - hold.signal_mean) for hold in drive.holds]
    pinned = [replace(stretch, signal=5.0 - stretch.signal, at="top") for stretch in drive.pinned]
    fit = fit_speed(holds, pinned, targets=ROW)

    assert fit.slope_rpm_per_unit == pytest.approx(-SLOPE, rel=0.05)
    assert fit.dead_below_rpm == 2000.0
