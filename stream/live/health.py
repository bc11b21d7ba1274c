"""Health of the chain: rate, lost, clipped, noise, flat lines. For eyes only: no decision rests on it."""

import numpy as np
import numpy.typing as npt

from stream.block import Block, StreamInfo
from stream.car import Car
from stream.live.records import Health

FLAT_S = 2.0  # a channel that does not move at all for this long is called flat


class HealthMonitor:
    """Counts over a session. `clipped` marks the samples outside a channel's stated range."""

    def __init__(self, car: Car, info: StreamInfo) -> None:
        ranges = [getattr(car.by_name(name), "range", None) for name in info.names]
        limits = [None if r is None else (np.float32(r[0]), np.float32(r[1])) for r in ranges]
        self._limits = [(column, *limit) for column, limit in enumerate(limits) if limit is not None]
        self._info = info
        self._rows = 0
        self._lost = 0
        self._clipped = np.zeros(len(ranges), dtype=np.int64)
        self._noise_power = np.zeros(len(ranges))
        self._pairs = np.zeros(len(ranges))
        self._last: npt.NDArray[np.float32] | None = None
        self._still = np.zeros(len(ranges), dtype=np.int64)
        self._first_clock: tuple[int, int] | None = None
        self._last_clock = (0, 0)

    def clipped(self, samples: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
        """True per sample and channel outside the stated range; missing cells are not clipped."""
        result = np.zeros(samples.shape, dtype=np.bool_)
        for column, low, high in self._limits:  # column by column: numpy is slow along rows of a few channels
            values = samples[:, column]
            result[:, column] = (values < low) | (values > high)
        return result

    def push(self, block: Block, clipped: npt.NDArray[np.bool_], lost: int) -> None:
        """Count one block; `lost` is what is missing before it inside the session."""
        self._rows += len(block)
        self._lost += lost
        if clipped.any():
            self._clipped += np.count_nonzero(clipped, axis=0)
        self._clock(block)
        power, pairs = self._steps(block, lost)
        # The last few seconds count most: an old noise is no news.
        keep = 0.5 ** (len(block) / (2.0 * self._info.rate_hz))
        self._noise_power = keep * self._noise_power + power
        self._pairs = keep * self._pairs + pairs
        self._still = np.where(power > 0, 0, self._still + len(block))

    def _steps(self, block: Block, lost: int) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64] | int]:
        """Per channel, the sum of squares of the steps from sample to sample that are numbers, and their count."""
        samples = block.samples
        if self._last is None or lost:
            self._last = samples[0]
        # channel by channel: numpy is slow along rows of a few channels
        steps = np.diff(samples.T.astype(np.float64), axis=1, prepend=self._last[:, np.newaxis])
        self._last = samples[-1]
        power: npt.NDArray[np.float64] = np.einsum("ij,ij->i", steps, steps)
        if np.isfinite(power).all():
            return power, len(samples)
        finite = np.isfinite(steps)
        return np.add.reduce(np.where(finite, steps, 0.0) ** 2, axis=1), np.count_nonzero(finite, axis=1)

    def snapshot(self) -> Health:
        """The state now."""
        names = self._info.names
        with np.errstate(invalid="ignore", divide="ignore"):
            noise = np.sqrt(self._noise_power / self._pairs / 2.0)
        flat = self._still > FLAT_S * self._info.rate_hz
        return Health(
            rate_hz=self._rate(),
            rows=self._rows,
            lost_samples=self._lost,
            clipped_samples={name: int(count) for name, count in zip(names, self._clipped, strict=True)},
            noise={name: float(value) for name, value in zip(names, noise, strict=True)},
            flat=tuple(name for name, is_flat in zip(names, flat, strict=True) if is_flat),
        )

    def _clock(self, block: Block) -> None:
        here = (block.first, block.device_us)
        if self._first_clock is None or block.restarted:
            self._first_clock = here
        self._last_clock = here

    def _rate(self) -> float:
        """Samples per second of the device's own clock; the stated rate until it has run for a second."""
        if self._first_clock is None:
            return self._info.rate_hz
        samples = self._last_clock[0] - self._first_clock[0]
        elapsed = (self._last_clock[1] - self._first_clock[1]) * 1e-6
        return samples / elapsed if elapsed > 1.0 else self._info.rate_hz
