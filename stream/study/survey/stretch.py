"""Stretches of a session's raw samples by time, read a piece at a time so that memory stays flat."""

from collections.abc import Sequence

import numpy as np

from stream.calibrate.chain.ripple import HoldSpectrum, spectrum_of
from stream.live.records import Hold
from stream.record.session import Session
from stream.units import Floats

MOST_HOLDS = 20  # whose ripple is looked at, the longest ones
MOST_S = 15.0


class Stretches:
    """Reads raw stretches. Times are the session's seconds, lost time included."""

    def __init__(self, session: Session) -> None:
        self.session = session
        gaps = session.gaps
        self._row = gaps["index"].astype(np.int64)

    def read(self, columns: list[int], start_s: float, end_s: float, most_s: float = 20.0) -> Floats:
        """The longest run between two times with no sample lost and no cell missing, float64 (rows, columns).

        At most `most_s` of it, from its beginning.
        """
        first, end = self.session.row_at(start_s), self.session.row_at(min(end_s, start_s + most_s))
        if end <= first:
            return np.empty((0, len(columns)))
        parts = [slab[:, columns].astype(np.float64) for _, slab in self.session.slabs(first, end)]
        values = np.concatenate(parts)
        breaks = self._row[(self._row > first) & (self._row < end)] - first
        bad = np.flatnonzero(~np.isfinite(values).all(axis=1))
        cuts = np.unique(np.concatenate(([0, len(values)], breaks, bad, bad + 1)))
        longest = int(np.argmax(np.diff(cuts)))
        run = values[cuts[longest] : cuts[longest + 1]]
        return run if np.isfinite(run).all() else np.empty((0, len(columns)))


def hold_spectra(stretches: Stretches, column: int, holds: Sequence[Hold]) -> list[HoldSpectrum]:
    """Spectra of the longest holds, in order of time; holds that are too short for one are left out."""
    longest = sorted(holds, key=lambda hold: hold.start_s - hold.end_s)[:MOST_HOLDS]
    spectra = []
    for hold in sorted(longest, key=lambda hold: hold.start_s):
        values = stretches.read([column], hold.start_s, hold.end_s, MOST_S)[:, 0]
        spectrum = spectrum_of(values, stretches.session.rate_hz, hold)
        if spectrum is not None:
            spectra.append(spectrum)
    return spectra
