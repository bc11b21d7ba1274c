"""What the rehearsal car's instruments recorded: converter counts, what was lost, and the truth beside it."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stream.block import Samples
from stream.sources.rehearsal.motion import Motion
from stream.sources.rehearsal.truth import Truth


@dataclass(frozen=True, slots=True)
class DeviceChannel:
    """A channel as the device describes it: value = scale * count + offset, in `unit`."""

    name: str
    unit: str
    scale: float
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Recording:
    """A drive as the device sends it.

    counts    int16 (rows, channels); lost samples take no row
    gaps      (row before which samples are missing, how many), by row
    """

    rate_hz: float
    channels: tuple[DeviceChannel, ...]
    counts: npt.NDArray[np.int16]
    gaps: tuple[tuple[int, int], ...]
    tune: str
    truth: Truth
    motion: Motion

    @property
    def samples(self) -> Samples:
        """float32 (rows, channels) in the channels' units, as a decoder makes them from the counts."""
        scale = np.array([channel.scale for channel in self.channels])
        offset = np.array([channel.offset for channel in self.channels])
        values: Samples = (self.counts * scale + offset).astype(np.float32)
        return values

    @property
    def index(self) -> npt.NDArray[np.int64]:
        """int64 (rows,): each row's place on the device's own count, lost samples included."""
        index = np.arange(len(self.counts), dtype=np.int64)
        for row, lost in self.gaps:
            index[row:] += lost
        return index

    @property
    def time_s(self) -> npt.NDArray[np.float64]:
        """float64 (rows,): seconds from the first sample, lost time included."""
        return np.asarray(self.index / self.rate_hz, dtype=np.float64)

    @property
    def lost_samples(self) -> int:
        """How many samples are missing altogether."""
        return sum(lost for _, lost in self.gaps)
