"""The whole live chain in its real threads, fed at real pace through a pseudo-terminal, against a bare floor."""

import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import h5py
import numpy as np
from scipy import signal

from stream.car import Car, parse_car
from stream.drive.drive import Drive
from stream.sources.serialport import SerialSource
from stream.wire.encode import encode_description, encode_samples
from stream.wire.items import WireChannel
from tests.bench.figure import Figure
from tests.drives import CAR, RPM_AT_0V, RPM_PER_V, Plan

RATE_HZ, CHANNELS, ROWS = 10_000, ("speed_v", "link", "map_kpa", "lambda"), 64
EXTRA = """
[[channel]]
name = "map_kpa"
role = "manifold_pressure"
unit = "kPa"
[[channel]]
name = "lambda"
role = "lambda"
unit = "V"
"""
FLOOR_ROWS = 200  # 20 ms, as often as a port is read
PATIENCE_S = 30.0

FEEDER = """
import os, sys, time
fd, rate = int(sys.argv[1]), float(sys.argv[3])
data = open(sys.argv[2], "rb").read()
parts = [part + b"\\0" for part in data.split(b"\\0")[:-1]]
while os.read(fd, 64).count(b"?") == 0:
    pass
begun = time.monotonic()
print(begun, flush=True)
for number, part in enumerate(parts):
    rest = begun + number / rate - time.monotonic()
    if rest > 0:
        time.sleep(rest)
    while part:
        part = part[os.write(fd, part):]
"""


def run(smoke: bool) -> list[Figure]:
    """Processor time of the whole process a second of stream, of all threads together."""
    seconds = 5.0 if smoke else 30.0
    name = "live chain, 4 channels × 10 kHz"
    if sys.platform == "win32":
        return [Figure(f"{name}: share of one core, %", None, 25.0, "at most", skipped="no pseudo-terminal here")]
    samples = _drive(seconds)
    with tempfile.TemporaryDirectory() as folder:
        ours = _ours(Path(folder), samples)
        floor = min(_floor(Path(folder) / f"floor{n}.h5", samples) for n in range(3))
    share = {"ours_pct": 100.0 * ours / seconds, "floor_pct": 100.0 * floor / seconds}
    return [
        Figure(f"{name}: share of one core, %", share["ours_pct"], 25.0, "at most", measured=share),
        Figure(f"{name}: chain / unpack, calibrate, sosfilt, h5py append", ours / floor, 40.0, "at most"),
    ]


def _drive(seconds: float) -> np.ndarray:
    plan = Plan(6, float(RATE_HZ)).hold(2000, 5)
    while plan.time_s < seconds:
        plan.ramp(plan.rng.uniform(1500, 6500), 800).hold(plan.now, 5)
    rpm = plan.rpm[: round(seconds * RATE_HZ)]
    samples = plan.rng.normal(0.0, 0.004, (len(rpm), len(CHANNELS)))
    samples[:, 0] += (rpm - RPM_AT_0V) / RPM_PER_V
    samples[:, 1] += 0.1 + 2e-5 * rpm
    samples[:, 2] += 60.0
    return samples[: len(samples) // ROWS * ROWS].astype(np.float32)


def _frames(samples: np.ndarray) -> bytes:
    head = encode_description(
        0,
        "bench",
        RATE_HZ,
        [WireChannel(name, unit) for name, unit in zip(CHANNELS, ("V", "mV/V", "kPa", "V"), strict=True)],
        "f32",
    )
    return head + b"".join(
        encode_samples(row // ROWS + 1, row, round(row * 1e6 / RATE_HZ), samples[row : row + ROWS])
        for row in range(0, len(samples), ROWS)
    )


def measured(seconds: float) -> dict[str, float]:
    """Share of a core; and, with a thread that polls as a window does 60 times a second, how long after its bytes were
    due a live row can be drawn: milliseconds, median and 99th percentile over the polls' oldest new rows."""
    samples = _drive(seconds)
    ages: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        taken = _ours(Path(folder), samples)
        _ours(Path(folder), samples, ages)
    late = 1e3 * np.array(ages[30:])
    return {
        "share_pct": 100.0 * taken / seconds,
        "late_p50_ms": float(np.median(late)),
        "late_p99_ms": float(np.quantile(late, 0.99)),
    }


def _poll(drive: Drive, sent_from: float, ages: list[float]) -> None:
    """Until the drive is over: the age of each newest row at the poll that first shows it; and of the oldest one that
    came with it."""
    while drive.info is None or drive.stage is None:
        time.sleep(0.001)
    cursor, delay_s = drive.live_cursor(), drive.stage.settings.delay_s
    while not drive.done.wait(1 / 60):
        rows = cursor.read()
        if len(rows):
            ages.append(time.monotonic() - sent_from - (float(rows.time_s[0]) + delay_s + ROWS / RATE_HZ))


def _ours(folder: Path, samples: np.ndarray, ages: list[float] | None = None) -> float:
    """Seconds of processor time from the first sample to the finished session."""
    import pty
    import tty

    wire = folder / "wire.bin"
    wire.write_bytes(_frames(samples))
    master, slave = pty.openpty()
    tty.setraw(slave)
    arguments = [sys.executable, "-c", FEEDER, str(master), str(wire), str(RATE_HZ / ROWS)]
    feeder = subprocess.Popen(arguments, pass_fds=(master,), stdout=subprocess.PIPE, text=True)
    drive = Drive(SerialSource(os.ttyname(slave), _car()), _car(), folder=folder, tune="heron")
    begun = time.process_time()
    try:
        drive.start()
        drive.wait_open(PATIENCE_S)
        if ages is not None and feeder.stdout is not None:
            begun_s = float(feeder.stdout.readline())
            threading.Thread(target=_poll, args=(drive, begun_s, ages), daemon=True).start()
        feeder.wait(len(samples) / RATE_HZ + PATIENCE_S)
        _until_all_came(drive, len(samples))
    finally:
        drive.stop()
        drive.join(PATIENCE_S)
        feeder.kill()
        feeder.wait()
        os.close(master)
        os.close(slave)
    taken = time.process_time() - begun
    _check(drive, samples)
    return taken


def _until_all_came(drive: Drive, rows: int) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while (drive.stage is None or drive.stage.rows < rows) and time.monotonic() < deadline:
        time.sleep(0.02)


def _check(drive: Drive, samples: np.ndarray) -> None:
    """A chain that dropped something has measured nothing."""
    with h5py.File(drive.recorded[0], "r") as file:
        if not np.array_equal(file["raw/samples"][:], samples):
            raise RuntimeError(f"{file['raw/samples'].shape} recorded of {samples.shape}, or other values")


def _car() -> Car:
    return parse_car(CAR.format(slope=RPM_PER_V, zero=RPM_AT_0V) + EXTRA)


def _floor(path: Path, samples: np.ndarray) -> float:
    """The least that a chain of these libraries must do: no frames, no ring, no threads, no decisions."""
    data = samples.astype("<f4").tobytes()
    sections = signal.butter(4, 10.0, fs=RATE_HZ, output="sos")
    state = np.zeros((len(sections), 2, len(CHANNELS)))
    chunk, size = RATE_HZ // 2, FLOOR_ROWS * len(CHANNELS) * 4
    begun = time.process_time()
    with h5py.File(path, "w", libver="earliest") as file:
        raw = file.create_dataset(
            "samples", (0, len(CHANNELS)), "<f4", chunks=(chunk, len(CHANNELS)), maxshape=(None, len(CHANNELS))
        )
        waiting: list[np.ndarray] = []
        for start in range(0, len(data), size):
            block = np.frombuffer(data[start : start + size], "<f4").reshape(-1, len(CHANNELS))
            _, state = signal.sosfilt(sections, block * 1.0 + 0.0, axis=0, zi=state)
            waiting.append(block)
            if len(waiting) * FLOOR_ROWS >= chunk or start + size >= len(data):
                rows, end = np.concatenate(waiting), raw.shape[0]
                waiting.clear()
                raw.resize(end + len(rows), axis=0)
                raw[end:] = rows
                file.flush()
                os.fsync(file.id.get_vfd_handle())
    return time.process_time() - begun
