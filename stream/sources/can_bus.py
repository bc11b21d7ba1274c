"""A CAN bus (ISO 11898-1) as a source: messages decoded by a DBC file become samples at an even rate.

    can://CHANNEL?dbc=FILE.dbc[&interface=socketcan][&bitrate=500000][&rate=100]

The libraries python-can and cantools, of the optional part `can`, do the work; CHANNEL, interface and bitrate are
theirs.
A channel of the car file is the signal whose name is its column ('Message.Signal' where two messages have one name).
Signals come when they like, so each sample is the newest value by then; one that is older than STALE_S is missing.
"""

import time
from contextlib import suppress
from typing import Any
from urllib.parse import parse_qsl, unquote, urlsplit

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import Car, Channel
from stream.errors import InputError, PortError
from stream.findings import note, warning
from stream.sources.source import PlainSource, SourceNote
from stream.units import Floats

DEFAULT_HZ = 100.0  # chosen: controllers send engine speed every 10 to 20 ms
STALE_S = 1.0  # chosen: slow signals (temperatures) are sent at least once a second
LATE_S = 0.02  # a message may be underway for so long before a sample is made without it
AWAY_S = 2.0  # without any message the bus counts as away
SAME_CLOCK_S = 60.0  # a stamp that far from this computer's clock counts from something else
RETRY_S = 0.5  # a bus that failed is opened again so often
MOST_HZ = 10_000.0  # chosen: a bus of 1 Mbit/s carries fewer frames a second than that
ROWS_AT_ONCE = 1000
KEYS = ("dbc", "interface", "bitrate", "rate")


class CanSource(PlainSource):
    """A bus that is listened to, never written to."""

    realtime = True

    def __init__(self, url: str, car: Car, rate_hz: float | None = None) -> None:
        super().__init__()
        self.url, self._car = url, car
        self._options = _options(url)
        self._rate = rate_hz or _number(url, self._options, "rate", DEFAULT_HZ)
        self._bus: Any = None
        self._can: Any = None
        self._retry_at = 0.0
        # by (identifier, whether it is a long one), for one number may be two messages
        self._wanted: dict[tuple[int, bool], list[tuple[int, str]]] = {}  # message -> (column, signal)
        self._messages: dict[tuple[int, bool], Any] = {}
        self._values = np.empty(0)
        self._stamps = np.empty(0)
        self._began: float | None = None
        self._heard = 0.0
        self._made: list[Floats] = []  # samples that are not handed out yet
        self._ready: list[Block] = []
        self._next = self._lost = 0  # number of the next sample; samples missing before those in `_made`
        self._away = False
        self._notes: list[SourceNote] = []
        self._counts = {"frames": 0, "bad_frames": 0, "lost_samples": 0}

    def open(self) -> StreamInfo:
        """Find the signals, open the bus. Raises InputError (DBC file, signals, no part `can`), PortError."""
        self._can, cantools = _libraries(self.url)
        path = self._options["dbc"]
        try:
            database = cantools.database.load_file(path, strict=False)
        except FileNotFoundError:
            raise InputError(f"{path}: no such DBC file; check the name in {self.url}") from None
        except Exception as error:  # a library's many errors are one to the person
            raise InputError(f"{path}: cannot be read as a DBC file ({_words(error)})") from error
        channels = [self._find(database, column, one) for column, one in enumerate(self._car.signal_channels)]
        self._values, self._stamps = np.full(len(channels), np.nan), np.full(len(channels), -np.inf)
        try:
            self._bus = self._new_bus()
        except Exception as error:
            raise PortError(
                f"{self.url}: the bus cannot be opened ({_words(error)}); check channel and interface"
            ) from error
        return StreamInfo(self._rate, tuple(channels), "CAN")

    def _new_bus(self) -> Any:
        bitrate = {"bitrate": int(self._options["bitrate"])} if "bitrate" in self._options else {}
        return self._can.Bus(
            channel=unquote(urlsplit(self.url).netloc + urlsplit(self.url).path),
            interface=self._options.get("interface", "socketcan"),
            receive_own_messages=False,
            **bitrate,
        )

    def read(self, timeout_s: float) -> list[Block]:
        """The samples that are due by now."""
        until = time.monotonic() + timeout_s
        while not self.finished:
            message = self._receive(max(0.0, min(until - time.monotonic(), LATE_S)))
            if message is not None:
                self._take(message)
            self._look_at_clock()
            if len(self._made) >= ROWS_AT_ONCE or (self._made and message is None) or time.monotonic() >= until:
                self._hand_out()
            if self._ready or time.monotonic() >= until:
                break
        blocks, self._ready = self._ready, []
        return blocks

    def take_notes(self) -> list[SourceNote]:
        """The bus away or back."""
        notes, self._notes = self._notes, []
        return notes

    def counters(self) -> dict[str, int]:
        """Running totals: frames taken, bad_frames that did not decode, lost_samples."""
        return dict(self._counts)

    def close(self) -> None:
        """Give the bus back. Safe to call twice."""
        super().close()
        self._shut()

    def _shut(self) -> None:
        bus, self._bus = self._bus, None
        with suppress(Exception):  # of an adapter that is gone
            if bus is not None:
                bus.shutdown()

    def _find(self, database: Any, column: int, channel: Channel) -> ChannelInfo:
        """The signal of a channel: what it is called there, and its unit as the car file has it."""
        wanted = channel.csv_column
        found = [
            (message, signal)
            for message in database.messages
            for signal in message.signals
            if wanted in (signal.name, f"{message.name}.{signal.name}")
        ]
        if len(found) != 1:
            names = sorted({signal.name for message in database.messages for signal in message.signals})
            why = f"is not in it; it has {', '.join(names[:30])}"
            why = "is in several messages; name it as Message.Signal" if found else why
            raise InputError(f"{self._options['dbc']}: signal {wanted!r} of channel {channel.name!r} {why}")
        message, signal = found[0]
        key = (message.frame_id, message.is_extended_frame)
        self._messages[key] = message
        self._wanted.setdefault(key, []).append((column, signal.name))
        return ChannelInfo(channel.name, channel.unit or signal.unit or "")

    def _receive(self, timeout_s: float) -> Any:
        """The next message; None where none came. A bus that fails is waited for, as a serial line is."""
        if self._bus is None and not self._opened_again(timeout_s):
            return None
        try:
            return self._bus.recv(timeout_s)
        except Exception as error:  # noqa: BLE001 - whatever a driver raises, the adapter may come back
            self._shut()
            self._retry_at = time.monotonic() + RETRY_S
            if not self._away:
                self._away = True
                gone = warning("device-away", port=self.url, reason=_words(error))
                self._notes.append(SourceNote("device-away", self._next, gone))
            return None

    def _opened_again(self, timeout_s: float) -> bool:
        left = self._retry_at - time.monotonic()
        if left > 0:
            time.sleep(min(left, timeout_s))
            return False
        try:
            self._bus = self._new_bus()
        except Exception:  # noqa: BLE001 - not yet
            self._retry_at = time.monotonic() + RETRY_S
            return False
        return True

    def _take(self, message: Any) -> None:
        key = (message.arbitration_id, message.is_extended_id)
        if message.is_error_frame or message.is_remote_frame or key not in self._wanted:
            return
        try:
            values = self._messages[key].decode(message.data, decode_choices=False, allow_truncated=True)
        except Exception:  # noqa: BLE001 - a message that does not fit its description is dropped and counted
            self._counts["bad_frames"] += 1
            return
        age = time.time() - message.timestamp
        # a computer's clock may be set on the way; seconds since a message came are known all the same
        at = time.monotonic() - (age if 0.0 <= age < SAME_CLOCK_S else 0.0)
        self._counts["frames"] += 1
        if self._began is None:
            self._began = at
        elif self._away or at - self._heard > AWAY_S:
            self._come_back(at)
        self._heard = max(self._heard, at)
        self._make_until(at)  # what was due before this message is made without it
        for column, name in self._wanted[key]:
            if isinstance(values.get(name), (int, float)):
                self._values[column], self._stamps[column] = values[name], at

    def _make_until(self, at: float) -> None:
        """The samples whose time comes before `at`, each of the newest values that are not stale."""
        if self._began is None:
            return
        end = min(int(np.ceil((at - self._began) * self._rate)), self._next + ROWS_AT_ONCE)
        while self._next < end:
            moment = self._began + self._next / self._rate
            self._made.append(np.where(moment - self._stamps <= STALE_S, self._values, np.nan))
            self._next += 1

    def _look_at_clock(self) -> None:
        """Samples that no message brings on; a bus that has fallen silent is away."""
        if self._began is None or self._away:
            return
        now = time.monotonic() - LATE_S
        if now - self._heard > AWAY_S:
            self._away = True
            self._notes.append(SourceNote("device-away", self._next, warning("bus-silent")))
        else:
            self._make_until(min(now, self._heard + STALE_S))

    def _come_back(self, at: float) -> None:
        """The time of the silence is lost samples."""
        self._hand_out()
        lost = max(0, int((at - (self._began or at)) * self._rate) - self._next)
        self._next += lost
        self._lost += lost
        self._counts["lost_samples"] += lost
        if self._away:
            self._notes.append(SourceNote("device-back", self._next, note("bus-back", lost=lost)))
        self._away = False

    def _hand_out(self) -> None:
        if self._made:
            samples = np.array(self._made, np.float32)
            first, lost = self._next - len(samples), self._lost
            self._ready.append(Block(samples, first, self._rate, host_ns=time.monotonic_ns(), lost=lost))
            self._made, self._lost = [], 0


def _libraries(url: str) -> tuple[Any, Any]:
    try:
        import can
        import cantools
    except ImportError:
        raise InputError(
            f"port {url}: CAN needs the optional part; install it with: pip install 'steadypull[can]'", "no-can"
        ) from None
    return can, cantools


def _options(url: str) -> dict[str, str]:
    """The query of the URL. Raises InputError for a key that is not known, and without a DBC file."""
    options = dict(parse_qsl(urlsplit(url).query))
    unknown = [key for key in options if key not in KEYS]
    if unknown:
        raise InputError(f"port {url}: {unknown[0]!r} is not known; use {', '.join(KEYS)}")
    if not options.get("dbc"):
        raise InputError(f"port {url}: which file describes the messages? give can://CHANNEL?dbc=FILE.dbc")
    _number(url, options, "bitrate", 1.0)
    _number(url, options, "rate", 1.0, MOST_HZ)
    return options


def _number(url: str, options: dict[str, str], key: str, otherwise: float, most: float = 1e9) -> float:
    try:
        value = float(options.get(key, otherwise))
    except ValueError:
        value = -1.0
    if not 0.0 < value <= most:
        raise InputError(f"port {url}: {key}={options[key]} cannot be used; give a number above 0, at most {most:g}")
    return value


def _words(error: BaseException) -> str:
    return " ".join(str(error).split()) or type(error).__name__
