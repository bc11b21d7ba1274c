"""Recording against a bare h5py append of whole chunks, both flushed twice a second of stream."""

import tempfile
from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.record.writer import SessionWriter
from tests.bench.figure import Figure, interleaved

RATE_HZ, CHANNELS = 10_000, 4
CHUNK = RATE_HZ // 2


def run(smoke: bool) -> list[Figure]:
    """4 channels × 10 kHz, half a second at a time: with the journal beside it, and without as an import has it."""
    seconds = 30 if smoke else 120
    samples = np.random.default_rng(4).normal(size=(seconds * RATE_HZ, CHANNELS)).astype(np.float32)
    with tempfile.TemporaryDirectory() as folder:
        return _figures(Path(folder), samples, smoke)


def _figures(folder: Path, samples: np.ndarray, smoke: bool) -> list[Figure]:
    number = iter(range(10_000))
    starts = range(0, len(samples), CHUNK)

    def ours(journal: bool) -> None:
        path = folder / f"{next(number)}.h5"
        info = StreamInfo(float(RATE_HZ), tuple(ChannelInfo(n, "V") for n in "abcd"))
        writer = SessionWriter(
            path, info, "", tune="heron", started_utc=datetime.now(UTC), live_rate_hz=100.0, live_filter="none",
            live_delay_s=0.0, load_unit="V", calibration="provisional", journal=journal,
        )  # fmt: skip
        for start in starts:
            writer.append(Block(samples[start : start + CHUNK], start, float(RATE_HZ)))
            writer.flush()
        writer.finish()
        path.unlink()

    def floor() -> None:
        path = folder / f"{next(number)}.h5"
        with h5py.File(path, "w", libver="earliest") as file:
            data = file.create_dataset("samples", (0, CHANNELS), "<f4", chunks=(CHUNK, CHANNELS), maxshape=(None, CHANNELS))
            for start in starts:
                data.resize(start + CHUNK, axis=0)
                data[start : start + CHUNK] = samples[start : start + CHUNK]
                file.flush()
        path.unlink()

    parts = {"ours": lambda: ours(False), "floor": floor, "journal": lambda: ours(True)}
    best = interleaved(parts, 5 if smoke else 9)
    rate = {name: samples.nbytes / seconds / 1e6 for name, seconds in best.items()}
    return [
        Figure("recording: session / bare h5py append", best["floor"] / best["ours"], 0.7, "at least", 0.3,
               measured={"ours_MB_per_s": rate["ours"], "floor_MB_per_s": rate["floor"]}),
        Figure("recording, with its journal: share of one core at 10 kHz × 4", best["journal"] / (len(samples) / RATE_HZ),
               0.05, "at most", 1.0, ratio=False, measured={"journal_MB_per_s": rate["journal"]}),
    ]  # fmt: skip
