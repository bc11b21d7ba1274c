"""Where one encoded frame ends and the next begins: at a zero byte, which occurs nowhere inside."""

import zlib

from cobs import cobs

from stream.wire.encode import CRC, HEAD
from stream.wire.items import MAX_HELD

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
