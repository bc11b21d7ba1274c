"""What may come over a line besides good samples: each gets a word or a counter, and the good ones are kept whole."""

import os
import random
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np
import pytest

from stream.sources.serialport import SerialSource
from stream.wire.encode import SAMPLES, encode_frame, encode_note
from stream.wire.items import WireChannel
from tests.device import CHANNELS, Device, counted, description, device, frames
from tests.ui_cli import Outcome

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")


@dataclass(frozen=True)
class Recorded:
    """A drive and what it left: the samples, their place on the session's count, and rows of /raw/gaps."""

    done: Outcome
    samples: np.ndarray
    index: np.ndarray
    gaps: list[tuple[int, int]]

    @property
    def counted(self) -> list[int]:
        """The first channel, which carries the device's own index."""
        return self.samples[:, 0].astype(int).tolist()


@pytest.fixture
def drive(steadypull, car_file: Path, tmp_path: Path) -> Callable[..., Outcome]:
    """Drive on a device that does `work` once asked, then holds the line; the tune is in the way of nothing."""

    def go(work: Callable[[Device], None], *options: str, seconds: str = "0.8") -> Outcome:
        def life(line: Device) -> None:
            line.await_reader()
            work(line)
            line.await_leaving()

        with device(tmp_path, life) as line:
            return steadypull(
                "drive",
                "--port",
                line.port,
                "--car",
                car_file,
                "-o",
                tmp_path / "d",
                "--seconds",
                seconds,
                "--headless",
                "--json",
                *options,
            )

    return go


@pytest.fixture
def record(drive: Callable[..., Outcome], tmp_path: Path) -> Callable[..., Recorded]:
    """The same for a drive that must end well, with what it recorded."""

    def go(work: Callable[[Device], None], *options: str, seconds: str = "0.8") -> Recorded:
        done = drive(work, *options, seconds=seconds)
        assert done.code == 0, done.err
        (session,) = (tmp_path / "d").iterdir()
        with h5py.File(session) as file:
            assert file.attrs["finished"] == 1
            samples = file["raw/samples"][:]
            gaps = [(int(row["index"]), int(row["lost"])) for row in file["raw/gaps"]]
        index = np.arange(len(samples))
        for row, lost in gaps:
            index[row:] += lost
        return Recorded(done, samples, index, gaps)

    return go


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A source that gives a device one second to say something of use, in place of ten."""
    monkeypatch.setitem(SerialSource.__init__.__kwdefaults__, "open_timeout_s", 1.2)


def test_random_bytes_before_and_among_frames(record) -> None:
    """Junk with an end of its own costs nothing; junk that runs into a frame costs that frame, told as a gap."""
    chance = random.Random(1)
    junk = [bytes(chance.randrange(1, 256) for _ in range(chance.randrange(1, 400))) for _ in range(12)]
    good = frames(counted(600))

    def work(line: Device) -> None:
        line.send(junk[0] + b"\0" + description())
        for number, frame in enumerate(good):
            if number in range(5, 15):
                line.send(junk[number - 4] + b"\0")
            line.send(frame if number != 20 else junk[11] + frame)

    kept = record(work)

    assert kept.counted == [*range(400), *range(420, 600)]
    assert kept.index.tolist() == kept.counted
    assert kept.done.json["session"]["lost_samples"] == 20
    assert "frames that were damaged or did not fit and were dropped: " in kept.done.err


def test_doubled_and_missing_frames(record) -> None:
    """A frame that comes twice is used once; one that never comes is a gap of as many samples."""
    good = frames(counted(600))

    def work(line: Device) -> None:
        line.send(description())
        line.send(b"".join(frame + frame for number, frame in enumerate(good) if number not in (7, 8, 25)))

    kept = record(work)

    assert kept.counted == [*range(140), *range(180, 500), *range(520, 600)]
    assert kept.gaps == [(140, 40), (460, 20)]
    assert kept.done.err.count(" gap ") == 2
    assert "came over the line: frames repeated 27" in kept.done.err
    assert "40 samples lost" in kept.done.err


def test_a_cable_pulled_in_the_middle_of_a_frame(record) -> None:
    """The drive waits for the device, which comes back with its count running on; the time away is one gap."""
    good = frames(counted(2000))

    def work(line: Device) -> None:
        line.send(description() + b"".join(good[:20]) + good[20][:30])
        threading.Event().wait(0.3)
        line.unplug()
        threading.Event().wait(0.2)
        line.plug_in()
        line.await_reader()
        line.send(description() + b"".join(good[50:80]))

    kept = record(work, seconds="2.5")

    assert kept.counted == [*range(400), *range(1000, 1600)]
    assert kept.gaps == [(400, 600)]
    assert "went away" in kept.done.err
    assert "is back after" in kept.done.err


def test_a_device_that_restarts(record) -> None:
    """Its count begins anew: told in words, marked in /raw/gaps with a loss of 0, and both parts are whole."""

    def work(line: Device) -> None:
        line.send(description() + b"".join(frames(counted(400))))
        line.send(description() + b"".join(frames(counted(200))))

    kept = record(work)

    assert kept.counted == [*range(400), *range(200)]
    assert (400, 0) in kept.gaps
    assert "the device restarted" in kept.done.err


def test_samples_that_are_not_numbers(record) -> None:
    """NaN and infinity are missing cells, counted as lost; JSON stays JSON."""
    samples = counted(600)
    samples[100, 0], samples[200, 1], samples[300] = np.nan, np.inf, -np.inf

    kept = record(lambda line: line.send(description() + b"".join(frames(samples))))

    expected = np.where(np.isfinite(samples), samples, np.float32(np.nan))
    np.testing.assert_array_equal(kept.samples, expected)
    assert kept.done.json["session"]["lost_samples"] == 2
    assert "came over the line: values not finite 4" in kept.done.err


def test_names_with_control_characters(record, tmp_path: Path) -> None:
    """They are made printable for screen and session, and that is said; the channel itself is kept."""
    channels = (*CHANNELS, WireChannel("oil\x1b[2J\r\n\x00temp", "°C\x07"))
    data = description(channels=channels) + b"".join(frames(counted(200, channels=3))) + encode_note(9, "a\x1b[2Jb")

    kept = record(lambda line: line.send(data))

    with h5py.File(next((tmp_path / "d").iterdir())) as file:
        names = list(file["raw/samples"].attrs["names"])
    assert names[:2] == ["speed_v", "link"]
    assert all(name.isprintable() for name in names)
    assert "oil" in names[2]
    assert len(kept.counted) == 200
    assert all(line.isprintable() for line in kept.done.err.splitlines())
    assert "in the device's description" in kept.done.err


def test_ten_thousand_channels_then_a_description_that_can_be_used(record) -> None:
    """The mad description is refused in words; the drive goes on with the good one."""
    mad = description(channels=tuple(WireChannel(f"c{number}") for number in range(600)))

    kept = record(lambda line: line.send(mad + description() + b"".join(frames(counted(200)))))

    assert kept.counted == list(range(200))
    assert "refused" in kept.done.err
    assert "255" in kept.done.err


@pytest.mark.usefixtures("impatient")
def test_ten_thousand_channels_and_nothing_else(drive, tmp_path: Path) -> None:
    """No session is begun; the one line says what was wrong with the description."""
    mad = description(channels=tuple(WireChannel(f"c{number}") for number in range(10_000)))
    done = drive(lambda line: line.send_quietly(mad))

    assert done.code == 3
    assert "no usable description" in done.error or "check the line speed" in done.error
    assert done.out == ""
    assert list((tmp_path / "d").iterdir()) == []


def test_text_lines_with_rubbish_and_a_clock_that_runs_backwards(record) -> None:
    """What does not parse is dropped, counted and shown; a clock that goes back is a restart."""

    def work(line: Device) -> None:
        line.send(b"t[ms],speed_v[V],link[mV/V]\n")
        for row in range(0, 220, 10):
            if row == 120:
                line.send(b"brown-out reset\n1,2\n\xff\xfe,,,\n")
            first = row if row < 120 else row - 120
            line.send(b"".join(f"{10 * (first + k)},{row + k},0.5\n".encode() for k in range(10)))
            threading.Event().wait(0.06)

    kept = record(work, seconds="1.8")

    assert kept.counted == list(range(220))
    assert (120, 0) in kept.gaps
    assert kept.done.json["session"]["lost_samples"] < 100, "the device was away for no time at all"
    assert "the device restarted" in kept.done.err
    assert "lines that did not parse and were dropped: 3" in kept.done.err


def test_a_frame_that_lies_about_its_size(record) -> None:
    """Its CRC is right and its counts are not: dropped in words, and the next samples are used."""
    lie = encode_frame(SAMPLES, 5, bytes(16) + b"\x63" + b"\xff\xff" + bytes(40))
    good = frames(counted(100))

    kept = record(lambda line: line.send(description() + b"".join(good[:3]) + lie + b"".join(good[3:])))

    assert kept.counted == list(range(100))
    assert "do not fit the description" in kept.done.err


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize(
    ("sent", "code", "words"),
    [
        (b"", 3, "nothing came in 1.2 s; is the device running, and is this its port?"),
        (bytes(range(1, 256)) * 20, 3, "check the line speed"),
        (b"".join(frames(counted(100))), 3, "without a description"),
        (description(channels=CHANNELS[:1]), 2, "the device does not send link; it sends speed_v"),
        (b"".join(b"1.0,0.2\n" for _ in range(400)), 2, "give it with --rate HZ"),
        (b"".join(b"1.0\n" for _ in range(400)), 2, "let the device send their names first"),
        (description(rate_hz=-5.0), 3, "no usable description"),
    ],
    ids=["silence", "noise", "no description", "a channel is missing", "no rate", "too few columns", "rate below zero"],
)
def test_a_device_that_cannot_be_used(drive, tmp_path: Path, sent: bytes, code: int, words: str) -> None:
    """One line that names the port, what came and the cure; no empty session is left."""

    def work(line: Device) -> None:
        for _ in range(2):  # text is told from noise by lasting a second
            line.send_quietly(sent)
            threading.Event().wait(0.6)

    done = drive(work, seconds="3")

    assert done.code == code
    assert words in done.error
    assert "ttyTEST0" in done.error
    assert done.out == ""
    assert list((tmp_path / "d").iterdir()) == []
