"""What every source is: something that opens, says what it carries, and hands out Blocks."""

from dataclasses import dataclass
from typing import Protocol

from stream.block import Block, StreamInfo
from stream.findings import Finding


@dataclass(frozen=True, slots=True)
class SourceNote:
    """Something a source has to tell: `kind` is one of stream.events.KINDS, `index` the sample it belongs to, `what` a
    finding, or the words of a person or a device. A `command` is what a person did in a recording that is replayed; its
    kind is that of the command, `what` its value."""

    kind: str
    index: int
    what: Finding | str
    command: bool = False


class Source(Protocol):
    """Used by one thread, the reader, from open to close.

    `realtime` is True where the sender does not wait for us (a serial line): a ring that is full then loses the
    oldest samples of the reader that fell behind, and says so. False (a replay, a log): the reader waits for the
    slowest claim.
    """

    realtime: bool

    def open(self) -> StreamInfo:
        """Block until the stream is described. Raises PortError or InputError, one line with the cure."""
        ...

    def read(self, timeout_s: float) -> list[Block]:
        """The Blocks that came, oldest first; empty after `timeout_s` without any. Never raises for a device
        that goes away: it is waited for, and the gap is in `lost` of the first Block after it."""
        ...

    @property
    def finished(self) -> bool:
        """True once nothing will ever come again (end of a log, or stop())."""
        ...

    def take_notes(self) -> list[SourceNote]:
        """What there is to tell since the last call: gaps, restarts, device away or back, notes, dropped bytes."""
        ...

    def counters(self) -> dict[str, int]:
        """Running totals, such as bytes, frames, bad_frames, bad_lines, repeated, lost_samples, restarts."""
        ...

    def stop(self) -> None:
        """Make a blocked open or read return soon. The one method that another thread may call."""
        ...

    def close(self) -> None:
        """Give the port or file back. Safe to call twice."""
        ...


class PlainSource:
    """A base for a source that has nothing to tell, nothing to count and nothing to give back: it needs only `open`
    and `read`, which should return soon once `finished` is True."""

    realtime = True

    def __init__(self) -> None:
        self.finished = False

    def take_notes(self) -> list[SourceNote]:
        """Nothing."""
        return []

    def counters(self) -> dict[str, int]:
        """Nothing."""
        return {}

    def stop(self) -> None:
        """End soon."""
        self.finished = True

    def close(self) -> None:
        """End."""
        self.finished = True
