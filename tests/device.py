"""A device on a pseudo-terminal for tests: it can be pulled out and plugged in again, and keeps to a pace of its own.

The port's name is a symbolic link, as /dev/serial/by-id has them, so that a device comes back under the same name.
"""

import os
import select
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from stream.wire.encode import encode_description, encode_samples
from stream.wire.items import WireChannel

PATIENCE_S = 30.0  # how long a device waits for its reader; reached only when a test fails
FRAME_ROWS = 20
CHANNELS = (WireChannel("speed_v", "V"), WireChannel("link", "mV/V"))


class Device:
    """One end of a line; `port` is what --port takes. Every method raises OSError once the reader has gone."""

    def __init__(self, folder: Path) -> None:
        self.port = str(folder / "ttyTEST0")
        self._near = self._far = -1
        self.plug_in()

    def plug_in(self) -> None:
        """Appear as a new port under the old name."""
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        Path(self.port).symlink_to(os.ttyname(self._far))

    def unplug(self) -> None:
        """The cable is pulled. Safe to call twice."""
        Path(self.port).unlink(missing_ok=True)
        for end in (self._near, self._far):
            if end >= 0:
                os.close(end)
        self._near = self._far = -1

    def await_reader(self) -> None:
        """Wait for the host's question; from then on a reader that leaves is noticed."""
        ready, _, _ = select.select([self._near], [], [], PATIENCE_S)
        if not ready or b"?" not in os.read(self._near, 4096):
            raise TimeoutError("no reader asked")
        os.close(self._far)
        self._far = -1

    def send(self, data: bytes) -> None:
        """Send all of it, as the line takes it."""
        while data:
            data = data[os.write(self._near, data) :]

    def send_quietly(self, data: bytes) -> None:
        """Send what a reader may be too disgusted to take."""
        try:
            self.send(data)
        except OSError:
            return

    def await_leaving(self) -> None:
        """Hold the line until the reader closes it."""
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            ready, _, _ = select.select([self._near], [], [], 0.2)
            try:
                if ready and not os.read(self._near, 4096):
                    return
            except OSError:
                return


@contextmanager
def device(folder: Path, work: Callable[[Device], None]) -> Iterator[Device]:
    """A device that does `work` on a thread, is there while this is open, and whose own failure fails the test."""
    line = Device(folder)
    failed: list[BaseException] = []

    def run() -> None:
        try:
            work(line)
        except BaseException as error:  # noqa: BLE001 - raised again below
            failed.append(error)

    thread = threading.Thread(target=run, name="device", daemon=True)
    thread.start()
    try:
        yield line
        thread.join(PATIENCE_S)
    finally:
        line.unplug()
    if failed:
        raise failed[0]
    assert not thread.is_alive(), "the device never came to its end"


def description(rate_hz: float = 1000.0, channels: tuple[WireChannel, ...] = CHANNELS, form: str = "f32") -> bytes:
    """A description frame."""
    return encode_description(0, "test device", rate_hz, channels, form)


def frames(samples: np.ndarray, first: int = 0, rate_hz: float = 1000.0, rows: int = FRAME_ROWS) -> list[bytes]:
    """Frames of float32 samples, whose first has the device's index `first`."""
    return [
        encode_samples(
            1 + (first + row) // rows,
            first + row,
            round((first + row) * 1e6 / rate_hz),
            np.ascontiguousarray(samples[row : row + rows], dtype=np.float32),
        )
        for row in range(0, len(samples), rows)
    ]


def counted(rows: int, first: int = 0, channels: int = 2) -> np.ndarray:
    """Samples whose first channel is the sample's own index, so that a lost or doubled one is a wrong number."""
    samples = np.zeros((rows, channels), dtype=np.float32)
    samples[:, 0] = np.arange(first, first + rows)
    return samples
