"""Plays a recording as the device would send it, through a real serial line where the system has one."""

import itertools
import json
import os
import select
import socket
import struct
import threading
import time
from collections.abc import Iterator
from typing import Final, Protocol

import numpy as np

from stream.errors import PortError
from stream.sources.rehearsal.record import Recording
from stream.wire.encode import DESCRIPTION, SAMPLES, encode_frame

FRAME_ROWS: Final = 64
_DESCRIBE_EVERY_S: Final = 2.0
_ASK: Final = b"?"
_PATIENCE_S: Final = 0.2  # how long a wait for the reader lasts before stop() is looked at


def description(recording: Recording) -> bytes:
    """The body of a description frame."""
    channels = [
        {"name": channel.name, "unit": channel.unit, "scale": channel.scale, "offset": channel.offset}
        for channel in recording.channels
    ]
    told = {"name": "rehearsal car", "rate_hz": recording.rate_hz, "channels": channels, "format": "i16"}
    return json.dumps(told).encode("utf-8")


def bodies(recording: Recording, rows: int = FRAME_ROWS) -> Iterator[tuple[float, int, bytes]]:
    """(seconds of stream at which it is complete, kind, body) of each frame: samples, a description every 2 s.

    No frame spans a gap, so lost samples show as a jump of the sample index.
    """
    about, next_description = description(recording), 0.0
    counts = recording.counts.astype("<i2", copy=False)
    index, rate = recording.index, recording.rate_hz
    cuts = np.flatnonzero(np.diff(index) != 1) + 1
    edges = [0, *cuts.tolist(), len(counts)]
    for start, end in itertools.pairwise(edges):
        for row in range(start, end, rows):
            at_s = float(index[row]) / rate
            if at_s >= next_description:
                yield at_s, DESCRIPTION, about
                next_description += _DESCRIBE_EVERY_S
            part = counts[row : min(row + rows, end)]
            head = struct.pack("<QQBH", int(index[row]), round(at_s * 1e6), counts.shape[1], len(part))
            yield at_s + len(part) / rate, SAMPLES, head + part.tobytes()


class _Line(Protocol):
    """The device's end of a line. All raise OSError when the reader has gone.

    A reader has come once it asks for the description; that question is answered by the stream's beginning.
    """

    url: str

    def await_reader(self, timeout_s: float) -> bool: ...

    def asked(self, timeout_s: float) -> bool: ...

    def write(self, data: bytes, timeout_s: float) -> int: ...

    def close(self) -> None: ...


class _PtyLine:
    """A pseudo-terminal in raw mode: the reader opens `url` as any serial port.

    Until the reader has come the far end is kept open here as well, or a hang-up would be told at once;
    from then on a hang-up means that the reader has gone.
    """

    def __init__(self) -> None:
        import tty

        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.url = os.ttyname(self._far)
        self._kept = True

    def await_reader(self, timeout_s: float) -> bool:
        if not self.asked(timeout_s):
            return False
        os.close(self._far)
        self._kept = False
        return True

    def asked(self, timeout_s: float) -> bool:
        ready, _, _ = select.select([self._near], [], [], timeout_s)
        if not ready:
            return False
        data = os.read(self._near, 4096)
        if not data:
            raise ConnectionResetError("the reader closed")
        return _ASK in data

    def write(self, data: bytes, timeout_s: float) -> int:
        _, ready, _ = select.select([], [self._near], [], timeout_s)
        if not ready:
            return 0
        try:
            return os.write(self._near, data)
        except BlockingIOError:
            return 0

    def close(self) -> None:
        os.close(self._near)
        if self._kept:
            os.close(self._far)


class _SocketLine:
    """A TCP server on this machine for one reader, where there are no pseudo-terminals."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self._reader: socket.socket | None = None

    def await_reader(self, timeout_s: float) -> bool:
        if self._reader is None:
            ready, _, _ = select.select([self._server], [], [], timeout_s)
            if not ready:
                return False
            self._reader, _ = self._server.accept()
            self._reader.setblocking(False)
        return self.asked(timeout_s)

    def _open_reader(self) -> socket.socket:
        if self._reader is None:
            raise ConnectionResetError("no reader")
        return self._reader

    def asked(self, timeout_s: float) -> bool:
        reader = self._open_reader()
        ready, _, _ = select.select([reader], [], [], timeout_s)
        if not ready:
            return False
        data = reader.recv(4096)
        if not data:
            raise ConnectionResetError("the reader closed")
        return _ASK in data

    def write(self, data: bytes, timeout_s: float) -> int:
        reader = self._open_reader()
        _, ready, _ = select.select([], [reader], [], timeout_s)
        if not ready:
            return 0
        try:
            return reader.send(data)
        except BlockingIOError:
            return 0

    def close(self) -> None:
        if self._reader is not None:
            self._reader.close()
        self._server.close()


class RehearsalPort:
    """A device on `port_url` that sends a recording once a reader has come, then is `done`.

    At real pace or `pace` times as fast, or with `quick` as fast as the reader takes it: a full buffer holds it up and
    loses nothing.
    After the last frame the line stays open until stop(), so that the reader can take what is still in it.
    A context manager as well; `failure` says so where the reader left early. Raises PortError where no line
    can be opened.
    """

    def __init__(
        self, recording: Recording, *, quick: bool = False, pace: float = 1.0, pty: bool | None = None
    ) -> None:
        self._recording = recording
        self._quick, self._pace = quick, pace
        self._paused = threading.Event()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="rehearsal-port", daemon=True)
        self.done = threading.Event()
        self.failure = ""
        self.bytes_sent = 0
        self._sequence = itertools.count()
        use_pty = hasattr(os, "openpty") if pty is None else pty
        try:
            self._line: _Line = _PtyLine() if use_pty else _SocketLine()
        except OSError as error:
            text = f"rehearsal car: no serial line can be opened ({error.strerror}); close some programs"
            raise PortError(text) from error

    @property
    def port_url(self) -> str:
        """The URL to open."""
        return self._line.url

    def start(self) -> None:
        """Begin to wait for the reader."""
        self._thread.start()

    def pause(self, on: bool) -> None:
        """Hold the driver up, or let him go on; any thread may call it."""
        self._paused.set() if on else self._paused.clear()

    def stop(self) -> None:
        """End the sending, if it still goes on, and close the line. Safe to call twice."""
        if self._stop.is_set():
            return
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join()
        self._line.close()

    def __enter__(self) -> "RehearsalPort":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _run(self) -> None:
        try:
            while not self._stop.is_set() and not self._line.await_reader(_PATIENCE_S):
                pass
            self._send_all()
            self.done.set()
            while not self._stop.is_set():  # a late question is still answered
                if self._line.asked(_PATIENCE_S):
                    self._send(DESCRIPTION, description(self._recording))
        except OSError as error:  # the reader closed its end; behind the last frame that is as it should be
            if not self.done.is_set():
                self.failure = f"the reader closed the port before the end ({error.strerror or error})"
        finally:
            self.done.set()

    def _send_all(self) -> None:
        began = time.monotonic()
        for at_s, kind, body in bodies(self._recording):
            began += self._wait_paused()
            wait = 0.0 if self._quick else began + at_s / self._pace - time.monotonic()
            while wait > 0.0 and not self._stop.is_set():
                if self._line.asked(min(wait, _PATIENCE_S)):
                    self._send(DESCRIPTION, description(self._recording))
                began += self._wait_paused()
                wait = began + at_s / self._pace - time.monotonic()
            if self._quick and self._line.asked(0.0):
                self._send(DESCRIPTION, description(self._recording))
            if self._stop.is_set():
                return
            self._send(kind, body)

    def _wait_paused(self) -> float:
        """Stand still while that is asked for; seconds that it took."""
        began = time.monotonic()
        while self._paused.is_set() and not self._stop.is_set():
            if self._line.asked(_PATIENCE_S):
                self._send(DESCRIPTION, description(self._recording))
        return time.monotonic() - began

    def _send(self, kind: int, body: bytes) -> None:
        """The next frame, whole, as the reader makes room; cut short only by stop()."""
        data = encode_frame(kind, next(self._sequence), body)
        while data and not self._stop.is_set():
            sent = self._line.write(data, _PATIENCE_S)
            self.bytes_sent += sent
            data = data[sent:]
