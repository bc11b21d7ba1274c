"""The C header and the example sketch, compiled by gcc: real device code, real driver, real decoder."""

import os
import re
import shutil
import subprocess
import time
import tty
from pathlib import Path

import numpy as np
import pytest

import stream.device
from stream.block import Block, StreamInfo
from stream.car import parse_car
from stream.sources.serialport import SerialSource
from stream.wire.frames import FrameDecoder
from stream.wire.items import WireNote

HEADER = Path(stream.device.__path__[0])
STUB = Path(__file__).parent / "stub"
STRICT = ["-Wall", "-Wextra", "-Wpedantic", "-Werror"]
PATIENCE_S = 20.0

pytestmark = [
    pytest.mark.skipif(shutil.which("gcc") is None or shutil.which("g++") is None, reason="needs gcc and g++"),
]


def compiled(tool, *arguments):
    done = subprocess.run([tool, *arguments], capture_output=True, text=True, check=False, timeout=PATIENCE_S * 3)
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="module")
def pack(tmp_path_factory):
    program = tmp_path_factory.mktemp("pack") / "pack"
    options = ["-std=c99", *STRICT, "-Wconversion", f"-I{HEADER}"]
    compiled("gcc", *options, str(STUB / "pack.c"), "-o", str(program))
    return program


@pytest.fixture(scope="module", params=[0, 1], ids=["converter", "pulses"])
def board(request, tmp_path_factory):
    """(whether pulses are timed, the program)."""
    program = tmp_path_factory.mktemp("board") / "board"
    options = ["-std=c++11", *STRICT, f"-DSPEED_FROM_PULSES={request.param}", f"-I{HEADER}", f"-I{STUB}"]
    sketch = str(HEADER / "example" / "example.ino")
    compiled("g++", *options, str(STUB / "board.cpp"), "-x", "c++", sketch, "-o", str(program))
    return bool(request.param), program


def test_frames_from_the_header_are_what_they_were_made_of(pack):
    """What the C header packs, the decoder gives back."""
    data = subprocess.run([pack, "frames"], capture_output=True, check=True)
    decoder = FrameDecoder()
    items = decoder.feed(data.stdout, 0)
    info = items[0]
    blocks = [item for item in items if isinstance(item, Block)]

    assert data.stderr == b""
    assert isinstance(info, StreamInfo)
    assert (info.name, info.rate_hz) == ("test \\ bench", 1000.0)
    assert [(c.name, c.unit) for c in info.channels] == [('speed "v"', "V"), ("link", "mV/V"), ("µ", "")]
    assert [(b.first, len(b), b.lost, b.device_us) for b in blocks] == [(0, 300, 0, 17), (305, 2, 5, 305017)]
    counts = (np.arange(900) * 71 - 32000).astype(np.int16).reshape(300, 3)
    scale, offset = np.array([5 / 1024, -1 / 3, 123456789.0]), np.array([0, 1e-7, -2.5e12])
    np.testing.assert_allclose(blocks[0].samples, counts * scale + offset, rtol=1e-6)
    assert [item.what for item in items if isinstance(item, WireNote) and item.kind == "note"] == ["device: supply low"]
    assert (decoder.counts.frames, decoder.counts.bad_frames) == (4, 0)


def test_floats_from_the_header_come_to_the_bit(pack):
    """Float samples pass through the C header unchanged."""
    data = subprocess.run([pack, "floats"], capture_output=True, check=True).stdout
    info, block = FrameDecoder().feed(data, 0)

    assert info.rate_hz == 0.1
    assert block.device_us == 0xFFFFFFFFFFF
    np.testing.assert_array_equal(block.samples, np.float32([[1.5, -3.25e-20], [0.0, 3.0e38]]))


def record(program, car, ticks, rows, *skip):
    """Run the board on a pseudo-terminal and read it through pyserial: (info, blocks, counters)."""
    master, slave = os.openpty()
    tty.setraw(slave)
    words = [str(program), str(master), str(ticks), *map(str, skip)]
    with subprocess.Popen(words, pass_fds=[master]) as process:
        source = SerialSource(os.ttyname(slave), car)
        try:
            info, blocks, deadline = source.open(), [], time.monotonic() + PATIENCE_S
            while sum(map(len, blocks)) < rows and time.monotonic() < deadline:
                blocks += source.read(0.2)
        finally:
            source.close()
            process.kill()
            os.close(slave)
            os.close(master)
    return info, blocks, source.counters()


def car_of(channel):
    return parse_car(
        f'[car]\nname = "c"\n[[channel]]\nname = "{channel}"\nrole = "engine_speed"\nrpm_per_unit = 15.0\n'
        '[[channel]]\nname = "link"\nrole = "load"\n'
    )


def link_at(tick):
    return (tick % 100) * 5.0 / 1024 * 1000 / 2500


def test_the_sketch_through_a_terminal(board):
    """The example sketch, compiled, speaks through a pseudo-terminal and is read whole."""
    pulses, program = board
    info, blocks, counters = record(program, car_of("pulse_hz" if pulses else "speed_v"), 6016, 6016)
    values = np.concatenate([b.samples for b in blocks])
    tick = np.arange(6016)

    assert (info.rate_hz, info.name) == (1000.0, "hill-climb special")
    assert [c.unit for c in info.channels] == ["Hz" if pulses else "V", "mV/V"]
    assert len(values) == 6016
    np.testing.assert_allclose(values[:, 1], link_at(tick), atol=1e-6)
    if pulses:  # 250 pulses a second, known from the second edge on
        assert values[0, 0] == 0
        np.testing.assert_allclose(values[10:, 0], 250.0, atol=0.05)
    else:
        np.testing.assert_allclose(values[:, 0], tick * 7 % 1024 * 5.0 / 1024, atol=1e-6)
    assert [b.device_us for b in blocks] == [1000 * b.first for b in blocks]
    assert (counters["lost_samples"], counters["bad_frames"], counters["repeated"]) == (0, 0, 0)


def test_samples_the_sketch_could_not_take_are_a_gap_not_a_shift_in_time(board):
    """A late device counts on: what it missed is a gap."""
    pulses, program = board
    car = car_of("pulse_hz" if pulses else "speed_v")
    _, blocks, counters = record(program, car, 3000, 2800, 1000, 1200)

    assert counters["lost_samples"] > 100
    for block in blocks:
        np.testing.assert_allclose(block.samples[:, 1], link_at(block.first + np.arange(len(block))), atol=1e-6)


@pytest.fixture(scope="module")
def two_wire(tmp_path_factory):
    """The bridge amplifier's sketch with a converter at its two wires."""
    program = tmp_path_factory.mktemp("two_wire") / "two_wire"
    options = ["-std=c++11", *STRICT, f"-I{HEADER}", f"-I{STUB}"]
    sketch = str(HEADER / "bridge_amplifier" / "bridge_amplifier.ino")
    compiled("g++", *options, str(STUB / "two_wire.cpp"), "-x", "c++", sketch, "-o", str(program))
    return program


def bridge_mv_per_v(sample):
    """Full scale of 23 bits is half the excitation over a gain of 128, so 3.90625 mV/V."""
    return (1000.0 * sample - 400000.0) * 3.90625 / 2**23


def test_a_bridge_amplifier_over_two_wires(two_wire):
    """Bits out of the wires, sign and all, come as mV/V; the second channel beside them; nothing is lost."""
    info, blocks, counters = record(two_wire, car_of("speed_v"), 800, 800)
    values = np.concatenate([block.samples for block in blocks])

    assert (info.rate_hz, info.names) == (80.0, ("link", "speed_v"))
    assert len(values) == 800
    np.testing.assert_allclose(values[:, 0], bridge_mv_per_v(np.arange(800)), atol=1e-7)
    np.testing.assert_allclose(values[:, 1], (np.arange(800) + 1) % 1024 * 5 / 1024, atol=1e-6)
    assert counters["lost_samples"] == 0


def test_samples_of_the_amplifier_that_nobody_read_are_a_gap(two_wire):
    """A board that was busy for a second tells how many samples it missed."""
    _, blocks, counters = record(two_wire, car_of("speed_v"), 500, 420, 200, 280)

    assert counters["lost_samples"] == 80
    for block in blocks:
        first = block.first
        np.testing.assert_allclose(block.samples[:, 0], bridge_mv_per_v(first + np.arange(len(block))), atol=1e-7)


def needs(*tools):
    """Skip without them, and say which."""
    missing = [tool for tool in tools if shutil.which(tool) is None]
    if missing:
        pytest.skip(f"needs {', '.join(missing)}")


@pytest.fixture(scope="module")
def small_here(tmp_path_factory):
    """What the small program prints on this computer: the description and the frame, as hexadecimal digits."""
    program = tmp_path_factory.mktemp("small") / "small"
    compiled("gcc", "-std=c99", *STRICT, "-Wconversion", f"-I{HEADER}", str(STUB / "small.c"), "-o", str(program))
    return subprocess.run([program], capture_output=True, text=True, check=True).stdout.split()


@pytest.mark.parametrize("words", [("small.c",), ("pack.c", "frames"), ("pack.c", "floats")])
def test_the_same_bytes_from_a_big_endian_machine(tmp_path, words):
    """Compiled for a 32-bit machine whose highest byte comes first, and run by an emulator: not a byte differs."""
    needs("powerpc-linux-gnu-gcc", "qemu-ppc")
    source, *arguments = words
    here, there = tmp_path / "here", tmp_path / "there"
    compiled("gcc", "-std=c99", f"-I{HEADER}", str(STUB / source), "-o", str(here))
    compiled(
        "powerpc-linux-gnu-gcc", "-static", "-std=c99", *STRICT, f"-I{HEADER}", str(STUB / source), "-o", str(there)
    )
    ours = subprocess.run([here, *arguments], capture_output=True, check=True).stdout
    theirs = subprocess.run(["qemu-ppc", str(there), *arguments], capture_output=True, check=True).stdout

    assert len(ours) > 100
    assert theirs == ours


def test_the_same_bytes_where_int_has_sixteen_bits(tmp_path, small_here):
    """Compiled for an ATmega328P (int of 16 bits, double of 32) without a warning and run by an emulator: the same
    bytes; code and memory fit such a board, and packing takes under a tenth of its time at a thousand samples a second.
    """
    needs("avr-gcc", "avr-size", "simavr")
    program = tmp_path / "small.elf"
    options = ["-mmcu=atmega328p", "-DF_CPU=16000000UL", "-Os", "-std=c99", *STRICT, "-Wconversion", f"-I{HEADER}"]
    compiled("avr-gcc", *options, str(STUB / "small.c"), "-o", str(program))
    words = ["simavr", "-m", "atmega328p", "-f", "16000000", str(program)]
    done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=PATIENCE_S)
    printed = re.sub(r"\x1b\[\d*m|Loaded .*", "", done.stdout + done.stderr)
    description, frame, cycles = re.sub(r"\.\n", " ", printed.replace("..", ".\n")).replace("\n", "").split()[:3]
    sizes = subprocess.run(["avr-size", program], capture_output=True, text=True, check=True).stdout.split()[6:9]

    assert [description, frame] == small_here
    assert int(cycles, 16) / 32 < 0.1 * 16_000_000 / 1000
    code, data, zeroed = map(int, sizes)
    assert code + data < 6000
    assert data + zeroed < 1024
