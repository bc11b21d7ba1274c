"""A session with the further devices whose clocks are known beside its own channels, as one: what `Dataset` reads.

Their rows are laid on the session's samples by straight lines between them, as columns of a merged log are; outside the
device's recording and over its holes there is nothing.
"""

from collections.abc import Iterator, Sequence
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import Car, Channel, parse_car
from stream.errors import InputError
from stream.record.also import Also
from stream.record.session import Session
from stream.sources.replay import HOLE_STEPS, LEAST_HOLE_S, known, resampled
from stream.units import Floats

WORDS_OF_ROLE = ("engine_speed", "load", "time")  # roles of which a car file may have only one
_KEPT = ("name", "role", "unit", "range", "gauge")  # what is known of a channel that another device measured


def beside(car: Car, taken: set[str], others: Sequence[Channel]) -> list[Channel]:
    """Channels of another device as they may stand beside a car file's own: an engine speed, load or clock is of role
    `other`, and a name that is taken gets '_log'."""
    names = {channel.name for channel in car.channel} | taken
    channels = []
    for channel in others:
        role = "other" if channel.role in WORDS_OF_ROLE else channel.role
        name = channel.name if channel.name not in names else f"{channel.name}_log"
        while name in names:
            name += "_"
        names.add(name)
        channels.append(msgspec.structs.replace(channel, name=name, role=role))
    return channels


def car_with(car: Car, channels: Sequence[Channel], path: str) -> Car:
    """The car file with these channels behind its own; what was written stays as it was."""
    import tomlkit

    document = tomlkit.parse(car.text)
    tables = document.get("channel")
    if tables is None:
        tables = tomlkit.aot()
        document["channel"] = tables
    for channel in channels:
        table = tomlkit.table()
        for key, value in msgspec.to_builtins(channel).items():
            if key in _KEPT and value not in (None, "", False):
                table[key] = list(value) if isinstance(value, tuple) else value
        tables.append(table)
    return parse_car(tomlkit.dumps(document), path)


class JoinedSession:
    """The face of a session, wider by the channels of the devices that are joined to it."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._parts: list[tuple[Floats, Floats, float]] = []
        own = parse_car(session.car_text, str(session.path))
        self.channels: list[Channel] = []
        taken = set(session.info.names)
        for also in session.also:
            channels, columns = _channels_of(also)
            channels = beside(own, taken, channels)
            taken |= {channel.name for channel in channels}
            self.channels += channels
            self._add(also, columns)
        infos = tuple(ChannelInfo(channel.name, channel.unit) for channel in self.channels)
        self.info = StreamInfo(session.info.rate_hz, session.info.channels + infos, session.info.name)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._session, name)

    def _add(self, also: Also, columns: list[int]) -> None:
        place = also.joined
        if place is None or not columns:
            return
        time = also.time_s * (1 + 1e-6 * place.rate_ppm) + place.offset_s
        hole = max(HOLE_STEPS / also.info.rate_hz, LEAST_HOLE_S)
        for column in columns:
            self._parts.append((*known(time, also.samples[:, column].astype(np.float64)), hole))

    def raw(self, name: str, start: int = 0, end: int | None = None) -> npt.NDArray[np.float32]:
        """One channel, from row `start` to `end`, in its unit. InputError for a name that it lacks."""
        own = len(self._session.info.names)
        if name not in self.info.names or self.info.names.index(name) < own:
            return self._session.raw(name, start, end)
        return self._column(self.info.names.index(name) - own, self._at(start, end))

    def slabs(self, start: int = 0, end: int | None = None, step: int = 1) -> Iterator[tuple[int, Any]]:
        """(row, samples) as `Session.slabs` has them, wider."""
        for row, samples in self._session.slabs(start, end, step):
            yield row, self._wide(samples, self._at(row, row + len(samples)))

    def blocks(self, rows_per_block: int | None = None) -> Iterator[Block]:
        """The session as received, wider."""
        for block in self._session.blocks(rows_per_block):
            samples = self._wide(block.samples, (block.first + np.arange(len(block))) / block.rate_hz)
            yield Block(
                samples, block.first, block.rate_hz, block.device_us, block.host_ns, block.lost, block.restarted
            )

    def _at(self, start: int, end: int | None) -> Floats:
        return np.asarray(self._index[start:end] / self._session.rate_hz, np.float64)

    @property
    def _index(self) -> npt.NDArray[np.int64]:
        if not hasattr(self, "_sample_index"):
            self._sample_index = self._session.sample_index()
        return self._sample_index

    def _column(self, number: int, at: Floats) -> npt.NDArray[np.float32]:
        time, values, hole = self._parts[number]
        return resampled(at, time, values, hole).astype(np.float32)

    def _wide(self, samples: Any, at: Floats) -> Any:
        more = [self._column(number, at) for number in range(len(self._parts))]
        return np.column_stack([samples, *more]).astype(np.float32)


def _channels_of(also: Also) -> tuple[list[Channel], list[int]]:
    """The channels of a joined device that its car file names, and their columns; none where it is not joined."""
    if also.joined is None:
        return [], []
    try:
        car = parse_car(also.car_text, f"/also/{also.name}: the car file in it")
    except InputError:
        return [], []
    found = [(one, also.info.names.index(one.name)) for one in car.signal_channels if one.name in also.info.names]
    return [channel for channel, _ in found], [column for _, column in found]
