"""Block: the one thing that flows from the wire to the screen and the disk."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class ChannelInfo:
    """A channel as the sender describes it: its name and its unit ('' where unknown)."""

    name: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class StreamInfo:
    """What a source says of its stream before the first sample.

    `rate_hz` is samples per second of each channel; `channels` is the order of the columns of every Block.
    """

    rate_hz: float
    channels: tuple[ChannelInfo, ...]
    name: str = ""

    @property
    def names(self) -> tuple[str, ...]:
        """Channel names, in the order of the Block's columns."""
        return tuple(channel.name for channel in self.channels)


@dataclass(frozen=True, slots=True)
class Block:
    """A run of samples without a gap inside.

    samples    float32, shape (rows, channels), in the channels' units; NaN is a missing cell
    first      index of the first row on the stream's own count, lost samples included: first / rate is seconds
    rate_hz    samples per second
    device_us  device clock at the first row, microseconds
    host_ns    host monotonic clock when the bytes came, nanoseconds (0 in a replay of a log)
    lost       samples that are missing just before the first row
    """

    samples: Samples
    first: int
    rate_hz: float
    device_us: int = 0
    host_ns: int = 0
    lost: int = 0
    restarted: bool = field(default=False)

    def __len__(self) -> int:
        return len(self.samples)

    @property
    def end(self) -> int:
        """Index just behind the last row."""
        return self.first + len(self.samples)
