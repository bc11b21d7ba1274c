"""Framed blocks: bytes in, at any split, descriptions, Blocks and notes out. No port, no clock of its own.

Samples that follow each other without a gap inside one call become one Block, so that a call with many frames
costs little more than decoding and checking each of them.
"""

import zlib
from collections import deque

import numpy as np
from cobs import cobs

from stream.block import Block, StreamInfo
from stream.findings import Finding, note, warning
from stream.wire.encode import (
    CRC,
    CRC_RESIDUE,
    DESCRIPTION,
    HEAD,
    NOTE,
    SAMPLES,
    SAMPLES_HEAD,
    SHORTEST,
    VERSION,
    FrameCutter,
    encode_description,
    encode_frame,
    encode_note,
    encode_samples,
    without_echo,
)
from stream.wire.items import (
    MAX_HELD,
    MAX_LOST,
    SET_ANEW_S,
    Counts,
    Description,
    Item,
    WireNote,
    clean_text,
    parse_description,
)

__all__ = ["FrameDecoder", "encode_description", "encode_frame", "encode_note", "encode_samples"]

_SAMPLES_START = bytes((VERSION, SAMPLES))
_AROUND = SAMPLES_HEAD.size + CRC.size  # bytes of a samples frame that are not samples
_REMEMBERED = 64  # frames back in which a repeated one is recognised
_LARGEST_DOUBT = 4096  # bytes of a frame that is kept until the next one tells a restart from a repeat
_LAST_INDEX = (1 << 64) - 1
_FEW = 4  # frames below which looking at them together does not pay
_HEADS = np.dtype(
    {
        "names": ["version", "kind", "sequence", "index", "device_us", "channels", "rows"],
        "formats": ["u1", "u1", "<u4", "<u8", "<u8", "u1", "<u2"],
    }
)  # SAMPLES_HEAD once more, for many frames at a time


class FrameDecoder:
    """Decodes the framed stream of one recording.

    Block.first counts from 0 at the first sample and runs on, without turning back, over gaps and restarts.
    Between calls it holds at most one unfinished frame (64 KiB), whatever arrives.
    """

    def __init__(self) -> None:
        self.counts = Counts()
        self.refused = ""  # why the last description could not be used
        self.passed = False  # whether any frame has passed its CRC
        self._cutter = FrameCutter()
        self._items: list[Item] = []
        self._reported: list[Finding] = []
        self._stream: Description | None = None  # the one the recording began with
        self._layout: Description | None = None  # what samples are now; None where they do not fit the recording
        self._channels = self._row_bytes = 0  # of the layout
        self._expected: int | None = None  # the device's index of the next sample; None before the first
        self._shift = 0  # our count less the device's index
        self._last = (0, 0, 0)  # device clock µs, rows, host ns of the last frame used
        self._recent: deque[bytes] = deque(maxlen=_REMEMBERED)  # CRCs of the last frames used: their fingerprints
        self._samples_mark = self._description_mark = b""  # fingerprints of the last ones used
        self._unconfirmed: tuple[bytes, int] | None = None  # and what was expected when it came
        self._host_ns = 0
        self._reopened = False
        self._bodies: list[bytes] = []  # samples of the Block in the making
        self._start = (0, 0, 0, False)  # of it: first, device_us, lost, restarted

    @property
    def described(self) -> bool:
        """Whether a usable description has come."""
        return self._stream is not None

    @property
    def count(self) -> int:
        """Samples so far on our own count, lost ones included."""
        return 0 if self._expected is None else self._expected + self._shift

    def interrupted(self) -> None:
        """The port went away: an unfinished frame is lost, and the device may have restarted meanwhile."""
        self.counts.bad_frames += self._cutter.drop()
        self._recent.clear()
        self._unconfirmed = None
        self._reopened = True

    def feed(self, data: bytes, host_ns: int = 0) -> list[Item]:
        """Decode `data`, which came at `host_ns`. Never raises, whatever the bytes are.

        It is looked at in pieces that stay in the processor's cache; each gives one Block where all is well.
        """
        self.counts.bytes += len(data)
        self._host_ns = host_ns
        for start in range(0, len(data), MAX_HELD):
            parts = self._cutter.cut(data[start : start + MAX_HELD])
            if len(parts) < _FEW or not self._all_in_line(parts):
                for part in parts:
                    self._part(part)
            self.counts.bad_frames += self._cutter.take_overlong()
            self._finish_block()
        items, self._items = self._items, []
        return items

    def _all_in_line(self, parts: list[bytes]) -> bool:
        """Take all of `parts` at once if each is a frame of the next samples in line; else touch nothing.

        This is what a healthy stream consists of; nothing here is done frame by frame in Python.
        """
        if (
            self._layout is None
            or self._expected is None
            or self._bodies
            or self._unconfirmed is not None
            or self._reopened
        ):
            return False
        try:
            frames = list(map(cobs.decode, parts))
        except cobs.DecodeError:
            return False
        size = len(frames[0])
        if size <= _AROUND or list(map(len, frames)).count(size) != len(frames):
            return False
        if list(map(zlib.crc32, frames)).count(CRC_RESIDUE) != len(frames):
            return False
        table = np.frombuffer(b"".join(frames), np.uint8).reshape(len(frames), size)
        heads = table[:, : SAMPLES_HEAD.size].copy().view(_HEADS)[:, 0]
        rows = int(heads["rows"][0])
        if self._expected + rows * len(frames) > _LAST_INDEX:
            return False
        expected = np.uint64(self._expected) + np.arange(len(frames), dtype=np.uint64) * np.uint64(rows)
        if size != _AROUND + rows * self._row_bytes or not (
            (heads["version"] == VERSION).all()
            and (heads["kind"] == SAMPLES).all()
            and (heads["channels"] == self._channels).all()
            and (heads["rows"] == rows).all()
            and (heads["index"] == expected).all()
        ):
            return False
        self._start = (self._expected + self._shift, int(heads["device_us"][0]), 0, False)
        self._expected += rows * len(frames)
        self._last = (int(heads["device_us"][-1]), rows, self._host_ns)
        self._recent.extend(frame[-CRC.size :] for frame in frames[-_REMEMBERED:])
        self._samples_mark = self._recent[-1]
        self._emit(np.ascontiguousarray(table[:, SAMPLES_HEAD.size : -CRC.size]).ravel().data, len(frames))
        return True

    def _part(self, part: bytes) -> None:
        """Decode and take one encoded frame."""
        try:
            raw = cobs.decode(part)
        except cobs.DecodeError:
            raw = b""
        if zlib.crc32(raw) != CRC_RESIDUE or len(raw) < SHORTEST:
            raw = without_echo(part)
        if not raw:
            self.counts.bad_frames += 1
        elif self._bodies and self._unconfirmed is None and raw[:2] == _SAMPLES_START and len(raw) > _AROUND:
            _, _, _, index, device_us, channels, rows = SAMPLES_HEAD.unpack_from(raw)
            fits = channels == self._channels and len(raw) == _AROUND + rows * self._row_bytes
            if index == self._expected and fits:
                self._append(raw, index + rows, device_us, rows)
            else:
                self._frame(raw)
        else:
            self._frame(raw)

    def _frame(self, raw: bytes) -> None:
        """Take a frame whose CRC is right and that is not simply the next samples in line."""
        self.passed = True
        version, kind, _ = HEAD.unpack_from(raw)
        body = raw[HEAD.size : -CRC.size]
        if version != VERSION or kind not in (DESCRIPTION, SAMPLES, NOTE):
            self.counts.bad_frames += 1
            self._tell_once(warning("frames-unknown", version=version, kind=kind))
        elif kind == SAMPLES:
            self._samples(raw)
        elif kind == NOTE:
            if raw[-CRC.size :] in self._recent:
                self.counts.repeated += 1
                return
            self._recent.append(raw[-CRC.size :])
            self._finish_block()
            self.counts.frames += 1
            self.counts.notes += 1
            words = clean_text(body.decode("utf-8", "replace"), 500)
            self._items.append(WireNote("note", self.count, f"device: {words}"))
        elif raw[-CRC.size :] == self._description_mark:
            self.counts.repeated += 1
        else:
            self._description_mark = raw[-CRC.size :]
            self._finish_block()
            self._description(body)

    def _description(self, body: bytes) -> None:
        try:
            new = parse_description(body)
        except ValueError as error:
            self.counts.bad_frames += 1
            self.refused = str(error)
            self._tell_once(warning("description-refused", reason=self.refused))
            return
        self.counts.frames += 1
        if self._stream is None:
            self._stream = new
            self._items.append(new.info)
        if new.cleaned:
            self._tell_once(warning("description-cleaned", now=new.cleaned))
        if not self._stream.same_stream(new):
            self._layout = None
            self._tell_once(warning("description-changed", now=_list(new.info), before=_list(self._stream.info)))
            return
        if self._layout is not None and not self._layout.same_scaling(new):
            self._items.append(WireNote("note", self.count, note("scale-changed")))
        self._layout = new
        self._channels, self._row_bytes = len(new.info.channels), new.row_bytes

    def _samples(self, raw: bytes) -> None:
        """Samples that are the first of a Block, or out of line, or cannot be used."""
        if self._stream is None:
            self.counts.early_frames += 1
            return
        if self._layout is None:
            self.counts.misfit_frames += 1
            return
        if len(raw) < _AROUND:
            self.counts.bad_frames += 1
            return
        _, _, _, index, device_us, channels, rows = SAMPLES_HEAD.unpack_from(raw)
        if channels != self._channels or len(raw) != _AROUND + rows * self._row_bytes:
            self.counts.bad_frames += 1
            self._tell_once(warning("samples-misfit", channels=channels, rows=rows, bytes=len(raw)))
            return
        if rows == 0:
            self.counts.frames += 1
            return
        if self._expected is None:
            self._shift = -index
            self._take(raw, 0, False)
            return
        self._settle_unconfirmed(index)
        ahead = index - self._expected
        restarted = ahead < 0 or self._set_anew(ahead) or (self._reopened and device_us < self._last[0])
        if ahead < 0 and raw[-CRC.size :] in self._recent:
            if index == 0 and raw[-CRC.size :] != self._samples_mark and len(raw) <= _LARGEST_DOUBT:
                self._unconfirmed = (
                    raw,
                    self._expected,
                )  # word for word the first frame again: repeated late, or a device that starts anew
            else:
                self.counts.repeated += 1
        elif restarted:
            self._restart(raw)
        else:
            self._take(raw, ahead, False)

    def _set_anew(self, ahead: int) -> bool:
        """Whether an index is further ahead than time went by on our side: no gap, but another count."""
        if self._stream is None or ahead < SET_ANEW_S * self._stream.info.rate_hz:
            return False
        host_s = max(0, self._host_ns - self._last[2]) * 1e-9 if self._last[2] else 0.0
        return ahead > MAX_LOST or ahead > (host_s + SET_ANEW_S) * self._stream.info.rate_hz

    def _settle_unconfirmed(self, index: int) -> None:
        """The frame after a doubtful one tells what it was: its successor means a restart."""
        if self._unconfirmed is None:
            return
        (raw, expected), self._unconfirmed = self._unconfirmed, None
        rows = SAMPLES_HEAD.unpack_from(raw)[-1]
        if self._expected == expected and index == rows != expected:
            self._restart(raw)
        else:
            self.counts.repeated += 1

    def _restart(self, raw: bytes) -> None:
        """Carry on with our own count. What was lost: by the device's clock if it ran on, else the host's."""
        if self._stream is None or self._expected is None:
            return
        _, _, _, index, device_us, _, rows = SAMPLES_HEAD.unpack_from(raw)
        rate_hz = self._stream.info.rate_hz
        last_us, last_rows, last_ns = self._last
        next_us = last_us + last_rows * 1e6 / rate_hz
        by_device = (device_us - next_us) * 1e-6 * rate_hz
        by_host = (self._host_ns - last_ns) * 1e-9 * rate_hz - rows  # these rows are part of the time that went by
        lost = min(MAX_LOST, max(1, round(by_device if device_us > next_us else by_host)))
        self._shift = self._expected + self._shift - index + lost
        self._recent.clear()
        self.counts.restarts += 1
        self._take(raw, lost, True)
        self._items.append(WireNote("fault", self._start[0], warning("device-restarted", lost=lost)))

    def _take(self, raw: bytes, lost: int, restarted: bool) -> None:
        """Use a frame of samples as the first of a Block, or append it to the one in the making."""
        _, _, _, index, device_us, _, rows = SAMPLES_HEAD.unpack_from(raw)
        if lost or restarted or not self._bodies:
            self._finish_block()
            self._start = (index + self._shift, device_us, lost, restarted)
            self.counts.lost_samples += lost
        if lost and not restarted:
            self._items.append(WireNote("gap", index + self._shift, note("samples-missing-here", lost=lost)))
        self._append(raw, index + rows, device_us, rows)
        self._reopened = False

    def _append(self, raw: bytes, expected: int, device_us: int, rows: int) -> None:
        self._bodies.append(raw[SAMPLES_HEAD.size : -CRC.size])
        self._samples_mark = raw[-CRC.size :]
        self._recent.append(self._samples_mark)
        self._expected = expected
        self._last = (device_us, rows, self._host_ns)

    def _finish_block(self) -> None:
        if self._bodies:
            self._emit(b"".join(self._bodies), len(self._bodies))
            self._bodies.clear()

    def _emit(self, body: bytes | memoryview, frames: int) -> None:
        """Hand out a Block of the samples in `body`, which came in so many frames."""
        if self._layout is None:
            return
        samples, not_finite = self._layout.to_units(body)
        first, device_us, lost, restarted = self._start
        self.counts.frames += frames
        self.counts.cells_not_finite += not_finite
        rate_hz = self._layout.info.rate_hz
        self._items.append(Block(samples, first, rate_hz, device_us, self._host_ns, lost, restarted))

    def _tell_once(self, fault: Finding) -> None:
        """A device repeats its description every 2 s: the same fault is told once."""
        if fault not in self._reported and len(self._reported) < 64:
            self._reported.append(fault)
            self._finish_block()
            self._items.append(WireNote("fault", self.count, fault))


def _list(info: StreamInfo) -> str:
    names = ", ".join(f"{channel.name} [{channel.unit}]" for channel in info.channels[:8])
    return f"{info.rate_hz:g} Hz, {names}" + (", …" if len(info.channels) > 8 else "")
