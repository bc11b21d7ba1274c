"""A controller's log joined to a session: where it lies on the session's clock, and the session that holds both."""

from dataclasses import dataclass

import msgspec
import numpy as np

from stream.block import ChannelInfo
from stream.car import Car, Channel, parse_car
from stream.errors import InputError
from stream.sources.log_columns import ControllerLog
from stream.sources.merged import MergedSource
from stream.study.align import Alignment, align
from stream.study.dataset import Dataset

WORDS_OF_ROLE = ("engine_speed", "load", "time")  # roles of which a car file may have only one


def align_log(session: Dataset, log: ControllerLog) -> Alignment:
    """Find the log's place on the session's clock; the lag of the session's converter is taken off.

    Raises InputError, naming both files, where there is no place, or more than one.
    """
    lag, doubt = session.speed_lag
    speed = session.speed_rpm
    try:
        found = align(session.time_s, speed, log.time_s, log.rpm, lag)
    except InputError as error:
        raise InputError(f"{log.path} against {session.path}: {error}") from None
    return msgspec.structs.replace(found, u_offset_s=float(np.hypot(found.u_offset_s, doubt)))


@dataclass(frozen=True, slots=True)
class Merger:
    """What a merged session is made from: the source, its car, and how its new columns came to their names."""

    source: MergedSource
    car: Car
    added: tuple[str, ...]


def merged_source(session: Dataset, log: ControllerLog, found: Alignment) -> Merger:
    """The session's raw channels with the log's columns beside them, and a car file that names both.

    The log's engine speed comes as a channel of role `other`: a car file has one engine_speed only.
    """
    names, text = set(session.names), session.session.car_text
    rpm = Channel(name=_column_name(log.rpm_column), role="other", unit="rpm")
    known = {channel.name for channel in session.car.channel} | names
    channels = []
    for channel in (rpm, *log.channels):
        role = "other" if channel.role in WORDS_OF_ROLE else channel.role
        name = channel.name if channel.name not in known else f"{channel.name}_log"
        while name in known:
            name += "_"
        known.add(name)
        channels.append(msgspec.structs.replace(channel, name=name, role=role))
    time = log.time_s * (1 + 1e-6 * found.rate_ppm) + found.offset_s
    values = np.column_stack([log.rpm, log.values])
    infos = [ChannelInfo(channel.name, channel.unit) for channel in channels]
    car = parse_car(_with_channels(text, channels), f"{session.path} with {log.path}")
    return Merger(MergedSource(session.path, infos, time, values), car, tuple(channel.name for channel in channels))


def _column_name(cell: str) -> str:
    """A column's name without the unit in brackets."""
    return cell.split("[")[0].split("(")[0].strip() or "rpm"


def _with_channels(text: str, channels: list[Channel]) -> str:
    """The car file with these channels behind its own; what was written stays as it was."""
    import tomlkit

    document = tomlkit.parse(text)
    tables = document.get("channel")
    if tables is None:
        tables = tomlkit.aot()
        document["channel"] = tables
    for channel in channels:
        table = tomlkit.table()
        table["name"], table["role"] = channel.name, channel.role
        if channel.unit:
            table["unit"] = channel.unit
        if channel.range is not None:
            table["range"] = list(channel.range)
        tables.append(table)
    return tomlkit.dumps(document)
