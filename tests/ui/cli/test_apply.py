"""steadypull apply: a calibration in force, its history, and nothing else changed."""

import hashlib

import h5py
import pytest

from tests.drives import CAR_TEXT, ROW, RPM_AT_0V, RPM_PER_V, hold_plan
from tests.sessions import write_session


@pytest.fixture
def speed(steadypull, held, tmp_path):
    """The calibration of the held session."""
    path = tmp_path / "SPEED.toml"
    assert steadypull("fit", held, "--targets", ROW, "-o", path).code == 0
    return path


def raw(path):
    with h5py.File(path) as file:
        return file["raw/samples"][:].tobytes()


def test_speeds_are_reported_by_it_and_nothing_else_changes(steadypull, held, speed) -> None:
    """Holds stay where they are with their signals; rpm becomes that of the fit; raw is the same to the bit."""
    before, samples = steadypull("replay", held, "--json").json, raw(held)
    assert steadypull("apply", speed, held).code == 0
    after = steadypull("replay", held, "--json").json

    assert raw(held) == samples
    for old, new in zip(before["holds"], after["holds"], strict=True):
        for key in ("start_s", "end_s", "signal_mean", "signal_sem", "load_mean"):
            assert new[key] == old[key]
        true = old["signal_mean"] * RPM_PER_V + RPM_AT_0V
        assert new["speed_rpm"] == pytest.approx(true, abs=70.0)
        assert old["speed_rpm"] == pytest.approx(1.2 * old["signal_mean"] * RPM_PER_V + RPM_AT_0V, abs=1.0)


def test_any_tool_can_read_it(steadypull, held, speed) -> None:
    """/calibrations/speed has the agreed attributes and the whole file."""
    steadypull("apply", speed, held)
    with h5py.File(held) as file:
        attributes = dict(file["calibrations/speed"].attrs)

    assert attributes["model"] == "line"
    assert attributes["numbers"][0] == pytest.approx(RPM_PER_V, rel=0.03)
    assert attributes["covariance"].shape == (2, 2)
    assert attributes["source_session"].startswith("held.h5 of 2026-06-01")
    assert attributes["made_utc"].endswith("+00:00")
    assert attributes["toml"] == speed.read_text()


def test_an_older_one_is_kept_under_its_date_and_the_same_one_changes_nothing(
    steadypull, held, speed, tmp_path
) -> None:
    """History inside the session."""
    steadypull("apply", speed, held)
    steadypull("apply", speed, held)
    with h5py.File(held) as file:
        assert list(file["calibrations"]) == ["speed"]
        made = file["calibrations/speed"].attrs["made_utc"]
    steadypull("fit", held, "--targets", ROW, "--scale-error", "0.5", "-o", tmp_path / "2.toml")
    steadypull("apply", tmp_path / "2.toml", held)

    with h5py.File(held) as file:
        names = sorted(file["calibrations"])
        assert names[0] == "speed"
        assert names[1].startswith("speed-2")
        assert file[f"calibrations/{names[1]}"].attrs["made_utc"] == made
        assert file["calibrations/speed"].attrs["scale_error_pct"] == 0.5


def test_a_fit_is_the_same_before_and_after_a_calibration(steadypull, held, speed) -> None:
    """Holds are matched by the provisional line, whatever is in force."""
    before = steadypull("fit", held, "--targets", ROW, "--json").json
    steadypull("apply", speed, held)

    assert steadypull("fit", held, "--targets", ROW, "--json").json == before


def test_stale_and_foreign_are_warned_of(steadypull, held, speed, tmp_path) -> None:
    """Another car, another channel: a warning for each, and it is attached all the same."""
    text = CAR_TEXT.replace("hill-climb special", "sprint car").replace("speed_v", "tap_v")
    other = write_session(tmp_path / "other.h5", hold_plan(4, (2000.0, 3000.0)).samples(), 200.0, text)
    ran = steadypull("apply", speed, other)

    assert ran.code == 0
    assert "foreign calibration: it was made for 'hill-climb special'" in ran.err
    assert "'tap_v'" in ran.err


@pytest.mark.parametrize("damage", ["missing", "no session", "twice"])
def test_every_session_is_checked_before_any_is_changed(steadypull, held, speed, tmp_path, damage: str) -> None:
    """One bad session among good ones: none changes."""
    digest = hashlib.sha256(held.read_bytes()).digest()
    other = {"missing": tmp_path / "gone.h5", "no session": speed, "twice": held}[damage]
    ran = steadypull("apply", speed, held, other)

    assert ran.code == 2
    assert hashlib.sha256(held.read_bytes()).digest() == digest


def test_a_file_that_is_no_calibration(steadypull, held, tmp_path) -> None:
    """The line names the file and the cure."""
    (tmp_path / "x.toml").write_text("a = 1\n")

    assert "steadypull fit" in steadypull("apply", tmp_path / "x.toml", held).err
    assert "no such calibration" in steadypull("apply", tmp_path / "gone.toml", held).err
