"""Frames made: what a device sends. For the rehearsal car and tests; a microcontroller uses stream/device.

One encoded frame ends and the next begins at a zero byte, which occurs nowhere inside.
"""

import struct
import zlib
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt
from cobs import cobs

from stream.wire.items import MAX_HELD, SampleFormat, WireChannel

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


CRC_RESIDUE = 0x2144DF1C  # the CRC-32 of anything followed by its own CRC-32, least significant byte first
SHORTEST = HEAD.size + CRC.size  # bytes of a frame without a body
_ECHOES = 8  # bytes '?' of the host that a line may have echoed in front of a frame


class FrameCutter:
    """Cuts bytes at zero bytes; holds at most one unfinished frame (64 KiB encoded)."""

    def __init__(self) -> None:
        self._tail = bytearray()
        self._skipping = False  # inside something longer than a frame can be, until its zero byte
        self._overlong = 0

    def cut(self, data: bytes) -> list[bytes]:
        """The complete encoded frames in what was held and `data`, which is at most MAX_HELD long."""
        parts = data.split(b"\0")
        unfinished = parts.pop()
        if parts:
            if self._skipping:
                self._overlong += 1
                self._skipping = False
                del parts[0]
            elif self._tail:
                parts[0] = bytes(self._tail) + parts[0]
                if len(parts[0]) > MAX_HELD:
                    self._overlong += 1
                    del parts[0]
            self._tail.clear()
        if len(self._tail) + len(unfinished) > MAX_HELD:
            self._skipping = True
            self._tail.clear()
        elif not self._skipping:
            self._tail += unfinished
        return [part for part in parts if part]

    def take_overlong(self) -> int:
        """How many frames were dropped for their length since the last call."""
        overlong, self._overlong = self._overlong, 0
        return overlong

    def drop(self) -> int:
        """Forget the unfinished frame; 1 if there was one."""
        unfinished = bool(self._tail) or self._skipping
        self._tail.clear()
        self._skipping = False
        return int(unfinished)


def without_echo(part: bytes) -> bytes:
    """The decoded frame behind question marks that a line with echo sent back; empty where there is none."""
    for _ in range(_ECHOES):
        if not part.startswith(b"?"):
            break
        part = part[1:]
        try:
            raw = bytes(cobs.decode(part))
        except cobs.DecodeError:
            continue
        if zlib.crc32(raw) == CRC_RESIDUE and len(raw) >= SHORTEST:
            return raw
    return b""
