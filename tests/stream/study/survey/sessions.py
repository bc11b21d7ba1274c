"""Sessions for tests of the survey: samples into a file, by the recorder or by the whole offline path."""

from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import Car, parse_car
from stream.drive.offline import run_offline
from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.scenario import demo_car_text
from stream.sources.source import SourceNote
from tests.drives import info

STARTED = datetime(2026, 6, 1, 9, 30, tzinfo=UTC)


class Samples:
    """A source that hands out samples it was given, gaps {row: samples lost before it}."""

    realtime = False

    def __init__(self, samples: np.ndarray, stream: StreamInfo, gaps: dict[int, int] | None = None) -> None:
        self._samples, self._info, self._gaps = samples, stream, gaps or {}
        self.finished = False

    def open(self) -> StreamInfo:
        return self._info

    def read(self, timeout_s: float) -> list[Block]:
        self.finished = True
        step = max(1, int(self._info.rate_hz))
        borders = sorted({*range(0, len(self._samples), step), *self._gaps, len(self._samples)})
        blocks, lost_so_far = [], 0
        for start, end in pairwise(borders):
            lost = self._gaps.get(start, 0)
            lost_so_far += lost
            blocks.append(Block(self._samples[start:end], start + lost_so_far, self._info.rate_hz, lost=lost))
        return blocks

    def take_notes(self) -> list[SourceNote]:
        return []

    def counters(self) -> dict[str, int]:
        return {}

    def stop(self) -> None: ...

    def close(self) -> None: ...


def record_samples(
    path: Path,
    samples: np.ndarray,
    rate_hz: float,
    car: Car,
    stream: StreamInfo | None = None,
    gaps: dict[int, int] | None = None,
) -> Path:
    """Samples as a session, holds and pulls found in them."""
    source = Samples(samples.astype(np.float32), stream or info(rate_hz), gaps)
    run_offline(source, car, tune="heron", gear=3, started_utc=STARTED, path=path)
    return path


def record_rehearsal(
    path: Path, recording: Recording, extra: tuple[str, ...] = (), car_text: str | None = None
) -> Path:
    """A rehearsal drive as a session."""
    channels = tuple(ChannelInfo(channel.name, channel.unit) for channel in recording.channels)
    car = parse_car(demo_car_text(extra) if car_text is None else car_text)
    stream = StreamInfo(recording.rate_hz, channels, "rehearsal car")
    return record_samples(path, recording.samples, recording.rate_hz, car, stream, dict(recording.gaps))
