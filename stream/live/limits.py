"""Limits that the car file sets on channels, watched on every raw sample, before any filter.

They warn; the driver decides. A limit on a knock sensor's voltage is a limit on a voltage: it is no knock detection.
A watched channel that cannot show an excursion, for it is flat, at the end of its range or gone, is told too: silence
of such a channel is no permission.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from stream.block import StreamInfo
from stream.car import Car, Limit
from stream.findings import Finding, warning
from stream.live.steadiness import runs_of
from stream.units import Flags, Floats

AGAIN_S = 0.5  # back inside for so long, an excursion is over; chosen: one warning for each, not for each sample
FLAT_S = 5.0  # not one count of change for so long; chosen: above what a quantised signal does while driving
FLAT_SLOW_S = 60.0  # for a temperature
RAILED_S = 0.5  # at or beyond an end of its range for so long
GONE_S = 2.0  # no number for so long; slow channels are filled in once a second
KEPT_S = 300.0  # excursions are kept for as long as a pull can be judged


@dataclass(frozen=True, slots=True)
class LimitEvent:
    """`limit`: a channel went over; `limit-blind`: it cannot show whether it does. `index` is the sample's, from the
    session's first one; `value` the sample's, None where it has none."""

    kind: str
    index: int
    channel: str
    finding: Finding
    value: float | None


@dataclass(slots=True)
class _Watch:
    """One limit on one column, and how far it was looked at; places are sample indices."""

    limit: Limit
    column: int
    unit: str
    span: tuple[float, float] | None
    flat: int  # samples without a change that make it blind
    excursion: list[int] = field(default_factory=lambda: [-(1 << 60), -(1 << 60)])  # first and last sample over it
    said: bool = False  # the present excursion
    changed: int = 0
    inside: int = 0
    number: int = 0
    value: float = float("nan")  # the newest that is a number
    blind: bool = False
    waiting: list[tuple[int, Floats, bool]] = field(default_factory=list)  # what only a pull makes a warning of


def all_blind(car: Car) -> Iterator[tuple[Finding, dict[str, str]]]:
    """(finding, details) of each channel with a limit, while the device that measures them is away."""
    for channel in car.limited:
        yield warning("limit-blind", channel=channel, why="away"), {"channel": channel}


class Limits:
    """Feed it every block; take what is to be told from `told`.

    `over` lists the excursions, first and last sample index, whether they were warned of or not.
    """

    def __init__(self, car: Car, info: StreamInfo) -> None:
        self.found: list[LimitEvent] = []
        self.over: list[list[int]] = []
        self._rate = info.rate_hz
        self._watches: list[_Watch] = []
        self._absent = tuple(limit.channel for limit in car.limit if limit.channel not in info.names)
        for limit in car.limit:
            channel = car.by_name(limit.channel)
            if limit.channel not in info.names:
                absent = warning("limit-not-sent", channel=limit.channel)
                self.found.append(LimitEvent("limit-blind", 0, limit.channel, absent, None))
                continue
            slow = channel is not None and channel.role == "temperature"
            column = info.names.index(limit.channel)
            self._watches.append(
                _Watch(
                    limit,
                    column,
                    info.channels[column].unit,
                    None if channel is None else channel.range,
                    max(2, round((FLAT_SLOW_S if slow else FLAT_S) * info.rate_hz)),
                )
            )

    @property
    def blind(self) -> tuple[str, ...]:
        """Channels that cannot show an excursion now: flat, railed, gone, or not in the stream."""
        return (*self._absent, *(watch.limit.channel for watch in self._watches if watch.blind))

    def push(self, index: int, samples: npt.NDArray[np.float32]) -> None:
        """The samples (n, channels) from sample `index` on."""
        oldest = index - round(KEPT_S * self._rate)
        self.over = [one for one in self.over if one[1] >= oldest]
        for watch in self._watches:
            values = samples[:, watch.column].astype(np.float64)
            self._look_over(watch, index, values)
            self._look_blind(watch, index, values)

    def pulling(self, states: list[tuple[int, bool]], end: int) -> None:
        """Warn of what went over during pulls: `states` says from which sample on speed rose under high load, or did
        not, in order; `end` is the sample up to which that is known."""
        ends = [*(start for start, _ in states[1:]), end]
        for watch in self._watches:
            rest = []
            for at, values, new in watch.waiting:
                watch.said = watch.said and not new
                for (start, pulls), stop in zip(states, ends, strict=True):
                    first = max(at, start)
                    if pulls and not watch.said and first < min(stop, at + len(values)):
                        watch.said = True
                        self._tell(watch, first, float(values[first - at]))
                if at + len(values) > end:
                    rest.append((max(at, end), values[max(0, end - at) :], new and at >= end))
            watch.waiting = rest

    # -- excursions ---------------------------------------------------------------------------------------------------

    def _look_over(self, watch: _Watch, index: int, values: Floats) -> None:
        limit = watch.limit
        over = np.zeros(len(values), np.bool_)
        if limit.above is not None:
            over |= values > limit.above
        if limit.below is not None:
            over |= values < limit.below
        again = max(1, round(AGAIN_S * self._rate))
        for first, end in runs_of(over, bridge=0) if over.any() else []:
            new = index + first - watch.excursion[1] > again
            if new:
                watch.excursion = [index + first, index + first]
                self.over.append(watch.excursion)
            watch.excursion[1] = index + end - 1
            if limit.during == "pull":
                watch.waiting.append((index + first, values[first:end], new))
            elif new:
                self._tell(watch, index + first, float(values[first]))

    def _tell(self, watch: _Watch, at: int, value: float) -> None:
        limit = watch.limit
        above = limit.above is not None and value > limit.above
        edge = limit.above if above else limit.below
        over = warning("limit-over", channel=limit.channel, value=value, unit=watch.unit, above=above, edge=edge)
        self.found.append(LimitEvent("limit", at, limit.channel, over, value))

    # -- blindness ----------------------------------------------------------------------------------------------------

    def _look_blind(self, watch: _Watch, index: int, values: Floats) -> None:
        at = np.arange(index, index + len(values))
        known = np.isfinite(values)
        newest = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
        held = np.where(newest >= 0, values[np.maximum(newest, 0)], watch.value)
        before = np.concatenate(([watch.value], held[:-1]))
        changed = _newest(at, known & (held != before), watch.changed)
        number = _newest(at, known, watch.number)
        span = watch.span
        inside = at if span is None else _newest(at, known & (values > span[0]) & (values < span[1]), watch.inside)
        flat = at - changed >= watch.flat
        railed = at - inside >= max(2, round(RAILED_S * self._rate))
        if span is not None:
            railed &= (held <= span[0]) | (held >= span[1])
        gone = at - number >= max(2, round(GONE_S * self._rate))
        blind = flat | railed | gone
        was = np.concatenate(([watch.blind], blind[:-1]))
        for place in np.flatnonzero(blind & ~was).tolist():
            why = "no-number" if gone[place] else "end-of-range" if railed[place] else "flat"
            value = float(held[place]) if np.isfinite(held[place]) else None
            seen = warning("limit-blind", channel=watch.limit.channel, why=why)
            self.found.append(LimitEvent("limit-blind", int(at[place]), watch.limit.channel, seen, value))
        watch.blind, watch.value = bool(blind[-1]), float(held[-1])
        watch.changed, watch.number, watch.inside = int(changed[-1]), int(number[-1]), int(inside[-1])


def _newest(at: npt.NDArray[np.int64], good: Flags, before: int) -> npt.NDArray[np.int64]:
    """For each sample the newest one, itself included, that is good."""
    return np.maximum(np.maximum.accumulate(np.where(good, at, -1)), before)
