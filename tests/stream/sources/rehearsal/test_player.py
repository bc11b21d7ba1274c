"""The player's bytes follow the published frame, and a real serial line carries all of them."""

import json
import os
import struct
import time
import zlib
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
import serial
from cobs import cobs

from stream.sources.rehearsal.player import FRAME_ROWS, RehearsalPort, bodies
from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.scenario import pull_session
from stream.sources.rehearsal.sensors import Adc, Chain
from stream.wire.encode import encode_frame

DEADLINE_S = 20.0
needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")


def frames(recording: Recording, rows: int = FRAME_ROWS) -> Iterator[tuple[float, bytes]]:
    for sequence, (at_s, kind, body) in enumerate(bodies(recording, rows)):
        yield at_s, encode_frame(kind, sequence, body)


@pytest.fixture(scope="module")
def recording() -> Recording:
    return pull_session(1, "wren", pulls=1, chain=Chain(adc=Adc(losses_per_minute=12.0)))


def unpack(data: bytes) -> tuple[list[dict], list[tuple[int, int, np.ndarray]], list[int]]:
    """Descriptions, (index, device µs, counts) and sequence numbers, by the layout as published."""
    described, samples, sequence = [], [], []
    assert data.endswith(b"\0")
    for part in data[:-1].split(b"\0"):
        frame = cobs.decode(part)
        assert struct.unpack("<I", frame[-4:])[0] == zlib.crc32(frame[:-4])
        version, kind, number = struct.unpack("<BBI", frame[:6])
        body = frame[6:-4]
        assert version == 1
        sequence.append(number)
        if kind == 1:
            described.append(json.loads(body))
        else:
            index, micros, channels, rows = struct.unpack("<QQBH", body[:19])
            samples.append((index, micros, np.frombuffer(body[19:], "<i2").reshape(rows, channels)))
    return described, samples, sequence


def assert_whole(data: bytes, recording: Recording) -> None:
    described, samples, _ = unpack(data)
    index = np.concatenate([first + np.arange(len(counts)) for first, _, counts in samples])

    np.testing.assert_array_equal(index, recording.index)
    np.testing.assert_array_equal(np.concatenate([counts for _, _, counts in samples]), recording.counts)
    assert described[0]["channels"][0]["name"] == "speed_v"


def test_frames_carry_the_recording_whole(recording: Recording):
    """Every sample and every gap of the recording comes over the line."""
    data = b"".join(frame for _, frame in frames(recording))
    described, samples, sequence = unpack(data)
    scale = described[0]["channels"][1]["scale"]

    assert recording.lost_samples > 0
    assert_whole(data, recording)
    assert sequence == list(range(len(sequence)))
    assert len(described) == pytest.approx(recording.time_s[-1] / 2.0, abs=1.0)
    assert all(micros == index * 1000 for index, micros, _ in samples)
    assert described[0]["rate_hz"] == 1000.0
    np.testing.assert_allclose(recording.counts[:, 1] * scale, recording.samples[:, 1], atol=1e-6)


@pytest.mark.parametrize("rows", [1, 7, 500])
def test_any_frame_size_carries_the_same_samples(recording: Recording, rows: int):
    """The cut into frames changes no sample."""
    short = replace(
        recording, counts=recording.counts[:3000], gaps=tuple(gap for gap in recording.gaps if gap[0] < 3000)
    )

    assert_whole(b"".join(frame for _, frame in frames(short, rows)), short)


def read_until(port: serial.SerialBase, amount: int, data: bytes = b"") -> bytes:
    until = time.monotonic() + DEADLINE_S
    while len(data) < amount and time.monotonic() < until:
        data += port.read(min(4096, amount - len(data)))
    return data


@pytest.mark.parametrize("pty", [pytest.param(True, marks=needs_pty), False])
def test_a_line_at_full_speed_loses_nothing(recording: Recording, pty: bool):
    """As fast as the line takes it, nothing is lost."""
    expected = sum(len(frame) for _, frame in frames(recording))
    device = RehearsalPort(recording, quick=True, pty=pty)
    with device, serial.serial_for_url(device.port_url, timeout=0.2) as port:
        port.write(b"?")
        data = read_until(port, expected)
        assert device.done.wait(DEADLINE_S)
    assert device.failure == ""
    assert device.bytes_sent == len(data) == expected
    assert_whole(data, recording)


def test_a_question_is_answered_while_and_after_the_recording_plays(recording: Recording):
    """A device describes itself whenever it is asked."""
    brief = replace(recording, counts=recording.counts[:300], gaps=())
    expected = sum(len(frame) for _, frame in frames(brief))
    with (
        RehearsalPort(brief, quick=True) as device,
        serial.serial_for_url(device.port_url, timeout=0.2) as port,
    ):
        port.write(b"?")
        data = read_until(port, expected)
        assert device.done.wait(DEADLINE_S)
        port.write(b"?")
        more = b""
        while not more.endswith(b"\0"):
            more = read_until(port, len(more) + 1, more)
    described, _, sequence = unpack(data + more)
    assert len(described) == 2
    assert sequence == list(range(len(sequence)))


def test_real_pace_takes_real_time(recording: Recording):
    """At real pace a second of samples takes a second."""
    brief = replace(recording, counts=recording.counts[:400], gaps=())
    with RehearsalPort(brief) as device, serial.serial_for_url(device.port_url, timeout=0.2) as port:
        began = time.monotonic()
        port.write(b"?")
        data = read_until(port, sum(len(frame) for _, frame in frames(brief)))
        took = time.monotonic() - began
    assert_whole(data, brief)
    assert took >= 0.38


@pytest.mark.parametrize("pty", [pytest.param(True, marks=needs_pty), False])
def test_a_reader_that_leaves_is_told_and_ends_the_sending(recording: Recording, pty: bool):
    """Sending ends when nobody reads any more."""
    with RehearsalPort(recording, pty=pty) as device:
        with serial.serial_for_url(device.port_url, timeout=0.2) as port:
            port.write(b"?")
            assert read_until(port, 100)
        assert device.done.wait(DEADLINE_S)
        assert "the reader closed" in device.failure


def test_stop_without_a_reader_returns(recording: Recording):
    """Stopping works though nobody ever connected."""
    device = RehearsalPort(recording)
    device.start()
    device.stop()
    device.stop()

    assert device.done.is_set()
    assert device.bytes_sent == 0


def test_stop_before_start_gives_the_line_back(recording: Recording):
    """Stopping before the start frees the line and raises nothing."""
    RehearsalPort(recording).stop()
