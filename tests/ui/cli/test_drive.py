"""drive: compiled device code, text lines and the rehearsal car through real lines, and an end by signal."""

import os
import shutil
import signal
import subprocess
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import h5py
import numpy as np
import pytest

import stream.device
from stream.sources.rehearsal.player import RehearsalPort
from stream.sources.rehearsal.scenario import hold_drive
from stream.wire.encode import encode_note
from tests.device import FRAME_ROWS, Device, counted, description, device, frames
from tests.ui_cli import ended, started

PATIENCE_S = 30.0
STUB = Path(__file__).parents[2] / "stream" / "device" / "stub"

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")


def samples_of(session: Path) -> np.ndarray:
    """Raw samples of a finished session, by plain h5py."""
    with h5py.File(session) as file:
        assert file.attrs["finished"] == 1
        return file["raw/samples"][:]


def only_session(folder: Path) -> Path:
    """The one session in a folder, with no journal left beside it."""
    (session,) = folder.iterdir()
    return session


def send_paced(line: Device, samples: np.ndarray, rate_hz: float = 1000.0) -> None:
    """Send at the pace of the device's own clock."""
    began = time.monotonic()
    pause = threading.Event()
    for number, frame in enumerate(frames(samples, rate_hz=rate_hz)):
        pause.wait(max(0.0, began + number * FRAME_ROWS / rate_hz - time.monotonic()))
        line.send(frame)


@pytest.fixture
def board(tmp_path: Path) -> Iterator[str]:
    """The example sketch, compiled, as a process that writes 4 s of samples to a pseudo-terminal; the port's name."""
    if shutil.which("g++") is None:
        pytest.skip("needs g++ (apt install g++)")
    folder = Path(stream.device.__path__[0])
    program = tmp_path / "board"
    subprocess.run(
        [
            "g++",
            "-std=c++11",
            "-DSPEED_FROM_PULSES=0",
            f"-I{folder}",
            f"-I{STUB}",
            str(STUB / "board.cpp"),
            "-x",
            "c++",
            str(folder / "example" / "example.ino"),
            "-o",
            str(program),
        ],
        check=True,
        timeout=60,
    )
    near, far = os.openpty()
    tty.setraw(far)
    with subprocess.Popen([program, str(near), "4000"], pass_fds=[near]) as process:
        yield os.ttyname(far)
        process.kill()
    os.close(near)
    os.close(far)


def test_compiled_device_code_is_recorded_whole(steadypull, board: str, car_file: Path, tmp_path: Path) -> None:
    """Real device code, real serial driver, real decoder, real command: 4 000 samples of a known pattern.

    The stub board converts tick * 7 modulo 1024 on the speed pin, 10 bits over 5 V.
    """
    done = steadypull(
        "drive",
        "--port",
        board,
        "--car",
        car_file,
        "-o",
        tmp_path / "d",
        "--tune",
        "plover",
        "--gear",
        "3",
        "--seconds",
        "2.5",
        "--headless",
        "--json",
    )
    session = only_session(tmp_path / "d")
    samples = samples_of(session)

    assert done.code == 0
    assert session.name.endswith("-plover.h5")
    assert done.json["session"]["path"] == str(session)
    assert done.json["session"]["tune"] == "plover"
    assert done.json["session"]["channels"] == [
        {"name": "speed_v", "role": "engine_speed", "unit": "V"},
        {"name": "link", "role": "load", "unit": "mV/V"},
    ]
    assert done.json["session"]["lost_samples"] == 0
    tick = np.arange(4000)
    np.testing.assert_allclose(samples[:, 0], tick * 7 % 1024 * 5.0 / 1024, atol=1e-6)
    with h5py.File(session) as file:
        assert (file.attrs["tune"], file.attrs["gear"]) == ("plover", 3)
    again = steadypull("replay", session, "--headless", "--json").json
    assert {key: again[key] for key in ("holds", "pinned", "pulls")} == {
        key: done.json[key] for key in ("holds", "pinned", "pulls")
    }


def test_a_device_that_sends_text_lines(steadypull, car_file: Path, tmp_path: Path) -> None:
    """Names, units and a clock in ms come first; the rate is found from the clock."""

    def work(line: Device) -> None:
        line.await_reader()
        began = time.monotonic()
        line.send(b"t[ms],speed_v[V],link[mV/V]\n")
        row = 0
        while time.monotonic() < began + 2.2:  # until a second of lines has shown that it is text, and on
            line.send(b"".join(f"{10 * k},{k % 256 / 128},{-0.5}\n".encode() for k in range(row, row + 5)))
            row += 5
            threading.Event().wait(0.05)
        line.await_leaving()

    with device(tmp_path, work) as line:
        done = steadypull(
            "drive",
            "--port",
            line.port,
            "--car",
            car_file,
            "-o",
            tmp_path / "d",
            "--seconds",
            "2",
            "--headless",
            "--json",
        )
    samples = samples_of(only_session(tmp_path / "d"))

    assert done.json["session"]["rate_hz"] == 100.0
    assert len(samples) > 100
    np.testing.assert_array_equal(samples[:, 0], np.float32(np.arange(len(samples)) % 256 / 128))
    assert (samples[:, 1] == -0.5).all()


def test_the_rehearsal_car_at_real_pace_through_a_socket(steadypull, car_file: Path, tmp_path: Path) -> None:
    """A pyserial URL other than a device path; --seconds ends it with as much as it says."""
    recording = hold_drive(7)
    with RehearsalPort(recording, pty=False) as port:
        done = steadypull(
            "drive",
            "--port",
            port.port_url,
            "--car",
            car_file,
            "-o",
            tmp_path / "d",
            "--seconds",
            "2",
            "--headless",
            "--json",
            "--targets",
            "1500,2000",
        )
    samples = samples_of(only_session(tmp_path / "d"))

    assert done.code == 0
    assert 1.0 < done.json["session"]["duration_s"] < 3.0
    assert 1000 < len(samples) < 3000
    np.testing.assert_array_equal(samples, recording.samples[: len(samples)])


@pytest.mark.parametrize("kind", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_a_recording_properly(car_file: Path, tmp_path: Path, kind: signal.Signals) -> None:
    """Exit 0, finished, no journal left, JSON told, nothing lost but what was under way."""
    asked = threading.Event()

    def work(line: Device) -> None:
        line.await_reader()
        line.send(description())
        samples = counted(800)
        send_paced(line, samples)
        asked.set()
        line.await_leaving()

    with device(tmp_path, work) as line:
        process = started("drive", "--port", line.port, "--car", car_file, "-o", tmp_path / "d", "--headless", "--json")
        assert asked.wait(PATIENCE_S)
        process.send_signal(kind)
        done = ended(process)
    samples = samples_of(only_session(tmp_path / "d"))

    assert done.code == 0, done.err
    assert "Traceback" not in done.err
    assert done.json["session"]["duration_s"] == pytest.approx(len(samples) / 1000.0)
    assert len(samples) >= 500
    np.testing.assert_array_equal(samples[:, 0], np.arange(len(samples)))


def test_a_signal_before_the_device_speaks_is_an_end_and_no_fault(steadypull, car_file: Path, tmp_path: Path) -> None:
    """Nothing was recorded, nothing failed: exit 0, a word, JSON with all its keys, no empty session."""

    def work(line: Device) -> None:
        line.await_reader()
        os.kill(os.getpid(), signal.SIGINT)
        line.await_leaving()

    with device(tmp_path, work) as line:
        done = steadypull("drive", "--port", line.port, "--car", car_file, "-o", tmp_path / "d", "--headless", "--json")

    assert done.code == 0, done.err
    assert "nothing was recorded" in done.err
    assert set(done.json) == {"session", "holds", "pinned", "pulls"}
    assert list((tmp_path / "d").iterdir()) == []


def test_words_of_the_device_reach_the_person_and_the_session(steadypull, car_file: Path, tmp_path: Path) -> None:
    """A note frame is told on standard error, without its control characters, and kept in /events."""

    def work(line: Device) -> None:
        line.await_reader()
        line.send(description() + b"".join(frames(counted(100))) + encode_note(7, "supply \x1b[31mlow\x07"))
        line.await_leaving()

    with device(tmp_path, work) as line:
        done = steadypull(
            "drive", "--port", line.port, "--car", car_file, "-o", tmp_path / "d", "--seconds", "1", "--headless"
        )
    with h5py.File(only_session(tmp_path / "d")) as file:
        notes = [row["text"].decode() for row in file["events"] if row["kind"] == b"note"]

    assert notes == ["device: supply [31mlow"]
    assert "device: supply [31mlow" in done.err
    assert "\x1b" not in done.err


def test_a_drive_in_words(steadypull, car_file: Path, tmp_path: Path) -> None:
    """Without --json: events on standard error, findings and the session's name on standard output."""
    with RehearsalPort(hold_drive(7), quick=True) as port:
        done = steadypull(
            "drive", "--port", port.port_url, "--car", car_file, "-o", tmp_path / "d", "--seconds", "1", "--headless"
        )
    session = only_session(tmp_path / "d")

    assert done.code == 0
    assert "nothing lost" in done.out
    assert f"session: {session}" in done.out
    assert "recording" in done.err


def test_the_air_of_the_day_is_kept_at_the_pressure_where_the_car_stands(
    steadypull, car_file: Path, tmp_path: Path
) -> None:
    """1013.25 hPa at sea level is 898.75 hPa at 1 000 m (ISO 2533); a wrong one is refused before all."""

    def work(line: Device) -> None:
        line.await_reader()
        line.send(description())
        send_paced(line, counted(800))
        line.await_leaving()

    with device(tmp_path, work) as line:
        words = ("drive", "--port", line.port, "--car", car_file, "-o", tmp_path / "d", "--seconds", "1", "--headless")
        refused = steadypull(*words, "--air", "18,1013.25,140")
        done = steadypull(*words, "--air", "18,1013.25,55", "--altitude", "1000")
    with h5py.File(only_session(tmp_path / "d")) as file:
        kept = dict(file["conditions"].attrs)

    assert refused.code == 2
    assert "humidity" in refused.err
    assert done.code == 0, done.err
    assert kept["pressure_hpa"] == pytest.approx(898.75, abs=0.05)
    assert (kept["temperature_c"], kept["humidity_pct"]) == (18.0, 55.0)
