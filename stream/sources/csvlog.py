"""A CSV log as a source: its columns become the car file's channels, its stamps an even count of samples."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import Car, Channel
from stream.errors import InputError
from stream.findings import Finding, note, warning
from stream.sources.csv_head import Header, read_header
from stream.sources.csv_table import BadLine, Table, lines_left_out, read_table
from stream.sources.source import SourceNote
from stream.sources.stamp_text import Clock, on_one_count, stamp_words, unit_s
from stream.sources.stamps import Sampled, count_rows, place_rows
from stream.units import differ
from stream.wire.items import MAX_RATE_HZ, MIN_RATE_HZ

_BLOCK_ROWS: Final = 4096
# chosen: below, no hold of three seconds and no pull can be seen; above, no logger writes text
LEAST_HZ, MOST_HZ = 0.2, 200_000.0


class CsvSource:
    """Reads a log, plain or gzip, whole at `open`, and hands it out in Blocks of up to 4096 rows.

    The clock is the column of the car file's channel with role `time`; `rate_hz` stands in where there is
    none, and beside it is the rate to resample at. A clock that runs back and stays there is a restart: the rows go on
    one period later, and the Block there is `restarted`. Channels that the log has no column for are left out, engine
    speed excepted. `findings` says what was odd about the log; each is a note as well.
    """

    realtime = False

    def __init__(self, path: str | Path, car: Car, rate_hz: float | None = None) -> None:
        if rate_hz is not None and not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
            raise InputError(
                f"{rate_hz:g} rows a second is no rate of a log; give one from {MIN_RATE_HZ:g} to {MAX_RATE_HZ:g} Hz",
                "rate-out-of-range",
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
        self.findings: list[Finding] = []

    def open(self) -> StreamInfo:
        """Read the log. Raises InputError that names the file, the line, the column and the cure."""
        clock = self._car.by_role("time")
        wanted = [channel.csv_column for channel in (*self._car.signal_channels, *([clock] if clock else []))]
        header = read_header(self._path, wanted)
        channels, places = self._columns(header)
        time_place = self._time_place(header)
        table = read_table(header, places, time_place)
        rows = len(table.values) + len(table.left_out.bad)
        sampled = self._sample(table, header, time_place)
        table.left_out.check(rows)
        if not len(sampled.index):
            raise InputError(
                f"{self._path}: no row has a value in {', '.join(header.cells[place] for place in places)}"
            )
        self._sampled = sampled
        self._edges = rows_to_edges(sampled)
        self._tell(table, sampled, rows)
        infos = tuple(ChannelInfo(channel.name, channel.unit) for channel in channels)
        return StreamInfo(sampled.rate_hz, infos, self._path.name)

    def _columns(self, header: Header) -> tuple[list[Channel], list[int]]:
        """The channels that the log has, and their columns. Raises InputError where engine speed is not among them."""
        channels, places, missing = [], [], []
        for channel in self._car.signal_channels:
            if channel.role != "engine_speed" and not header.has(channel.csv_column):
                try:
                    header.find(channel.csv_column)
                except InputError as error:
                    if error.code != "no-column":
                        raise
                missing.append(channel)
                continue
            place = header.find(channel.csv_column)
            channels.append(channel)
            places.append(place)
            theirs = header.unit(place)
            if differ(channel.unit, theirs):
                self._reported(
                    "fault",
                    0,
                    warning(
                        "log-unit-differs",
                        column=header.cells[place],
                        log_unit=theirs,
                        channel=channel.name,
                        car_unit=channel.unit,
                    ),
                )
        if not channels:
            header.find(self._car.signal_channels[0].csv_column)
        for channel in missing:
            self._reported(
                "fault",
                0,
                warning(
                    "log-lacks-column",
                    channel=channel.name,
                    column=channel.csv_column,
                    role=channel.role,
                    line=header.line,
                    have=header.cells[:40],
                ),
            )
        return channels, places

    @property
    def started_utc(self) -> datetime:
        """When the log began, by its first stamp where that is a date-time (UTC where it names no zone), else now."""
        began = self._began
        if began is None:
            return datetime.now(UTC)
        return began.astimezone(UTC) if began.tzinfo is not None else began.replace(tzinfo=UTC)

    @property
    def dated(self) -> bool:
        """Whether the log itself says when it began."""
        return self._began is not None

    def _time_place(self, header: Header) -> int | None:
        clock = self._car.by_role("time")
        if clock is None:
            if self._rate_hz is None:
                raise InputError(
                    f"{self._path}: the car file has no channel with role 'time'; "
                    "add one that names the log's time column",
                    "no-rate",
                )
            return None
        try:
            return header.find(clock.csv_column)
        except InputError as error:
            if self._rate_hz is None:
                raise InputError(str(error), "no-rate") from None
            self._reported("note", 0, note("rate-instead-of-clock", column=clock.csv_column, rate_hz=self._rate_hz))
            return None

    def _sample(self, table: Table, header: Header, time_place: int | None) -> Sampled:
        if table.stamps is None or time_place is None:
            return count_rows(table.values, self._rate_hz or 1.0)
        channel = self._car.by_role("time")
        own, theirs = "" if channel is None else channel.unit, header.unit(time_place)
        both = [unit_s(unit) for unit in (own, theirs) if unit.strip()]
        if len(both) == 2 and None not in both and both[0] != both[1]:
            raise InputError(
                f"{self._path}: line {header.line}: column {header.cells[time_place]!r} is in {theirs!r} by the log "
                f"and in {own!r} by the car file; mend the unit in the car file",
                "clock-unit-differs",
            )
        unit = own or theirs
        scale = unit_s(unit) or 1.0
        clock = on_one_count(table.stamps, table.form, scale, table.began)
        name = header.cells[time_place]
        try:
            sampled = place_rows(table.values, clock.time_s, table.lines, self._rate_hz)
        except InputError as error:
            table.left_out.check(len(table.values) + len(table.left_out.bad))
            raise InputError(f"{self._path}: column {name!r}: {error}", error.code, **error.values) from None
        if not LEAST_HZ <= sampled.rate_hz <= MOST_HZ:
            raise InputError(
                f"{self._path}: column {name!r}: {sampled.rate_hz:.3g} rows a second by these stamps, which no logger "
                f"writes; the car file says that they are in {unit or 's'!r}: write the unit that they are in",
                "log-rate-odd",
            )
        for row in sampled.left_out.tolist():
            text = stamp_words(float(table.stamps[row]), table.form, table.began)
            table.left_out.bad.append(BadLine(int(table.lines[row]), "stamp-off-line", name, text))
        self._began = _began(clock, sampled.left_out)
        return sampled

    def _tell(self, table: Table, sampled: Sampled, rows: int) -> None:
        missing = int(sampled.index[-1]) + 1 - len(sampled.index)
        cells = int(np.isnan(sampled.values).sum())
        self._counters = {
            "rows": rows,
            "samples": len(sampled.index),
            "lost_samples": missing,
            "missing_cells": cells,
            "lines_left_out": len(table.left_out.bad),
            "restarts": len(sampled.restarts),
            "resampled": int(sampled.resampled),
        }
        for finding in lines_left_out(table.left_out, rows):
            self._reported("fault", 0, finding)
        if table.cut_off:
            self._reported("note", 0, note("last-row-cut-off", line=table.cut_off))
        if table.headers:
            self._reported("note", 0, note("header-repeated", count=table.headers))
        last = len(sampled.index) - 1
        for row, finding in sampled.findings:
            kind = "fault" if finding.severity == "warning" else "note"
            self._reported(kind, int(sampled.index[min(row, last)]), finding)
        if missing:
            self._reported("note", 0, note("samples-missing", count=missing))
        if cells:
            self._reported("note", 0, note("cells-missing", count=cells))

    def _reported(self, kind: str, index: int, finding: Finding) -> None:
        self.findings.append(finding)
        self._notes.append(SourceNote(kind, index, finding))

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
        """Rows, samples, lost_samples, missing_cells, lines_left_out, restarts, resampled (0 or 1)."""
        return dict(self._counters)

    def stop(self) -> None:
        """End before the log does."""
        self._stopped = True

    def close(self) -> None:
        """Let go of the log's memory."""
        self._stopped = True
        self._sampled = None


def _began(clock: Clock, left_out: npt.NDArray[np.int64]) -> datetime | None:
    """When the first row that is used was written, where the log says it."""
    if clock.began is None:
        return None
    usable = np.isfinite(clock.time_s)
    usable[left_out] = False
    first = clock.time_s[usable][:1].tolist()
    return clock.began + timedelta(seconds=first[0]) if first else None


def rows_to_edges(sampled: Sampled) -> list[int]:
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
