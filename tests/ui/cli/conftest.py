"""The command line in this process: exit code, standard output and standard error of one run."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.drives import CAR, RPM_AT_0V, RPM_PER_V, Plan
from tests.sessions import write_session
from ui.cli.main import run

TARGETS = (1500.0, 2000.0, 3000.0, 4000.0, 5000.0, 6000.0)
ROW = ",".join(f"{rpm:.0f}" for rpm in TARGETS)
CAR_TEXT = CAR.format(slope=RPM_PER_V * 1.2, zero=RPM_AT_0V)


@dataclass
class Ran:
    """What a run left behind."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def steadypull(capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    """Run a command line; on exit 2 there is one line on standard error and nothing on standard output."""

    def go(*words: object) -> Ran:
        capsys.readouterr()
        code = run([str(word) for word in words])
        captured = capsys.readouterr()
        if code == 2:
            lines = [line for line in captured.err.splitlines() if line.startswith("steadypull: error: ")]
            assert len(lines) == 1
            assert captured.out == ""
        return Ran(code, captured.out, captured.err)

    return go


def hold_plan(seed: int, targets: tuple[float, ...] = TARGETS, seconds: float = 6.0) -> Plan:
    """Idle, then each target held by foot."""
    plan = Plan(seed)
    plan.now = 900.0
    plan.hold(900.0, 6.0, 6.0)
    for rpm in targets:
        plan.ramp(rpm, 500.0).hold(rpm, seconds)
    return plan.ramp(2000.0, 900.0)


@pytest.fixture
def held(tmp_path: Path) -> Path:
    """A session with an idle hold and six held speeds, the provisional slope wrong by a fifth."""
    return write_session(tmp_path / "held.h5", hold_plan(3).samples(), 200.0, CAR_TEXT)
