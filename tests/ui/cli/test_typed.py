"""A drive without a window in a real terminal: words and Enter are obeyed; without a terminal nothing is read."""

import os
import select
import threading
import time
from pathlib import Path

import pytest

from stream.record.session import open_session
from tests.device import Device, description, device, frames
from tests.drives import CAR, RPM_AT_0V, RPM_PER_V
from tests.stream.drive.test_drive import RATE
from tests.stream.drive.test_zero_key import idling
from tests.ui_cli import ROOT, ended, started

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")


def idle_device(pause: threading.Event):
    """Sends an idling car at real pace until it is told to stop."""

    def work(line: Device) -> None:
        line.await_reader()
        line.send(description(rate_hz=RATE))
        try:
            for frame in frames(idling(60.0), rate_hz=RATE):
                line.send(frame)
                if pause.wait(0.02):
                    return
        except OSError:
            return

    return work


def test_words_are_obeyed_in_a_terminal(tmp_path: Path) -> None:
    """The real command as the foreground of a terminal of its own; what was typed stands in the session."""
    car = tmp_path / "car.toml"
    car.write_text(CAR.format(slope=RPM_PER_V, zero=RPM_AT_0V))
    over = threading.Event()
    with device(tmp_path, idle_device(over)) as line:
        pid, terminal = os.forkpty()
        if pid == 0:
            os.chdir(tmp_path)
            os.environ["PYTHONPATH"] = str(ROOT)
            words = [
                "-m",
                "ui.cli.main",
                "drive",
                "--port",
                line.port,
                "--car",
                str(car),
                "-o",
                "d",
                "--headless",
                "--targets",
                "900,2000,3000",
                "--parked",
            ]
            os.execv(os.sys.executable, [os.sys.executable, *words])  # type: ignore[attr-defined]
        shown = b""
        steps = [
            (b"recording", b"mark gate\n"),
            (b"mark            gate", b"knock\n"),
            (b"KNOCK HEARD", b"skip\n"),
            (b"left out", b"back\n"),
            (b"again: next", b"here\n"),
            (b"by your reading", b"dance\n"),
            (b"none of the words", b"zero\n"),
            (b"zero taken standing", b"\x03"),
        ]
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            if select.select([terminal], [], [], 0.2)[0]:
                try:
                    shown += os.read(terminal, 4096)
                except OSError:
                    break
            while steps and steps[0][0] in shown and (steps[0][1] != b"zero\n" or b"\r\x1b[K10 s" in shown):
                shown = b"" if steps[0][1] == b"zero\n" else shown
                os.write(terminal, steps.pop(0)[1])
        over.set()
        _, status = os.waitpid(pid, 0)
        os.close(terminal)
    assert not steps, (steps, shown[-2000:])
    assert os.waitstatus_to_exitcode(status) == 0
    (path,) = (tmp_path / "d").glob("*.h5")
    with open_session(path) as session:
        assert [one.kind for one in session.commands] == ["mark", "skip", "back", "here", "zero"]
        assert session.commands[0].value == "gate"
        assert [zero.how[:8] for zero in session.zeros] == ["standing"]
        assert [row.heard for row in session.heard] == [True]


@pytest.mark.parametrize("stdin", ["closed", "pipe", "nothing"])
def test_without_a_terminal_nothing_is_read_and_nothing_happens(tmp_path: Path, stdin: str) -> None:
    """Closed, a pipe whose words are somebody else's, or /dev/null: the drive runs, and the pipe keeps its words."""
    car = tmp_path / "car.toml"
    car.write_text(CAR.format(slope=RPM_PER_V, zero=RPM_AT_0V))
    over = threading.Event()
    near, far = os.pipe()
    os.write(far, b"mark not mine\n")
    options = {"pipe": {"stdin": near}, "nothing": {"stdin": -3}, "closed": {"preexec_fn": lambda: os.close(0)}}[stdin]
    with device(tmp_path, idle_device(over)) as line:
        process = started(
            "drive", "--port", line.port, "--car", car, "-o", tmp_path / "d", "--headless", "--seconds", "4", **options
        )
        done = ended(process)
        over.set()
    assert done.code == 0, done.err
    assert "Type a word" not in done.err
    (path,) = (tmp_path / "d").glob("*.h5")
    with open_session(path) as session:
        assert session.commands == ()
        assert session.rows > 200
    if stdin == "pipe":
        assert os.read(near, 100) == b"mark not mine\n"
    os.close(near)
    os.close(far)
