"""Sessions from arrays, through the live stage and the writer, for tests that make their own truth."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import parse_car
from stream.drive.offline import run_offline
from stream.sources.source import SourceNote

BEGAN = datetime(2026, 5, 2, 9, 0, tzinfo=UTC)


class ArraySource:
    """Columns of equal length as a source without a wire."""

    realtime = False

    def __init__(self, info: StreamInfo, samples: np.ndarray) -> None:
        self._info, self._samples, self._done = info, samples, False

    def open(self) -> StreamInfo:
        return self._info

    def read(self, timeout_s: float) -> list[Block]:
        self._done = True
        step, rate = 4096, self._info.rate_hz
        return [Block(self._samples[at : at + step], at, rate) for at in range(0, len(self._samples), step)]

    @property
    def finished(self) -> bool:
        return self._done

    def take_notes(self) -> list[SourceNote]:
        return []

    def counters(self) -> dict[str, int]:
        return {}

    def stop(self) -> None:
        self._done = True

    def close(self) -> None:
        self._done = True


def write_session(path: Path, car_text: str, rate_hz: float, columns: dict[str, np.ndarray], tune: str = "heron",
                  gear: int | None = None, began: datetime = BEGAN) -> Path:  # fmt: skip
    """A finished session with these channels; units are those of the car file."""
    car = parse_car(car_text, "test")
    units = {channel.name: channel.unit for channel in car.channel}
    info = StreamInfo(rate_hz, tuple(ChannelInfo(name, units.get(name, "")) for name in columns), "test")
    samples = np.column_stack(list(columns.values())).astype(np.float32)
    run_offline(ArraySource(info, samples), car, tune=tune, gear=gear, started_utc=began, path=path)
    return path
