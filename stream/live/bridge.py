"""Short gaps: samples that were lost or left blank for less than a quarter of a second are bridged for the filter.

The line between the sample before and the sample behind takes their place; what was bridged is no data. A longer gap
in engine speed ends the run; a longer gap in another channel leaves that channel unknown until it comes back.
"""

from dataclasses import dataclass

import numpy as np

from stream.live.steadiness import runs_of
from stream.units import Flags, Floats

SHORTEST_GAP_S = 0.25  # shorter is bridged; fixed by the interface: at 10 Hz of low-pass no verdict rests on less


@dataclass(frozen=True, slots=True)
class Piece:
    """Rows of a run, in order.

    index     index of the first row's sample, from the session's first one
    values    float64 (n, channels), engine speed first and never NaN; NaN in another channel: unknown
    clips     bool (n, watched channels)
    bridged   bool (n, channels), True where a value stands on the line between its neighbours; None: nowhere
    ends      the run ends behind these rows: a gap of SHORTEST_GAP_S or more, or the session's end
    """

    index: int
    values: Floats
    clips: Flags
    bridged: Flags | None
    ends: bool


class Bridge:
    """Takes rows with missing cells and gives them back without, a quarter of a second late where cells are missing.

    What comes out does not depend on how the rows were cut into blocks.
    """

    def __init__(self, rate_hz: float, channels: int, watched: int) -> None:
        self._limit = max(1, int(np.ceil(SHORTEST_GAP_S * rate_hz)))  # fewest missing samples that are a gap
        self._rows: Floats = np.empty((0, channels))  # held back, as they came
        self._clips: Flags = np.empty((0, watched), np.bool_)
        self._index = 0  # of the first row that is held back, or of the next one
        self._before: Floats | None = None  # the row before that, with what was bridged; None: a run begins
        self._gone: Flags = np.zeros(channels, np.bool_)  # channels that are unknown in that row

    @property
    def given_to(self) -> int:
        """Index of the sample behind the newest that was given out."""
        return self._index

    def push(self, index: int, values: Floats, clips: Flags) -> list[Piece]:
        """The next rows, from sample `index` on; a jump in the index is a gap."""
        pieces: list[Piece] = []
        lost = index - (self._index + len(self._rows))
        if self._before is None and not len(self._rows):
            self._index = index
        elif lost >= self._limit:
            pieces = self.flush()
            self._index = index
        elif not len(self._rows) and not lost and not self._gone.any() and np.isfinite(values).all():
            self._index, self._before = index + len(values), values[-1]
            return [Piece(index, values, clips, None, ends=False)]
        elif lost:
            self._rows = np.concatenate((self._rows, np.full((lost, values.shape[1]), np.nan)))
            self._clips = np.concatenate((self._clips, np.zeros((lost, clips.shape[1]), np.bool_)))
        self._rows = np.concatenate((self._rows, values)) if len(self._rows) else values
        self._clips = np.concatenate((self._clips, clips)) if len(self._clips) else clips
        return pieces + self._sort(final=False)

    def flush(self) -> list[Piece]:
        """The run is over: what was held back."""
        return self._sort(final=True)

    def _sort(self, *, final: bool) -> list[Piece]:
        """Cut what is held at its long gaps, and give out what is decided."""
        rows, clips, index = self._rows, self._clips, self._index
        count, blank = len(rows), ~np.isfinite(rows[:, 0])
        pieces: list[Piece] = []
        at = 0
        gaps = runs_of(blank) if blank.any() else []
        for first, end in gaps:
            starts = first == at and self._before is None  # blank from the run's start on: nothing to bridge from
            if not starts and end - first < self._limit and not (final and end == count):
                continue
            if self._before is not None or first > at:
                pieces.append(self._piece(index + at, rows[at:first], clips[at:first], ends=True))
            self._before, at = None, end
        rows, clips = rows[at:], clips[at:]
        if final:
            if len(rows) or self._before is not None:
                pieces.append(self._piece(index + at, rows, clips, ends=True))
            self._before = None
            taken = len(rows)
        else:
            taken = self._decided(rows)
            if taken:
                pieces.append(self._piece(index + at, rows, clips, ends=False, taken=taken))
        self._index = index + at + taken
        self._rows, self._clips = rows[taken:], clips[taken:]
        return pieces

    def _decided(self, rows: Floats) -> int:
        """How many rows can be given out: all before the first cell of a short gap that is still open."""
        taken = len(rows)
        for column in range(rows.shape[1]):
            known = np.flatnonzero(np.isfinite(rows[:, column]))
            first = int(known[-1]) + 1 if len(known) else 0
            from_start = first == 0 and column > 0 and (self._before is None or bool(self._gone[column]))
            if len(rows) - first < self._limit and not from_start:
                taken = min(taken, first)
        return taken

    def _piece(self, index: int, rows: Floats, clips: Flags, *, ends: bool, taken: int | None = None) -> Piece:
        """Fill the short gaps of the first `taken` rows."""
        taken = len(rows) if taken is None else taken
        missing = ~np.isfinite(rows)
        if not missing.any():
            self._gone[:] = False
            self._remember(rows, taken)
            return Piece(index, rows[:taken], clips[:taken], None, ends)
        filled, bridged = rows.copy(), np.zeros(rows.shape, np.bool_)
        at = np.arange(len(rows))
        for column in np.flatnonzero(missing.any(axis=0)):
            blank, values = missing[:, column], rows[:, column]
            left = np.maximum.accumulate(np.where(blank, -1, at))
            right = np.minimum.accumulate(np.where(blank, len(rows), at)[::-1])[::-1]
            length = right - left - 1
            joined = blank & (right < len(rows)) & (length < self._limit)
            if self._before is None or self._gone[column]:
                joined &= left >= 0
            before = 0.0 if self._before is None else self._before[column]
            low = np.where(left >= 0, values[np.maximum(left, 0)], before)[joined]
            high = values[np.minimum(right, len(rows) - 1)][joined]
            filled[joined, column] = low + (high - low) * ((at - left)[joined] / (length + 1.0)[joined])
            bridged[:, column] = joined
        if taken:
            self._gone = ~np.isfinite(filled[taken - 1])
        self._remember(filled, taken)
        return Piece(index, filled[:taken], clips[:taken], bridged[:taken] if bridged[:taken].any() else None, ends)

    def _remember(self, rows: Floats, taken: int) -> None:
        if taken:
            self._before = rows[taken - 1]
