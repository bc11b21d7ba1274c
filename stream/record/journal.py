"""The raw journal: a session's second belt, kept beside it while it is recorded.

HDF5 keeps nothing that came after its last flush, and a power cut in the middle of one may spoil the file as
a whole. The journal holds every block of the session (not only those since the last flush: a bounded one
would be worth nothing on the day the HDF5 file itself is beyond opening), each by one unbuffered write, each
with its own CRC-32. It describes itself, so a session can be made again from the journal alone. It costs the
session's size once more while recording, and goes when the session is finished.

A record is: marker, kind u8, length of the body u32, body, CRC-32 u32 over all before it. Little-endian.
Kinds: 1 the session's description (JSON, always first); 2 a block; 3 an event (JSON); 4 a zero (JSON); 5 a command
"""

import os
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import msgspec
import numpy as np

from stream.block import Block, ChannelInfo, Samples, StreamInfo
from stream.errors import InputError
from stream.events import Event
from stream.record import disk
from stream.record.layout import FORMAT_VERSION, SAMPLE_DTYPE, Place
from stream.record.tables import Command, Weather, Zero

MARKER = b"SJ1\n"
_HEAD = struct.Struct("<4sBI")  # marker, kind, length
_CRC = struct.Struct("<I")
_BLOCK = struct.Struct("<QQQQqBI")  # row, first, lost, device_us, host_ns, restarted, rows
_BLOCK_START = struct.Struct(_HEAD.format + _BLOCK.format.lstrip("<"))
_KIND_HEADER, _KIND_BLOCK, _KIND_EVENT, _KIND_ZERO, _KIND_COMMAND = 1, 2, 3, 4, 5


class JournalHeader(msgspec.Struct, frozen=True, kw_only=True):
    """What a session is made from: the stream, the root and /live attributes, and the air of the day."""

    format_version: int
    name: str
    rate_hz: float
    channels: list[tuple[str, str]]
    root: dict[str, str | int | float]
    live: dict[str, str | float]
    live_rate_hz: float
    conditions: Weather | None = None

    @property
    def info(self) -> StreamInfo:
        """The stream's description."""
        return StreamInfo(self.rate_hz, tuple(ChannelInfo(*channel) for channel in self.channels), self.name)


@dataclass(frozen=True, slots=True)
class JournalBlock:
    """A recorded block, counted from the session's first sample, and its place there."""

    place: Place
    block: Block


class JournalWriter:
    """Makes `path`, which must be new, and appends to it. Raises OSError where the disk does."""

    def __init__(self, path: Path, header: JournalHeader) -> None:
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0)
        self._fd = os.open(path, flags, 0o644)
        self._record(_KIND_HEADER, msgspec.json.encode(header))

    def block(self, place: Place, block: Block, samples: Samples) -> None:
        """One block that is not empty; `samples` are its own as contiguous little-endian float32."""
        start = _BLOCK_START.pack(
            MARKER,
            _KIND_BLOCK,
            _BLOCK.size + samples.nbytes,
            place.row,
            place.first,
            place.lost,
            max(0, block.device_us),
            block.host_ns,
            place.restarted,
            len(samples),
        )
        self._write(start, samples.data)

    def event(self, event: Event) -> None:
        """One event."""
        self._record(_KIND_EVENT, msgspec.json.encode(event))

    def zero(self, zero: Zero) -> None:
        """One zero."""
        self._record(_KIND_ZERO, msgspec.json.encode(zero))

    def command(self, command: Command) -> None:
        """Something that a person did."""
        self._record(_KIND_COMMAND, msgspec.json.encode(command))

    def sync(self) -> None:
        """Wait until all of it is on the disk."""
        os.fsync(self._fd)

    def whereabouts(self, path: Path) -> Path | None:
        """Where the file stands now that was made as `path`; None where somebody removed it."""
        return disk.whereabouts(self._fd, path)

    def begin_again_at(self, new: Path) -> None:
        """Go on in a new file that holds all that this one does. Raises OSError."""
        disk.copy_open(self._fd, new, os.fstat(self._fd).st_size)
        old, self._fd = self._fd, os.open(new, os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0))
        os.close(old)

    def close(self) -> None:
        """Give the file back. Safe to call twice."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def _record(self, kind: int, body: bytes) -> None:
        self._write(_HEAD.pack(MARKER, kind, len(body)) + body, b"")

    def _write(self, start: bytes, rest: bytes | memoryview) -> None:
        data = b"".join((start, rest, _CRC.pack(zlib.crc32(rest, zlib.crc32(start)))))
        written = os.write(self._fd, data)
        while written < len(data):  # a nearly full disk takes a part; the next try says why
            written += os.write(self._fd, data[written:])


class JournalReader:
    """Reads a journal up to its first bad record, a record at a time. Use it as a context manager.

    Raises InputError where the file cannot be read or does not begin with a session's description.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.torn = False  # whether reading stopped before the end of the file
        try:
            self._file: BinaryIO = path.open("rb")
        except OSError as error:
            raise InputError(f"{path}: the journal cannot be read ({error.strerror}); check its permissions") from None
        try:
            self.header = self._read_header()
        except InputError:
            self._file.close()
            raise

    def __enter__(self) -> "JournalReader":
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def items(self) -> Iterator[JournalBlock | Event | Zero | Command]:
        """What follows the description, in the order it was written."""
        while (record := self._next()) is not None:
            kind, body = record
            try:
                item = self._decode(kind, body)
            except (struct.error, msgspec.DecodeError, ValueError):
                self.torn = True
                return
            if item is not None:
                yield item

    def _read_header(self) -> JournalHeader:
        record = self._next()
        if record is None or record[0] != _KIND_HEADER:
            raise InputError(f"{self.path}: is not a session's journal, or its beginning is damaged; nothing to join")
        try:
            version = msgspec.json.decode(record[1], type=_Version).format_version
            if version > FORMAT_VERSION:
                raise InputError(
                    f"{self.path}: was written by a newer Steadypull (format version {version}; this one "
                    f"reads up to {FORMAT_VERSION}); update Steadypull"
                )
            return msgspec.json.decode(record[1], type=JournalHeader)
        except msgspec.DecodeError as error:
            raise InputError(f"{self.path}: the journal's beginning is damaged ({error}); nothing to join") from None

    def _next(self) -> tuple[int, bytes] | None:
        head = self._file.read(_HEAD.size)
        if not head:
            return None
        if len(head) == _HEAD.size and head.startswith(MARKER):
            _, kind, length = _HEAD.unpack(head)
            left = os.fstat(self._file.fileno()).st_size - self._file.tell()
            if length + _CRC.size <= left:  # never believe a damaged length
                body = self._file.read(length)
                if self._file.read(_CRC.size) == _CRC.pack(zlib.crc32(body, zlib.crc32(head))):
                    return kind, body
        self.torn = True
        return None

    def _decode(self, kind: int, body: bytes) -> JournalBlock | Event | Zero | Command | None:
        if kind == _KIND_EVENT:
            return msgspec.json.decode(body, type=Event)
        if kind == _KIND_ZERO:
            return msgspec.json.decode(body, type=Zero)
        if kind == _KIND_COMMAND:
            return msgspec.json.decode(body, type=Command)
        if kind != _KIND_BLOCK:
            return None  # of a later Steadypull: not needed to know the samples
        row, first, lost, device_us, host_ns, restarted, rows = _BLOCK.unpack_from(body)
        samples: Any = np.frombuffer(body, SAMPLE_DTYPE, offset=_BLOCK.size)
        samples = samples.reshape(rows, len(self.header.channels))
        place = Place(row, first, lost, bool(restarted))
        return JournalBlock(
            place, Block(samples, first, self.header.rate_hz, device_us, host_ns, lost, place.restarted)
        )


class _Version(msgspec.Struct):
    format_version: int
