"""The files in replay_files: what their README says they are, against the model's truth made again from the seed."""

import re
from pathlib import Path

import h5py
import numpy as np
import pytest

from stream.sources.rehearsal.scenario import demo_car_text, hold_drive
from tests.example_logs import write_examples
from ui.cli.main import run

FOLDER = Path(__file__).parents[1] / "replay_files"
SEED = 7


@pytest.fixture(scope="module")
def truth():
    return hold_drive(SEED).truth


def told_by(capsys: pytest.CaptureFixture[str], *words: str | Path) -> dict:
    """The JSON of a command that must end well."""
    import json

    capsys.readouterr()
    assert run([*map(str, words), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def assert_holds(holds: list[dict], truth) -> None:
    """Each true hold is found once, edges within a second, rpm by the true line within 1 %; the rest is idle."""
    claimed = []
    for true in truth.holds:
        (found,) = [h for h in holds if min(true.end_s, h["end_s"]) - max(true.start_s, h["start_s"]) > 1.0]
        claimed.append(found)
        assert found["start_s"] == pytest.approx(true.start_s, abs=1.0)
        assert found["end_s"] == pytest.approx(true.end_s, abs=1.0)
        rpm = found["signal_mean"] * truth.slope_rpm_per_unit + truth.intercept_rpm
        assert rpm == pytest.approx(true.mean_rpm, rel=0.01)
    for hold in holds:
        if hold not in claimed:
            idle = hold["signal_mean"] * truth.slope_rpm_per_unit + truth.intercept_rpm
            assert idle == pytest.approx(900.0, abs=60.0)


def test_all_are_named_in_the_readme_and_small() -> None:
    """Under 5 MB together; each file stands in the README's table, and no other."""
    files = {path.name for path in FOLDER.iterdir()} - {"README.md"}
    named = set(re.findall(r"^\| `([^`]+)` \|", (FOLDER / "README.md").read_text(encoding="utf-8"), re.M))

    assert named == files
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) < 5_000_000


def test_the_readme_s_command_makes_the_files_again(tmp_path: Path) -> None:
    """Car files to the byte; the log to one unit of its last decimal, for another processor may round otherwise."""
    write_examples(tmp_path, SEED)

    for name in ("hill_climb_special.toml", "hold_log.toml"):
        assert (tmp_path / name).read_text(encoding="utf-8") == (FOLDER / name).read_text(encoding="utf-8")
    assert (FOLDER / "hill_climb_special.toml").read_text(encoding="utf-8") == demo_car_text()
    new, old = (np.genfromtxt(folder / "hold_log.csv", delimiter=",", skip_header=1) for folder in (tmp_path, FOLDER))
    np.testing.assert_allclose(new, old, rtol=0, atol=2e-4)


def test_the_session_is_that_drive_and_its_replay_finds_the_holds(capsys, truth) -> None:
    """Samples to one step of the converter; holds as recorded (another numpy sums in another order) and as driven."""
    with h5py.File(FOLDER / "hold_drive.h5") as file:
        assert file.attrs["finished"] == 1
        assert file.attrs["car"] == demo_car_text()
        samples, recorded = file["raw/samples"][:], file["holds"][:]
    recording = hold_drive(SEED)
    steps = [channel.scale for channel in recording.channels]
    assert (np.abs(samples - recording.samples) <= 1.01 * np.array(steps)).all()

    told = told_by(capsys, "replay", FOLDER / "hold_drive.h5", "--headless")
    assert_holds(told["holds"], truth)
    for key in ("start_s", "end_s", "signal_mean", "signal_sem", "load_mean"):
        np.testing.assert_allclose([hold[key] for hold in told["holds"]], recorded[key], rtol=1e-12)


def test_the_log_is_imported_and_the_holds_are_found(capsys, truth, tmp_path: Path) -> None:
    """Fifty rows a second of the same drive give the same holds."""
    told = told_by(
        capsys, "import", FOLDER / "hold_log.csv", "--car", FOLDER / "hold_log.toml", "-o", tmp_path / "s.h5"
    )

    assert told["session"]["rate_hz"] == 50.0
    assert_holds(told["holds"], truth)
