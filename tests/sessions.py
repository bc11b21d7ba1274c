"""Sessions on disk for tests: samples of a drive, recorded as the program records them."""

from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import parse_car
from stream.errors import InputError
from stream.live.stage import LiveStage
from stream.record.journal import JournalBlock, JournalReader
from stream.record.writer import SessionWriter

STARTED = datetime(2026, 6, 1, 9, 30, tzinfo=UTC)


def write_session(
    path: Path,
    samples: np.ndarray,
    rate_hz: float,
    car_text: str,
    *,
    tune: str = "heron",
    started: datetime = STARTED,
    gaps: dict[int, int] | None = None,
) -> Path:
    """Record float32 samples (n, channels) in the order of the car file's channels; gaps {row: samples lost before}."""
    car = parse_car(car_text)
    info = StreamInfo(rate_hz, tuple(ChannelInfo(c.name, c.unit) for c in car.signal_channels))
    stage = LiveStage(car, info, None, tune, None)
    writer = SessionWriter(
        path,
        info,
        car_text,
        stage.head,
        tune=tune,
        started_utc=started,
        journal=False,
    )
    gaps = gaps or {}
    lost_so_far = 0
    for start, end in pairwise(sorted({0, len(samples), *range(0, len(samples), 500), *gaps})):
        lost = gaps.get(start, 0)
        lost_so_far += lost
        block = Block(samples[start:end], start + lost_so_far, rate_hz, lost=lost)
        writer.append(block)
        writer.append_live(stage.push(block))
    stage.finish()
    writer.finish(stage.holds, stage.pinned, stage.pulls)
    return path


def journalled(journal: Path) -> int:
    """Rows that a recording's journal holds whole by now; 0 where there is none yet."""
    try:
        with JournalReader(journal) as reader:
            return sum(len(item.block) for item in reader.items() if isinstance(item, JournalBlock))
    except InputError:
        return 0
