"""Frames made: what a device sends. For the rehearsal car and tests; a microcontroller uses stream/device."""

import struct
import zlib
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt
from cobs import cobs

from stream.wire.description import SampleFormat, WireChannel

VERSION = 1
DESCRIPTION, SAMPLES, NOTE = 1, 2, 3
HEAD = struct.Struct("<BBI")  # version, kind, sequence
SAMPLES_HEAD = struct.Struct("<BBIQQBH")  # … first index, device clock in µs, channels, rows
CRC = struct.Struct("<I")


def encode_frame(kind: int, sequence: int, body: bytes) -> bytes:
    """One frame as it goes over the wire, zero byte included. `sequence` counts frames, modulo 2**32."""
    raw = HEAD.pack(VERSION, kind, sequence & 0xFFFFFFFF) + body
    return bytes(cobs.encode(raw + CRC.pack(zlib.crc32(raw)))) + b"\0"


def encode_description(
    sequence: int,
    name: str,
    rate_hz: float,
    channels: Sequence[WireChannel],
    sample_format: SampleFormat = "i16",
) -> bytes:
    """A description frame: the device's name, samples per second, its channels, 'i16' or 'f32'."""
    content = {"name": name, "rate_hz": rate_hz, "channels": list(channels), "format": sample_format}
    return encode_frame(DESCRIPTION, sequence, msgspec.json.encode(content))


def encode_samples(
    sequence: int, index: int, device_us: int, counts: npt.NDArray[np.int16] | npt.NDArray[np.float32]
) -> bytes:
    """A samples frame from an int16 or float32 array, shape (rows, channels).

    Raises ValueError for another type, and for more than 255 channels or 65535 rows.
    """
    if counts.dtype not in (np.int16, np.float32):
        raise ValueError(f"samples are int16 or float32, not {counts.dtype}")
    rows, channels = counts.shape
    if rows > 0xFFFF or channels > 0xFF:
        raise ValueError(f"{rows} rows of {channels} channels do not fit one frame")
    head = struct.pack("<QQBH", index, device_us, channels, rows)
    return encode_frame(SAMPLES, sequence, head + counts.astype(counts.dtype.newbyteorder("<")).tobytes())


def encode_note(sequence: int, text: str) -> bytes:
    """A note frame: words from the device."""
    return encode_frame(NOTE, sequence, text.encode())
