"""The pulse frequency in the holds of a running drive, from the ripple in its raw samples.

It tells a guided drive that its row began in a dead band. The samples of the last minute are kept, and one spectrum a
hold.
"""

from collections import deque
from collections.abc import Sequence

import numpy as np

from stream.block import Block, StreamInfo
from stream.calibrate.chain.ripple import HoldSpectrum, pulse_hz, spectrum_of
from stream.car import Car
from stream.live.records import Hold

KEEP_S = 60.0  # chosen: longer than a hold and the time until it is found
MOST_S = 15.0  # of a hold that are looked at
MOST_HOLDS = 20  # the latest ones


class PulseEar:
    """Hears every block on the engine's thread; answers with the frequency of each hold, or None."""

    def __init__(self, car: Car, info: StreamInfo) -> None:
        self._rate_hz = info.rate_hz
        self._column = info.names.index(car.need("engine_speed", "a guided drive").name)
        self._parts: deque[tuple[int, np.ndarray]] = deque()  # (index of the first sample, samples)
        self._origin: int | None = None
        self._spectra: dict[tuple[float, float], HoldSpectrum | None] = {}

    def new_session(self) -> None:
        """Times count from the next sample on; the spectra of earlier holds stay."""
        self._parts.clear()
        self._origin = None

    def hear(self, block: Block) -> None:
        """Keep the speed channel of a block."""
        if self._origin is None:
            self._origin = block.first
        self._parts.append((block.first - self._origin, block.samples[:, self._column].copy()))
        newest = block.first - self._origin + len(block)
        while newest - self._parts[0][0] > KEEP_S * self._rate_hz and len(self._parts) > 1:
            self._parts.popleft()

    def hz(self, holds: Sequence[Hold]) -> tuple[float | None, ...]:
        """Pulse frequency of each hold, Hz; None where it cannot be told."""
        for hold in holds:
            if (hold.start_s, hold.signal_mean) not in self._spectra:
                values = self._samples(hold)
                self._spectra[hold.start_s, hold.signal_mean] = (
                    spectrum_of(values, self._rate_hz, hold) if len(values) else None
                )
        known = [self._spectra[hold.start_s, hold.signal_mean] for hold in holds[-MOST_HOLDS:]]
        return pulse_hz(holds, [spectrum for spectrum in known if spectrum is not None], self._rate_hz)

    def _samples(self, hold: Hold) -> np.ndarray:
        """The longest stretch of a hold without a lost or missing sample, (samples,)."""
        first = round(hold.start_s * self._rate_hz)
        end = round(min(hold.end_s, hold.start_s + MOST_S) * self._rate_hz)
        whole = np.full(max(end - first, 0), np.nan)
        for start, part in self._parts:
            low, high = max(first, start), min(end, start + len(part))
            if low < high:
                whole[low - first : high - first] = part[low - start : high - start]
        cuts = np.flatnonzero(~np.isfinite(np.concatenate(([np.nan], whole, [np.nan]))))
        longest = int(np.argmax(np.diff(cuts))) if len(cuts) > 1 else 0
        return whole[cuts[longest] : cuts[longest + 1] - 1] if len(cuts) > 1 else whole[:0]
