"""Template of a source in a package of your own: every channel stands at 1.0. Name the copy in its pyproject.toml:

[project.entry-points."steadypull.sources"]
example = "my_package:ExampleSource"            # a drive on the port example://… records what it hands out
"""

import time

import numpy as np

from stream.block import Block, ChannelInfo, StreamInfo
from stream.car import Car
from stream.sources.source import PlainSource


class ExampleSource(PlainSource):
    """What each method must do, and on which thread, stands in stream/sources/source.py."""

    realtime = True  # the sender does not wait for us

    def __init__(self, url: str, car: Car, rate_hz: float | None = None) -> None:
        super().__init__()
        channels = tuple(ChannelInfo(channel.name, channel.unit) for channel in car.signal_channels)
        self.info = StreamInfo(rate_hz or 200.0, channels, url)
        self.began, self.rows = 0.0, 0

    def open(self) -> StreamInfo:
        """Describe the stream."""
        self.began = time.monotonic()
        return self.info

    def read(self, timeout_s: float) -> list[Block]:
        """What has come: as many samples as the clock says."""
        time.sleep(min(timeout_s, 0.05))
        new = int((time.monotonic() - self.began) * self.info.rate_hz) - self.rows
        block = Block(np.ones((new, len(self.info.channels)), np.float32), self.rows, self.info.rate_hz)
        self.rows = block.end
        return [block] if new else []
