"""The command line in this process, and one rehearsal that many tests look at."""

import io
import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

import pytest

from stream.sources.rehearsal.scenario import demo_car_text
from tests.drives import CAR_TEXT, hold_plan
from tests.sessions import write_session
from tests.shared import made_once
from tests.ui_cli import SEED, Outcome, in_process
from ui.cli.main import run


@pytest.fixture
def steadypull(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Outcome]:
    """Run a command in this process; `stdin` is what a person types."""

    def call(*words: str | Path, stdin: str = "") -> Outcome:
        capsys.readouterr()
        monkeypatch.setattr("sys.stdin", io.StringIO(stdin))
        code = run([str(word) for word in words])
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err
        if code == 2:
            assert captured.err.count("steadypull: error: ") == 1
            assert captured.out == ""
        return Outcome(code, captured.out, captured.err)

    return call


@pytest.fixture(scope="session")
def car_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The scenario's car file."""
    path = tmp_path_factory.mktemp("car") / "car.toml"
    path.write_text(demo_car_text(), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def rehearsed() -> Outcome:
    """`rehearse --quick --headless --json` in a process of its own, once in a run; nobody changes its files."""

    def make(folder: Path) -> None:
        words = ("rehearse", "--quick", "--headless", "--json", "--seed", str(SEED), "-o", folder / "drives")
        (folder / "outcome.json").write_text(json.dumps(asdict(in_process(*words))), encoding="utf-8")

    return Outcome(**json.loads((made_once("rehearsed", make) / "outcome.json").read_text(encoding="utf-8")))


@pytest.fixture(scope="session")
def session(rehearsed: Outcome) -> Path:
    """The session that the rehearsal left."""
    return Path(rehearsed.json["sessions"][0])


@pytest.fixture
def held(tmp_path: Path) -> Path:
    """A session with an idle hold and six held speeds, the provisional slope wrong by a fifth."""
    return write_session(tmp_path / "held.h5", hold_plan(3).samples(), 200.0, CAR_TEXT)
