"""Health of the chain: rate, lost, clipped, noise, flat lines. For eyes only: no decision rests on it."""

import numpy as np
import numpy.typing as npt

from stream.block import Block, StreamInfo
from stream.car import Car
from stream.live.view import Health

FLAT_S = 2.0  # a channel that does not move at all for this long is called flat


class HealthMonitor:
    """Counts over a session. `clipped` marks the samples outside a channel's stated range."""

    def __init__(self, car: Car, info: StreamInfo) -> None:
        ranges = [getattr(car.by_name(name), "range", None) for name in info.names]
        self._low = np.array([-np.inf if r is None else r[0] for r in ranges], dtype=np.float32)
        self._high = np.array([np.inf if r is None else r[1] for r in ranges], dtype=np.float32)
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
        return (samples < self._low) | (samples > self._high)

    def push(self, block: Block, clipped: npt.NDArray[np.bool_], lost: int) -> None:
        """Count one block; `lost` is what is missing before it inside the session."""
        self._rows += len(block)
        self._lost += lost
        self._clipped += np.count_nonzero(clipped, axis=0)
        self._clock(block)
        if self._last is None or lost:
            self._last = block.samples[0]
        steps = np.diff(np.vstack((self._last, block.samples)), axis=0).astype(np.float64)
        self._last = block.samples[-1]
        finite = np.isfinite(steps)
        power = np.sum(np.where(finite, steps, 0.0) ** 2, axis=0)
        pairs = np.count_nonzero(finite, axis=0)
        # The last few seconds count most: an old noise is no news.
        keep = 0.5 ** (len(block) / (2.0 * self._info.rate_hz))
        self._noise_power = keep * self._noise_power + power
        self._pairs = keep * self._pairs + pairs
        moved = np.any(finite & (steps != 0), axis=0)
        self._still = np.where(moved, 0, self._still + len(block))

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
