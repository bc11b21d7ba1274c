"""What a stream of text lines is: columns, separator, clock and rate, found from its first lines."""

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stream.block import ChannelInfo
from stream.errors import InputError
from stream.units import Floats
from stream.wire.items import MAX_RATE_HZ, clean_names, clean_text
from stream.wire.lines import cells_of, numbers_of, separator_of, without_comment

_NAME = re.compile(r"\s*([^\W\d][^\[\]]*?)\s*(?:\[([^\[\]]*)\])?\s*")
_LINE = re.compile(rb"(?m)^[ \t?]*[A-Za-z_\x80-\xff][^\n]*$")
_CLOCK_UNITS = {"s": 1e6, "ms": 1e3, "us": 1.0, "µs": 1.0}  # microseconds per unit
_FEWEST = 3  # good lines before anything is concluded
_MOST_HELD = 256 * 1024  # bytes of lines kept until then, good or bad
_FEWEST_STAMPS = 4
_MOST_STAMPS = 4096  # after which the rate is taken from what there is
_SPAN_US = 1e6  # of the device's clock from which the rate is measured


@dataclass(frozen=True)
class Layout:
    """The layout of the lines.

    `channels` are the columns in order, less the clock's; `clock` is that column, None where there is none;
    `clock_us` is the microseconds of its unit.
    """

    separator: bytes
    columns: int
    channels: tuple[ChannelInfo, ...]
    clock: int | None = None
    clock_us: float = 1.0


@dataclass(frozen=True)
class Pace:
    """How samples follow each other.

    late_us is the step of the clock beyond which samples are missing; shared_us the step between clusters of
    lines that share one stamp, 0 where each line has its own.
    """

    rate_hz: float
    late_us: float = 0.0
    shared_us: float = 0.0


class TextHead:
    """Collects the first lines until the layout is known, whatever way they were split.

    `expected` are the car file's channels in order, less time; `clock_names` the names of its time channel.
    """

    def __init__(self, expected: tuple[ChannelInfo, ...], clock_names: frozenset[str] = frozenset()) -> None:
        self._expected = expected
        self._clock_names = clock_names | {"t"}
        self.lines: list[bytes] = []  # all but names and comments, for the parser once it can be made
        self._held = 0
        self._good: dict[int, list[bytes]] = {}  # the good ones of them, by how many numbers are in a line
        self._names: dict[int, bytes] = {}  # cells in it: the last line of names

    def add(self, raw: bytes) -> Layout | None:
        """Look at one more line; the layout once it is known. Raises InputError where it cannot be used."""
        line = without_comment(raw)
        if not line:
            return None
        separator = separator_of(line)
        numbers = numbers_of(line, separator)
        if numbers is None and _names_in(line) is not None:
            self._names[len(cells_of(line, separator))] = line
            return None
        if self._held + len(raw) <= _MOST_HELD:
            self._held += len(raw)
            self.lines.append(raw)
        if numbers is not None:
            self._good.setdefault(len(numbers), []).append(line)
        if sum(map(len, self._good.values())) < _FEWEST:
            return None
        columns = max(self._good, key=lambda count: len(self._good[count]))
        clock, clock_us = self._clock_of(columns)
        channels = self._channels(columns, clock)
        return Layout(separator_of(self._good[columns][0]), columns, channels, clock, clock_us)

    def names_in(self, chunk: bytes) -> list[tuple[int, int]]:
        """(begin, end) of the lines of names in a chunk: a channel or the clock is among them, or they are as many."""
        found = []
        for match in _LINE.finditer(chunk):
            line = without_comment(match[0])
            separator = separator_of(line)
            named = _names_in(line) if line and numbers_of(line, separator) is None else None
            if not named or len(named) < 2:
                continue
            names = {name for name, _ in named}
            known = names & ({name for channel in self._expected for name in (channel.name,)} | self._known_names())
            if known or (separator != b" " and len(named) in self._good):
                found.append(match.span())
        return found

    def _known_names(self) -> set[str]:
        return {name for line in self._names.values() for name, _ in _names_in(line) or []}

    def order_of(self, line: bytes, layout: Layout) -> list[int] | None:
        """Where each of the layout's columns stands in a new header; None where it has other columns or units."""
        named = _names_in(without_comment(line)) or []
        first = self._named(layout.columns) or [(channel.name, channel.unit) for channel in self._expected]
        if len(named) != len(first) or len(first) != layout.columns:
            return None
        meant = {channel.name: channel.unit for channel in layout.channels}  # where a header says no unit
        places = {name: place for place, (name, _) in enumerate(named)}
        order = []
        for column, (name, said) in enumerate(first):
            place = places.get(name)
            if place is None:
                return None
            unit, new = said or meant.get(name, ""), named[place][1]
            if column == layout.clock:
                if _CLOCK_UNITS.get(new or "s", 1e6) != layout.clock_us:
                    return None
            elif unit and new and unit != new:
                return None
            order.append(place)
        return order if len(set(order)) == len(order) else None

    def repeats(self, line: bytes) -> bool:
        """Whether the line is the line of names again, as a device sends it when it restarts."""
        return without_comment(line) in self._names.values()

    def _clock_of(self, columns: int) -> tuple[int | None, float]:
        """(column, microseconds per unit) of the device's clock, if the line of names has one."""
        for number, (name, unit) in enumerate(self._named(columns)):
            if name in self._clock_names and not any(name == channel.name for channel in self._expected):
                return number, _CLOCK_UNITS.get(unit or "s", 1e6)
        return None, 1.0

    def _named(self, columns: int) -> list[tuple[str, str]]:
        return (_names_in(self._names[columns]) if columns in self._names else None) or []

    def _channels(self, columns: int, clock: int | None) -> tuple[ChannelInfo, ...]:
        named = self._named(columns)
        if not named:
            if columns != len(self._expected):
                expected = ", ".join(channel.name for channel in self._expected)
                raise InputError(
                    f"text lines of {columns} columns without a line of names, but the car file has "
                    f"{len(self._expected)} channels ({expected}); let the device send their names first"
                )
            return self._expected
        if clock is not None:
            del named[clock]
        names = clean_names([name for name, _ in named])
        units = {channel.name: channel.unit for channel in self._expected}
        return tuple(
            ChannelInfo(name, clean_text(unit, 24) or units.get(name, ""))
            for name, (_, unit) in zip(names, named, strict=True)
        )


def _names_in(line: bytes) -> list[tuple[str, str]] | None:
    """(name, unit) of each cell if all of them look like names, else None."""
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        return None
    separator = separator_of(line)
    cells = text.split() if separator == b" " else text.split(separator.decode())
    found = [_NAME.fullmatch(cell) for cell in cells]
    return [(cell[1], cell[2] or "") for cell in found if cell] if all(found) else None


def on_line(stamps: Floats) -> npt.NDArray[np.bool_]:
    """Which of the first stamps but the last can be true: not those that the next one goes back from, or behind those
    before them, while the next goes on from before. Shape (n - 1,)."""
    if len(stamps) < 3:
        return np.ones(max(len(stamps) - 1, 0), dtype=np.bool_)
    before, own, behind = stamps[:-2], stamps[1:-1], stamps[2:]
    wrong = (behind >= before) & ((own > behind) | (own < before))
    return np.concatenate(([True], ~wrong))


def enough_stamps(stamps: Floats) -> int:
    """How many of the first stamps (µs) the rate is to be taken from; 0 while there are not enough.

    The first one is not trusted: its line may lack its beginning.
    """
    spanned = np.flatnonzero(stamps - stamps[min(1, len(stamps) - 1)] >= _SPAN_US)
    spanned = spanned[spanned >= _FEWEST_STAMPS - 1]
    if len(spanned):
        return min(int(spanned[0]) + 1, _MOST_STAMPS)
    return _MOST_STAMPS if len(stamps) >= _MOST_STAMPS else 0


def pace_of(stamps: Floats) -> Pace:
    """The pace of lines whose first stamps (device clock in µs) are given, shape (n,).

    The middle step tells a regular one from a gap, so that lost samples do not slow the rate; a coarse clock
    (whole ms at 700 Hz) is averaged over. Raises InputError where the clock does not run.
    """
    steps = np.diff(stamps)
    steps = steps[steps >= 0]
    moving = steps[steps > 0]
    if len(moving) < 2:
        raise InputError(
            "the clock column of the text lines does not run; send t[s], t[ms] or t[us], or give the rate",
            code="line-clock-stands",
        )
    shared = float(np.median(moving)) if np.count_nonzero(steps == 0) > 0.1 * len(steps) else 0.0
    usual = max(1.5 * float(np.median(steps)), 1.5 * shared, 1.001 * float(np.quantile(steps, 0.9)))
    kept = steps[steps <= usual]
    period = float(kept.mean())
    # A clock of whole milliseconds over one second cannot tell 700.3 from 700 Hz: within that uncertainty the round
    # figure is the likelier one.
    uncertainty = float(kept.max() - kept.min()) / float(kept.sum()) + 1e-9
    if not 1e6 / period <= MAX_RATE_HZ:
        raise InputError(
            f"the clock column of the text lines steps by {period:g} µs, more than {MAX_RATE_HZ:g} lines a "
            "second; mend its unit: t[s], t[ms] or t[us]"
        )
    rounded = float(f"{1e6 / period:.3g}")
    rate = rounded if abs(rounded * period / 1e6 - 1) <= uncertainty else 1e6 / period
    return Pace(rate, 1.5 * max(1e6 / rate, shared), shared)
