"""Recording against a bare h5py append of whole chunks, both flushed twice a second of stream."""

import os
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.live.records import LiveHead
from stream.record.writer import SessionWriter
from tests.bench.figure import Figure, interleaved

RATE_HZ, CHANNELS = 10_000, 4
CHUNK = RATE_HZ // 2


def run(smoke: bool) -> list[Figure]:
    """4 channels × 10 kHz, half a second at a time, from the first append to the last flush. The floor waits for the
    disk as the session does: without that it keeps nothing through a power cut, and is told for comparison only."""
    seconds = 30 if smoke else 120
    samples = np.random.default_rng(4).normal(size=(seconds * RATE_HZ, CHANNELS)).astype(np.float32)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        parts = {
            "ours": lambda: _session(folder / "ours.h5", samples, journal=False),
            "floor": lambda: _bare(folder / "floor.h5", samples, sync=True),
            "with_journal": lambda: _session(folder / "journal.h5", samples, journal=True),
            "floor_unsynced": lambda: _bare(folder / "unsynced.h5", samples, sync=False),
        }
        best = interleaved(parts, 5 if smoke else 9)
    rates = {f"{name}_MB_per_s": samples.nbytes / taken / 1e6 for name, taken in best.items()}
    return [
        Figure("recording: session / bare h5py append", best["floor"] / best["ours"], 0.7, "at least", measured=rates),
        Figure(
            "recording with its journal: share of one core, %",
            100.0 * best["with_journal"] / seconds,
            2.0,
            "at most",
            measured={"floor_pct": 100.0 * best["floor"] / seconds},
        ),
    ]


def _session(path: Path, samples: np.ndarray, *, journal: bool) -> float:
    info = StreamInfo(float(RATE_HZ), tuple(ChannelInfo(name, "V") for name in "abcd"))
    writer = SessionWriter(
        path,
        info,
        "",
        LiveHead(load_unit="V"),
        tune="heron",
        started_utc=datetime.now(UTC),
        journal=journal,
    )
    begun = time.process_time()
    for start in range(0, len(samples), CHUNK):
        writer.append(Block(samples[start : start + CHUNK], start, float(RATE_HZ)))
        writer.flush()
    taken = time.process_time() - begun
    writer.finish()
    path.unlink()
    return taken


def _bare(path: Path, samples: np.ndarray, *, sync: bool) -> float:
    with h5py.File(path, "w", libver="earliest") as file:
        data = file.create_dataset("samples", (0, CHANNELS), "<f4", chunks=(CHUNK, CHANNELS), maxshape=(None, CHANNELS))
        handle = file.id.get_vfd_handle()
        begun = time.process_time()
        for start in range(0, len(samples), CHUNK):
            data.resize(start + CHUNK, axis=0)
            data[start : start + CHUNK] = samples[start : start + CHUNK]
            file.flush()
            if sync:
                os.fsync(handle)
        taken = time.process_time() - begun
    path.unlink()
    return taken
