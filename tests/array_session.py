"""Sessions from arrays, through the live stage and the writer, for tests that make their own truth."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from stream.block import ChannelInfo, StreamInfo
from stream.car import parse_car
from stream.drive.offline import run_offline
from tests.stream.study.rehearsed import SamplesSource

BEGAN = datetime(2026, 5, 2, 9, 0, tzinfo=UTC)


def write_session(
    path: Path,
    car_text: str,
    rate_hz: float,
    columns: dict[str, np.ndarray],
    tune: str = "heron",
    gear: int | None = None,
    began: datetime = BEGAN,
) -> Path:
    """A finished session with these channels; units are those of the car file."""
    car = parse_car(car_text, "test")
    units = {channel.name: channel.unit for channel in car.channel}
    info = StreamInfo(rate_hz, tuple(ChannelInfo(name, units.get(name, "")) for name in columns), "test")
    samples = np.column_stack(list(columns.values())).astype(np.float32)
    run_offline(SamplesSource(info, samples), car, tune=tune, gear=gear, started_utc=began, path=path)
    return path
