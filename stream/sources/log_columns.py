"""A controller's CSV log as it is written: its clock in seconds and its columns, neither resampled nor shifted."""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from stream.car import Car, Channel
from stream.errors import InputError
from stream.findings import Finding, note
from stream.sources.csv_head import Header, read_header
from stream.sources.csv_table import BadLine, Table, lines_left_out, read_table
from stream.sources.log_file import Reader, lay
from stream.sources.plugins import reader_for
from stream.sources.stamp_text import on_one_count, stamp_words, unit_s
from stream.sources.stamps import settle, spread_equal
from stream.units import Floats

Rows = npt.NDArray[np.int64]
_RPM_NAMES: Final = ("rpm", "engine speed", "engine_speed", "enginespeed")
_TIME_NAMES: Final = ("time", "timestamp", "t", "seconds", "log_s")
# A converter gives volts or millivolts of a few thousand at most, a readout gives rpm; common practice, no source.
_SURELY_RPM: Final = 100.0


@dataclass(frozen=True, slots=True)
class ControllerLog:
    """The rows of a log that have a stamp.

    time_s      (rows,) as written, in seconds; dates, epochs and times of day since the first row; equal stamps spread
    rpm         (rows,) engine speed, NaN where missing; rpm_column is its name
    channels    the car file's channels that the log has, engine speed and time left out; values (rows, channels)
    zero        the stamp of time_s 0 as it stands in the log; '0' where stamps are seconds themselves
    findings    what was odd about the log
    """

    path: Path
    time_s: Floats
    rpm: Floats
    rpm_column: str
    channels: tuple[Channel, ...]
    values: Floats
    zero: str
    findings: tuple[Finding, ...]


def read_controller_log(path: str | Path, car: Car) -> ControllerLog:
    """Read a log that the car file describes. Raises InputError that names the line, the column and the cure."""
    path = Path(path)
    reader = reader_for(path)
    if reader is not None:
        return _of_reader(path, car, reader)
    clock = car.by_role("time")
    wanted = [channel.csv_column for channel in (*car.signal_channels, *([clock] if clock else []))]
    header = read_header(path, [*wanted, *_RPM_NAMES[:1]])
    rpm_place, channel = _rpm_place(header, car)
    time_place, scale = _time_place(header, car)
    if rpm_place == time_place:
        raise InputError(f"{path}: column {header.cells[rpm_place]!r} cannot be both time and rpm; mend the car file")
    others = [(other, place) for other in car.signal_channels if (place := _find(header, other.csv_column)) is not None]
    others = [(other, place) for other, place in others if place not in (rpm_place, time_place)]
    table = read_table(header, [rpm_place, *(place for _, place in others)], time_place)
    time, rows, zero, findings = _clock(table, scale, header, time_place)
    return ControllerLog(
        path=path,
        time_s=time,
        rpm=_as_rpm(table.values[rows, 0], channel, header.unit(rpm_place)),
        rpm_column=header.cells[rpm_place],
        channels=tuple(other for other, _ in others),
        values=table.values[rows, 1:],
        zero=zero,
        findings=tuple(findings),
    )


def _of_reader(path: Path, car: Car, reader: Reader) -> ControllerLog:
    engine = car.need("engine_speed", "the log's place on the session's clock")
    laid = lay(path, car, reader)
    place = laid.channels.index(engine)
    others = [number for number in range(len(laid.channels)) if number != place]
    return ControllerLog(
        path=path,
        time_s=laid.time_s,
        rpm=_as_rpm(laid.values[:, place], engine, ""),
        rpm_column=engine.csv_column,
        channels=tuple(laid.channels[number] for number in others),
        values=laid.values[:, others],
        zero="0",
        findings=laid.findings,
    )


def _find(header: Header, column: str) -> int | None:
    return header.find(column) if header.has(column) else None


def _rpm_place(header: Header, car: Car) -> tuple[int, Channel | None]:
    """The log's engine speed: the car file's engine_speed column, else a channel in rpm, else a column named so."""
    engine = car.by_role("engine_speed")
    wanted = [] if engine is None else [engine]
    wanted += [channel for channel in car.signal_channels if channel.unit.strip().lower() in ("rpm", "1/min")]
    for channel in wanted:
        place = _find(header, channel.csv_column)
        if place is not None:
            return place, channel
    for name in _RPM_NAMES:
        place = _find(header, name)
        if place is not None:
            return place, None
    have = ", ".join(repr(cell) for cell in header.cells[:40])
    told = "no engine_speed channel" if engine is None else f"engine_speed in column {engine.csv_column!r}"
    raise InputError(
        f"{header.path}: line {header.line}: no engine speed to align by; the car file has {told}, the log has {have}; "
        "set 'column' of the engine_speed channel to the log's rpm column"
    )


def _time_place(header: Header, car: Car) -> tuple[int, float]:
    """(place of the time column, seconds of its unit)"""
    clock = car.by_role("time")
    place = None if clock is None else _find(header, clock.csv_column)
    unit = "" if clock is None or place is None else clock.unit
    if place is None:
        place = next((found for name in _TIME_NAMES if (found := _find(header, name)) is not None), None)
    if place is None:
        raise InputError(
            f"{header.path}: line {header.line}: no time column; "
            "add a channel with role 'time' to the car file that names it"
        )
    unit = unit or header.unit(place)
    scale = unit_s(unit)
    if scale is None and unit == header.unit(place):  # hh:mm:ss and the like: the stamps say it themselves
        scale = 1.0
    if scale is None:
        raise InputError(
            f"{header.path}: line {header.line}: column {header.cells[place]!r}: {unit!r} is not a unit of time; "
            "use s or ms"
        )
    return place, scale


def _clock(table: Table, scale: float, header: Header, place: int) -> tuple[Floats, Rows, str, list[Finding]]:
    """(stamps in seconds, the rows they belong to, the stamp of 0, what was noticed)"""
    if table.stamps is None:
        raise InputError(f"{header.path}: has no time column")
    name, count = header.cells[place], len(table.values) + len(table.left_out.bad)
    clock = on_one_count(table.stamps, table.form, scale, table.began)
    try:
        settled = settle(clock.time_s)
    except InputError as error:
        table.left_out.check(count)
        raise InputError(f"{header.path}: column {name!r}: {error}") from None
    for row in settled.off.tolist():
        text = stamp_words(float(table.stamps[row]), table.form, table.began)
        table.left_out.bad.append(BadLine(int(table.lines[row]), "stamp-off-line", name, text))
    table.left_out.check(count)
    if len(settled.back):
        line = int(table.lines[settled.rows[settled.back[0]]])
        raise InputError(
            f"{header.path}: line {line}: the clock runs back; cut the log there, each part has its own place"
        )
    findings = [*lines_left_out(table.left_out, count), *settled.findings]
    if table.cut_off:
        findings.append(note("last-row-cut-off", line=table.cut_off))
    time, spread = spread_equal(settled.time_s, np.empty(0, np.int64))
    if spread:
        findings.append(note("stamps-spread", rows=spread))
    if not clock.dated:
        return time, settled.rows, "0", findings
    first = stamp_words(float(table.stamps[settled.rows[0]]), table.form, table.began)
    return time - time[0], settled.rows, first, findings


def _as_rpm(values: Floats, channel: Channel | None, header_unit: str) -> Floats:
    """A column in rpm as it stands; volts of a converter by its provisional line."""
    unit = "rpm" if channel is None else channel.unit.strip().lower()
    finite = values[np.isfinite(values)]
    readout = header_unit.strip().lower() in ("rpm", "1/min") or unit in ("", "rpm", "1/min")
    if channel is None or readout or (unit == "v" and len(finite) and np.median(np.abs(finite)) > _SURELY_RPM):
        return values
    slope, zero = channel.rpm_line
    return slope * values + zero
