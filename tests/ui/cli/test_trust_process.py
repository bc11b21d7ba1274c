"""What a drive is printed to is no business of its recording; every signal ends it properly, whenever it comes.

Expected values: interface.md ('SIGINT, SIGTERM and SIGHUP end a recording properly, exit 0'; exit 3 where the disk
failed and what was recorded is safe).
"""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import h5py
import numpy as np
import pytest

from tests.device import Device, counted, description, device, frames
from tests.sessions import journalled
from tests.ui_cli import ROOT

ROWS = 2000
FULL = Path("/dev/full")
SPINS = """
import collections, itertools, sys
import ui.cli.shelf
from ui.cli.main import main
def spin(**words):
    print("spinning", file=sys.stderr, flush=True)
    collections.deque(itertools.repeat(None, 10**13), maxlen=0)  # in C: no Python handler runs
ui.cli.shelf.command.callback = spin
main(["shelf", "x"])
"""
OPENS = """
import collections, itertools
import stream.record.session
import ui.cli.process
ui.cli.process.OPENING_S = 0.3
stream.record.session._open_h5 = lambda path: collections.deque(itertools.repeat(None, 10**13), maxlen=0)  # in C
ui.cli.process.sys.argv = ["steadypull", "mark", "x.h5"]
import ui.cli.main
ui.cli.main.main()
"""
MUTTERS = """
import sys, warnings
import numpy as np
import ui.cli.air
from ui.cli.main import main
class Half:
    def __del__(self):
        raise AttributeError("no file")
def mutter(**words):
    Half()
    warnings.warn("odd", RuntimeWarning)
    np.array([1.0]) / np.array([0.0])
    return 0
ui.cli.air.command.callback = mutter
main(["air", "--temperature", "1", "--pressure", "1000", "--humidity", "1"])
"""


def driven(
    folder: Path, car_file: Path, signals: Sequence[int], *words: str, shell: str = ""
) -> tuple[int, np.ndarray, int]:
    """Drive a device's 2 000 samples, then send the signals: exit code, recorded counts, `finished`."""
    sent = threading.Event()

    def work(line: Device) -> None:
        line.await_reader()
        line.send(description())
        for frame in frames(counted(ROWS)):
            line.send(frame)
        sent.set()
        line.await_leaving()

    with device(folder, work) as line:
        command = f"exec {sys.executable} -m ui.cli.main drive --port {line.port} --car {car_file} -o {folder}/d"
        process = subprocess.Popen(
            ["bash", "-c", f"{command} --headless {' '.join(words)} {shell}"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        assert sent.wait(30)
        wait_for_rows(folder / "d")
        for number in signals:
            process.send_signal(number)
            time.sleep(0.02)
        process.communicate(timeout=30)
    (session,) = (folder / "d").glob("*.h5")
    assert not list((folder / "d").glob("*.journal"))
    with h5py.File(session) as file:
        return process.returncode, file["raw/samples"][:, 0], int(file.attrs["finished"])


def wait_for_rows(folder: Path) -> None:
    """Until the journal holds what the device has sent."""
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        if any(journalled(path) >= ROWS for path in folder.glob("*.journal")):
            return
        time.sleep(0.02)
    raise TimeoutError("nothing was recorded")


@pytest.mark.parametrize(
    ("signals", "words", "shell", "code"),
    [
        ([signal.SIGHUP], [], "", 0),
        ([signal.SIGTERM, signal.SIGTERM, signal.SIGINT, signal.SIGHUP], [], "", 0),
        ([signal.SIGINT], [], ">&- 2>&-", 0),  # closed: the session must not become number 1 or 2 and be printed into
        ([signal.SIGINT], [], ">/dev/full 2>/dev/full", 0),
        ([signal.SIGTERM], ["--json"], ">/dev/full", 3),  # an answer that was asked for and could not be given
        ([signal.SIGTERM], ["--json"], "> >(exec 0<&-) 2> >(exec 0<&-)", 0),  # readers that went away
    ],
)
@pytest.mark.skipif(not FULL.exists(), reason="needs /dev/full")
def test_a_recording_ends_whole(
    tmp_path: Path, car_file: Path, signals: list[int], words: list[str], shell: str, code: int
) -> None:
    """Every sample is there, the session is finished, the journal is gone."""
    got, counts, finished = driven(tmp_path, car_file, signals, *words, shell=shell)

    assert (got, finished) == (code, 1)
    np.testing.assert_array_equal(counts, np.arange(ROWS))


def test_a_display_that_takes_nothing_holds_nobody_up(tmp_path: Path, car_file: Path) -> None:
    """Standard error is a full pipe that nobody reads (a terminal stopped by Ctrl-S): SIGTERM ends the drive."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    with suppress(BlockingIOError):
        while True:
            os.write(writing, b"x" * 4096)
    os.set_blocking(writing, True)
    try:
        os.set_inheritable(writing, True)
        got, counts, finished = driven_into(tmp_path, car_file, writing)
    finally:
        os.close(reading)
        os.close(writing)

    assert (got, finished, len(counts)) == (0, 1, ROWS)


def driven_into(folder: Path, car_file: Path, stderr: int) -> tuple[int, np.ndarray, int]:
    """As `driven`, standard error into a pipe."""
    sent = threading.Event()

    def work(line: Device) -> None:
        line.await_reader()
        line.send(description() + b"".join(frames(counted(ROWS))))
        sent.set()
        line.await_leaving()

    with device(folder, work) as line:
        words = ["drive", "--port", line.port, "--car", str(car_file), "-o", str(folder / "d"), "--headless"]
        process = subprocess.Popen(
            [sys.executable, "-m", "ui.cli.main", *words],
            stdout=subprocess.DEVNULL,
            stderr=stderr,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        try:
            assert sent.wait(30)
            wait_for_rows(folder / "d")
            process.send_signal(signal.SIGTERM)
            # what is printed behind the end may wait for a reader; a second signal lets it go
            for _ in range(20):
                try:
                    process.wait(1.5)
                    break
                except subprocess.TimeoutExpired:
                    process.send_signal(signal.SIGTERM)
        finally:
            process.kill()
            process.wait()
    (session,) = (folder / "d").glob("*.h5")
    with h5py.File(session) as file:
        return process.returncode, file["raw/samples"][:, 0], int(file.attrs["finished"])


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_before_the_port_is_open(tmp_path: Path, car_file: Path, number: int) -> None:
    """While it still starts: words, exit 0, no traceback, nothing on the disk."""
    code = (
        "import os, signal, threading, time\nimport ui.cli.main as m\n"
        f"threading.Timer(0.1, os.kill, (os.getpid(), {int(number)})).start()\n"
        f"m.main(['drive', '--port', '/nowhere', '--car', {str(car_file)!r}, '-o', {str(tmp_path / 'd')!r}])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, timeout=60)

    assert done.returncode in (0, 3)  # 3: it was quick enough to find that there is no such port
    assert "Traceback" not in done.stderr
    if done.returncode == 0:
        assert done.stderr.strip() == "stopped before the device spoke; nothing was recorded"


def spun_s(keeper: int) -> float:
    """Processor time of a keeper and its child so far, s."""
    children = Path(f"/proc/{keeper}/task/{keeper}/children").read_text(encoding="ascii").split()
    ticks = 0
    for pid in (keeper, *children):
        ticks += int(Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[11])
    return ticks / os.sysconf("SC_CLK_TCK")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.skipif(sys.platform != "linux", reason="needs fork and /proc")
def test_a_command_that_spins_in_c_ends_within_two_seconds(tmp_path: Path, number: int) -> None:
    """HDF5 does over some damaged files; no Python handler runs then, the keeper ends it, in one line, exit 2."""
    with subprocess.Popen([sys.executable, "-c", SPINS], stderr=subprocess.PIPE, text=True, cwd=ROOT) as process:
        assert process.stderr is not None
        assert process.stderr.readline() == "spinning\n"
        time.sleep(0.3)  # from the word to the spinning
        asked, spun = time.monotonic(), spun_s(process.pid)
        process.send_signal(number)
        said = process.stderr.read()
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        took, spun = time.monotonic() - asked, used.ru_utime - spun

    # On a busy machine all takes longer. How much, what spins in the child shows: alone it would run all the time.
    assert took < 2.0 * max(1.0, 1.2 / max(spun, 0.1))
    assert process.returncode == 2
    assert said.startswith("steadypull: error: stopped, in the middle of a long computation")
    assert said.count("\n") == 1


def test_what_libraries_mutter_is_no_line_for_a_person() -> None:
    """Warnings of numpy over a stranger's numbers, and a destructor of a file that was never open."""
    done = subprocess.run([sys.executable, "-c", MUTTERS], capture_output=True, text=True, cwd=ROOT, timeout=60)

    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_file_that_takes_for_ever_to_open_is_called_damaged() -> None:
    """HDF5 spins over one damaged file in five hundred: without anybody's Ctrl-C, in one line, exit 2."""
    done = subprocess.run([sys.executable, "-c", OPENS], capture_output=True, text=True, cwd=ROOT, timeout=60)

    assert done.returncode == 2
    assert done.stderr.startswith("steadypull: error: a file was not opened within")
    assert done.stderr.count("\n") == 1


def test_a_child_that_has_said_its_end_and_then_sticks_is_ended_without_a_second_line() -> None:
    """On a busy machine the way out may take longer than the keeper waits: still one line of error."""
    sticks = SPINS.replace("    print", "    import atexit\n    atexit.register(lambda: time.sleep(60))\n    print")
    sticks = sticks.replace("collections.deque(itertools.repeat(None, 10**13), maxlen=0)", "time.sleep(60)")
    with subprocess.Popen(
        [sys.executable, "-c", "import time" + sticks], stderr=subprocess.PIPE, text=True, cwd=ROOT
    ) as process:
        assert process.stderr is not None
        assert process.stderr.readline() == "spinning\n"
        time.sleep(0.3)  # from the word to the sleep
        process.send_signal(signal.SIGTERM)
        assert process.stderr.read().strip() == "steadypull: error: stopped"
        assert process.wait(30) == 2


def test_a_keeper_that_is_killed_leaves_no_child(tmp_path: Path) -> None:
    """Its end is its child's end, where the system can do that."""
    if sys.platform != "linux":
        pytest.skip("PR_SET_PDEATHSIG is Linux's")
    with subprocess.Popen([sys.executable, "-c", SPINS], stderr=subprocess.PIPE, text=True, cwd=ROOT) as process:
        assert process.stderr is not None
        assert process.stderr.readline() == "spinning\n"
        process.kill()
        assert process.stderr.read() == ""  # returns once the child, which holds the other end, has gone
