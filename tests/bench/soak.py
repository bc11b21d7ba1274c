"""A soak: a device of 4 × 10 kHz on a pseudo-terminal, recorded with the window drawing, for half an hour.

python tests/bench/soak.py [--minutes 30] [--json]

The device keeps to its clock and has 64 KiB of its own: what does not go down the line in time is gone, as on a
microcontroller, and shows as a jump of its index. Every sample says its own number modulo 10 007 in its fourth channel,
so that what is stored is checked sample by sample. Told at the end: sent, stored and lost, how memory grew after the
first minutes, the share of a core, how evenly frames came. Exit code 1 where sent is not stored + lost, a sample is
stored wrong, or memory grows by more than it may.
"""

import argparse
import importlib
import json
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import h5py
import numpy as np

TOP = str(Path(__file__).parents[2])
RATE_HZ, ROWS, MARK = 10_000, 64, 10_007
SETTLED = 1 / 6  # of the soak: what the first minutes take is caches, not growth
GROWS_MB_PER_H = 60.0  # at most; more would fill a small computer in a day

FEEDER = """
import os, sys, time
from collections import deque
import numpy as np
sys.path.insert(0, sys.argv[3])
from stream.wire.encode import encode_description, encode_samples
from stream.wire.items import WireChannel
from tests.bench.chain import CHANNELS, RATE_HZ, ROWS, _drive
fd, seconds = int(sys.argv[1]), float(sys.argv[2])
drive, mark = _drive(120.0), 10_007
described = [WireChannel(name, unit) for name, unit in zip(CHANNELS, ("V", "mV/V", "kPa", "V"))]
head = encode_description(0, "soak", RATE_HZ, described, "f32")
os.set_blocking(fd, True)
while os.read(fd, 64).count(b"?") == 0:
    pass
os.set_blocking(fd, False)
waiting, held, made, sent, number, most = deque([head]), len(head), 0, 0, 0, 65536
begun = time.monotonic()
while made < seconds * RATE_HZ or waiting:
    now = time.monotonic() - begun
    while made < min(now, seconds) * RATE_HZ:
        rows = drive[made % len(drive) : made % len(drive) + ROWS].copy()
        rows[:, 3] = np.arange(made, made + len(rows)) % mark
        number += 1
        frame = encode_samples(number, made, round(made * 1e6 / RATE_HZ), rows)
        if held + len(frame) <= most:
            waiting.append(frame)
            held += len(frame)
            sent = made + len(rows)  # the last one that went into the line: a loss behind it shows nowhere
        made += len(rows)
    while waiting:
        try:
            done = os.write(fd, waiting[0])
        except BlockingIOError:
            break
        held -= done
        if done < len(waiting[0]):
            waiting[0] = waiting[0][done:]
            break
        waiting.popleft()
    time.sleep(0.002)
print(sent, flush=True)
"""


def main() -> int:
    """Soak, and print what it showed."""
    parser = argparse.ArgumentParser(description="Half an hour of 4 × 10 kHz with the window drawing.")
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")
    arguments = parser.parse_args()
    told = soak(60.0 * arguments.minutes)
    if arguments.json:
        print(json.dumps(told, indent=1))
    else:
        print("\n".join(f"{name:28} {value:.6g}" for name, value in told.items()))
    good = told["sent"] == told["stored"] + told["lost"] and not told["stored_wrong"] and told["finished"]
    return 0 if good and told["memory_grows_mb_per_h"] <= GROWS_MB_PER_H else 1


def soak(seconds: float) -> dict[str, float]:
    """What half an hour, or so many seconds, showed."""
    import pty
    import tty

    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from stream.drive.drive import Drive
    from stream.sources.serialport import SerialSource
    from tests.bench.chain import _car
    from ui.text.findings import speaker

    master, slave = pty.openpty()
    tty.setraw(slave)
    with tempfile.TemporaryDirectory() as name:
        arguments = [sys.executable, "-c", FEEDER, str(master), str(seconds), TOP]
        feeder = subprocess.Popen(arguments, pass_fds=(master,), stdout=subprocess.PIPE, text=True)
        drive = Drive(SerialSource(os.ttyname(slave), _car()), _car(), folder=Path(name), tune="heron", say=speaker())
        watch = _Watch(drive)
        drive.start()
        drive.wait_open(60.0)
        threading.Thread(target=_end, args=(feeder, drive), daemon=True).start()
        watch.begin()
        _draw(drive, watch)
        drive.stop()
        drive.join(60.0)
        watch.ended.set()
        sent = int((feeder.communicate(timeout=60)[0] or "0").split()[0])
        told = {"sent": sent} | _stored(drive.recorded[0]) | watch.told()
    os.close(master)
    os.close(slave)
    return told


def _end(feeder: "subprocess.Popen[str]", drive: Any) -> None:
    """The drive ends once all that was sent has come."""
    feeder.wait()
    rows, quiet = -1, 0
    while quiet < 10 and not drive.done.is_set():
        time.sleep(0.1)
        now = 0 if drive.stage is None else drive.stage.rows
        rows, quiet = now, quiet + 1 if now == rows else 0
    drive.stop()


class _Watch:
    """Frames as they come, and the process's memory and processor time every two seconds."""

    def __init__(self, drive: Any) -> None:
        self.drive, self.ended = drive, threading.Event()
        self.starts: list[float] = []
        self.took: list[float] = []
        self.memory: list[tuple[float, float]] = []
        self._begun = self._cpu = 0.0

    def begin(self) -> None:
        """From now on."""
        self._begun, self._cpu = time.monotonic(), time.process_time()
        threading.Thread(target=self._sample, daemon=True).start()

    def _sample(self) -> None:
        page_mb = resource.getpagesize() / 1e6
        while not self.ended.wait(2.0):
            resident = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
            self.memory.append((time.monotonic() - self._begun, resident * page_mb))

    def told(self) -> dict[str, float]:
        """Figures of the whole soak; of the frames, those after the window stood."""
        seconds = time.monotonic() - self._begun
        at, resident = np.array(self.memory).T
        settled = at > seconds * SETTLED
        steps = 1e3 * np.diff(self.starts[60:])
        return {
            "seconds": seconds,
            "memory_mb": float(resident[-1]),
            "memory_grows_mb_per_h": float(3600 * np.polyfit(at[settled], resident[settled], 1)[0]),
            "share_of_a_core_pct": 100 * (time.process_time() - self._cpu) / seconds,
            "frames_per_s": 1e3 / float(steps.mean()),
            "frame_p99_ms": float(np.quantile(steps, 0.99)),
            "frame_longest_ms": float(steps.max()),
            "work_a_frame_p99_ms": 1e3 * float(np.quantile(self.took[60:], 0.99)),
        }


def _draw(drive: Any, watch: _Watch) -> None:
    """The real window on the drive, its frames timed, until the drive is over."""
    main: Any = importlib.import_module("ui.window.main")
    whole = main.MainWindow.poll

    def timed(window: Any) -> None:
        begun = time.monotonic()
        watch.starts.append(begun)
        whole(window)
        watch.took.append(time.monotonic() - begun)

    main.MainWindow.poll = timed
    try:
        importlib.import_module("ui.window.start").open_road(drive, caution=False, close_when_finished=True)
    finally:
        main.MainWindow.poll = whole


def _stored(path: Path) -> dict[str, float]:
    """Rows, those said to be lost, and how many do not say the number that stands at their place."""
    with h5py.File(path) as file:
        marks = file["raw/samples"][:, 3].astype(np.int64)
        gaps = file["raw/gaps"][:]
        finished = int(file.attrs["finished"])
    lost = np.zeros(len(marks) + 1, np.int64)
    np.add.at(lost, gaps["index"].astype(np.int64), gaps["lost"].astype(np.int64))
    due = np.arange(len(marks)) + np.cumsum(lost)[:-1]
    wrong = int(np.count_nonzero(marks != due % MARK))
    return {"stored": len(marks), "lost": int(lost.sum()), "stored_wrong": wrong, "finished": finished}


if __name__ == "__main__":
    if TOP not in sys.path:
        sys.path.insert(0, TOP)
    sys.exit(main())
