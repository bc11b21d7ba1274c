"""A drive that is killed at any moment, from the device's end of the line to `recover`."""

import random
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import h5py
import numpy as np

from tests.device import FRAME_ROWS, Device, counted, description, device, frames
from tests.ui_cli import forked
from ui.cli.main import run

RATE = 1000
KILLS, AT_ONCE = 20, 4
ON_THE_WAY_S = 0.2  # line, reader (gathers 15 ms), ring and stage (40 ms), before a sample is the recorder's to lose


def drive_and_kill(folder: Path, car_file: Path, after_s: float) -> tuple[Path, int, float]:
    """Kill -9 a drive `after_s` after its first sample was sent: (session, samples sent by then, lateness).

    Lateness is how far the device itself fell behind its pace: what a starved machine does to every process on it.
    """
    sent = [0]
    late = [0.0]
    killed = threading.Event()

    def work(line: Device) -> None:
        line.await_reader()
        line.send(description(RATE))
        began = time.monotonic()
        for number, frame in enumerate(frames(counted(3 * RATE))):
            due = began + number * FRAME_ROWS / RATE
            if killed.wait(max(0.0, due - time.monotonic())):
                return
            late[0] = max(late[0], time.monotonic() - due)
            if due - began >= after_s:
                process.kill()
                killed.set()
                return
            line.send(frame)
            sent[0] += FRAME_ROWS

    folder.mkdir()
    with device(folder, work) as line:
        process = forked("drive", "--port", line.port, "--car", car_file, "-o", folder / "d", "--headless")
        process.join(90)
    assert process.exitcode == -9
    (session,) = (folder / "d").glob("*.h5")
    return session, sent[0], late[0]


def test_kill_at_random_moments(tmp_path: Path, car_file: Path) -> None:
    """Twenty times: plain h5py opens what is left, it lacks at most its last second, recover brings back the rest."""
    moments = random.Random(20)
    with ThreadPoolExecutor(AT_ONCE) as pool:
        left = list(
            pool.map(
                lambda number: drive_and_kill(tmp_path / str(number), car_file, moments.uniform(0.2, 1.4)), range(KILLS)
            )
        )

    for session, sent, late in left:
        with h5py.File(session) as file:
            assert file.attrs["finished"] == 0
            samples = file["raw/samples"][:]
        assert len(samples) > sent - RATE * (1.0 + late)
        np.testing.assert_array_equal(samples[:, 0], np.arange(len(samples)))

        code = run(["recover", str(session)])
        if not len(samples) and code == 2:  # killed before the first sample had been recorded: nothing to bring back
            assert sent <= RATE * (ON_THE_WAY_S + late)
            continue
        assert code == 0
        with h5py.File(session.with_name(f"{session.stem}-recovered.h5")) as file:
            assert file.attrs["finished"] == 1
            whole = file["raw/samples"][:]
        assert len(whole) >= sent - RATE * (ON_THE_WAY_S + late)
        np.testing.assert_array_equal(whole[:, 0], np.arange(len(whole)))
