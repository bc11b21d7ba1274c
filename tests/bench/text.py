"""Text lines against the fastest serial port that pyserial names: a port delivers ten bits a byte."""

import io

import numpy as np
import serial

from stream.block import Block, ChannelInfo
from stream.wire.text import TextDecoder
from tests.bench.figure import Figure, interleaved

LINES = 20_000
READ_BYTES = 65536
PORT_BYTES_PER_S = max(serial.Serial.BAUDRATES) / 10  # 4 Mbaud, 8N1: start, eight bits, stop
GOAL = 50.0  # times the port: text takes at most 2 % of a core at full speed
CHANNELS = (ChannelInfo("speed_v", "V"), ChannelInfo("link", "mV/V"))


def run(smoke: bool) -> list[Figure]:
    """Two channels, alone and with the device's clock; commas, as a sketch prints them."""
    lines = LINES // 2 if smoke else 2 * LINES
    rng = np.random.default_rng(3)
    values = np.column_stack((2.0 + 0.3 * rng.normal(size=lines), 0.2 * rng.normal(size=lines)))
    plain = "".join(f"{a:.4f},{b:.5f}\n" for a, b in values.tolist()).encode()
    timed = "".join(f"{n * 1000},{a:.4f},{b:.5f}\n" for n, (a, b) in enumerate(values.tolist())).encode()
    return [
        _figure("text lines, 2 channels", b"", plain, lines, smoke),
        _figure("text lines, clock and 2 channels", b"t[us],speed_v[V],link[mV/V]\n", timed, lines, smoke),
    ]


def _figure(name: str, head: bytes, data: bytes, lines: int, smoke: bool) -> Figure:
    rows: dict[str, int] = {}

    def peer() -> None:
        rows["loadtxt"] = len(np.loadtxt(io.BytesIO(data), delimiter=","))

    def ours() -> None:
        decoder = TextDecoder(CHANNELS, rate_hz=1000.0)
        items = decoder.feed(head)
        for start in range(0, len(data), READ_BYTES):
            items += decoder.feed(data[start : start + READ_BYTES])
        rows["ours"] = sum(len(item) for item in items if isinstance(item, Block))

    best = interleaved({"ours": ours, "loadtxt": peer}, 5 if smoke else 9)
    if not rows["ours"] == rows["loadtxt"] == lines:
        raise RuntimeError(f"{rows} rows came out of {lines}")
    rates = {f"{name}_Mlines_per_s": lines / taken / 1e6 for name, taken in best.items()}
    pace = len(data) / best["ours"] / PORT_BYTES_PER_S
    return Figure(f"{name}: decoder / fastest port, bytes a second", pace, GOAL, "at least", measured=rates)
