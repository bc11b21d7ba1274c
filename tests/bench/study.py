"""Curve and comparison of 200 pulls, ten minutes of each tune at 1 kHz, from session files, beside the bare sums."""

import tempfile
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import h5py
import numpy as np

from stream.block import ChannelInfo, StreamInfo
from stream.car import parse_car
from stream.drive.offline import run_offline
from stream.study.compare.compare import compare
from stream.study.compare.curve import curves
from stream.study.dataset import open_datasets
from stream.study.pulls import all_traces
from tests.bench.figure import Figure, interleaved
from tests.pull_logs import RPM_AT_0V, RPM_PER_V, car_text, full_load
from tests.stream.study.rehearsed import SamplesSource

RATE_HZ = 1000.0
PULLS = 50  # in each of four sessions of five minutes
EDGES = np.arange(2250.0, 5500.0, 250.0)


def run(smoke: bool) -> list[Figure]:
    """Seconds of processor time, and the ratio to reading the same rows and adding them up."""
    found = measure(2 if smoke else 5)
    name = "curve and comparison, 200 pulls, 20 min at 1 kHz"
    return [
        Figure(f"{name}: seconds", found["study_s"], 1.0, "at most", measured=found),
        Figure(f"{name}: study / bare read and numpy reduction", found["ratio"], 25.0, "at most"),
    ]


def measure(rounds: int = 5) -> dict[str, float]:
    """pulls, rows (raw), study_s, bare_s and their ratio."""
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / f"{place}.h5" for place in range(4)]
        for place, path in enumerate(paths):
            _write(path, place)
        pulls, _ = all_traces(open_datasets(paths))
        times = interleaved({"study": lambda: _study(paths), "bare": lambda: _bare(paths)}, rounds)
    return {
        "pulls": float(sum(pull.usable for pull in pulls)),
        "rows": 4 * PULLS * 6 * RATE_HZ,
        "study_s": times["study"],
        "bare_s": times["bare"],
        "ratio": times["study"] / times["bare"],
    }


def _study(paths: Sequence[Path]) -> None:
    pulls, _ = all_traces(open_datasets(paths))
    curves(pulls)
    compare(pulls, "heron", "plover")


def _bare(paths: Sequence[Path]) -> None:
    """The least that reading and reducing the same rows takes; no lag, no verdicts, no intervals."""
    for path in paths:
        with h5py.File(path) as file:
            time, speed, load = (file[f"live/{name}"][:] for name in ("time", "speed", "load"))
            spans = np.column_stack([file["pulls"]["start_s"], file["pulls"]["end_s"]])
        for start, end in np.searchsorted(time, spans):
            rpm, force = speed[start:end], load[start:end]
            middle = (force[1:] + force[:-1]) / 2
            np.add.reduceat(middle * np.diff(rpm), np.minimum(np.searchsorted(rpm, EDGES), len(middle) - 1))


def _write(path: Path, place: int) -> None:
    """Five minutes of pulls: 3.5 s up, 1.5 s down, 1 s of cruise."""
    rng = np.random.default_rng(place)
    up, down = np.arange(2000.0, 5500.0, 1000.0 / RATE_HZ), np.arange(5500.0, 2000.0, -3500.0 / 1.5 / RATE_HZ)
    cruise = np.full(round(RATE_HZ), 2000.0)
    rpm = np.tile(np.concatenate([cruise, up, down]), PULLS)
    parts = []
    for _ in range(PULLS):
        level = (1.0 + 0.03 * (place % 2)) * (1.0 + rng.normal(0.0, 0.01))
        parts += [np.full(len(cruise), 0.1), level * full_load(up), np.full(len(down), -0.05)]
    load = np.concatenate(parts) + 0.01 * rng.standard_normal(len(rpm))
    volts = (rpm - RPM_AT_0V) / RPM_PER_V + 0.002 * rng.standard_normal(len(rpm))
    info = StreamInfo(RATE_HZ, (ChannelInfo("volts", "V"), ChannelInfo("load", "mV/V")), "bench")
    run_offline(
        SamplesSource(info, np.column_stack([volts, load])),
        parse_car(car_text(lag_s=0.0)),
        tune=("heron", "plover")[place % 2],
        gear=3,
        path=path,
        started_utc=datetime(2026, 5, 2, 9, tzinfo=UTC) + timedelta(minutes=6 * place),
    )


if __name__ == "__main__":
    print(measure())
