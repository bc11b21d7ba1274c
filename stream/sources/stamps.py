"""From the time stamps of a log to an even count of samples.

Stamps that are even but for rounding keep their rows, a jump becomes lost samples; uneven ones are resampled.
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from stream.errors import InputError
from stream.findings import Finding, note, warning
from stream.sources.stamp_line import doubled, judge, off_the_count
from stream.units import Counts, Floats
from stream.wire.items import MAX_RATE_HZ, MIN_RATE_HZ

_EVEN: Final = 0.2  # of a period: what rounding of stamps may move one
_JUMP_EVEN: Final = 1.5  # periods
_MANY_JUMPS: Final = 0.2  # of all steps; so many are losses only where they last whole periods
_TOLD_RESTARTS: Final = 20
_MOST_COUNTED: Final = 2.0**53  # samples: beyond it they cannot be counted exactly
_MOST_MADE: Final = 10_000_000  # samples that resampling may make of a short log; of a long one ...
_MADE_OF_A_ROW: Final = 20  # ... so many a row
_JUMP_UNEVEN: Final = 5.0  # median periods; less is the unevenness itself
_FEW: Final = 0.01  # of the rows: so many may lie off an even count before it is no even one
_TIMES_OFF: Final = 3.0  # a rate that is given and so far from the stamps' own is rather a mistake


@dataclass(slots=True)
class Sampled:
    """Rows on an even count: values float64 (n, channels), index int64 (n,), rows of clock restarts.

    left_out    rows of the log whose stamps do not fit, as numbers of the rows given
    findings    (row, what was noticed)
    """

    rate_hz: float
    values: Floats
    index: Counts
    restarts: frozenset[int] = frozenset()
    resampled: bool = False
    left_out: Counts = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    findings: list[tuple[int, Finding]] = field(default_factory=list)


@dataclass(slots=True)
class Settled:
    """The rows of a log whose stamps can be used.

    rows        which of the rows given, in the order of their stamps
    time_s      (rows,) seconds as written, equal stamps still equal
    off         rows whose stamps are off the line of the others
    back        places in `rows` with which the clock begins anew
    findings    what was noticed
    """

    rows: Counts
    time_s: Floats
    off: Counts
    back: Counts
    findings: list[Finding]


def settle(time_s: Floats) -> Settled:
    """Leave out rows without a stamp or with one that is off the line. `time_s` (n,), NaN where missing.

    Raises InputError, without the file's name, where no clock is left that moves.
    """
    findings: list[Finding] = []
    rows = np.flatnonzero(~np.isnan(time_s)).astype(np.int64)
    if len(rows) < len(time_s):
        findings.append(warning("rows-without-stamp", rows=len(time_s) - len(rows)))
    judged = judge(time_s[rows])
    if judged.order is not None:
        findings.append(note("rows-out-of-order", rows=int(np.count_nonzero(np.diff(judged.order) < 0))))
        rows = rows[judged.order]
    keep = ~judged.stray
    off, back = rows[~keep], (np.cumsum(keep) - 1)[judged.restarts]
    rows = rows[keep]
    twice = doubled(time_s[rows])
    if twice.any():
        off, back = np.concatenate((off, rows[twice])), (np.cumsum(~twice) - 1)[back]
        rows = rows[~twice]
    if len(rows) < 2 or not np.any(np.diff(time_s[rows]) > 0):
        raise InputError(
            "fewer than two different time stamps in order; a log needs a clock that moves, or a rate in its place",
            "clock-stands",
        )
    return Settled(rows, time_s[rows], off, back, findings)


def count_rows(values: Floats, rate_hz: float) -> Sampled:
    """Rows of a log without a clock: one a period. A row with nothing in it is a lost sample."""
    return _drop_empty(Sampled(rate_hz, values, np.arange(len(values), dtype=np.int64)))


def place_rows(values: Floats, time_s: Floats, lines: Counts, rate_hz: float | None = None) -> Sampled:
    """Rows by their stamps. `rate_hz`, where given, is the even count's rate, else it is found.

    Raises InputError, with the cure and without the file's name, where no clock is left that moves, or where the count
    would grow beyond all bounds.
    """
    settled = settle(time_s)
    rows, back, off = settled.rows, settled.back, settled.off
    findings = [(0, finding) for finding in settled.findings]
    clock, spread = spread_equal(settled.time_s, back)
    if spread:
        findings.append((0, note("stamps-spread", rows=spread)))
    steps = np.diff(clock)
    steps[back - 1] = np.nan
    period = float(np.nanmedian(steps))
    if not MIN_RATE_HZ <= 1.0 / period <= MAX_RATE_HZ:
        raise InputError(
            f"the clock steps by {period:.3g} s, which no log does; give its unit: s, ms, us or min", "clock-unit"
        )
    findings += _tell_restarts(clock, back, lines[rows])
    shift = np.zeros_like(clock)
    shift[back] = clock[back - 1] + period - clock[back]
    clock = clock + np.cumsum(shift)
    steps[back - 1] = period
    even = _even_rate(clock, steps, period)
    if even is None and (found := _even_but_for_few(clock, back, period)) is not None:
        even, keep = found
        off, back = np.concatenate((off, rows[~keep])), (np.cumsum(keep) - 1)[back]
        rows, clock = rows[keep], clock[keep]
        steps = np.diff(clock)
    wanted = values[rows]
    if even is not None and (rate_hz is None or abs(even / rate_hz - 1.0) < 1e-3):
        sampled = _keep_rows(wanted, steps, even, back)
    else:
        sampled = _resample(wanted, clock, steps, rate_hz or float(f"{1.0 / period:.3g}"), back)
        low, high = np.quantile(steps, [0.05, 0.95])
        uneven = even is None
        findings.append((0, _resampled(float(low), float(high), sampled.rate_hz, uneven=uneven)))
    if rate_hz is not None and not 1.0 / _TIMES_OFF < rate_hz * period < _TIMES_OFF:
        findings.append((0, warning("rate-against-stamps", rate_hz=rate_hz, stamps_hz=1.0 / period)))
    sampled.left_out = off
    sampled.findings = findings
    return _drop_empty(sampled)


def _resampled(low: float, high: float, rate_hz: float, *, uneven: bool) -> Finding:
    if uneven:
        return note("stamps-uneven", low_s=low, high_s=high, rate_hz=rate_hz)
    return note("resampled", rate_hz=rate_hz)


def _tell_restarts(time_s: Floats, back: Counts, lines: Counts) -> list[tuple[int, Finding]]:
    told = [
        (row, warning("clock-restart", line=int(lines[row]), back_s=float(time_s[row - 1] - time_s[row])))
        for row in back[:_TOLD_RESTARTS].tolist()
    ]
    if len(back) > _TOLD_RESTARTS:
        told.append((int(back[-1]), warning("clock-restarts-more", count=len(back) - _TOLD_RESTARTS)))
    return told


def _even_but_for_few(clock: Floats, back: Counts, period: float) -> tuple[float, npt.NDArray[np.bool_]] | None:
    """(rate, rows to keep) of stamps that are even where a few rows are left out; None where they are not."""
    off = off_the_count(clock, period, _EVEN)
    off[back] = False
    if not 0 < np.count_nonzero(off) <= max(_FEW * len(clock), 1):
        return None
    even = _even_rate(clock[~off], np.diff(clock[~off]), period)
    return None if even is None else (even, ~off)


def spread_equal(time_s: Floats, back: Counts) -> tuple[Floats, int]:
    """Runs of equal stamps, spread evenly to the next distinct one; how many rows that moved.

    Before a jump, or at the end, a run fills a usual step only: nobody knows that its rows came late. A log that ends
    in the middle of a second has fewer rows under its last stamp: these are as far apart as all others.
    """
    starts = np.concatenate(([0], np.flatnonzero(np.diff(time_s) != 0) + 1))
    length = np.diff(np.concatenate((starts, [len(time_s)])))
    if np.all(length == 1):
        return time_s.copy(), 0
    to_next = np.full(len(starts), np.nan)
    to_next[:-1] = np.diff(time_s[starts])
    to_next[:-1][np.isin(starts[1:], back)] = np.nan
    usual = float(np.nanmedian(to_next))
    open_end = np.isnan(to_next) | (to_next > _JUMP_EVEN * usual)
    apart = float(np.median((to_next / length)[~open_end]))
    span = np.where(open_end, np.minimum(usual, apart * length), to_next)
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


def _keep_rows(values: Floats, steps: Floats, rate_hz: float, back: Counts) -> Sampled:
    """Rows as they are; a jump of more than 1.5 periods skips as many counts as it lasts."""
    _check_count(float(steps.sum()) * rate_hz, rate_hz)
    skipped = np.where(steps > _JUMP_EVEN / rate_hz, np.maximum(np.rint(steps * rate_hz), 1.0), 1.0)
    index = np.concatenate(([0], np.cumsum(skipped.astype(np.int64))))
    return Sampled(rate_hz, values, index, frozenset(back.tolist()))


def _check_count(samples: float, rate_hz: float) -> None:
    if not samples <= _MOST_COUNTED:
        raise InputError(
            f"the stamps span {samples:.3g} samples at {rate_hz:g} Hz; mend the stamp that is far off", "stamp-far-off"
        )


def _resample(values: Floats, time_s: Floats, steps: Floats, rate_hz: float, back: Counts) -> Sampled:
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
        raise InputError(
            f"{len(time_s)} rows would become {made:.3g} samples at {rate_hz:g} Hz; give a lower rate", "rate-too-high"
        )
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
        moved: Counts = np.cumsum(keep) - keep
        sampled.restarts = frozenset(int(moved[row]) for row in sampled.restarts)
        sampled.values, sampled.index = sampled.values[keep], sampled.index[keep]
    if len(sampled.index):
        sampled.index = sampled.index - sampled.index[0]
    return sampled
