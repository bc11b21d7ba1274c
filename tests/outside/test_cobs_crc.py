"""COBS and CRC-32 against published examples: the library, our decoder, and the C header.

S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Trans. on Networking 7(2), 1999. The
encoding rules and the example of a packet's beginning (the IPv4 header 45 00 00 2C 4C 79 00 00 40 06 4F 37)
are given from memory; each row below follows from the rules by hand. CRC-32 check value 0xCBF43926 for
"123456789": as printed in catalogues of CRC parameters for the CRC of ISO 3309, ITU-T V.42, zlib and PNG,
from memory.
"""

import shutil
import struct
import subprocess
import zlib
from pathlib import Path

import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

import stream.device
from stream.block import StreamInfo
from stream.wire.frames import FrameDecoder

LONG = bytes(range(1, 255))  # 254 bytes without a zero: the longest run one code byte stands for
EXAMPLES = [
    (b"", b"\x01"),
    (b"\x00", b"\x01\x01"),
    (b"\x00\x00", b"\x01\x01\x01"),
    (b"\x11\x22\x00\x33", b"\x03\x11\x22\x02\x33"),
    (b"\x11\x22\x33\x44", b"\x05\x11\x22\x33\x44"),
    (b"\x11\x00\x00\x00", b"\x02\x11\x01\x01\x01"),
    (bytes.fromhex("4500002C4C79000040064F37"), bytes.fromhex("024501042C4C79010540064F37")),
    (LONG[:-1], b"\xfe" + LONG[:-1]),
    (b"\x00" + LONG, b"\x01\xff" + LONG),
    (LONG + b"\xff", b"\xff" + LONG + b"\x02\xff"),
    (LONG[1:] + b"\xff\x00", b"\xff" + LONG[1:] + b"\xff\x01\x01"),
]


@pytest.fixture(scope="module")
def pack(tmp_path_factory):
    if shutil.which("gcc") is None:
        pytest.skip("needs gcc")
    header = Path(stream.device.__path__[0])
    source = Path(__file__).parents[1] / "stream" / "device" / "stub" / "pack.c"
    program = tmp_path_factory.mktemp("pack") / "pack"
    subprocess.run(["gcc", "-std=c99", f"-I{header}", source, "-o", program], check=True)
    return lambda mode, data: subprocess.run([program, mode], input=data, capture_output=True, check=True).stdout


@pytest.mark.parametrize(("plain", "encoded"), EXAMPLES)
def test_cobs_examples(pack, plain, encoded):
    """The examples of the COBS paper (Cheshire and Baker, 1999)."""
    assert cobs.encode(plain) == encoded
    assert cobs.decode(encoded) == plain
    assert pack("cobs", plain) == encoded + b"\0"


def test_a_full_last_run_needs_no_code_byte_behind_it(pack):
    """The rules allow FF + 254 bytes with or without a last 01; both decode, and ours leave it out."""
    assert cobs.decode(b"\xff" + LONG + b"\x01") == cobs.decode(b"\xff" + LONG) == LONG
    assert pack("cobs", LONG) == cobs.encode(LONG) + b"\0"


def test_crc_check_value(pack):
    """The published check value of CRC-32 over '123456789'."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert pack("crc", b"123456789") == b"cbf43926"


def test_a_frame_written_out_by_hand_is_accepted_and_its_crc_is_the_published_one():
    """'123456789' cannot be a frame, so: a frame whose CRC comes from the bitwise definition."""

    def crc32_by_definition(data):
        register = 0xFFFFFFFF
        for byte in data:
            register ^= byte
            for _ in range(8):
                register = (register >> 1) ^ (0xEDB88320 if register & 1 else 0)
        return register ^ 0xFFFFFFFF

    assert crc32_by_definition(b"123456789") == 0xCBF43926
    body = b'{"name":"d","rate_hz":5,"channels":[{"name":"a","unit":"V"}],"format":"i16"}'
    raw = b"\x01\x01\x00\x00\x00\x00" + body
    raw += struct.pack("<I", crc32_by_definition(raw))
    runs = raw.split(b"\0")  # all shorter than 254, so each is its length plus one and itself
    encoded = b"".join(bytes([len(run) + 1]) + run for run in runs)
    (info,) = FrameDecoder().feed(encoded + b"\0", 0)

    assert isinstance(info, StreamInfo)
    assert info.rate_hz == 5.0


@settings(max_examples=40, deadline=None)
@given(data=st.lists(st.sampled_from([b"\0", b"\x01", b"\xff", LONG, LONG[:100]]), max_size=12).map(b"".join))
def test_the_header_encodes_as_the_library_does(pack, data):
    """The C header's COBS equals the kept library's, byte for byte."""
    assert pack("cobs", data) == cobs.encode(data) + b"\0"
    assert int(pack("crc", data), 16) == zlib.crc32(data)
