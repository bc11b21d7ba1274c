"""A session with the further devices whose clocks are known beside its own channels, as one: what `Dataset` reads.

Their rows are laid on the session's samples by straight lines between them, as columns of a merged log are; outside the
device's recording and over its holes there is nothing.
"""

from collections.abc import Iterator, Sequence
from functools import cached_property
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import ONE_OF_A_KIND, Car, Channel, parse_car
from stream.car_file import car_text
from stream.record.session import Session
from stream.sources.replay import HOLE_STEPS, LEAST_HOLE_S, known, resampled
from stream.units import Floats

_KEPT = ("name", "role", "unit", "range", "gauge")  # what is known of a channel that another device measured


def beside(car: Car, taken: set[str], others: Sequence[Channel]) -> list[Channel]:
    """Channels of another device as they may stand beside a car file's own: an engine speed, load or clock is of role
    `other`, and a name that is taken gets '_log'."""
    names = {channel.name for channel in car.channel} | taken
    channels = []
    for channel in others:
        role = "other" if channel.role in ONE_OF_A_KIND else channel.role
        name = channel.name if channel.name not in names else f"{channel.name}_log"
        while name in names:
            name += "_"
        names.add(name)
        channels.append(msgspec.structs.replace(channel, name=name, role=role))
    return channels


def car_with(car: Car, channels: Sequence[Channel], path: str) -> Car:
    """The car file with these channels behind its own; what was written stays as it was."""
    kept = [
        {key: value for key, value in msgspec.to_builtins(one).items() if key in _KEPT and value not in ("", False)}
        for one in channels
    ]
    return parse_car(car_text({}, kept, car.text), path)


class JoinedSession:
    """The face of a session, wider by the channels of the devices that are joined to it."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._parts: list[tuple[Floats, Floats, float]] = []
        own = parse_car(session.car_text, str(session.path))
        self.channels: list[Channel] = []
        taken = set(session.info.names)
        for also in session.also:
            if also.joined is None or also.car is None:
                continue
            named = [one for one in also.car.signal_channels if one.name in also.info.names]
            channels = beside(own, taken, named)
            taken |= {channel.name for channel in channels}
            self.channels += channels
            time = also.time_s * (1 + 1e-6 * also.joined.rate_ppm) + also.joined.offset_s
            hole = max(HOLE_STEPS / also.info.rate_hz, LEAST_HOLE_S)
            for one in named:
                column = also.samples[:, also.info.names.index(one.name)].astype(np.float64)
                self._parts.append((*known(time, column), hole))
        infos = tuple(ChannelInfo(channel.name, channel.unit) for channel in self.channels)
        self.info = StreamInfo(session.info.rate_hz, session.info.channels + infos, session.info.name)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._session, name)

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

    @cached_property
    def _index(self) -> npt.NDArray[np.int64]:
        return self._session.sample_index()

    def _column(self, number: int, at: Floats) -> npt.NDArray[np.float32]:
        time, values, hole = self._parts[number]
        return resampled(at, time, values, hole).astype(np.float32)

    def _wide(self, samples: Any, at: Floats) -> Any:
        more = [self._column(number, at) for number in range(len(self._parts))]
        return np.column_stack([samples, *more]).astype(np.float32)
