"""What the strip costs: our columns against stock curves of the same window, and what a reader loses
meanwhile.

Run it: python tests/bench/strip.py [--smoke]. Every function returns numbers; the bench of the whole calls
them.
"""

import importlib
import json
import os
import pty
import select
import statistics
import struct
import subprocess
import sys
import termios
import threading
import time
import zlib
from typing import Any

import numpy as np
from cobs import cobs

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("PYQTGRAPH_QT_LIB", "PySide6")

RATE_HZ, CURVES, WINDOW_S, FRAME_S = 10_000, 3, 30.0, 1 / 60
ROWS_PER_WRITE, CHANNELS = 20, 4  # 2 ms of 10 kHz × 4 float32


def _app() -> Any:
    widgets = importlib.import_module("pyqtgraph.Qt").QtWidgets
    return widgets.QApplication.instance() or widgets.QApplication(["bench"])


def _samples(first: int, rows: int, curves: int) -> np.ndarray:
    time_s = (first + np.arange(rows)) / RATE_HZ
    rng = np.random.default_rng(first)
    return (np.sin(time_s)[:, None] + 0.02 * rng.normal(size=(rows, curves))).astype(np.float32)


def _ours(width: int, height: int) -> Any:
    """A strip that shows three raw curves full of samples, and the two live curves."""
    block = importlib.import_module("stream.block")
    view = importlib.import_module("stream.live.records")
    strip_module = importlib.import_module("ui.window.strip")
    theme = importlib.import_module("ui.window.theme")
    strip = strip_module.Strip()
    strip.set_info(block.StreamInfo(float(RATE_HZ), tuple(block.ChannelInfo(n, "V") for n in "abc")))
    strip.apply_theme(theme.DARK, 1.0)
    strip.show_raw(True)
    strip.resize(width, height)
    strip.show()
    _app().processEvents()  # a window that was never shown to the screen skips its painting
    strip.add_raw(block.Block(_samples(0, int(RATE_HZ * WINDOW_S), CURVES), 0, float(RATE_HZ)))
    live_s = np.arange(0, WINDOW_S, 0.01)
    wave = (2000 + 500 * np.sin(live_s)).astype(np.float32)
    strip.add_live(view.LiveRows(live_s, wave, wave / 4000, wave))
    return strip


def redraw(frames: int = 200, width: int = 1200, height: int = 800, stock_frames: int = 8) -> dict[str, float]:
    """Milliseconds a frame, in one run: ours (taking in a frame's new samples, and repainting) and stock
    setData.

    Both show 30 s of 3 curves × 10 kHz; ours shows its two live curves, a hold and a pull as well.
    """
    app = _app()
    block = importlib.import_module("stream.block")
    spans = importlib.import_module("ui.window.mark_row")
    strip = _ours(width, height)
    painted = _count_paints(strip.view)
    shown = [spans.Span("hold", 12.0, 18.0, "3000"), spans.Span("pull", 20.0, 27.0, "pull, clean")]
    row, step = int(RATE_HZ * WINDOW_S), int(RATE_HZ * FRAME_S)
    new = [_samples(row + n * step, step, CURVES) for n in range(frames)]
    ours, busy = [], []
    for rows in new:
        begun, worked = time.perf_counter(), time.thread_time()
        strip.add_raw(block.Block(rows, row, float(RATE_HZ)))
        row += step
        strip.draw(row / RATE_HZ, shown)
        strip.view.viewport().repaint()
        strip.marks.repaint()
        ours.append(1e3 * (time.perf_counter() - begun))
        busy.append(1e3 * (time.thread_time() - worked))
    app.processEvents()
    strip.close()
    strip.deleteLater()
    stock = _stock(app, width, height, stock_frames)
    middle = statistics.median(ours)
    return {
        "ours_ms": middle,
        "ours_cpu_ms": statistics.median(busy),  # what a busy machine does not stretch
        "ours_p99_ms": float(np.percentile(ours, 99)),
        "stock_ms": stock,
        "ratio": stock / middle,
        "painted": painted["count"] / frames,
    }


def _count_paints(view: Any) -> dict[str, int]:
    """Counts the frames that were really painted: a skipped one must not pass for a fast one."""
    seen, paint = {"count": 0}, view.paintEvent

    def counting(event: Any) -> None:
        seen["count"] += 1
        paint(event)

    view.paintEvent = counting
    return seen


def _stock(app: Any, width: int, height: int, frames: int) -> float:
    """Median milliseconds of setData on the whole window and a repaint."""
    pg = importlib.import_module("pyqtgraph")
    plot = pg.PlotWidget()
    plot.resize(width, height)
    plot.show()
    app.processEvents()
    time_s = np.arange(int(RATE_HZ * WINDOW_S)) / RATE_HZ
    curves = [plot.plot(pen=pg.mkPen(colour, width=1)) for colour in ("r", "g", "b")]
    data = _samples(0, len(time_s) + frames * 200, CURVES)
    taken = []
    for frame in range(frames):
        begun = time.perf_counter()
        for number, curve in enumerate(curves):
            curve.setData(time_s, data[frame * 200 : frame * 200 + len(time_s), number])
        plot.viewport().repaint()
        taken.append(1e3 * (time.perf_counter() - begun))
    app.processEvents()
    plot.close()
    plot.deleteLater()
    return statistics.median(taken)


FEEDER = """
import os, struct, sys, time, zlib
import numpy as np
from cobs import cobs
fd, seconds, rows, channels, rate = int(sys.argv[1]), float(sys.argv[2]), *map(int, sys.argv[3:6])
os.set_blocking(fd, False)
wave = np.random.default_rng(1).normal(size=(rows, channels)).astype("<f4").tobytes()
begun, first, dropped = time.monotonic(), 0, 0
while first / rate < seconds:
    head = struct.pack("<BBIQQBH", 1, 2, first // rows, first, first * 1_000_000 // rate, channels, rows)
    body = head + wave
    frame = cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\\0"
    try:
        sent = os.write(fd, frame)
    except BlockingIOError:
        sent = 0
    dropped += len(frame) - sent  # like a UART that overruns: what does not fit is gone
    first += rows
    rest = begun + first / rate - time.monotonic()
    if rest > 0:
        time.sleep(rest)
print(first, dropped)
"""


class _Reader(threading.Thread):
    """Reads the line as the program does, `read(in_waiting or 1)`, and hands good frames on as samples."""

    def __init__(self, path: str) -> None:
        super().__init__(name="bench reader", daemon=True)
        serial = importlib.import_module("serial")
        self.port = serial.Serial(path, timeout=0.2)
        self.ending = threading.Event()
        self.frames: list[tuple[int, np.ndarray]] = []
        self.rows = self.next = self.lost = self.bad = 0

    def run(self) -> None:
        """Until told to end and the line is quiet."""
        left = b""
        while True:
            data = self.port.read(self.port.in_waiting or 1)
            if not data and self.ending.is_set():
                return
            *frames, left = (left + data).split(b"\0")
            for frame in frames:
                self.take(frame)

    def take(self, frame: bytes) -> None:
        """One frame: checked, counted by its sample index."""
        try:
            body = cobs.decode(frame)
        except cobs.DecodeError:
            self.bad += 1
            return
        if len(body) < 29 or zlib.crc32(body[:-4]) != struct.unpack("<I", body[-4:])[0]:
            self.bad += 1
            return
        (first,) = struct.unpack_from("<Q", body, 6)
        samples = np.frombuffer(body, "<f4", offset=25, count=(len(body) - 29) // 4).reshape(-1, CHANNELS)
        self.lost += first - self.next
        self.next = first + len(samples)
        self.rows += len(samples)
        self.frames.append((first, samples))


def lost_while_drawing(seconds: float = 6.0, width: int = 1200, height: int = 800) -> dict[str, float]:
    """Samples lost by a reader thread on a pseudo-terminal (4 KB) fed 10 kHz × 4 float32 in writes of 2 ms,
    while the strip takes in the samples and repaints at 60 frames a second in the main thread."""
    app = _app()
    block = importlib.import_module("stream.block")
    strip = _ours(width, height)
    strip.raw.clear()
    strip.live.clear()
    master, slave = pty.openpty()
    mode = termios.tcgetattr(slave)
    mode[0] = mode[1] = mode[3] = 0
    termios.tcsetattr(slave, termios.TCSANOW, mode)
    reader = _Reader(os.ttyname(slave))
    reader.start()
    arguments = [
        sys.executable,
        "-c",
        FEEDER,
        str(master),
        str(seconds),
        str(ROWS_PER_WRITE),
        str(CHANNELS),
        str(RATE_HZ),
    ]
    feeder = subprocess.Popen(arguments, pass_fds=(master,), stdout=subprocess.PIPE, text=True)
    drawn, begun = 0, time.monotonic()
    while feeder.poll() is None:
        frames, reader.frames = reader.frames, []
        for first, samples in frames:
            strip.add_raw(block.Block(samples[:, :CURVES], first, float(RATE_HZ)))
        strip.draw(reader.next / RATE_HZ, [])
        app.processEvents()
        drawn += 1
        rest = begun + drawn * FRAME_S - time.monotonic()
        if rest > 0:
            select.select([], [], [], rest)
        else:
            begun = time.monotonic() - drawn * FRAME_S
    drawing_s = time.monotonic() - begun
    sent, dropped = (int(word) for word in feeder.communicate()[0].split())
    reader.ending.set()
    reader.join(5)
    reader.port.close()
    os.close(master)
    os.close(slave)
    strip.close()
    strip.deleteLater()
    return {
        "sent_rows": sent,
        "read_rows": reader.rows,
        "lost_rows": sent - reader.rows,
        "overrun_bytes": dropped,
        "bad_frames": reader.bad,
        "frames_per_s": drawn / max(drawing_s, 1e-9),
    }


def main() -> None:
    """Print both as JSON."""
    smoke = "--smoke" in sys.argv
    result = {
        "redraw": redraw(60 if smoke else 400),
        "while_drawing": lost_while_drawing(2.0 if smoke else 8.0),
    }
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
