"""A second device beside the first: two pseudo-terminals, each with a clock of its own, one session."""

import json
import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from stream.record.also import companion_path
from stream.record.change import change_session
from stream.study.dataset import open_dataset
from stream.study.take_in import take_in
from stream.wire.items import WireChannel
from tests.device import PATIENCE_S, Device, description, device, frames
from tests.sessions import journalled, write_session
from tests.ui_cli import forked
from ui.cli.main import run

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")

LONG_S, PACE = 40.0, 16.0  # of driving, sent so many times as fast at the most
MOMENT_S = 0.5  # of driving, that one device may be ahead of the other
RATE, ITS_RATE = 1000.0, 50.0
LATER_S, FAST_PPM = 1.0, 800.0  # the second device begins so much later; its clock runs fast
CAR = """
[car]
name = "hill-climb special"
[[channel]]
name = "speed_v"
role = "engine_speed"
unit = "V"
rpm_per_unit = 1500.0
[[channel]]
name = "link"
role = "load"
unit = "mV/V"
"""
ITS_CAR = """
[car]
name = "engine/controller"
[[channel]]
name = "rpm"
role = "engine_speed"
unit = "rpm"
[[channel]]
name = "lambda"
role = "lambda"
unit = "λ"
"""
LIMIT = """
[[limit]]
channel = "lambda"
above = 1.2
"""


def rpm_at(time_s: np.ndarray) -> np.ndarray:
    """Engine speed of the drive: waves that never come again in the same way."""
    waves = sum(a * np.sin(2 * np.pi * time_s / p + p) for a, p in ((900, 11.3), (500, 4.7), (250, 1.9)))
    return 3500 + waves


def lambda_at(time_s: np.ndarray) -> np.ndarray:
    """λ of the drive: it changes by 0.06 a second at the most, so that 20 ms are 0.0012."""
    return 0.95 + 0.1 * np.sin(0.6 * time_s)


def first_samples() -> np.ndarray:
    """What the first device measures, every millisecond."""
    time_s = np.arange(0, LONG_S, 1 / RATE)
    return np.column_stack([rpm_at(time_s) / 1500, 0.2 + 0 * time_s])


def second_samples() -> np.ndarray:
    """What the second one measures: its clock counts 50 a second and runs fast, so its samples lie closer."""
    time_s = LATER_S + np.arange(round((LONG_S - LATER_S) * ITS_RATE)) / ITS_RATE / (1 + 1e-6 * FAST_PPM)
    return np.column_stack([rpm_at(time_s), lambda_at(time_s)])


class Step:
    """Several devices in step: none is further along the drive than a moment before the slowest, however busy the
    machine is. Who has no more to send holds nobody up."""

    def __init__(self, senders: int) -> None:
        self._at_s, self._still = dict[int, float](), senders
        self._changed = threading.Condition()

    def reach(self, who: int, time_s: float) -> None:
        """Wait until nobody is further behind `time_s` of the drive than `MOMENT_S`."""
        with self._changed:
            self._at_s[who] = time_s
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._slowest() >= time_s - MOMENT_S, PATIENCE_S)

    def leave(self, who: int) -> None:
        """This one has sent all it had."""
        with self._changed:
            self._still -= 1
            self._at_s.pop(who, None)
            self._changed.notify_all()

    def _slowest(self) -> float:
        return min(self._at_s.values()) if len(self._at_s) >= self._still else 0.0


@dataclass
class Sending:
    """Work for a device: send all of it at the pace, in step with the others, then hold the line."""

    samples: np.ndarray
    rate_hz: float
    channels: tuple[WireChannel, ...]
    after_s: float = 0.0
    rows: int = 20
    sent: threading.Event = field(default_factory=threading.Event)
    step: Step = field(default_factory=lambda: Step(1))

    def __call__(self, line: Device) -> None:
        """On a thread of its own."""
        line.await_reader()
        try:
            for number, frame in enumerate(frames(self.samples, rate_hz=self.rate_hz, rows=self.rows)):
                self.step.reach(id(self), self.after_s + number * self.rows / self.rate_hz)
                if number == 0:
                    line.send(description(self.rate_hz, self.channels))
                line.send_quietly(frame)
                threading.Event().wait(self.rows / self.rate_hz / PACE)
        finally:
            self.step.leave(id(self))
        self.sent.set()
        line.await_leaving()


FIRST = (WireChannel("speed_v", "V"), WireChannel("link", "mV/V"))
SECOND = (WireChannel("rpm", "rpm"), WireChannel("lambda", "λ"))


@dataclass
class Both:
    """Two devices and the words that record them."""

    folder: Path
    its_car: str = ITS_CAR
    first: Callable[[Device], None] = field(default_factory=lambda: Sending(first_samples(), RATE, FIRST, rows=200))
    second: Callable[[Device], None] = field(
        default_factory=lambda: Sending(second_samples(), ITS_RATE, SECOND, LATER_S, rows=5)
    )

    def record(self, run_it: Callable[..., object], ends: bool = True) -> object:
        """Drive with both until what they sent is recorded, then a Ctrl-C, where it `ends` so; what `run_it` gives."""
        for name, text in (("car.toml", CAR), ("its.toml", self.its_car)):
            (self.folder / name).write_text(text)
        for name in ("one", "two"):
            (self.folder / name).mkdir()
        senders = [work for work in (self.first, self.second) if isinstance(work, Sending)]
        step, over = Step(len(senders)), threading.Event()
        for work in senders:
            work.step = step
        if ends:
            threading.Thread(target=self._end, args=(senders, over), daemon=True).start()
        try:
            with device(self.folder / "one", self.first) as one, device(self.folder / "two", self.second) as two:
                return run_it(
                    *("drive", "--port", one.port, "--car", self.folder / "car.toml", "-o", self.folder / "d"),
                    *("--also", two.port, "--also-car", self.folder / "its.toml", "--seconds", "120"),
                    *("--events", self.folder / "events.jsonl", "--headless", "--json"),
                )
        finally:
            over.set()

    def _end(self, senders: list[Sending], over: threading.Event) -> None:
        if self.recorded(senders, over):
            os.kill(os.getpid(), signal.SIGINT)  # nothing else ends the drive before

    def recorded(self, senders: list[Sending], over: threading.Event) -> bool:
        """Wait until the journals hold what was sent; False where the drive ended before."""
        while not over.wait(0.05):
            if all(one.sent.is_set() for one in senders):
                came = sorted(map(journalled, (self.folder / "d").glob("*.journal*")), reverse=True)
                due = sorted((len(one.samples) for one in senders), reverse=True)
                if len(came) >= len(due) and all(rows >= least for rows, least in zip(came, due, strict=False)):
                    return True
        return False

    @property
    def session(self) -> Path:
        """The one session, with nothing left beside it."""
        (session,) = (self.folder / "d").iterdir()
        return session


@pytest.fixture
def both(tmp_path: Path) -> Both:
    return Both(tmp_path)


def test_two_devices_one_session_on_one_clock(steadypull, both: Both, tmp_path: Path) -> None:
    """The second device's λ stands where the drive's truth has it, though its clock began a second later and runs
    800 ppm fast; the session holds it as it came; a replay keeps it."""
    done = both.record(steadypull)

    assert done.code == 0, done.err
    assert "engine-controller: recorded beside the first device" in done.err
    with h5py.File(both.session) as file:
        group = file["also/engine-controller"]
        assert (group.attrs["offset_s"], group.attrs["rate_ppm"]) == (
            pytest.approx(LATER_S, abs=0.02),
            pytest.approx(-FAST_PPM, abs=300),
        )
        assert list(group["samples"].attrs["names"]) == ["rpm", "lambda"]
        np.testing.assert_allclose(group["samples"][:], second_samples(), rtol=1e-6)
        assert file["raw/samples"].shape == (round(LONG_S * RATE), 2)
    with open_dataset(both.session) as data:
        found, time_s = data.channel("lambda"), data.time_s
    inside = (time_s > LATER_S + 0.5) & (time_s < LONG_S - 0.5)
    np.testing.assert_allclose(found[inside], lambda_at(time_s[inside]), atol=0.004)
    assert np.isnan(found[time_s < LATER_S - 0.1]).all()

    again = steadypull("replay", both.session, "-o", tmp_path / "again.h5", "--headless", "--json")
    assert again.code == 0
    with h5py.File(tmp_path / "again.h5") as file, h5py.File(both.session) as first:
        np.testing.assert_array_equal(
            file["also/engine-controller/samples"][:], first["also/engine-controller/samples"][:]
        )


def test_its_limits_are_watched_live_and_spoil_no_pull(steadypull, both: Both) -> None:
    """λ of the second device goes above a limit of its car file: an event with the channel and the device within
    0.2 s of session time times the pace; the verdicts are those of the first device alone."""
    high = second_samples()
    high[1000:1100, 1] = 1.5
    both.its_car = ITS_CAR + LIMIT
    both.second = Sending(high, ITS_RATE, SECOND, LATER_S, rows=5)
    done = both.record(steadypull)

    limits = [
        event
        for line in (both.folder / "events.jsonl").read_text().splitlines()
        if (event := json.loads(line))["kind"] == "limit"
    ]
    assert [(one["channel"], one["device"]) for one in limits] == [("lambda", "engine-controller")]
    assert limits[0]["value"] == pytest.approx(1.5)
    assert limits[0]["time_s"] == pytest.approx(LATER_S + 1000 / ITS_RATE, abs=0.2 * PACE)
    assert not any("over-limit" in pull["faults"] for pull in done.json["pulls"])


def never(line: Device) -> None:
    """A device that says nothing."""
    line.await_reader()
    line.await_leaving()


def goes_away(line: Device) -> None:
    """A device whose cable is pulled in the middle."""
    line.await_reader()
    line.send(description(ITS_RATE, SECOND))
    for frame in frames(second_samples()[:300], rate_hz=ITS_RATE, rows=5):
        line.send(frame)
    line.unplug()


def rubbish(line: Device) -> None:
    """A device that floods its line with what is no frame."""
    line.await_reader()
    for _ in range(50):
        line.send_quietly(os.urandom(20_000))
    line.await_leaving()


@pytest.mark.parametrize("work", [never, goes_away, rubbish])
def test_a_second_device_that_fails_costs_the_first_nothing(steadypull, both: Both, work) -> None:
    """Silent, pulled out, or rubbish: the first recording is whole, and what became of the second is said."""
    both.second = work
    done = both.record(steadypull)

    assert done.code == 0, done.err
    assert "engine-controller" in done.err
    with h5py.File(both.session) as file:
        assert file.attrs["finished"] == 1
        np.testing.assert_allclose(file["raw/samples"][:], first_samples(), atol=1e-4)


def test_two_drives_that_do_not_belong_together_stay_apart(steadypull, both: Both) -> None:
    """Another engine's speed is recorded and not joined; no study takes its λ for this drive's."""
    strange = second_samples()
    strange[:, 0] = 3000 + 500 * np.sin(np.arange(len(strange)) ** 1.3 / 90)
    both.second = Sending(strange, ITS_RATE, SECOND, LATER_S, rows=5)
    done = both.record(steadypull)

    assert "not known" in done.err or "not joined" in done.err
    with h5py.File(both.session) as file:
        assert "offset_s" not in file["also/engine-controller"].attrs
        assert len(file["also/engine-controller/samples"]) > 0.8 * len(strange)
    with open_dataset(both.session) as data:
        assert data.channel("lambda") is None


def test_all_devices_are_taken_in_by_one_change(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The session is copied once however many devices there are; one that cannot be read stays, and is said."""
    session = write_session(tmp_path / "a.h5", first_samples().astype(np.float32), RATE, CAR)
    whole = {name: companion_path(session, name) for name in ("one", "two", "broken")}
    for name in ("one", "two"):
        write_session(whole[name], second_samples().astype(np.float32), ITS_RATE, ITS_CAR)
    whole["broken"].write_bytes(b"no session")
    changes: list[Path] = []

    def counted(path: Path, edit: Callable[[Any], None]) -> None:
        changes.append(path)
        change_session(path, edit)

    monkeypatch.setattr("stream.study.take_in.change_session", counted)
    said = {one.values["name"]: one.code for one in take_in(session, whole)}

    assert said == {"one": "also-joined", "two": "also-joined", "broken": "also-failed"}
    assert changes == [session]
    assert [path.exists() for path in whole.values()] == [False, False, True]
    with h5py.File(session) as file:
        assert list(file["also"]) == ["one", "two"]
        assert file["also/two"].attrs["offset_s"] == pytest.approx(LATER_S, abs=0.05)


def flushed(folder: Path) -> bool:
    """Whether the session's file holds more of the first device than its first seconds."""
    return any(path.stat().st_size > 5000 * 8 * 2 for path in folder.glob("*.h5"))


def test_killed_and_recovered(both: Both, tmp_path: Path) -> None:
    """Kill -9 in the middle: the first opens with plain h5py; recover brings both back and joins them."""
    both.first = Sending(first_samples()[:30000], RATE, FIRST, rows=200)
    both.second = Sending(second_samples()[:1400], ITS_RATE, SECOND, LATER_S, rows=5)

    def begin(*words: str | Path) -> None:
        process, late = forked(*words), threading.Event()
        timer = threading.Timer(PATIENCE_S, late.set)
        timer.start()
        assert both.recorded([both.first, both.second], late)
        while not late.is_set() and not flushed(tmp_path / "d"):
            time.sleep(0.02)
        timer.cancel()
        process.kill()
        process.join(30)

    both.record(begin, ends=False)
    (session,) = (tmp_path / "d").glob("*.h5")
    with h5py.File(session) as file:
        assert file.attrs["finished"] == 0
        assert len(file["raw/samples"]) > 5000

    assert run(["recover", str(session), "-o", str(tmp_path / "new.h5")]) == 0
    with h5py.File(tmp_path / "new.h5") as file:
        assert file.attrs["finished"] == 1
        rows = len(file["also/engine-controller/samples"])
        assert rows > 300
        np.testing.assert_allclose(file["also/engine-controller/samples"][:], second_samples()[:rows], rtol=1e-6)
        assert file["also/engine-controller"].attrs["offset_s"] == pytest.approx(LATER_S, abs=0.05)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--also", "/dev/null"], "give --also-car"),
        (["--also-car", "its.toml"], "give --also-car"),
        (["--also", "/dev/ttyX", "--also-car", "car.toml"], "named twice"),
    ],
)
def test_what_cannot_be_recorded_beside_is_refused(steadypull, tmp_path: Path, words: list[str], said: str) -> None:
    """One line, exit 2."""
    (tmp_path / "car.toml").write_text(CAR)
    words = [str(tmp_path / word) if word.endswith(".toml") else word for word in words]
    done = steadypull("drive", "--port", "/dev/ttyX", "--car", tmp_path / "car.toml", *words, "--headless")

    assert done.code == 2
    assert said in done.error
