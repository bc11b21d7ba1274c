"""A session's own count of samples: which row a block becomes, and what was lost before it.

The session begins at its first sample, so what was lost before that one does not count.
"""

from typing import NamedTuple

from stream.block import Block
from stream.record import layout

GapRow = tuple[int, int, int, int]  # index, lost, device_us, host_ns
ClockRow = tuple[int, int, int]  # index, device_us, host_ns


class Place(NamedTuple):
    """Where a block stands in the session.

    row        row of its first sample in /raw/samples
    first      the same on the session's own count: lost samples included, 0 for the first
    lost       samples missing just before it
    restarted  the device began anew just before it
    """

    row: int
    first: int
    lost: int
    restarted: bool


class SampleCount:
    """Follows blocks in order. Not thread-safe: it belongs to the one thread that writes."""

    def __init__(self, rate_hz: float) -> None:
        self.rows = 0
        self.lost = 0
        self._next: int | None = None
        self._clock_step = max(1, round(rate_hz * layout.CLOCK_EVERY_S))
        self._clock_due = 0

    def take(self, block: Block) -> Place:
        """Count a block in. `block.first` is believed over `block.lost`, for time is counted from it; where
        it runs backwards the device began anew and `lost` is what there is.
        """
        lost, restarted = 0, False
        if self._next is not None:
            missing = block.first - self._next
            lost = missing if missing >= 0 else block.lost
            restarted = block.restarted or missing < 0
        self.lost += lost
        place = Place(self.rows, self.rows + self.lost, lost, restarted)
        rows = len(block.samples)
        self._next = block.first + rows
        self.rows += rows
        return place

    def gap_rows(self, place: Place, block: Block) -> list[GapRow]:
        """The rows of /raw/gaps for a block: none, the loss, and a second of loss 0 where the device began
        anew.
        """
        device_us, host_ns = max(0, block.device_us), block.host_ns
        rows = [(place.row, place.lost, device_us, host_ns)] if place.lost else []
        if place.restarted:
            rows.append((place.row, 0, device_us, host_ns))
        return rows

    def clock_row(self, place: Place, block: Block) -> ClockRow | None:
        """The row of /raw/clock for a block; None where the last is under a quarter of a second old."""
        if place.row < self._clock_due:
            return None
        self._clock_due = place.row + self._clock_step
        return place.row, max(0, block.device_us), block.host_ns
