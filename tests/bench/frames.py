"""Frame decoding against a bare loop of cobs.decode, zlib.crc32 and np.frombuffer over the same bytes."""

import struct
import zlib
from typing import Literal

import numpy as np
from cobs import cobs

from stream.block import Block
from stream.wire.description import WireChannel
from stream.wire.encode import encode_description, encode_samples
from stream.wire.frames import FrameDecoder
from tests.bench.figure import Figure, interleaved

ROWS = 64
READ_BYTES = 65536


def run(smoke: bool) -> list[Figure]:
    """Two and four channels, both formats; the decoder gets what a quick port hands out, 64 KiB a call."""
    return [_figure(channels, kind, smoke) for channels in (2, 4) for kind in ("i16", "f32")]


def _figure(channels: int, kind: Literal["i16", "f32"], smoke: bool) -> Figure:
    count = 2000 if smoke else 6000
    head, data = wire_bytes(channels, kind, count)
    dtype = {"i16": "<i2", "f32": "<f4"}[kind]
    rows: dict[str, int] = {}

    def floor() -> None:
        rows["floor"] = 0
        for part in data.split(b"\0"):
            if not part:
                continue
            raw = cobs.decode(part)
            if zlib.crc32(raw[:-4]) == struct.unpack("<I", raw[-4:])[0]:
                rows["floor"] += len(np.frombuffer(raw, dtype, offset=25, count=(len(raw) - 29) // 4 * 4 // np.dtype(dtype).itemsize).reshape(-1, channels))

    def ours() -> None:
        decoder = FrameDecoder()
        decoder.feed(head)
        rows["ours"] = 0
        for start in range(0, len(data), READ_BYTES):
            rows["ours"] += sum(len(item) for item in decoder.feed(data[start : start + READ_BYTES]) if isinstance(item, Block))

    best = interleaved({"ours": ours, "floor": floor}, 5 if smoke else 9)
    if not rows["ours"] == rows["floor"] == count * ROWS:
        raise RuntimeError(f"{rows} rows came out of {count * ROWS}")
    return Figure(
        f"frames, {channels} channels {kind}: decoder / bare loop", best["floor"] / best["ours"], 0.5, "at least", 0.3,
        measured={"ours_Mrows_per_s": count * ROWS / best["ours"] / 1e6, "floor_Mrows_per_s": count * ROWS / best["floor"] / 1e6},
    )  # fmt: skip


def wire_bytes(channels: int, kind: Literal["i16", "f32"], count: int, rows: int = ROWS, rate_hz: float = 10_000.0,
               names: tuple[str, ...] = ()) -> tuple[bytes, bytes]:  # fmt: skip
    """A description frame, and `count` frames of noise about half scale."""
    rng = np.random.default_rng(channels)
    labels = names or tuple(f"c{n}" for n in range(channels))
    scale = 5.0 / 32768 if kind == "i16" else 1.0
    head = encode_description(0, "bench", rate_hz, [WireChannel(name, "V", scale) for name in labels], kind)
    samples = rng.normal(0.0, 0.2, (count * rows, channels))
    counts = (samples * 16384).astype(np.int16) if kind == "i16" else samples.astype(np.float32)
    frames = [
        encode_samples(n + 1, n * rows, round(n * rows * 1e6 / rate_hz), counts[n * rows : (n + 1) * rows])
        for n in range(count)
    ]
    return head, b"".join(frames)
