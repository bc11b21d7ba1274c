"""From the time stamps of a log to an even count of samples.

Stamps that are even but for rounding keep their rows, a jump becomes lost samples; uneven ones are resampled.
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from stream.wire.description import MAX_RATE_HZ

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_EVEN: Final = 0.2  # of a period: what rounding of stamps may move one
_JUMP_EVEN: Final = 1.5  # periods
_MANY_JUMPS: Final = 0.2  # of all steps; so many are losses only where they last whole periods
_TOLD_RESTARTS: Final = 20
_MOST_COUNTED: Final = 2.0**53  # samples: beyond it they cannot be counted exactly
_MOST_MADE: Final = 10_000_000  # samples that resampling may make of a short log; of a long one ...
_MADE_OF_A_ROW: Final = 20  # ... so many a row
_JUMP_UNEVEN: Final = 5.0  # median periods; less is the unevenness itself


@dataclass(slots=True)
class Sampled:
    """Rows on an even count: values float64 (n, channels), index int64 (n,), rows of clock restarts.

    `notes` are (kind of event, row, text).
    """

    rate_hz: float
    values: Floats
    index: Ints
    restarts: frozenset[int] = frozenset()
    resampled: bool = False
    notes: list[tuple[str, int, str]] = field(default_factory=list)


def count_rows(values: Floats, rate_hz: float) -> Sampled:
    """Rows of a log without a clock: one a period. A row with nothing in it is a lost sample."""
    return _drop_empty(Sampled(rate_hz, values, np.arange(len(values), dtype=np.int64)))


def place_rows(values: Floats, time_s: Floats, lines: Ints, rate_hz: float | None = None) -> Sampled:
    """Rows by their stamps. `rate_hz`, where given, is the even count's rate, else it is found.

    Rows whose stamp is missing are left out. Raises ValueError, with the cure, where fewer than two different ones are
    left, or where the count would grow beyond all bounds.
    """
    told: list[tuple[str, int, str]] = []
    if np.isnan(time_s).any():
        keep = ~np.isnan(time_s)
        told.append(("note", 0, f"{int((~keep).sum())} rows without a time stamp are left out"))
        values, time_s, lines = values[keep], time_s[keep], lines[keep]
    if len(time_s) < 2 or not np.any(np.diff(time_s) > 0):
        raise ValueError(
            "fewer than two different time stamps in order; "
            "a log needs a clock that moves, or --rate HZ and a car file without a time channel"
        )
    if not np.abs(time_s).max() <= _MOST_COUNTED:
        raise ValueError(f"a time stamp of {np.abs(time_s).max():.3g} s; mend that stamp")
    back = np.flatnonzero(np.diff(time_s) < 0) + 1
    time_s, spread = spread_equal(time_s, back)
    if spread:
        told.append(("note", 0, f"{spread} rows had the stamp of the row before; they are spread to the next one"))
    steps = np.diff(time_s)
    steps[back - 1] = np.nan
    period = float(np.nanmedian(steps))
    if period * MAX_RATE_HZ < 1.0:
        raise ValueError(f"the clock steps by {period:.3g} s, which no log does; give its unit: s, ms, us or min")
    told += _tell_restarts(time_s, back, lines)
    shift = np.zeros_like(time_s)
    shift[back] = time_s[back - 1] + period - time_s[back]
    time_s = time_s + np.cumsum(shift)
    steps[back - 1] = period
    even = _even_rate(time_s, steps, period)
    if even is not None and (rate_hz is None or abs(even / rate_hz - 1.0) < 1e-3):
        sampled = _keep_rows(values, steps, even, back)
    else:
        sampled = _resample(values, time_s, steps, rate_hz or float(f"{1.0 / period:.3g}"), back)
        low, high = np.quantile(steps, [0.05, 0.95])
        told.append(
            (
                "note",
                0,
                f"uneven stamps (steps {low:.4g} to {high:.4g} s): resampled at {sampled.rate_hz:.6g} Hz",
            )
        )
    sampled.notes[:0] = told
    return _drop_empty(sampled)


def _tell_restarts(time_s: Floats, back: Ints, lines: Ints) -> list[tuple[str, int, str]]:
    told = [
        (
            "fault",
            row,
            f"line {int(lines[row])}: the clock runs back by {time_s[row - 1] - time_s[row]:.6g} s; "
            "taken as a restart, the rows go on one period later",
        )
        for row in back[:_TOLD_RESTARTS].tolist()
    ]
    if len(back) > _TOLD_RESTARTS:
        told.append(("fault", int(back[-1]), f"the clock runs back {len(back) - _TOLD_RESTARTS} times more"))
    return told


def spread_equal(time_s: Floats, back: Ints) -> tuple[Floats, int]:
    """Runs of equal stamps, spread evenly to the next distinct one; how many rows that moved.

    Before a jump, or at the end, a run fills a usual step only: nobody knows that its rows came late.
    """
    starts = np.concatenate(([0], np.flatnonzero(np.diff(time_s) != 0) + 1))
    length = np.diff(np.concatenate((starts, [len(time_s)])))
    if np.all(length == 1):
        return time_s.copy(), 0
    to_next = np.full(len(starts), np.nan)
    to_next[:-1] = np.diff(time_s[starts])
    to_next[:-1][np.isin(starts[1:], back)] = np.nan
    usual = float(np.nanmedian(to_next))
    span = np.where(np.isnan(to_next) | (to_next > _JUMP_EVEN * usual), usual, to_next)
    run = np.repeat(np.arange(len(starts)), length)
    place = np.arange(len(time_s)) - starts[run]
    return time_s[starts][run] + place * (span / length)[run], int((length - 1).sum())


def _even_rate(time_s: Floats, steps: Floats, period: float) -> float | None:
    """Samples per second where the stamps are even but for rounding and jumps, else None."""
    jump = steps > _JUMP_EVEN * period
    mean = float(steps[~jump].mean())
    jump = steps > _JUMP_EVEN * mean
    mean = float(steps[~jump].mean())
    periods = steps[jump] / mean
    if jump.mean() > _MANY_JUMPS and np.abs(periods - np.rint(periods)).max() > _EVEN:
        return None
    section = np.concatenate(([0], np.cumsum(jump)))
    first = np.concatenate(([0], np.flatnonzero(jump) + 1))
    place = np.arange(len(time_s)) - first[section]
    off = time_s - time_s[first][section] - place * mean
    # a stretch's first stamp is rounded too, so each stretch may be off as a whole
    low, high = (reduce.reduceat(off, first) for reduce in (np.minimum, np.maximum))
    widest = float((high - low).max())
    if widest > 2.0 * _EVEN * mean:
        return None
    counted = int((~jump).sum())
    return _nice(1.0 / mean, max(2.0 * widest / (counted * mean), 1e-9))


def _nice(rate_hz: float, tolerance: float) -> float:
    """The shortest decimal rate, or rate of a shortest decimal period, within a relative tolerance."""
    for digits in range(1, 13):
        for nice in (float(f"{rate_hz:.{digits}g}"), 1.0 / float(f"{1.0 / rate_hz:.{digits}g}")):
            if abs(nice / rate_hz - 1.0) <= tolerance:
                return nice
    return rate_hz


def _keep_rows(values: Floats, steps: Floats, rate_hz: float, back: Ints) -> Sampled:
    """Rows as they are; a jump of more than 1.5 periods skips as many counts as it lasts."""
    _check_count(float(steps.sum()) * rate_hz, rate_hz)
    skipped = np.where(steps > _JUMP_EVEN / rate_hz, np.maximum(np.rint(steps * rate_hz), 1.0), 1.0)
    index = np.concatenate(([0], np.cumsum(skipped.astype(np.int64))))
    return Sampled(rate_hz, values, index, frozenset(back.tolist()))


def _check_count(samples: float, rate_hz: float) -> None:
    if not samples <= _MOST_COUNTED:
        raise ValueError(f"the stamps span {samples:.3g} samples at {rate_hz:g} Hz; mend the stamp that is far off")


def _resample(values: Floats, time_s: Floats, steps: Floats, rate_hz: float, back: Ints) -> Sampled:
    """Linear between neighbouring rows, on a grid from the first stamp; not across a jump or empty row."""
    empty = _empty(values)
    usual = max(float(np.median(steps)), 1.0 / rate_hz)
    cut = (steps > _JUMP_UNEVEN * usual) | empty[1:] | empty[:-1]
    cut[back - 1] = True
    starts = np.concatenate(([0], np.flatnonzero(cut) + 1))
    ends = np.concatenate((starts[1:], [len(time_s)]))
    clock = (time_s - time_s[0]) * rate_hz
    _check_count(float(clock[-1]), rate_hz)
    made = float((clock[ends - 1] - clock[starts]).sum()) + len(starts)
    if made > max(_MOST_MADE, _MADE_OF_A_ROW * len(time_s)):
        raise ValueError(f"{len(time_s)} rows would become {made:.3g} samples at {rate_hz:g} Hz; give a lower --rate")
    parts, places, restarts, rows = [], [], [], 0
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        grid = np.arange(np.ceil(clock[start] - 1e-9), np.floor(clock[end - 1] + 1e-9) + 1.0)
        if start in back:
            restarts.append(rows)
        if len(grid) and not empty[start]:
            columns = [np.interp(grid, clock[start:end], column) for column in values[start:end].T]
            parts.append(np.column_stack(columns))
            places.append(grid.astype(np.int64))
            rows += len(grid)
    if not parts:
        return Sampled(rate_hz, values[:0], np.empty(0, dtype=np.int64), resampled=True)
    return Sampled(rate_hz, np.concatenate(parts), np.concatenate(places), frozenset(restarts), resampled=True)


def _empty(values: Floats) -> npt.NDArray[np.bool_]:
    """Rows without any value."""
    return np.asarray(np.isnan(values).all(axis=1), dtype=np.bool_)


def _drop_empty(sampled: Sampled) -> Sampled:
    """Leave out rows with nothing in them, which makes them lost samples; count from the first left."""
    keep = ~_empty(sampled.values)
    if not keep.all():
        moved: Ints = np.cumsum(keep) - keep
        sampled.restarts = frozenset(int(moved[row]) for row in sampled.restarts)
        sampled.values, sampled.index = sampled.values[keep], sampled.index[keep]
    if len(sampled.index):
        sampled.index = sampled.index - sampled.index[0]
    return sampled
