"""Session files for tests: rehearsal drives through the live stage into a file, as a drive would record them."""

import hashlib
import shutil
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import parse_car
from stream.drive.offline import run_offline
from stream.live.records import PullFault
from stream.record.change import change_session
from stream.record.tables import Zero, append_rows, zero_rows
from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.scenario import demo_car_text, pull_session
from stream.sources.source import SourceNote
from tests.shared import made_once

HALF_SECOND = 500


class RecordingSource:
    """A rehearsal recording as a source, without a serial line."""

    realtime = False

    def __init__(self, recording: Recording) -> None:
        self.recording, self.row = recording, 0

    def open(self) -> StreamInfo:
        channels = tuple(ChannelInfo(channel.name, channel.unit) for channel in self.recording.channels)
        return StreamInfo(self.recording.rate_hz, channels, "rehearsal car")

    def read(self, timeout_s: float) -> list[Block]:
        """The next half second, or what there is up to the next gap."""
        lost = sum(count for row, count in self.recording.gaps if row == self.row)
        ends = [row for row, _ in self.recording.gaps if row > self.row]
        end = min([self.row + HALF_SECOND, len(self.recording.counts), *ends])
        part = slice(self.row, end)
        first = int(self.recording.index[self.row])
        self.row = end
        return [Block(self.recording.samples[part], first, self.recording.rate_hz, lost=lost)]

    @property
    def finished(self) -> bool:
        return self.row >= len(self.recording.counts)

    def take_notes(self) -> list[SourceNote]:
        return []

    def counters(self) -> dict[str, int]:
        return {}

    def stop(self) -> None:
        self.row = len(self.recording.counts)

    def close(self) -> None:
        pass


def write_pull_session(
    path: Path,
    seed: int,
    tune: str,
    *,
    pulls: int = 3,
    faults: Sequence[PullFault] = (),
    started: datetime | None = None,
    zero: bool = True,
    note: str = "",
) -> Path:
    """A session of pulls on one tune, with the zeros that a person would declare while the car stands."""
    began = started or datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
    wanted = (seed, tune, pulls, tuple(faults), began, zero, note)
    name = f"pulls-{hashlib.sha256(repr(wanted).encode()).hexdigest()[:16]}"
    shutil.copy(made_once(name, lambda folder: _make(folder / "made.h5", *wanted)) / "made.h5", path)
    return path


def _make(
    path: Path,
    seed: int,
    tune: str,
    pulls: int,
    faults: tuple[PullFault, ...],
    started: datetime,
    zero: bool,
    note: str,
) -> None:
    recording = pull_session(seed, tune, pulls=pulls, faults=faults)
    car = parse_car(demo_car_text())
    stage = run_offline(RecordingSource(recording), car, tune=tune, gear=3, started_utc=started, note=note, path=path)
    if zero:
        end = stage.time_s
        spans = [(0.5, 5.0), (end - 5.0, end - 0.5)]
        link = recording.samples[:, 1]
        rows = []
        for start, stop in spans:
            part = link[(recording.time_s >= start) & (recording.time_s < stop)].astype(np.float64)
            rows.append(Zero(start_s=start, end_s=stop, mean=float(part.mean()), doubt=0.001, how="standing"))

        def edit(file: Any) -> None:
            append_rows(file, "zeros", zero_rows(rows))

        change_session(path, edit)
