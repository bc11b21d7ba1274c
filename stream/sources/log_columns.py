"""A controller's CSV log as it is written: its clock in seconds and its columns, neither resampled nor shifted."""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from stream.car import Car, Channel
from stream.errors import InputError
from stream.sources.csv_table import Header, Table, read_header, read_table
from stream.sources.stamps import spread_equal

Floats = npt.NDArray[np.float64]
_SECONDS: Final = {"": 1.0, "s": 1.0, "sec": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "min": 60.0}
_RPM_NAMES: Final = ("rpm", "engine speed", "engine_speed", "enginespeed")
_TIME_NAMES: Final = ("time", "timestamp", "t", "seconds", "log_s")
# A converter gives volts or millivolts of a few thousand at most, a readout gives rpm; common practice, no source.
_SURELY_RPM: Final = 100.0


@dataclass(frozen=True, slots=True)
class ControllerLog:
    """The rows of a log that have a stamp.

    time_s      (rows,) as written, ISO stamps since the first row; equal stamps spread to the next one
    rpm         (rows,) engine speed, NaN where missing; rpm_column is its name
    channels    the car file's channels that the log has, engine speed and time left out; values (rows, channels)
    notes       what was odd about the log
    """

    path: Path
    time_s: Floats
    rpm: Floats
    rpm_column: str
    channels: tuple[Channel, ...]
    values: Floats
    notes: tuple[str, ...]


def read_controller_log(path: str | Path, car: Car) -> ControllerLog:
    """Read a log that the car file describes. Raises InputError that names the line, the column and the cure."""
    path = Path(path)
    header = read_header(path)
    rpm_place, channel = _rpm_place(header, car, path)
    time_place, unit = _time_place(header, car, path)
    if rpm_place == time_place:
        raise InputError(f"{path}: column {header.cells[rpm_place]!r} cannot be both time and rpm; mend the car file")
    others = [(other, place) for other in car.signal_channels if (place := _find(header, other.csv_column)) is not None]
    others = [(other, place) for other, place in others if place not in (rpm_place, time_place)]
    table = read_table(path, header, [rpm_place, *(place for _, place in others)], time_place)
    time, rows = _clock(table, _SECONDS[unit], path)
    return ControllerLog(
        path=path, time_s=time, rpm=_as_rpm(table.values[rows, 0], channel, header.unit(rpm_place)),
        rpm_column=header.cells[rpm_place], channels=tuple(other for other, _ in others),
        values=table.values[rows, 1:], notes=table.notes,
    )  # fmt: skip


def _find(header: Header, column: str) -> int | None:
    try:
        return header.find(column, Path())
    except InputError:
        return None


def _rpm_place(header: Header, car: Car, path: Path) -> tuple[int, Channel | None]:
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
        f"{path}: line {header.line}: no engine speed to align by; the car file has {told}, the log has {have}; "
        "set 'column' of the engine_speed channel to the log's rpm column"
    )


def _time_place(header: Header, car: Car, path: Path) -> tuple[int, str]:
    clock = car.by_role("time")
    place = None if clock is None else _find(header, clock.csv_column)
    unit = "" if clock is None else clock.unit.strip().lower()
    if place is None:
        unit = ""
        place = next((found for name in _TIME_NAMES if (found := _find(header, name)) is not None), None)
    if place is None:
        raise InputError(
            f"{path}: line {header.line}: no time column; add a channel with role 'time' to the car file that names it"
        )
    unit = unit or header.unit(place).strip().lower()
    if unit not in _SECONDS:
        raise InputError(
            f"{path}: line {header.line}: column {header.cells[place]!r}: {unit!r} is not a unit of time; use s or ms"
        )
    return place, unit


def _clock(table: Table, scale: float, path: Path) -> tuple[Floats, npt.NDArray[np.intp]]:
    """(stamps in seconds, the rows they belong to): rows without a stamp left out, equal stamps spread."""
    if table.time_s is None:
        raise InputError(f"{path}: has no time column")
    rows = np.flatnonzero(np.isfinite(table.time_s))
    time = table.time_s[rows] * (1.0 if table.began is not None else scale)
    back = np.flatnonzero(np.diff(time) < 0)
    if len(back):
        line = int(table.lines[rows[back[0] + 1]])
        raise InputError(f"{path}: line {line}: the clock runs back; cut the log there, each part has its own place")
    if len(time) < 2 or time[-1] <= time[0]:
        raise InputError(f"{path}: fewer than two different time stamps; a log needs a clock that moves")
    return spread_equal(time, np.empty(0, np.int64))[0], rows


def _as_rpm(values: Floats, channel: Channel | None, header_unit: str) -> Floats:
    """A column in rpm as it stands; volts of a converter by its provisional line."""
    unit = "rpm" if channel is None else channel.unit.strip().lower()
    finite = values[np.isfinite(values)]
    readout = header_unit.strip().lower() in ("rpm", "1/min") or unit in ("", "rpm", "1/min")
    if channel is None or readout or (unit == "v" and len(finite) and np.median(np.abs(finite)) > _SURELY_RPM):
        return values
    slope, zero = channel.rpm_line
    return slope * values + zero
