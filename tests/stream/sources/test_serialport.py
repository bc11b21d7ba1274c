"""The serial source through real ports: pseudo-terminals, sockets, pyserial's own loop."""

import os
import select
import socket
import threading
import time
import tty
from contextlib import closing, contextmanager

import numpy as np
import pytest
import serial
import serial.rfc2217
from serial.urlhandler.protocol_socket import Serial as SocketSerial

from stream.car import parse_car
from stream.errors import InputError, PortError
from stream.sources.port import Port, PortRecord, list_ports
from stream.sources.serialport import SerialSource
from stream.wire.frames import encode_description, encode_note, encode_samples
from stream.wire.items import WireChannel
from tests.told import text_of

CAR = parse_car(
    """
[car]
name = "hill-climb special"
[[channel]]
name = "speed_v"
role = "engine_speed"
unit = "V"
rpm_per_unit = 1720.0
[[channel]]
name = "link"
role = "load"
unit = "mV/V"
"""
)
CHANNELS = [WireChannel("speed_v", "V"), WireChannel("link", "mV/V"), WireChannel("extra")]
DESCRIPTION = encode_description(0, "bench", 1000.0, CHANNELS)
PATIENCE_S = 20.0  # how long a test waits for what must come; reached only when it fails

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")


def frames(start, number, first_us=0):
    """Frames of four rows whose first channel is the sample's own index."""
    result = []
    for k in range(number):
        index = start + 4 * k
        counts = np.column_stack([np.arange(index, index + 4), np.zeros((4, 2))]).astype(np.int16)
        result.append(encode_samples(1 + index // 4, index, first_us + index * 1000, counts))
    return b"".join(result)


@contextmanager
def opened(source):
    try:
        yield source.open()
    finally:
        source.stop()
        source.close()


def read_rows(source, number):
    """Blocks until `number` rows have come."""
    blocks, deadline = [], time.monotonic() + PATIENCE_S
    while sum(map(len, blocks)) < number and time.monotonic() < deadline:
        blocks += source.read(0.2)
    return blocks


def indices(blocks):
    return [int(value) for block in blocks for value in block.samples[:, 0]]


def wait_for_note(source, kind):
    notes, blocks, deadline = [], [], time.monotonic() + PATIENCE_S
    while kind not in [note.kind for note in notes] and time.monotonic() < deadline:
        blocks += source.read(0.05)
        notes += source.take_notes()
    return notes, blocks


@pytest.fixture
def pty():
    master, slave = os.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    os.close(slave)
    os.close(master)


def in_thread(work):
    thread = threading.Thread(target=work, name="device", daemon=True)
    thread.start()
    return thread


@needs_pty
def test_the_host_asks_until_a_description_comes_and_no_longer(pty):
    """A question a second until the device has described itself."""
    master, name = pty
    asked = []

    def device():
        asked.append(os.read(master, 1))
        asked.append(os.read(master, 1))  # asked again, since nothing came
        os.write(master, DESCRIPTION + frames(0, 5) + encode_note(99, "ready"))

    thread = in_thread(device)
    source = SerialSource(name, CAR)
    with opened(source) as info:
        blocks = read_rows(source, 20)
        thread.join(PATIENCE_S)

        assert asked == [b"?", b"?"]
        assert info.names == ("speed_v", "link", "extra")
        assert indices(blocks) == list(range(20))
        assert [text_of(note.what) for note in source.take_notes() if note.kind == "note"] == ["device: ready"]
        assert source.counters()["frames"] == 7
        assert source.counters()["bad_frames"] == 0
        assert source.counters()["bytes"] == len(DESCRIPTION + frames(0, 5) + encode_note(99, "ready"))
        assert source.realtime
        assert not source.finished
    assert source.finished


@needs_pty
def test_text_lines_through_a_terminal(pty):
    """Text lines come whole through a pseudo-terminal."""
    master, name = pty

    def device():
        os.read(master, 1)
        os.write(master, b"t[ms],speed_v[V],link[mV/V]\r\n")
        for start in range(0, 1200, 100):
            os.write(master, b"".join(b"%d,%d,0.5\r\n" % (n, n) for n in range(start, start + 100)))
        os.write(master, b"broken li\r\n" + b"".join(b"%d,%d,0.5\r\n" % (n, n) for n in range(1200, 1210)))

    thread = in_thread(device)
    source = SerialSource(name, CAR)
    with opened(source) as info:
        blocks = read_rows(source, 1210)
        thread.join(PATIENCE_S)

        assert info.rate_hz == 1000.0
        assert indices(blocks) == list(range(1210))
        assert source.counters()["bad_lines"] == 1
        assert ["broken li" in text_of(note.what) for note in source.take_notes()] == [True]


def test_lines_that_came_just_before_the_device_went_are_kept():
    """What came before the plug was pulled is kept."""
    with closing(Device()) as device:

        def work():
            with device.plug_in() as cable:
                cable.sendall(b"speed_v,link\n" + b"".join(b"%d,2\n" % n for n in range(300)) + b"300,")
            device.close()

        thread = in_thread(work)
        source = SerialSource(device.url, CAR, rate_hz=100.0)
        with opened(source) as info:
            assert info.names == ("speed_v", "link")
            assert indices(read_rows(source, 300)) == list(range(300))
        thread.join(PATIENCE_S)


class Device:
    """A device behind a socket: each connection is one time that the cable is in."""

    def __init__(self):
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(PATIENCE_S)
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"

    def plug_in(self):
        connection, _ = self._listener.accept()
        connection.settimeout(PATIENCE_S)
        assert connection.recv(1) == b"?"
        return connection

    def close(self):
        self._listener.close()


def test_what_a_device_says_before_the_port_is_open_is_kept(monkeypatch):
    """A line of names that is there already must not be thrown away: columns would be taken in another order."""
    cables, really = [], SocketSerial._reconfigure_port

    def spoken_to(port):
        if not cables:
            cables.append(listener.accept()[0])
            cables[0].sendall(b"link,speed_v\n")
            select.select([port._socket], [], [], PATIENCE_S)
        really(port)

    monkeypatch.setattr(SocketSerial, "_reconfigure_port", spoken_to)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = Port(f"socket://127.0.0.1:{listener.getsockname()[1]}", 115200)
        with closing(port), cables[0]:
            assert port.read(1.0) == b"link,speed_v\n"


def test_a_device_goes_away_in_the_middle_of_a_frame_and_comes_back():
    """A cut-off frame is dropped and the gap measured."""
    with closing(Device()) as device:
        again, done = threading.Event(), threading.Event()

        def work():
            with device.plug_in() as cable:
                cable.sendall(DESCRIPTION + frames(0, 10) + frames(40, 1)[:17])
            again.wait(PATIENCE_S)
            with device.plug_in() as cable:
                cable.sendall(DESCRIPTION + frames(400, 10))
                done.wait(PATIENCE_S)

        thread = in_thread(work)
        source = SerialSource(device.url, CAR)
        with opened(source):
            blocks = read_rows(source, 40)
            notes, more = wait_for_note(source, "device-away")
            again.set()
            later, after = wait_for_note(source, "device-back")
            after += read_rows(source, 40 - sum(map(len, after)))
            later += source.take_notes()
            done.set()

            assert more == []
            assert indices(blocks) == list(range(40))
            assert (after[0].first, after[0].lost, after[0].restarted) == (400, 360, False)
            assert indices(after) == list(range(400, 440))
            assert notes[-1].index == 40
            assert {note.kind for note in later} == {
                "device-back",
                "gap",
                "fault",
            }  # fault: the frame cut off
            assert source.counters()["bad_frames"] == 1
            assert source.counters()["lost_samples"] == 360
        thread.join(PATIENCE_S)


def test_a_device_that_restarted_while_it_was_away_is_timed_by_the_host():
    """Where the device's clock began again, the host's measures the gap."""
    now = [0]
    with closing(Device()) as device:
        again, done = threading.Event(), threading.Event()

        def work():
            with device.plug_in() as cable:
                cable.sendall(DESCRIPTION + frames(0, 10))
            again.wait(PATIENCE_S)
            with device.plug_in() as cable:
                cable.sendall(DESCRIPTION + frames(0, 10))
                done.wait(PATIENCE_S)

        thread = in_thread(work)
        source = SerialSource(device.url, CAR, clock=lambda: time.monotonic_ns() + now[0])
        with opened(source):
            blocks = read_rows(source, 40)
            wait_for_note(source, "device-away")
            now[0] = 60_000_000_000  # a minute goes by
            again.set()
            after = read_rows(source, 40)
            done.set()

            assert after[0].restarted
            assert after[0].first == 40 + after[0].lost
            assert after[0].lost == pytest.approx(60_000, rel=0.2)
            assert indices(after) == indices(blocks)
            assert source.counters()["restarts"] == 1
        thread.join(PATIENCE_S)


@needs_pty
def test_a_terminal_that_is_closed_is_a_device_that_went_away(tmp_path):
    """A closed terminal is waited for like a pulled cable."""
    port = tmp_path / "port"
    master, slave = os.openpty()
    tty.setraw(slave)
    port.symlink_to(os.ttyname(slave))
    first = in_thread(lambda: (os.read(master, 1), os.write(master, DESCRIPTION + frames(0, 3))))
    source = SerialSource(str(port), CAR)
    with opened(source):
        assert len(read_rows(source, 12)) > 0
        first.join(PATIENCE_S)
        port.unlink()
        os.close(slave)
        os.close(master)
        wait_for_note(source, "device-away")
        assert source.read(0.05) == []

        master, slave = os.openpty()
        tty.setraw(slave)
        port.symlink_to(os.ttyname(slave))
        second = in_thread(lambda: (os.read(master, 1), os.write(master, frames(100, 3))))
        blocks = read_rows(source, 12)
        second.join(PATIENCE_S)

        assert (blocks[0].first, blocks[0].lost) == (100, 88)
    os.close(slave)
    os.close(master)


def test_a_port_that_does_not_exist_names_itself_and_the_cure(tmp_path):
    """A missing port is one line with its name and the cure."""
    url = str(tmp_path / "no_such_port")
    with pytest.raises(PortError, match="choose one of the ports there are") as caught:
        SerialSource(url, CAR).open()

    assert url in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_closed_tcp_port_and_a_url_of_no_kind():
    """A refused connection and a URL of no kind are one line each."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        number = listener.getsockname()[1]
    with pytest.raises(PortError, match="nobody listens there"):
        SerialSource(f"socket://127.0.0.1:{number}", CAR).open()
    with pytest.raises(InputError, match="device path or a URL"):
        SerialSource("carrier-pigeon://coop", CAR).open()


@needs_pty
@pytest.mark.parametrize(
    ("sent", "words"),
    [(b"", "nothing came"), (b"\x99\xf0 noise \xff" * 9, r"90 bytes came .* baud")],
    ids=["silent", "noise"],
)
def test_a_port_that_sends_nothing_of_use_is_given_up_in_words(pty, sent, words):
    """Silence and noise are given up with what came and what to check."""
    master, name = pty
    thread = in_thread(lambda: (os.read(master, 1), os.write(master, sent)))
    with pytest.raises(PortError, match=words):
        SerialSource(name, CAR, open_timeout_s=0.5).open()
    thread.join(PATIENCE_S)


@needs_pty
def test_a_description_that_is_refused_is_the_reason_given(pty):
    """Why a description cannot be used is what the person reads."""
    master, name = pty
    sent = encode_description(0, "d", -5.0, CHANNELS)
    thread = in_thread(lambda: (os.read(master, 1), os.write(master, sent)))
    with pytest.raises(PortError, match=r"no usable description: .*rate_hz is -5"):
        SerialSource(name, CAR, open_timeout_s=0.5).open()
    thread.join(PATIENCE_S)


@needs_pty
def test_a_channel_the_device_does_not_send_names_both_lists(pty):
    """A missing channel names what is sent and what is wanted."""
    master, name = pty
    sent = encode_description(0, "d", 100.0, [WireChannel("speed_v"), WireChannel("strain")])
    thread = in_thread(lambda: (os.read(master, 1), os.write(master, sent)))
    with pytest.raises(InputError, match=r"not send link; it sends speed_v, strain, .* has speed_v, link"):
        SerialSource(name, CAR).open()
    thread.join(PATIENCE_S)


@needs_pty
def test_text_without_a_rate_is_an_input_error_and_with_one_is_read(pty):
    """Text without a clock needs the rate, and is read with it."""
    master, name = pty

    def device():
        os.read(master, 1)
        os.write(master, b"1,2\n3,4\n5,6\n")

    thread = in_thread(device)
    with pytest.raises(InputError, match="give it"):
        SerialSource(name, CAR).open()
    thread.join(PATIENCE_S)
    thread = in_thread(device)
    with opened(SerialSource(name, CAR, rate_hz=50.0)) as info:
        assert info.rate_hz == 50.0
    thread.join(PATIENCE_S)


@needs_pty
@pytest.mark.parametrize("where", ["open", "read", "away"])
def test_stop_from_another_thread_returns_soon(pty, where):
    """Stopping from another thread ends a blocked read within a moment."""
    master, name = pty
    waiting = threading.Event()
    source = SerialSource(name, CAR, open_timeout_s=PATIENCE_S)

    def stopper():
        waiting.wait(PATIENCE_S)
        source.stop()

    thread = in_thread(stopper)
    if where == "open":
        waiting.set()
        with pytest.raises(PortError, match="stopped"):
            source.open()
    else:
        device = in_thread(lambda: (os.read(master, 1), os.write(master, DESCRIPTION)))
        source.open()
        device.join(PATIENCE_S)
        if where == "away":
            source.close()
            source._gone(OSError("pulled"))
        waiting.set()
        began = time.monotonic()
        assert source.read(PATIENCE_S) == []
        assert time.monotonic() - began < PATIENCE_S / 4
        assert source.finished
    thread.join(PATIENCE_S)
    source.close()
    source.close()


def test_the_loop_port_echoes_our_questions_and_no_more():
    """A line that echoes gives back questions and is no device."""
    with pytest.raises(PortError, match="bytes came"):
        SerialSource("loop://", CAR, open_timeout_s=0.3).open()


def test_ports_are_plain_records(monkeypatch):
    """A port is its path and what the system says of it."""
    from serial.tools import list_ports as system
    from serial.tools.list_ports_common import ListPortInfo

    plain, board = ListPortInfo("/dev/ttyS9"), ListPortInfo("/dev/ttyACM0")
    board.description, board.hwid, board.serial_number = "Microcontroller", "USB VID:PID=1234:5678", "77"
    monkeypatch.setattr(system, "comports", lambda: [plain, board])

    assert list_ports() == [
        PortRecord("/dev/ttyACM0", "Microcontroller", "USB VID:PID=1234:5678", "77"),
        PortRecord("/dev/ttyS9", "", "", ""),
    ]


class Rfc2217Server:
    """Pyserial's own server side of RFC 2217 for one connection; answers the first question with `answer`."""

    def __init__(self, answer):
        self._answer = answer
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(PATIENCE_S)
        self.url = f"rfc2217://127.0.0.1:{self._listener.getsockname()[1]}"
        self._thread = in_thread(self._serve)

    def _serve(self):
        with closing(serial.serial_for_url("loop://")) as lines, self._listener.accept()[0] as connection:
            connection.settimeout(PATIENCE_S)
            self.write = connection.sendall
            manager = serial.rfc2217.PortManager(lines, self)
            while data := connection.recv(1024):
                if b"?" in b"".join(manager.filter(data)):
                    self.write(b"".join(manager.escape(self._answer)))

    def close(self):
        self._thread.join(PATIENCE_S)
        self._listener.close()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # in pyserial
def test_a_port_across_the_network():
    """A device behind a TCP port is read like one on a cable."""
    answer = DESCRIPTION + frames(0, 100)  # with bytes 0xFF in it, which the protocol has to escape
    assert b"\xff" in answer
    with closing(Rfc2217Server(answer)) as server:
        source = SerialSource(server.url, CAR)
        with opened(source) as info:
            assert info.names == ("speed_v", "link", "extra")
            assert indices(read_rows(source, 400)) == list(range(400))


@pytest.mark.parametrize(("times", "said"), [(0.1, True), (1.0, False), (10.0, True)])
@pytest.mark.parametrize("text", [False, True])
def test_a_device_ten_times_off_its_declared_rate_is_said(times, said, text):
    """1 000 samples a second are declared, by frames or by t; the host's clock says otherwise."""
    now = [1_000_000_000]
    with closing(serial.serial_for_url("loop://")) as line:
        source = SerialSource("loop://", CAR, clock=lambda: now[0], open_timeout_s=3.0)
        source._port = _Fed(line, now, times, text)
        source._heard_ns = now[0]
        notes = []
        for _ in range(1200):
            source._step(0.0)
            notes += source.take_notes()
    told = [text_of(note.what) for note in notes if "declares" in text_of(note.what)]
    assert len(told) == said
    if said:
        assert f"declares 1000 samples a second, but {1000 * times:.3g} come" in told[0]


class _Fed:
    """A port from which 20 ms of the host's clock bring as many samples as `times` the declared rate has."""

    def __init__(self, line, now, times, text):
        self.now, self.times, self.text, self.sent, self.first = now, times, text, 0, True

    def write(self, data):
        pass

    def read(self, wait_s):
        self.now[0] += 20_000_000
        more = round(20 * self.times)
        start, self.sent = self.sent, self.sent + more
        if self.text:
            head = b"t[ms],speed_v,link,extra\n" if self.first else b""
            self.first = False
            return head + b"".join(b"%d,1,2,3\n" % n for n in range(start, start + more))
        counts = np.zeros((more, 3), np.int16)
        body = encode_samples(1 + start, start, start * 1000, counts) if more else b""
        head, self.first = (DESCRIPTION if self.first else b""), False
        return head + body

    def close(self):
        pass

    def cancel(self):
        pass
