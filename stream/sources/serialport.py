"""The wire as a source: any serial port, and a device that may go away and come back."""

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import Car
from stream.errors import InputError, PortError
from stream.findings import Finding, note, warning
from stream.sources.port import LONG_WAIT_S, Port
from stream.sources.source import SourceNote
from stream.wire.items import Item
from stream.wire.sniff import WireDecoder

_ASK = b"?"
_ASK_EVERY_NS = 1_000_000_000
_FIRST_RETRY_NS, _LONGEST_RETRY_NS = 100_000_000, 1_000_000_000
_FAULT_EVERY_NS = 5_000_000_000  # dropped frames and lines are told no more often
_SILENT_NS = 3_000_000_000
_MOST_NOTES = 1000
_GATHER_S = 0.015  # a stream comes in as many pieces as it is asked for: half of what they cost is asking
_FULL_READ = 3072  # bytes; of the 4095 that the system's terminal layer keeps: behind so many nothing is waited for
_PACE_NS = 5_000_000_000  # over which the rate that comes is measured
_TIMES_OFF = 3.0  # a rate that is declared wrong is wrong by such a factor; a host that was busy evens out within it


class SerialSource:
    """Blocks from a serial port. Implements stream.sources.source.Source; see there for who may call what.

    url          device path, or any pyserial URL: socket://host:port, rfc2217://host:port, loop://
    car          its channels must all be sent by the device; what else the device sends is kept
    rate_hz      samples per second of text lines that carry no clock
    open_timeout_s  how long open() waits for something that can be understood
    in_real_time    whether samples come as they are measured, so that the declared rate can be held against the host
    clock        host monotonic clock, nanoseconds
    """

    realtime = True

    def __init__(
        self,
        url: str,
        car: Car,
        rate_hz: float | None = None,
        *,
        baud: int = 115200,
        open_timeout_s: float = 10.0,
        in_real_time: bool = True,
        clock: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._url, self._car, self._baud, self._clock = url, car, baud, clock
        self._open_timeout_s = open_timeout_s
        clock_names = frozenset(
            name for channel in car.channel if channel.role == "time" for name in (channel.name, channel.csv_column)
        )
        self._decoder = WireDecoder(_expected(car), clock_names, rate_hz)
        self._port: Port | None = None
        self._stopped = threading.Event()
        self._blocks: deque[Block] = deque()
        self._notes: deque[SourceNote] = deque(maxlen=_MOST_NOTES)
        self._info: StreamInfo | None = None
        self._bytes = 0
        self._asked_ns: int | None = None
        self._heard_ns = 0  # when bytes came last
        self._away_since_ns: int | None = None
        self._retry_at_ns = self._retry_ns = 0
        self._dropped_reported = 0
        self._dropped_reported_ns = 0
        self._silence_reported = False
        self._gather = False  # before the next read, wait for more to come
        self._in_real_time = in_real_time
        self._paced_from: tuple[int, int] | None = None  # (host clock, samples) since which the rate is measured

    @property
    def finished(self) -> bool:
        """True after stop()."""
        return self._stopped.is_set()

    def open(self) -> StreamInfo:
        """Open the port and wait until the stream is described.

        Raises PortError where there is no such port, or nothing comes in time that can be understood;
        InputError where the device does not send the car file's channels.
        """
        self._port = Port(self._url, self._baud)
        self._heard_ns = self._clock()
        deadline = self._heard_ns + round(self._open_timeout_s * 1e9)
        try:
            return self._until_described(deadline)
        except (PortError, InputError):
            self.close()
            raise

    def read(self, timeout_s: float) -> list[Block]:
        """The Blocks that came; empty after `timeout_s` without any. A device that goes is waited for."""
        deadline = self._clock() + round(timeout_s * 1e9)
        while not self._blocks and not self._stopped.is_set():
            left_s = (deadline - self._clock()) * 1e-9
            if left_s <= 0:
                break
            self._step(min(left_s, LONG_WAIT_S))
        blocks = list(self._blocks)
        self._blocks.clear()
        return blocks

    def take_notes(self) -> list[SourceNote]:
        """What there is to tell since the last call, the oldest first."""
        notes = list(self._notes)
        self._notes.clear()
        return notes

    def counters(self) -> dict[str, int]:
        """Running totals: those of stream.wire.items.Counts."""
        return {**self._decoder.counts.as_dict(), "bytes": self._bytes}

    def stop(self) -> None:
        """Make a blocked open or read return soon. May be called from another thread."""
        self._stopped.set()
        port = self._port
        if port is not None:
            port.cancel()

    def close(self) -> None:
        """Give the port back. Safe to call twice."""
        port, self._port = self._port, None
        if port is not None:
            port.close()

    def _until_described(self, deadline: int) -> StreamInfo:
        while self._info is None:
            left_s = (deadline - self._clock()) * 1e-9
            if self._stopped.is_set():
                raise PortError(f"{self._url}: stopped before the device was understood")
            if left_s <= 0:
                raise PortError(f"{self._url}: {self._what_came()}")
            self._step(min(left_s, LONG_WAIT_S))
        return self._info

    def _step(self, wait_s: float) -> None:
        """Read once, or try once to get the port back; at most about `wait_s`."""
        if self._port is None and not self._reopen(wait_s):
            self._take(self._decoder.feed(b"", self._clock()))  # what came just before it went may be text by now
            return
        try:
            data = self._exchange(wait_s)
        except OSError as error:
            self._gone(error)
            return
        now = self._clock()
        if data:
            self._heard(now)
        self._take(self._decode(data, now))
        self._tell_dropped(now)
        self._tell_silence(now)
        self._tell_pace(now)

    def _decode(self, data: bytes, now: int) -> list[Item]:
        """Raises InputError, naming the port, for text lines that cannot be used."""
        try:
            return self._decoder.feed(data, now)
        except InputError as error:
            raise error.at(self._url) from None

    def _exchange(self, wait_s: float) -> bytes:
        """Ask for a description if one is due, and read."""
        if self._port is None:
            return b""
        now = self._clock()
        due = self._asked_ns is None or now - self._asked_ns >= _ASK_EVERY_NS
        if due and (not self._decoder.described or self._silence_reported or self._asked_ns is None):
            self._asked_ns = now
            self._port.write(_ASK)
        if self._gather:
            self._stopped.wait(min(_GATHER_S, wait_s))
        data = self._port.read(wait_s)
        self._gather = self._info is not None and 0 < len(data) < _FULL_READ
        self._bytes += len(data)
        return data

    def _heard(self, now: int) -> None:
        if self._away_since_ns is not None:
            away_s = (now - self._away_since_ns) * 1e-9
            self._note("device-back", note("device-back", port=self._url, seconds=away_s))
            self._away_since_ns = None
        self._heard_ns = now
        self._retry_ns = 0
        self._silence_reported = False

    def _gone(self, error: OSError) -> None:
        self.close()
        self._decoder.interrupted()
        now = self._clock()
        if self._away_since_ns is None:
            self._away_since_ns = now
            # pyserial's own sentence helps nobody in a car
            self._note("device-away", warning("device-away", port=self._url, reason=error.strerror or ""))
        self._retry_ns = min(max(2 * self._retry_ns, _FIRST_RETRY_NS), _LONGEST_RETRY_NS)
        self._retry_at_ns = now + self._retry_ns

    def _reopen(self, wait_s: float) -> bool:
        """Try to open the port again if it is time to; else wait a little."""
        left_s = (self._retry_at_ns - self._clock()) * 1e-9
        if left_s > 0:
            self._stopped.wait(min(left_s, wait_s))
            return False
        try:
            self._port = Port(self._url, self._baud)
        except PortError:
            self._retry_ns = min(max(2 * self._retry_ns, _FIRST_RETRY_NS), _LONGEST_RETRY_NS)
            self._retry_at_ns = self._clock() + self._retry_ns
            return False
        self._asked_ns = None
        return True

    def _take(self, items: list[Item]) -> None:
        for item in items:
            if isinstance(item, Block):
                self._blocks.append(item)
            elif isinstance(item, StreamInfo):
                self._check(item)
                self._info = item
                if self._decoder.kind == "framed":  # joining in the middle of a frame is no fault
                    self._dropped_reported = self._decoder.counts.dropped
            else:
                self._notes.append(SourceNote(item.kind, item.index, item.what))

    def _check(self, info: StreamInfo) -> None:
        """Raises InputError where the device lacks a channel of the car file; notes a differing unit."""
        missing = [channel.name for channel in self._car.signal_channels if channel.name not in info.names]
        if missing:
            raise InputError(
                f"{self._url}: the device does not send {', '.join(missing)}; it sends "
                f"{_shortly(info.names)}, the car file has "
                f"{_shortly([channel.name for channel in self._car.signal_channels])}; make the names match"
            )
        for sent in info.channels:
            ours = self._car.by_name(sent.name)
            if ours is not None and ours.unit and sent.unit and ours.unit != sent.unit:
                self._note("fault", warning("unit-differs", channel=sent.name, device=sent.unit, car_file=ours.unit))

    def _what_came(self) -> str:
        """Why open() gave up, with the cure."""
        waited = f"in {self._open_timeout_s:g} s"
        if not self._bytes:
            return f"opened, but nothing came {waited}; is the device running, and is this its port?"
        refused = self._decoder.refused
        counts = self._decoder.counts
        if self._decoder.kind == "framed":
            why = f"the device's was refused: {refused}"
            if not refused:
                why = f"{counts.early_frames} frames of samples came without a description"
            return f"{self._bytes} bytes came {waited}, but no usable description: {why}"
        return (
            f"{self._bytes} bytes came {waited}, but no frame that passes its check and no second of "
            f"text lines; check the line speed ({self._baud} baud) and what the device sends"
        )

    def _tell_dropped(self, now: int) -> None:
        counts = self._decoder.counts
        new = counts.dropped - self._dropped_reported
        if self._info is None or new <= 0 or now - self._dropped_reported_ns < _FAULT_EVERY_NS:
            return
        self._dropped_reported, self._dropped_reported_ns = counts.dropped, now
        if self._decoder.kind == "text":
            last = self._decoder.last_bad
            self._note("fault", warning("lines-dropped", count=new, last=last))
        else:
            self._note("fault", warning("frames-dropped", count=new))

    def _tell_silence(self, now: int) -> None:
        if self._info is None or self._silence_reported or self._info.rate_hz < 2:
            return
        if now - self._heard_ns >= _SILENT_NS:
            self._silence_reported = True
            self._note("fault", warning("device-silent", port=self._url, seconds=_SILENT_NS * 1e-9))

    def _tell_pace(self, now: int) -> None:
        """Say once where samples come far more often, or far more seldom, than is declared."""
        if self._info is None or not self._in_real_time or self._away_since_ns is not None:
            self._paced_from = None
            return
        if self._paced_from is None:
            self._paced_from = now, self._decoder.count
            return
        began, count = self._paced_from
        if now - began < max(_PACE_NS, 20e9 / self._info.rate_hz):
            return
        self._paced_from = now, self._decoder.count
        came_hz = (self._decoder.count - count) / (now - began) * 1e9
        ratio = came_hz / self._info.rate_hz
        if came_hz > 0 and not 1.0 / _TIMES_OFF < ratio < _TIMES_OFF:
            self._in_real_time = False  # said once
            seen = warning("rate-wrong", port=self._url, stated_hz=self._info.rate_hz, came_hz=came_hz)
            self._note("fault", seen)

    def _note(self, kind: str, finding: Finding) -> None:
        self._notes.append(SourceNote(kind, self._decoder.count, finding))


def _expected(car: Car) -> tuple[ChannelInfo, ...]:
    return tuple(ChannelInfo(channel.name, channel.unit) for channel in car.signal_channels)


def _shortly(names: Sequence[str]) -> str:
    return ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")
