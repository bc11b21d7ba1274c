"""A log that a reader for its file format has read: columns, each with a clock of its own, become an even count.

A reader is a function `read(path, columns) -> LogFile`, found by the file name's ending (`plugins.py`).

ASAM MDF logs (versions 3 and 4: *.mdf, *.mf4) come by the library asammdf, of the optional part `mdf`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from stream.block import ChannelInfo, StreamInfo
from stream.car import Car, Channel
from stream.errors import InputError, SteadypullError, reason_of
from stream.findings import Finding, note, warning
from stream.frames import library
from stream.sources.csvlog import CsvSource, rows_to_edges
from stream.sources.stamps import place_rows
from stream.units import Floats, differ


@dataclass(frozen=True, slots=True)
class LogColumn:
    """One quantity of a log.

    time_s, values   (samples,) float64 each, rising seconds from any zero that all columns share; NaN is missing
    """

    name: str
    unit: str
    time_s: Floats
    values: Floats


@dataclass(frozen=True, slots=True)
class LogFile:
    """What a reader gives back.

    columns       those of the wanted ones that the log has, in any order
    names         every column of the log, for the person who named one wrongly
    started_utc   when time 0 was; None where the log does not say (one without a time zone is taken as UTC)
    """

    columns: tuple[LogColumn, ...]
    names: tuple[str, ...]
    started_utc: datetime | None = None


Reader = Callable[[Path, Sequence[str]], LogFile]


@dataclass(frozen=True, slots=True)
class Laid:
    """The car file's channels that the log has, on one clock: that of the column with the most samples."""

    channels: tuple[Channel, ...]
    time_s: Floats
    values: Floats  # (rows, channels)
    started_utc: datetime | None
    findings: tuple[Finding, ...]


class ReaderSource(CsvSource):
    """A log in another format than CSV as a source; `read_log` reads it, the rest is as for a CSV log."""

    def __init__(self, path: str | Path, car: Car, rate_hz: float | None, read_log: Reader) -> None:
        super().__init__(path, car, rate_hz)
        self._read_log = read_log

    def open(self) -> StreamInfo:
        """Read the log. Raises InputError that names the file, the column and the cure."""
        laid = lay(self._path, self._car, self._read_log)
        for finding in laid.findings:
            self._reported("fault", 0, finding)
        rows = np.arange(len(laid.time_s), dtype=np.int64)
        try:
            sampled = place_rows(laid.values, laid.time_s, rows, self._rate_hz)
        except InputError as error:
            raise InputError(f"{self._path}: {error}", error.code, **error.values) from None
        self._sampled = sampled
        self._edges = rows_to_edges(sampled)
        self._began = laid.started_utc
        missing = int(sampled.index[-1]) + 1 - len(sampled.index)
        self._counters = {
            "rows": len(rows),
            "samples": len(sampled.index),
            "lost_samples": missing,
            "restarts": len(sampled.restarts),
            "resampled": int(sampled.resampled),
        }
        for row, finding in sampled.findings:
            kind = "fault" if finding.severity == "warning" else "note"
            self._reported(kind, int(sampled.index[min(row, len(sampled.index) - 1)]), finding)
        if missing:
            self._reported("note", 0, note("samples-missing", count=missing))
        infos = tuple(ChannelInfo(channel.name, channel.unit) for channel in laid.channels)
        return StreamInfo(sampled.rate_hz, infos, self._path.name)


def lay(path: Path, car: Car, read_log: Reader) -> Laid:
    """Read a log and lay its columns over one clock. Raises InputError that names the file, the column and the cure."""
    log = _read(path, [channel.csv_column for channel in car.signal_channels], read_log)
    by_name = {column.name.strip().casefold(): column for column in log.columns}
    have = tuple(log.names[:40])
    channels, columns, findings = [], [], []
    for channel in car.signal_channels:
        column = by_name.get(channel.csv_column.strip().casefold())
        if column is None or not len(column.values):
            findings.append(
                warning(
                    "log-lacks-column",
                    channel=channel.name,
                    column=channel.csv_column,
                    role=channel.role,
                    line=None,
                    have=have,
                )
            )
            if channel.role == "engine_speed":
                named = ", ".join(map(repr, have)) or "none"
                raise InputError(
                    f"{path}: has no column {channel.csv_column!r} for channel {channel.name!r}; its columns are "
                    f"{named}; set 'column' of that channel in the car file",
                    "no-column",
                )
            continue
        if differ(channel.unit, column.unit):
            findings.append(
                warning(
                    "log-unit-differs",
                    column=column.name,
                    log_unit=column.unit,
                    channel=channel.name,
                    car_unit=channel.unit,
                )
            )
        channels.append(channel)
        columns.append(column)
    if not columns:
        named = ", ".join(map(repr, have)) or "none"
        raise InputError(f"{path}: has none of the car file's columns; its columns are {named}", "no-column")
    clock = max(columns, key=lambda column: len(column.time_s)).time_s
    values = np.column_stack([_over(clock, column) for column in columns])
    return Laid(tuple(channels), clock, values, _utc(log.started_utc), tuple(findings))


def _read(path: Path, columns: Sequence[str], read_log: Reader) -> LogFile:
    if not path.is_file():
        raise InputError(f"{path}: no such log; check the name")
    try:
        return read_log(path, columns)
    except SteadypullError:
        raise
    except Exception as error:
        raise InputError(
            f"{path}: the reader for {path.suffix} cannot read it ({reason_of(error)}); check the file"
        ) from error


def _over(clock: Floats, column: LogColumn) -> Floats:
    """A column's values on another clock, on the line between its samples; NaN where none is within 1.5 steps."""
    known = np.isfinite(column.values) & np.isfinite(column.time_s)
    time, values = column.time_s[known].astype(np.float64), column.values[known].astype(np.float64)
    if len(column.time_s) == len(clock) and np.array_equal(column.time_s, clock):
        return np.asarray(column.values, np.float64)
    if len(time) < 2:
        return np.full(len(clock), np.nan)
    step = float(np.median(np.diff(time)))
    after = np.clip(np.searchsorted(time, clock), 1, len(time) - 1)
    near = np.minimum(np.abs(clock - time[after]), np.abs(clock - time[after - 1])) <= 1.5 * step
    return np.where(near, np.interp(clock, time, values, left=np.nan, right=np.nan), np.nan)


def _utc(moment: datetime | None) -> datetime | None:
    if moment is None:
        return None
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def read(path: Path, columns: Sequence[str]) -> LogFile:
    """The wanted columns, in their physical values; of several channels of one name the one with the most samples.

    Raises InputError where asammdf is not installed or the file is damaged.
    """
    asammdf = library("asammdf", "mdf")
    try:
        with asammdf.MDF(path) as file:
            names = tuple(name for name in file.channels_db if not _is_clock(file, name))
            by_name = {name.casefold(): name for name in names}
            wanted = [by_name[column.casefold()] for column in columns if column.casefold() in by_name]
            found = [column for name in dict.fromkeys(wanted) if (column := _column(file, name)) is not None]
            started = file.header.start_time
    except OSError:
        raise
    except Exception as error:
        raise InputError(f"{path}: is no ASAM MDF file that can be read ({reason_of(error)}); check it") from error
    return LogFile(tuple(found), names, started if isinstance(started, datetime) else None)


def _is_clock(file: Any, name: str) -> bool:
    places = file.channels_db[name]
    return all(file.masters_db.get(group) == index for group, index in places)


def _column(file: Any, name: str) -> LogColumn | None:
    """One channel by name; None where none of that name holds plain numbers."""
    best: Any = None
    for group, index in file.channels_db[name]:
        signal = file.get(group=group, index=index, ignore_invalidation_bits=False)
        if signal.samples.ndim != 1 or signal.samples.dtype.kind not in "fiub":
            continue
        if best is None or len(signal.samples) > len(best.samples):
            best = signal
    if best is None:
        return None
    values = np.asarray(best.samples, np.float64)
    return LogColumn(name, str(best.unit or ""), np.asarray(best.timestamps, np.float64), values)
