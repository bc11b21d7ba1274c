"""A device beside the first that lies, floods, comes late or goes: what is said of it, and what is kept."""

import threading
import time
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import parse_car
from stream.drive import beside
from stream.drive.beside import Beside
from stream.errors import InputError, PortError
from stream.events import EventList
from stream.findings import warning
from stream.record.also import attach, companion_path, safe_names
from stream.sources.source import PlainSource, SourceNote

CAR = parse_car(
    """
[car]
name = "controller"
[[channel]]
name = "lambda"
role = "lambda"
[[limit]]
channel = "lambda"
above = 1.2
[[limit]]
channel = "lambda"
below = 0.7
""",
    "its.toml",
)


class Strange(PlainSource):
    """A source of rows of 1.0 that a test gives a rate, rows a read, troubles before it opens, and notes."""

    def __init__(
        self, rate_hz: float = 50.0, rows: int = 5, absent: int = 0, notes: tuple[SourceNote, ...] = ()
    ) -> None:
        super().__init__()
        self.rate_hz, self.rows, self.absent, self.notes = rate_hz, rows, absent, list(notes)
        self.first = 0

    def open(self) -> StreamInfo:
        self.finished = False
        if self.absent:
            self.absent -= 1
            raise PortError("ttyX: no such port")
        return StreamInfo(self.rate_hz, (ChannelInfo("lambda", "λ"),), "strange")

    def read(self, timeout_s: float) -> list[Block]:
        time.sleep(0.001)
        self.first += self.rows
        values = np.ones((self.rows, 1), np.float32)
        return [Block(values, self.first - self.rows, self.rate_hz, host_ns=time.monotonic_ns())]

    def take_notes(self) -> list[SourceNote]:
        notes, self.notes = self.notes, []
        return notes


class Run:
    """One such device, recorded beside a session that nobody records."""

    def __init__(self, folder: Path, source: Strange) -> None:
        self.events = EventList()
        self.one = Beside("controller", lambda: source, CAR, self.events, lambda: 3.0, lambda: False)
        self.companion = self.one.begin(folder / "a.h5", 0)
        self.one.start()

    def told(self) -> list[tuple[str, str]]:
        return [(event.kind, event.code) for event in self.events.since(0)[0]]

    def until(self, what: Callable[[], bool]) -> None:
        """Wait for it; a device that never gets there fails the test."""
        deadline = time.monotonic() + 20.0
        while not what():
            assert time.monotonic() < deadline, (self.told(), self.one.status())
            threading.Event().wait(0.005)

    def end(self) -> None:
        self.companion.ended.set()
        self.one.stop()
        self.one.join(20.0)


@pytest.mark.timeout(60)
def test_what_came_before_the_file_was_there_but_within_the_session_is_in_it(tmp_path: Path) -> None:
    """Beginning a session takes a moment, on a busy machine a long one: the second device loses nothing by it."""
    run = Run(tmp_path, Strange())
    run.until(lambda: run.companion.rows > 20)
    run.companion.ended.set()
    run.until(lambda: run.companion.closed.is_set())
    since = time.monotonic_ns()
    time.sleep(0.1)
    again = run.one.begin(tmp_path / "b.h5", since)
    run.until(lambda: again.rows > 50)
    again.ended.set()
    run.end()

    with h5py.File(again.path) as file:
        first = file["raw/clock"][0]
    assert 0 <= first["host_ns"] - since < 50_000_000


@pytest.mark.timeout(60)
def test_a_device_that_is_not_there_yet_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is looked for until it speaks, that is said once, and until then its limit counts as not watched."""
    monkeypatch.setattr(beside, "RETRY_S", 0.02)
    run = Run(tmp_path, Strange(absent=3))
    run.until(lambda: run.one.status().state == "running" and run.companion.rows > 0)
    run.end()

    assert run.told().count(("note", "also-waiting")) == 1
    assert run.told()[1] == ("limit-blind", "limit-blind")
    with h5py.File(run.companion.path) as file:
        assert len(file["raw/samples"]) == run.companion.rows


def test_a_rate_that_no_device_has_is_refused_before_memory_is_taken_for_it(tmp_path: Path) -> None:
    """10¹² samples a second: failed and said; nothing is recorded of it."""
    run = Run(tmp_path, Strange(rate_hz=1e12))
    run.until(lambda: run.one.status().state == "failed")
    run.end()

    assert ("fault", "also-failed") in run.told()
    assert run.companion.closed.is_set()
    assert list(tmp_path.iterdir()) == []


def test_a_device_that_floods_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What it sent until then is kept, and it is read no further."""
    monkeypatch.setattr(beside, "COUNTED_S", 0.05)
    run = Run(tmp_path, Strange(rows=20_000))
    run.until(lambda: not run.one._thread.is_alive())
    run.end()

    assert run.one.status().state == "failed"
    assert run.told().count(("fault", "also-failed")) == 1
    with h5py.File(run.companion.path) as file:
        assert file.attrs["finished"] == 1
        assert len(file["raw/samples"]) == run.companion.rows > 0


def test_a_device_that_goes_leaves_its_limits_unwatched(tmp_path: Path) -> None:
    """One event for the channel, though it has two limits and the device says so a hundred times."""
    away = SourceNote("device-away", 0, warning("device-away", port="ttyX", reason=""))
    run = Run(tmp_path, Strange(notes=(away,) * 100))
    run.until(lambda: run.one.status().state == "away")
    run.end()

    assert run.told().count(("limit-blind", "limit-blind")) == 1
    assert run.told().count(("note", "also-said")) == 1
    assert run.one.status().blind == ("lambda",)


def test_what_a_session_may_not_hold_is_not_taken_in(tmp_path: Path) -> None:
    """A companion stored in pieces of a GiB would make the whole session one that no command opens."""
    companion = companion_path(tmp_path / "a.h5", "x")
    with h5py.File(companion, "w") as file:
        file.attrs["car"] = CAR.text
        file.create_dataset("raw/samples", (0, 1), maxshape=(None, 1), chunks=(1 << 28, 1), dtype=np.float32)
    with h5py.File(tmp_path / "a.h5", "w") as session:
        with pytest.raises(InputError, match="pieces of more than"):
            attach(session, "x", companion)
        assert "also" not in session


def test_names_that_differ_in_case_alone_are_numbered() -> None:
    """Some systems keep one file for both."""
    assert safe_names(["ECU", "ecu", "a/b", "ECU", ""]) == ["ECU", "ecu-2", "a-b", "ECU-3", "device"]
