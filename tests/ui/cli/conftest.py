"""The command line, in this process where that is quick and in one of its own where that is the point."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from stream.sources.rehearsal.scenario import demo_car_text
from ui.cli.main import run

ROOT = Path(__file__).parents[3]
SEED = 7


@dataclass(frozen=True)
class Outcome:
    """What a command left: its exit code and what it printed."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Standard output, which must be JSON and nothing else."""
        return json.loads(self.out)

    @property
    def error(self) -> str:
        """The one line of the error."""
        lines = [line for line in self.err.splitlines() if line.startswith("steadypull: error: ")]
        assert len(lines) == 1, self.err
        assert "Traceback" not in self.err, self.err
        return lines[0]


def started(*words: str | Path, **options: Any) -> "subprocess.Popen[str]":
    """The real command line in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "ui.cli.main", *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)}, **options,
    )  # fmt: skip


def ended(process: "subprocess.Popen[str]") -> Outcome:
    """Wait for it."""
    out, err = process.communicate(timeout=90)
    return Outcome(process.returncode, out, err)


def in_process(*words: str | Path, **options: Any) -> Outcome:
    """Run the real command line in a process of its own, to its end."""
    return ended(started(*words, **options))


@pytest.fixture
def steadypull(capsys: pytest.CaptureFixture[str]) -> Callable[..., Outcome]:
    """Run a command in this process."""

    def call(*words: str | Path) -> Outcome:
        capsys.readouterr()
        code = run([str(word) for word in words])
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err
        return Outcome(code, captured.out, captured.err)

    return call


@pytest.fixture(scope="session")
def car_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The scenario's car file."""
    path = tmp_path_factory.mktemp("car") / "car.toml"
    path.write_text(demo_car_text(), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """`rehearse --quick --headless --json` in a process of its own."""
    folder = tmp_path_factory.mktemp("rehearsed") / "drives"
    return in_process("rehearse", "--quick", "--headless", "--json", "--seed", str(SEED), "-o", folder)


@pytest.fixture(scope="session")
def session(rehearsed: Outcome) -> Path:
    """The session that the rehearsal left."""
    return Path(rehearsed.json["sessions"][0])
