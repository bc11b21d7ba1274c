"""steadypull survey, as a person calls it."""

import json
import shutil
from pathlib import Path

import h5py
import pytest

from tests.drives import car
from tests.stream.study.survey.sessions import record_samples
from tests.stream.study.survey.test_survey_channels import plan
from ui.cli.main import run

KEYS = {"session", "channels", "dropouts", "speed", "load", "steadiness", "findings", "warnings"}


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return record_samples(tmp_path / "drive.h5", plan(61, 200.0).samples(), 200.0, car())


def test_json_is_all_that_goes_to_standard_output(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One JSON object with the documented keys; the session itself does not change."""
    before = session.read_bytes()

    assert run(["survey", str(session), "--json"]) == 0

    told = json.loads(capsys.readouterr().out)
    assert set(told) == KEYS
    assert set(told["load"]["cross_talk_pct"]) == {"bounce", "brake", "turn"}
    assert told["speed"]["pulses_per_turn"]["stated"] is None
    assert session.read_bytes() == before


def test_words_for_a_person(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without --json: a table and lines in words."""
    assert run(["survey", str(session)]) == 0

    out = capsys.readouterr().out
    assert "pulses per turn:" in out
    assert "nothing to change was found" in out


def test_an_unfinished_session_gives_the_same(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Cut off while recording: holds are found in memory, and it is said."""
    cut = session.with_name("cut.h5")
    shutil.copy(session, cut)
    with h5py.File(cut, "r+") as file:
        file.attrs["finished"] = 0

    told = []
    for path in (session, cut):
        assert run(["survey", str(path), "--json"]) == 0
        told.append(json.loads(capsys.readouterr().out))

    assert told[0]["speed"] == told[1]["speed"]
    assert "cut off" in told[1]["warnings"][0]


@pytest.mark.parametrize("what", ["missing", "text", "folder"])
def test_bad_input_is_one_line(tmp_path: Path, what: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 2, one line that names the file."""
    path = tmp_path / "x.h5"
    if what == "text":
        path.write_text("no session")
    if what == "folder":
        path.mkdir()

    assert run(["survey", str(path)]) == 2

    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert error.startswith(f"steadypull: error: {path}: ")
