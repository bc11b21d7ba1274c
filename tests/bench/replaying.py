"""Replay at full pace against the time that was recorded, and against a bare h5py read and sosfilt."""

import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np
from scipy import signal

from stream.block import Block
from stream.drive.offline import run_offline
from stream.live.records import LiveHead
from stream.record.writer import SessionWriter
from stream.sources.replay import ReplaySource
from tests.bench.figure import Figure, interleaved
from tests.drives import Plan, car, info

RATE_HZ = 1000.0
CHUNK = 500


def run(smoke: bool) -> list[Figure]:
    """A drive of holds, ramps and pulls, two pulls a minute, 2 channels × 1 kHz: read and judged; and written anew
    besides. The full bench's twenty minutes show what a judgement that grows with the session costs."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        seconds = record_drive(folder / "drive.h5", 120.0 if smoke else 1200.0)
        found: list[int] = []

        def ours(out: Path | None) -> float:
            if out is not None:
                out.unlink(missing_ok=True)
            source = ReplaySource(folder / "drive.h5")
            begun = time.process_time()
            stage = run_offline(source, car(), tune="heron", gear=None, started_utc=datetime.now(UTC), path=out)
            taken = time.process_time() - begun
            found.extend((len(stage.holds), len(stage.pulls)))
            return taken

        parts = {
            "ours": lambda: ours(None),
            "floor": lambda: _floor(folder / "drive.h5"),
            "writing": lambda: ours(folder / "again.h5"),
        }
        best = interleaved(parts, 5)
    if not min(found):
        raise RuntimeError("the replay found no hold, or no pull")
    pace = {f"{name}_x_real_time": seconds / taken for name, taken in best.items()}
    return [
        Figure("replay, 2 channels × 1 kHz: × real time", pace["ours_x_real_time"], 300.0, "at least", measured=pace),
        Figure("replay: cost / h5py read and sosfilt", best["ours"] / best["floor"], 12.0, "at most"),
    ]


def record_drive(path: Path, seconds: float) -> float:
    """Write a drive as a session of raw samples, to be replayed; its length in seconds."""
    plan = Plan(11, RATE_HZ).hold(900, 5)
    while plan.time_s < seconds:
        plan.ramp(plan.rng.uniform(1500, 6500), plan.rng.uniform(150, 600)).hold(plan.now, plan.rng.uniform(4.5, 12))
        plan.ramp(1500, 700).hold(1500, 4).ramp(7000, 700)
    samples = plan.ramp(900, 1200).samples()
    samples[: round(4 * RATE_HZ), 1] = plan.rng.normal(0.1, 0.002, round(4 * RATE_HZ))  # it stands, in neutral
    writer = SessionWriter(
        path,
        info(RATE_HZ),
        car().text,
        LiveHead(load_unit="mV/V"),
        tune="heron",
        started_utc=datetime.now(UTC),
        journal=False,
    )
    for start in range(0, len(samples), CHUNK):
        writer.append(Block(samples[start : start + CHUNK], start, RATE_HZ))
    writer.finish()
    return len(samples) / RATE_HZ


def _floor(path: Path) -> None:
    """The two things that a replay cannot do without, half a second at a time as the replay does them."""
    sections = signal.butter(4, 10.0, fs=RATE_HZ, output="sos")
    state = np.zeros((len(sections), 2, 2))
    with h5py.File(path, "r") as file:
        raw = file["raw/samples"]
        for start in range(0, len(raw), CHUNK):
            _, state = signal.sosfilt(sections, raw[start : start + CHUNK], axis=0, zi=state)
