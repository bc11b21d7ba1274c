"""Frame decoding against a bare loop of cobs.decode, zlib.crc32 and np.frombuffer over the same bytes."""

import struct
import zlib
from typing import Literal

import numpy as np
from cobs import cobs

from stream.block import Block
from stream.wire.encode import encode_description, encode_samples
from stream.wire.frames import FrameDecoder
from stream.wire.items import WireChannel
from tests.bench.figure import Figure, interleaved

ROWS = 64
FORMATS: tuple[Literal["i16", "f32"], ...] = ("i16", "f32")


def run(smoke: bool) -> list[Figure]:
    """Two and four channels, both formats, 64 KiB a call; and 4 KiB, the most that a port holds: there a call takes
    three frames, and what a call costs shows."""
    cases = [(channels, kind, 65536, 0.5) for channels in (2, 4) for kind in FORMATS]
    return [_figure(*case, smoke) for case in (*cases, (4, FORMATS[1], 4096, 0.2))]


def _figure(channels: int, kind: Literal["i16", "f32"], read_bytes: int, goal: float, smoke: bool) -> Figure:
    frames, count = (2000 if smoke else 6000), ROWS * channels
    head, data = wire_bytes(channels, kind, frames)
    dtype = {"i16": "<i2", "f32": "<f4"}[kind]
    rows: dict[str, int] = {}

    def floor() -> None:
        rows["floor"] = 0
        for part in data.split(b"\0"):
            if not part:
                continue
            raw = cobs.decode(part)
            if zlib.crc32(raw[:-4]) == struct.unpack("<I", raw[-4:])[0]:
                rows["floor"] += len(np.frombuffer(raw, dtype, count, 25).reshape(-1, channels))

    def ours() -> None:
        decoder = FrameDecoder()
        decoder.feed(head)
        rows["ours"] = 0
        for start in range(0, len(data), read_bytes):
            items = decoder.feed(data[start : start + read_bytes])
            rows["ours"] += sum(len(item) for item in items if isinstance(item, Block))

    best = interleaved({"ours": ours, "floor": floor}, 5 if smoke else 9)
    total = frames * ROWS
    if not rows["ours"] == rows["floor"] == total:
        raise RuntimeError(f"{rows} rows came out of {total}")
    name = f"frames, {channels} channels {kind}, {read_bytes >> 10} KiB a call: decoder / bare loop"
    rates = {f"{name}_Mrows_per_s": total / taken / 1e6 for name, taken in best.items()}
    return Figure(name, best["floor"] / best["ours"], goal, "at least", measured=rates)


def wire_bytes(channels: int, kind: Literal["i16", "f32"], count: int) -> tuple[bytes, bytes]:
    """A description frame, and `count` frames of noise about half scale."""
    rng = np.random.default_rng(channels)
    scale = 5.0 / 32768 if kind == "i16" else 1.0
    described = [WireChannel(f"c{n}", "V", scale) for n in range(channels)]
    head = encode_description(0, "bench", 10_000.0, described, kind)
    samples = rng.normal(0.0, 0.2, (count * ROWS, channels))
    counts = (samples * 16384).astype(np.int16) if kind == "i16" else samples.astype(np.float32)
    frames = [encode_samples(n + 1, n * ROWS, n * ROWS * 100, counts[n * ROWS : (n + 1) * ROWS]) for n in range(count)]
    return head, b"".join(frames)
