"""Files, folders and ports that cannot be used: one line that names the place and the cure, and nothing half-made."""

import json
import os
import resource
import shutil
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import h5py
import numpy as np
import pytest

from stream.sources.rehearsal.scenario import demo_car_text
from stream.wire.items import WireChannel
from tests.device import CHANNELS, Device, counted, description, device, frames
from tests.drives import Plan
from tests.ui_cli import forked

PATIENCE_S = 30.0
CAR = demo_car_text()


@pytest.mark.parametrize(
    ("text", "place", "cure"),
    [
        (CAR.replace('unit = "V"', 'unit = "volt"'), "channel[0].unit: 'volt'", "use one of V, mV, Hz, rpm"),
        (CAR.replace('unit = "mV/V"', 'unit = "kg"'), "channel[1].unit: 'kg'", "use one of mV/V, V, microstrain, N"),
        (CAR.replace('role = "engine_speed"', 'role = "other"'), "'engine_speed'", "add a [[channel]] table"),
        (CAR.replace('role = "engine_speed"', 'role = "rpm"'), "channel[0].role", "use one of engine_speed load"),
        (CAR.replace("rpm_per_unit = 1720.0", ""), "'speed_v': rpm_per_unit is missing", "±30 % is near enough"),
        (CAR.replace('name = "link"', 'name = "link'), "at line 30", "mend that line"),
        (CAR.replace('name = "link"', 'name = "li\\u0007nk"'), "channel[1].name", "use plain text"),
        (CAR.replace('name = "link"', 'name = "speed_v"'), "channel[1].name: 'speed_v' is already", "names are unique"),
        (CAR.replace("mass_kg = 790.0", 'mass_kg = "heavy"'), "car.mass_kg", "mend the value"),
        ("", "car", "add a [car] table"),
    ],
)
def test_a_car_file_that_cannot_be_used(steadypull, tmp_path: Path, text: str, place: str, cure: str) -> None:
    """Found before the port is touched (this one does not exist): file, key path or line, and the cure; exit 2."""
    car = tmp_path / "car.toml"
    car.write_text(text, encoding="utf-8")
    done = steadypull("drive", "--port", tmp_path / "none", "--car", car, "-o", tmp_path / "d", "--headless")

    assert done.code == 2
    assert str(car) in done.error
    assert place in done.error
    assert cure in done.error
    assert not (tmp_path / "d").exists()


@pytest.mark.parametrize(
    ("port", "code", "words"),
    [
        ("{tmp}/ttyNONE", 3, "no such port (is the device plugged in?); 'steadypull ports' lists"),
        ("{tmp}/car.toml", 3, "is not a serial port; 'steadypull ports' lists"),
        ("{tmp}", 3, "is not a serial port"),
        ("", 2, "--port: is empty"),
        ("nonsense://x", 2, "socket://host:port"),
        ("socket://localhost", 2, "lacks a host or a port number; write socket://host:port"),
        ("rfc2217://:99999", 2, "write rfc2217://host:port"),
        ("loop://?wrong=1", 2, "is not understood"),
        ("socket://127.0.0.1:1", 3, "nobody listens there (connection refused); check the address"),
    ],
)
def test_a_port_that_cannot_be_opened(steadypull, tmp_path: Path, port: str, code: int, words: str) -> None:
    """Exit 3 where a port failed, 2 where the URL makes no sense; the port is named."""
    (tmp_path / "car.toml").write_text(CAR, encoding="utf-8")
    url = port.format(tmp=tmp_path)
    done = steadypull("drive", "--port", url, "--car", tmp_path / "car.toml", "-o", tmp_path / "d", "--headless")

    assert done.code == code
    assert words in done.error
    assert url in done.error
    assert done.out == ""


def cut_short(session: Path) -> None:
    session.write_bytes(session.read_bytes()[: session.stat().st_size // 2])


def only_text(session: Path) -> None:
    session.write_text("speed_v,link\n1,2\n")


def foreign(session: Path) -> None:
    with h5py.File(session, "w") as file:
        file["x"] = [1, 2, 3]


def newer(session: Path) -> None:
    with h5py.File(session, "a") as file:
        file.attrs["format_version"] = 2


def without_samples(session: Path) -> None:
    with h5py.File(session, "a") as file:
        del file["raw/samples"]


def rotten(session: Path) -> None:
    """Every index of chunks spoilt."""
    session.write_bytes(session.read_bytes().replace(b"TREE\x01", b"tree\x01"))


@pytest.fixture(scope="module")
def small_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of some seconds, imported from a log."""
    from ui.cli.main import run

    folder = tmp_path_factory.mktemp("small")
    (folder / "car.toml").write_text(demo_car_text(time_column="time"), encoding="utf-8")
    rows = Plan(3, rate_hz=100.0).hold(2000, 5).samples()
    (folder / "log.csv").write_text(
        "time,speed_v,link\n" + "".join(f"{k / 100:.2f},{v:.4f},{m:.4f}\n" for k, (v, m) in enumerate(rows))
    )
    assert run(["import", str(folder / "log.csv"), "--car", str(folder / "car.toml"), "-o", str(folder / "s.h5")]) == 0
    return folder / "s.h5"


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (cut_short, "was cut short (the end is missing)"),
        (only_text, "is not a session file (not HDF5)"),
        (foreign, "is HDF5 but not a Steadypull session"),
        (newer, "was written by a newer Steadypull (format version 2; this one reads up to 1); update Steadypull"),
        (without_samples, "is damaged"),
        (rotten, "is damaged"),
        (lambda session: session.write_bytes(b""), "is empty"),
        (Path.unlink, "no such session; check the name"),
    ],
)
def test_a_session_that_cannot_be_used(
    steadypull, small_session: Path, tmp_path: Path, damage: Callable[[Path], None], words: str
) -> None:
    """Refused in words by everything that reads sessions, and nothing is made of it."""
    session = tmp_path / "s.h5"
    shutil.copy(small_session, session)
    damage(session)
    assert words in steadypull("replay", session, "--headless").error
    for command in (["replay", session, "--headless"], ["recover", session]):
        done = steadypull(*command, "-o", tmp_path / "new.h5")

        assert done.code == 2
        assert words in done.error or "was finished properly; there is nothing to recover" in done.error
        assert str(session) in done.error
        assert not (tmp_path / "new.h5").exists()


@pytest.mark.parametrize(
    ("log", "words"),
    [
        ("time,speed_v,link\n0.00,1.0,0.1\n0.01,two,0.1\n", "line 3, column 'speed_v': 'two' is not a number"),
        ("time,speed,link\n0.00,1.0,0.1\n0.01,1.0,0.1\n", "line 1: no column 'speed_v'"),
        ("time,speed_v,link\n0,1.0,0.1\n0,1.0,0.1\n", "a log needs a clock that moves"),
        ("time,speed_v,link\n", "has a header line and no rows"),
        ("", "is empty"),
        ("\0\1\2", "holds binary data"),
    ],
)
def test_a_log_that_cannot_be_used(steadypull, tmp_path: Path, log: str, words: str) -> None:
    """File, line, column; exit 2; no session is begun."""
    (tmp_path / "car.toml").write_text(demo_car_text(time_column="time"), encoding="utf-8")
    (tmp_path / "log.csv").write_text(log)
    done = steadypull("import", tmp_path / "log.csv", "--car", tmp_path / "car.toml", "-o", tmp_path / "s.h5")

    assert done.code == 2
    assert words in done.error
    assert f"{tmp_path / 'log.csv'}: " in done.error
    assert not (tmp_path / "s.h5").exists()


def test_a_log_with_missing_cells_and_a_clock_that_runs_back_is_taken_with_words(steadypull, tmp_path: Path) -> None:
    """What is good around them is kept: both are told, neither is fatal."""
    (tmp_path / "car.toml").write_text(demo_car_text(time_column="time"), encoding="utf-8")
    rows = [f"{k / 100:.2f},{2.0 + k % 2 / 100},0.1" for k in range(300)]
    rows[50] = "0.50,,0.1"
    rows[60] = "0.60,inf,nan"
    rows += rows[:100]
    (tmp_path / "log.csv").write_text("\n".join(["time,speed_v,link", *rows]) + "\n")
    done = steadypull("import", tmp_path / "log.csv", "--car", tmp_path / "car.toml", "-o", tmp_path / "s.h5", "--json")

    assert done.code == 0
    assert "the clock runs back" in done.err
    assert "cells are missing" in done.err or "samples are missing" in done.err
    with h5py.File(tmp_path / "s.h5") as file:
        speed = file["raw/samples"][:, 0]
    assert np.isfinite(speed).sum() == 400 - 4


def test_names_that_are_taken_or_no_place_for_a_file(
    steadypull, small_session: Path, car_file: Path, tmp_path: Path
) -> None:
    """Never over a file that is there, in no folder that is not there; what was there is untouched."""
    taken = tmp_path / "taken"
    taken.write_text("mine")
    drive = ["drive", "--port", tmp_path / "none", "--car", car_file, "--headless", "-o"]
    for words, said in (
        ([*drive, taken], "cannot be made a folder"),
        ([*drive, taken / "below"], "cannot be made a folder"),
        (["rehearse", "--quick", "--headless", "-o", taken], "cannot be made a folder"),
        (["replay", small_session, "--headless", "-o", taken], "never overwritten; give -o another name"),
        (["replay", small_session, "--headless", "-o", small_session], "never overwritten"),
        (
            ["replay", small_session, "--headless", "-o", tmp_path / "no" / "new.h5"],
            "no such folder for -o; make it first",
        ),
        (["import", tmp_path / "log.csv", "--car", car_file, "-o", taken], "never overwritten"),
        (["recover", small_session], "was finished properly; there is nothing to recover"),
        (["replay", tmp_path, "--headless"], "is a folder"),
        (["recover", "/"], "is a folder"),
        (["recover", ""], "is a folder"),
    ):
        done = steadypull(*words)

        assert done.code == 2
        assert said in done.error
        assert taken.read_text() == "mine"


@pytest.mark.parametrize(
    "words",
    [
        ["replay", "{name}", "--headless"],
        ["curve", "{session}", "--csv", "{name}"],
        ["export", "{session}", "-o", "{name}.csv"],
        ["report", "{name}", "-o", "r.html"],
        ["mark", "{name}", "--note", "x"],
        ["shelf", "{name}"],
        ["car", "-o", "{name}"],
    ],
)
def test_a_name_that_no_file_can_have(steadypull, small_session: Path, words: list[str]) -> None:
    """The system's refusal is a line, too, wherever it comes; the line stays readable."""
    done = steadypull(*(word.format(name="x" * 5000, session=small_session) for word in words))

    assert done.code == 2
    assert "name too long" in done.error.lower()
    assert len(done.error) < 700


def test_a_session_that_another_program_records(steadypull, car_file: Path, tmp_path: Path) -> None:
    """Replay and recover wait for it in words; the recording goes on."""
    sent = threading.Event()

    def work(line: Device) -> None:
        line.await_reader()
        line.send(description() + b"".join(frames(counted(500))))
        sent.set()
        line.await_leaving()

    with device(tmp_path, work) as line:
        process = forked("drive", "--port", line.port, "--car", car_file, "-o", tmp_path / "d", "--headless")
        assert sent.wait(PATIENCE_S)
        deadline = time.monotonic() + PATIENCE_S
        while not list((tmp_path / "d").glob("*.journal")) and time.monotonic() < deadline:
            threading.Event().wait(0.01)
        sessions = list((tmp_path / "d").glob("*.h5"))
        for command in ("replay", "recover"):
            done = steadypull(command, sessions[0])
            assert done.code == 2
            assert "is being recorded or changed by another program; wait" in done.error
        os.kill(process.pid or 0, signal.SIGINT)
        process.join(PATIENCE_S)

    assert process.exitcode == 0
    assert steadypull("replay", sessions[0], "--headless", "--json").json["session"]["duration_s"] <= 0.5


@contextmanager
def file_limit(size: int) -> Iterator[None]:
    """No file may grow beyond `size` bytes: what a full disk does, without rights to make one."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_disk_that_fills_while_recording(steadypull, car_file: Path, tmp_path: Path) -> None:
    """Told at once; live numbers go on to the end; exit 3; the file opens and holds what came before."""
    channels = (*CHANNELS, *(WireChannel(f"extra {number}") for number in range(60)))
    rows = 40_000
    samples = counted(rows, channels=len(channels))

    def work(line: Device) -> None:
        line.await_reader()
        line.send(description(10_000.0, channels))
        for frame in frames(samples, rate_hz=10_000.0, rows=100):
            line.send_quietly(frame)
        line.await_leaving()

    with device(tmp_path, work) as line, file_limit(5 << 20):
        done = steadypull(
            "drive", "--port", line.port, "--car", car_file, "-o", tmp_path / "d", "--seconds", "2.5", "--headless"
        )

    assert done.code == 3
    assert "the disk is full; free some room or record to another disk; what was recorded is safe" in done.error
    assert " fault " in done.err, "told when it happened, not only at the end"
    (session,) = (tmp_path / "d").glob("*.h5")
    with h5py.File(session) as file:
        kept = file["raw/samples"][:, 0]
    assert len(kept) > 5000
    np.testing.assert_array_equal(kept, np.arange(len(kept)))
    recovered = steadypull("recover", session)
    assert recovered.code == 0
    with h5py.File(session.with_name(f"{session.stem}-recovered.h5")) as file:
        whole = file["raw/samples"][:, 0]
    assert len(whole) >= len(kept)
    np.testing.assert_array_equal(whole, np.arange(len(whole)))


def test_a_disk_that_is_full_from_the_start(steadypull, small_session: Path, tmp_path: Path) -> None:
    """Nothing is begun where there is no room for it."""
    with file_limit(1 << 16):
        done = steadypull("replay", small_session, "--headless", "-o", tmp_path / "new.h5")

    assert done.code == 3
    assert "the disk is full" in done.error
    assert "nothing was recorded" in done.error
    assert not (tmp_path / "new.h5").exists()


def test_an_import_that_is_stopped_leaves_nothing_half_made(steadypull, tmp_path: Path) -> None:
    """Ctrl-C: a word, exit 2, and the name is free for the next try."""
    (tmp_path / "car.toml").write_text(CAR, encoding="utf-8")
    rows = 400_000
    (tmp_path / "log.csv").write_text("speed_v,link\n" + "2.0,0.1\n2.01,0.1\n" * (rows // 2))
    session = tmp_path / "s.h5"

    def interrupt() -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not session.exists() and time.monotonic() < deadline:
            threading.Event().wait(0.001)
        os.kill(os.getpid(), signal.SIGINT)

    thread = threading.Thread(target=interrupt)
    thread.start()
    done = steadypull(
        "import", tmp_path / "log.csv", "--car", tmp_path / "car.toml", "-o", session, "--rate", "1000", "--json"
    )
    thread.join()

    assert done.code == 2
    assert "stopped" in done.error
    assert done.out == ""
    assert not session.exists()


def test_json_is_strict(steadypull, small_session: Path) -> None:
    """No NaN and no Infinity ever, whatever was found: a strict reader takes it."""

    def refuse(word: str) -> None:
        raise ValueError(word)

    done = steadypull("replay", small_session, "--headless", "--json")
    json.loads(done.out, parse_constant=refuse)
