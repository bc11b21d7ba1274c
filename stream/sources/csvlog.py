"""A CSV log as a source: its columns become the car file's channels, its stamps an even count of samples."""

from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import Car
from stream.errors import InputError
from stream.sources.csv_table import Header, Table, read_header, read_table
from stream.sources.source import SourceNote
from stream.sources.stamps import Sampled, count_rows, place_rows
from stream.wire.description import MAX_RATE_HZ

_BLOCK_ROWS: Final = 4096
_TIME_UNITS: Final = {"": 1.0, "s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "min": 60.0}


class CsvSource:
    """Reads a log, plain or gzip, whole at `open`, and hands it out in Blocks of up to 4096 rows.

    The clock is the column of the car file's channel with role `time`; `rate_hz` stands in where there is
    none, and beside it is the rate to resample at. A clock that runs back is taken as a restart: told as a
    'fault', the rows go on one period later, and the Block there is `restarted`. How many samples the log
    lacks is told once.
    """

    realtime = False

    def __init__(self, path: str | Path, car: Car, rate_hz: float | None = None) -> None:
        if rate_hz is not None and not 0 < rate_hz <= MAX_RATE_HZ:
            raise InputError(
                f"--rate: {rate_hz} is not a rate in Hz; give a number above zero, at most {MAX_RATE_HZ:g}"
            )
        self._path = Path(path)
        self._car = car
        self._rate_hz = rate_hz
        self._sampled: Sampled | None = None
        self._edges: list[int] = []
        self._next = 0
        self._began: datetime | None = None
        self._stopped = False
        self._notes: list[SourceNote] = []
        self._counters: dict[str, int] = {}

    def open(self) -> StreamInfo:
        """Read the log. Raises InputError that names the file, the line, the column and the cure."""
        header = read_header(self._path)
        channels = self._car.signal_channels
        places = [header.find(channel.csv_column, self._path) for channel in channels]
        time_place = self._time_place(header)
        table = read_table(self._path, header, places, time_place)
        sampled = self._sample(table, header, time_place)
        if not len(sampled.index):
            raise InputError(
                f"{self._path}: no row has a value in {', '.join(header.cells[place] for place in places)}"
            )
        self._sampled = sampled
        self._began = table.began
        self._edges = _edges(sampled)
        self._tell(table, sampled)
        infos = tuple(ChannelInfo(channel.name, channel.unit) for channel in channels)
        return StreamInfo(sampled.rate_hz, infos, self._path.name)

    @property
    def started_utc(self) -> datetime:
        """When the log began, by its first stamp where that is a date-time (UTC where it names no zone), else now."""
        began = self._began
        if began is None:
            return datetime.now(UTC)
        return began.astimezone(UTC) if began.tzinfo is not None else began.replace(tzinfo=UTC)

    def _time_place(self, header: Header) -> int | None:
        clock = self._car.by_role("time")
        if clock is None:
            if self._rate_hz is None:
                raise InputError(
                    f"{self._path}: the car file has no channel with role 'time'; "
                    "add one that names the log's time column, or give --rate HZ"
                )
            return None
        try:
            return header.find(clock.csv_column, self._path)
        except InputError as error:
            if self._rate_hz is None:
                raise InputError(f"{error}, or give --rate HZ") from None
            self._notes.append(SourceNote("note", 0, f"no column {clock.csv_column!r}: --rate is taken as it stands"))
            return None

    def _sample(self, table: Table, header: Header, time_place: int | None) -> Sampled:
        if table.time_s is None or time_place is None:
            return count_rows(table.values, self._rate_hz or 1.0)
        clock = self._car.by_role("time")
        unit = (clock.unit if clock else "") or header.unit(time_place)
        scale = _TIME_UNITS.get(unit, 1.0)
        try:
            return place_rows(table.values, table.time_s * scale, table.lines, self._rate_hz)
        except ValueError as error:
            name = header.cells[time_place]
            raise InputError(f"{self._path}: column {name!r}: {error}") from None

    def _tell(self, table: Table, sampled: Sampled) -> None:
        missing = sampled.index[-1] + 1 - len(sampled.index)
        cells = int(np.isnan(sampled.values).sum())
        self._counters = {
            "rows": len(table.values), "samples": len(sampled.index), "lost_samples": int(missing),
            "missing_cells": cells, "restarts": len(sampled.restarts), "resampled": int(sampled.resampled),
        }  # fmt: skip
        self._notes += [SourceNote("note", 0, text) for text in table.notes]
        last = len(sampled.index) - 1
        self._notes += [SourceNote(kind, int(sampled.index[min(row, last)]), text) for kind, row, text in sampled.notes]
        if missing:
            self._notes.append(SourceNote("note", 0, f"{missing} samples are missing in the log"))
        if cells:
            self._notes.append(SourceNote("note", 0, f"{cells} cells are missing in rows that have others"))

    def read(self, timeout_s: float) -> list[Block]:
        """The next Block, at once; nothing when the log has ended."""
        sampled = self._sampled
        if sampled is None or self.finished:
            return []
        start, end = self._edges[self._next], self._edges[self._next + 1]
        first = int(sampled.index[start])
        lost = first - int(sampled.index[start - 1]) - 1 if start else 0
        self._next += 1
        return [
            Block(
                samples=sampled.values[start:end].astype(np.float32),
                first=first,
                rate_hz=sampled.rate_hz,
                device_us=round(first * 1e6 / sampled.rate_hz),
                lost=lost,
                restarted=start in sampled.restarts,
            )
        ]

    @property
    def finished(self) -> bool:
        """True behind the last row, or after stop()."""
        return self._stopped or (self._sampled is not None and self._next >= len(self._edges) - 1)

    def take_notes(self) -> list[SourceNote]:
        """What was odd about the log, once."""
        notes, self._notes = self._notes, []
        return notes

    def counters(self) -> dict[str, int]:
        """Rows, samples, lost_samples, missing_cells, restarts, resampled (0 or 1)."""
        return dict(self._counters)

    def stop(self) -> None:
        """End before the log does."""
        self._stopped = True

    def close(self) -> None:
        """Let go of the log's memory."""
        self._stopped = True
        self._sampled = None


def _edges(sampled: Sampled) -> list[int]:
    """Rows at which Blocks begin, and the end: at every gap and restart, and after 4096 rows."""
    cuts = {
        0,
        len(sampled.index),
        *(np.flatnonzero(np.diff(sampled.index) != 1) + 1).tolist(),
        *sampled.restarts,
    }
    edges = sorted(cuts)
    full: list[int] = []
    for start, end in pairwise(edges):
        full.extend(range(start, end, _BLOCK_ROWS))
    return [*full, len(sampled.index)]
