"""SPEED.toml: same keys, readable, whole or not at all; stale and foreign calibrations are said."""

import tomllib
from datetime import UTC, datetime

import numpy as np
import pytest

from stream.calibrate.speed.calfile import (
    SourceSession,
    calibration_of,
    load_calibration,
    origin_findings,
    parse_calibration,
    save_calibration,
)
from stream.calibrate.speed.speed_fit import fit_speed
from stream.errors import InputError, StorageError
from tests.stream.calibrate.hold_drives import HoldDrive
from ui.text.findings import say

ROW = tuple(float(rpm) for rpm in range(1500, 6501, 500))
MADE = datetime(2024, 5, 4, 9, 30, tzinfo=UTC)


def made(bend: float = 0.0):
    drive = HoldDrive(17, reading=8.0, bend=bend, ceiling=6200.0).idle().row(*ROW, *ROW[::-1])
    return calibration_of(
        fit_speed(drive.holds, drive.pinned, targets=ROW, reading_error_rpm=10.0),
        car="hill-climb special",
        sessions=[SourceSession(path="holds.h5", started_utc="2024-05-04T08:00:00+00:00")],
        channel="speed_v",
        unit="V",
        pulses_per_turn=4.0,
        reading_error_rpm=10.0,
        when=MADE,
    )


@pytest.mark.parametrize("bend", [0.0, 0.25])
def test_what_is_written_comes_back_and_predicts_the_same(tmp_path, bend: float) -> None:
    """A round trip of a line and of a curve, to the last bit."""
    calibration = made(bend)
    path = tmp_path / "SPEED.toml"
    save_calibration(calibration, path)
    back = load_calibration(path)
    volts = np.linspace(0.5, 4.5, 9)

    assert back == calibration
    np.testing.assert_array_equal(back.rpm(volts), calibration.rpm(volts))
    np.testing.assert_array_equal(back.u_rpm(volts), calibration.u_rpm(volts))
    assert [entry.name for entry in tmp_path.iterdir()] == ["SPEED.toml"]


def test_the_file_has_the_keys_of_the_json_and_its_origin(tmp_path) -> None:
    """When, from which session, which car; what cannot be known is left out."""
    save_calibration(made(), tmp_path / "SPEED.toml", say)
    keys = tomllib.loads((tmp_path / "SPEED.toml").read_text(encoding="utf-8"))

    assert {
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
        "ceiling_above_rpm",
        "points",
        "warnings",
    } <= set(keys)
    assert "dead_below_rpm" not in keys
    assert keys["when"] == "2024-05-04T09:30:00+00:00"
    assert keys["sessions"][0]["path"] == "holds.h5"
    assert keys["car"] == "hill-climb special"


def test_stale_and_foreign_are_said() -> None:
    """Another car, another channel, other pulses, a year between; and nothing where all is well."""
    calibration = made()
    good = {
        "car": "hill-climb special",
        "channel": "speed_v",
        "unit": "V",
        "pulses_per_turn": 4.0,
        "session_started": datetime(2024, 6, 1, tzinfo=UTC),
    }

    assert origin_findings(calibration, **good) == []
    for change, code in (
        ({"car": "other"}, "calibration-of-another-car"),
        ({"unit": "Hz"}, "calibration-of-another-channel"),
        ({"pulses_per_turn": 2.0}, "calibration-of-other-pulses"),
        ({"session_started": datetime(2026, 6, 1, tzinfo=UTC)}, "calibration-old"),
    ):
        assert [finding.code for finding in origin_findings(calibration, **{**good, **change})] == [code]


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (("format = ", "was = "), "format"),
        (("format_version = 1", "format_version = 9"), "newer"),
        (("u_slope = ", 'u_slope = "x" # '), "u_slope"),
        (("model = ", "model = = "), "TOML"),
        (('model = "line"', 'model = "spline"'), "model"),
    ],
)
def test_a_damaged_file_names_the_key(tmp_path, change, word: str) -> None:
    """One line, the file and the key."""
    path = tmp_path / "SPEED.toml"
    save_calibration(made(), path)
    text = path.read_text(encoding="utf-8").replace(*change, 1)

    with pytest.raises(InputError, match=word) as caught:
        parse_calibration(text, "SPEED.toml")
    assert str(caught.value).startswith("SPEED.toml: ")


def test_no_file_and_no_folder(tmp_path) -> None:
    """Reading what is not there; writing where nothing can be."""
    with pytest.raises(InputError, match="no such calibration"):
        load_calibration(tmp_path / "none.toml")
    with pytest.raises(StorageError, match="cannot be written"):
        save_calibration(made(), tmp_path / "none" / "SPEED.toml")
