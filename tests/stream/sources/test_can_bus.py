"""A CAN bus as a source, on the virtual bus of python-can: messages packed here by hand, as the DBC file says."""

import struct
import threading
import time
from pathlib import Path

import h5py
import numpy as np
import pytest

from stream.car import parse_car
from stream.errors import InputError
from stream.sources.plugins import source_for
from tests.device import Device, counted, description, device, frames
from ui.cli.main import run

can = pytest.importorskip("can", reason="the optional part 'can' is not installed")
pytest.importorskip("cantools", reason="the optional part 'can' is not installed")

# Signals by the DBC's own rule: name : start bit | length @ order sign (factor, offset) [range] "unit"; 1+ is
# little-endian unsigned, 0- big-endian signed. The units and factors are invented.
DBC = """VERSION ""

NS_ :

BS_:

BU_: ECU

BO_ 256 Engine: 8 ECU
 SG_ Speed : 0|16@1+ (0.25,0) [0|16383] "rpm" ECU
 SG_ Mixture : 16|16@1+ (0.0001,0) [0|6.5] "lambda" ECU

BO_ 512 Slow: 8 ECU
 SG_ Coolant : 7|16@0- (0.1,-40) [-40|200] "degC" ECU
"""
CAR = """
[car]
name = "x"
[[channel]]
name = "rpm"
column = "Speed"
role = "engine_speed"
unit = "rpm"
[[channel]]
name = "lambda"
column = "Engine.Mixture"
role = "lambda"
[[channel]]
name = "coolant"
column = "Coolant"
role = "temperature"
unit = "°C"
"""

FIRST = """
[car]
name = "x"
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


@pytest.fixture
def dbc(tmp_path: Path) -> Path:
    path = tmp_path / "x.dbc"
    path.write_text(DBC)
    return path


def url(dbc: Path, channel: str, **more: object) -> str:
    """A port on the virtual bus."""
    extra = "".join(f"&{key}={value}" for key, value in more.items())
    return f"can://{channel}?interface=virtual&dbc={dbc}{extra}"


class Sender:
    """The other end of a virtual bus; `engine` and `coolant` pack a message by hand."""

    def __init__(self, channel: str) -> None:
        self.bus = can.Bus(interface="virtual", channel=channel)

    def send(self, number: int, data: bytes) -> None:
        self.bus.send(can.Message(arbitration_id=number, data=data, is_extended_id=False))

    def engine(self, rpm: float, mixture: float) -> None:
        self.send(256, struct.pack("<HHI", round(rpm / 0.25), round(mixture / 0.0001), 0))

    def coolant(self, celsius: float) -> None:
        self.send(512, struct.pack(">hIH", round((celsius + 40) / 0.1), 0, 0))


def test_signals_become_samples_on_an_even_clock(dbc: Path) -> None:
    """Values as they were packed, at the rate asked for, each the newest by then; a signal never sent is missing."""
    source = source_for(url(dbc, "even", rate=100), parse_car(CAR, "x"))
    info = source.open()
    sender = Sender("even")
    rows: list[np.ndarray] = []
    began = time.monotonic()
    for step in range(40):
        sender.engine(3000 + 10 * step, 0.9)
        while time.monotonic() < began + 0.02 * (step + 1):
            rows += [block.samples for block in source.read(0.005)]
    source.close()
    sender.bus.shutdown()
    samples = np.concatenate(rows)

    assert info.names == ("rpm", "lambda", "coolant")
    assert [channel.unit for channel in info.channels] == ["rpm", "lambda", "°C"]
    assert 60 <= len(samples) <= 85  # 0.8 s at 100 a second
    assert (np.diff(samples[:, 0]) >= 0).all()
    assert set(np.unique(samples[:, 0])) <= {float(3000 + 10 * step) for step in range(40)}
    np.testing.assert_allclose(samples[:, 1], 0.9, atol=1e-4)
    assert np.isnan(samples[:, 2]).all()


def test_big_endian_signed_and_what_does_not_fit(dbc: Path) -> None:
    """A signed big-endian signal below its offset; messages nobody asked for and ones cut short change nothing."""
    source = source_for(url(dbc, "odd", rate=50), parse_car(CAR, "x"))
    source.open()
    sender = Sender("odd")
    sender.coolant(-12.3)
    sender.send(777, b"12345678")
    sender.send(256, b"")
    sender.engine(2000, 1.0)
    threading.Event().wait(0.1)
    rows = np.concatenate([block.samples for _ in range(20) for block in source.read(0.01)])
    source.close()
    sender.bus.shutdown()

    np.testing.assert_allclose(rows[-1], [2000.0, 1.0, -12.3], atol=0.05)


def test_a_silent_bus_is_away_and_its_silence_is_lost_samples(dbc: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After AWAY_S without a message it is said; when it talks again the time between is counted as lost."""
    monkeypatch.setattr("stream.sources.can_bus.AWAY_S", 0.3)
    monkeypatch.setattr("stream.sources.can_bus.STALE_S", 0.1)
    source = source_for(url(dbc, "silent", rate=100), parse_car(CAR, "x"))
    source.open()
    sender = Sender("silent")
    blocks, kinds = [], []
    began = time.monotonic()
    for quiet in (False, True, False):
        until = time.monotonic() + (0.6 if quiet else 0.2)
        while time.monotonic() < until:
            if not quiet:
                sender.engine(2500, 0.9)
            blocks += source.read(0.02)
            kinds += [note.kind for note in source.take_notes()]
    took = time.monotonic() - began
    source.close()
    sender.bus.shutdown()

    assert kinds == ["device-away", "device-back"]
    lost = sum(block.lost for block in blocks)
    assert 30 <= lost <= 70
    assert blocks[-1].end == pytest.approx(100 * took, abs=15)
    ends = [block.end for block in blocks]
    assert all(block.first == end + block.lost for end, block in zip(ends, blocks[1:], strict=False))


def test_an_adapter_that_fails_is_opened_again(dbc: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pulled out and plugged in again: away, back, and the time between is lost samples; `read` never raises."""
    monkeypatch.setattr("stream.sources.can_bus.RETRY_S", 0.05)
    source = source_for(url(dbc, "pulled", rate=100), parse_car(CAR, "x"))
    source.open()
    sender = Sender("pulled")
    blocks, kinds = [], []
    for pulled in (False, True, False):
        if pulled:
            source._bus.shutdown()  # the driver's handle is dead from now on
        for step in range(20):
            if not pulled or step > 15:
                sender.engine(2500, 0.9)
            blocks += source.read(0.01)
            kinds += [note.kind for note in source.take_notes()]
            threading.Event().wait(0.01)
    source.close()
    sender.bus.shutdown()

    assert kinds == ["device-away", "device-back"]
    assert sum(block.lost for block in blocks) >= 10
    assert blocks[-1].samples[-1, 0] == 2500.0


def test_one_number_may_be_two_messages(dbc: Path) -> None:
    """A long identifier (29 bits) of the same number is another message, and changes nothing."""
    source = source_for(url(dbc, "long", rate=50), parse_car(CAR, "x"))
    source.open()
    sender = Sender("long")
    sender.engine(2000, 1.0)
    sender.bus.send(can.Message(arbitration_id=256, is_extended_id=True, data=b"\xff" * 8))
    threading.Event().wait(0.06)
    rows = np.concatenate([block.samples for _ in range(10) for block in source.read(0.01)])
    source.close()
    sender.bus.shutdown()

    assert rows[-1, 0] == 2000.0


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            ("Speed : 0", "Velocity : 0"),
            "signal 'Speed' of channel 'rpm' is not in it; it has Coolant, Mixture",
        ),
        (("BO_ 256", "BO_ nonsense"), "cannot be read as a DBC file"),
    ],
)
def test_a_description_that_does_not_fit_is_one_line(dbc: Path, change: tuple[str, str], said: str) -> None:
    """The file, the signal, and what there is instead."""
    dbc.write_text(DBC.replace(*change))
    with pytest.raises(InputError, match=r"x\.dbc") as raised:
        source_for(url(dbc, "bad"), parse_car(CAR, "x")).open()
    assert said in str(raised.value)


@pytest.mark.parametrize("query", ["", "?dbc=", "?dbc=x.dbc&speed=3", "?dbc=x.dbc&rate=-1", "?dbc=x.dbc&rate=1e6"])
def test_a_port_that_says_too_little_or_nonsense_is_refused(query: str) -> None:
    """Which key, and what is to be given."""
    with pytest.raises(InputError, match="port can://can0"):
        source_for(f"can://can0{query}", parse_car(CAR, "x"))


def test_recorded_beside_a_serial_device(dbc: Path, tmp_path: Path) -> None:
    """The bus as a further device of a drive: its samples stand in the session under the car file's name."""
    (tmp_path / "first.toml").write_text(FIRST)
    (tmp_path / "bus.toml").write_text(CAR)
    sender, stop = Sender("beside"), threading.Event()

    def talk() -> None:
        while not stop.wait(0.02):
            sender.engine(3000, 0.9)

    def work(line: Device) -> None:
        line.await_reader()
        line.send(description())
        for frame in frames(counted(500)):
            line.send_quietly(frame)
        line.await_leaving()

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        with device(tmp_path, work) as line:
            code = run(
                [
                    str(word)
                    for word in (
                        *("drive", "--port", line.port, "--car", tmp_path / "first.toml", "-o", tmp_path / "d"),
                        *(
                            "--also",
                            url(dbc, "beside"),
                            "--also-car",
                            tmp_path / "bus.toml",
                            "--seconds",
                            "1.5",
                            "--headless",
                        ),
                    )
                ]
            )
    finally:
        stop.set()
        thread.join()
        sender.bus.shutdown()

    assert code == 0
    (session,) = (tmp_path / "d").iterdir()
    with h5py.File(session) as file:
        (name,) = file["also"]
        samples = file[f"also/{name}/samples"][:]
        assert (name, list(file[f"also/{name}/samples"].attrs["names"])) == ("x", ["rpm", "lambda", "coolant"])
        assert len(samples) > 50
        np.testing.assert_allclose(samples[:, :2], [[3000.0, 0.9]] * len(samples), atol=1e-4)
