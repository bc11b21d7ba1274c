"""Which wire it is: framed once a frame passes its CRC, else text after one second of lines that parse."""

import re
from typing import Literal

from stream.block import ChannelInfo, StreamInfo
from stream.wire.frames import FrameDecoder
from stream.wire.items import Counts, Item
from stream.wire.lines import numbers_of, separator_of, without_comment
from stream.wire.text import TextDecoder

_TEXT_AFTER_NS = 1_000_000_000
_FEWEST_LINES = 2
_MOST_HELD = 1 << 20  # bytes; a second of text at ten times the usual line speed
_CONTROL = re.compile(rb"[\x00-\x08\x0e-\x1f\x7f]")  # what text has none of


class WireDecoder:
    """Decodes a stream whose kind is not known yet. What comes before that is known is held, and used then.

    `expected` are the car file's channels in order, less time; `clock_names` the names of its time channel;
    `rate_hz` is what the person gave for text lines without a clock.
    """

    def __init__(
        self,
        expected: tuple[ChannelInfo, ...],
        clock_names: frozenset[str] = frozenset(),
        rate_hz: float | None = None,
    ) -> None:
        self._frames = FrameDecoder()
        self._text = TextDecoder(expected, clock_names, rate_hz)
        self._held = bytearray()
        self._line_start = 0  # in what is held: where the first line begins that has not been looked at
        self._good = self._bad = 0
        self._good_since_ns: int | None = None
        self.kind: Literal["framed", "text"] | None = None

    @property
    def counts(self) -> Counts:
        """The totals of the decoder that is used; until it is known, of the framed one, which sees all."""
        return self._text.counts if self.kind == "text" else self._frames.counts

    @property
    def described(self) -> bool:
        """Whether nothing more need be asked of the device: a description came, or it speaks in text."""
        return self.kind == "text" or self._frames.described

    @property
    def count(self) -> int:
        """Samples so far on our own count, lost ones included."""
        return self._text.count if self.kind == "text" else self._frames.count

    @property
    def last_bad(self) -> str:
        """The last text line that did not parse, in print."""
        return self._text.last_bad

    @property
    def refused(self) -> str:
        """Why the last description could not be used; '' where none was refused."""
        return self._frames.refused

    def interrupted(self) -> None:
        """The port went away: what is unfinished is lost. Whole lines stay held: they may be text yet."""
        if self.kind != "text":
            self._frames.interrupted()
        if self.kind == "text":
            self._text.interrupted()
        if self.kind is None:
            del self._held[self._held.rfind(b"\n") + 1 :]

    def feed(self, data: bytes, host_ns: int) -> list[Item]:
        """Decode `data`, which came at `host_ns`; may be empty, to let time pass.

        Raises InputError where text lines cannot be used: no rate, or columns that do not fit the car file.
        """
        if self.kind == "framed":
            return self._frames.feed(data, host_ns)
        if self.kind == "text":
            return self._text.feed(data, host_ns)
        items = self._frames.feed(data, host_ns)
        if self._frames.passed:
            self.kind = "framed"
            self._forget()
            return items
        self._held += data
        self._look_at_lines(host_ns)
        if self._is_text(host_ns):
            held = bytes(self._held)
            self.kind = "text"
            self._forget()
            return self._text.feed(held, host_ns)
        if len(self._held) > _MOST_HELD:  # not text, or it would have been taken for it; it may yet become some
            self._forget()
        return [item for item in items if not isinstance(item, StreamInfo)]

    def _forget(self) -> None:
        self._held.clear()
        self._line_start = self._good = self._bad = 0
        self._good_since_ns = None

    def _look_at_lines(self, host_ns: int) -> None:
        end = self._held.rfind(b"\n") + 1
        if end <= self._line_start:
            return
        for raw in bytes(self._held[self._line_start : end]).splitlines():
            line = without_comment(raw)
            if not line:
                continue
            if not _CONTROL.search(line) and numbers_of(line, separator_of(line)) is not None:
                self._good += 1
                if self._good_since_ns is None:
                    self._good_since_ns = host_ns
            else:
                self._bad += 1
        self._line_start = end

    def _is_text(self, host_ns: int) -> bool:
        if self._good_since_ns is None or self._good < max(_FEWEST_LINES, self._bad):
            return False
        return host_ns - self._good_since_ns >= _TEXT_AFTER_NS or len(self._held) > _MOST_HELD
