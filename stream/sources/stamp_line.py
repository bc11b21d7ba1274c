"""Stamps that lie off the line which those before and behind them agree on."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from stream.units import Counts, Flags, Floats

_NORMAL: Final = 5.0  # times the usual step: a longer one is a jump
_DRIFT: Final = 0.02  # of the time that rows should take: what lost rows and a wandering rate may add
_FEW: Final = 3  # rows at an end, or in front of a gap, that are rather wrong than the only right ones
_AWAY_STEPS: Final = 20.0  # usual steps, and ...
_AWAY_S: Final = 1.0  # ... this long: a lone stamp at an end that is farther away is none
_LENGTHS: Final = 10.0  # of the log itself
_SHARE: Final = 0.01  # of the rows that may be left out; so far one looks for where the clock comes back
_SHUFFLED_STEPS: Final = 20.0  # usual steps: rows that are out of order by less are put in order
_SHUFFLED_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class Judged:
    """What became of a log's stamps.

    stray      (rows,) whether the stamp is off the line
    restarts   rows with which the clock begins anew
    order      the rows in the order of their stamps where they were shuffled, else None
    """

    stray: Flags
    restarts: Counts
    order: Counts | None = None


def judge(time_s: Floats) -> Judged:
    """Tell wrong stamps from gaps and restarts: what returns to its old line was wrong in between.

    `time_s` (n,) finite. A step back is a restart only where neither dropping a few rows before it nor a few from it
    on puts the clock back on its line.
    """
    n = len(time_s)
    stray = np.zeros(n, dtype=np.bool_)
    steps = np.diff(time_s)
    rising = steps[steps > 0]
    if n < 4 or not len(rising):
        return Judged(stray, np.flatnonzero(steps < 0) + 1)
    usual = float(np.median(rising))
    normal = steps[(steps >= 0) & (steps <= _NORMAL * usual)]
    back = np.flatnonzero(steps < 0) + 1
    many = len(back) > max(_FEW, _SHARE * n)
    if many and np.all(-steps[back - 1] <= max(_SHUFFLED_STEPS * usual, _SHUFFLED_S)):
        return Judged(stray, back[:0], np.argsort(time_s, kind="stable"))
    reach = _FEW if many else max(_FEW, int(_SHARE * n) + 1)
    line = _Line(time_s, stray, float(normal.mean()), 2.0 * usual, reach)
    restarts = [row for row in back.tolist() if not line.mend(row)]
    line.ends(usual)
    return Judged(stray, np.array([row for row in restarts if not stray[row]], dtype=np.int64))


@dataclass(slots=True)
class _Line:
    """Stamps being judged: `stray` is filled in; rows take `row_s`, give or take `slack`."""

    time: Floats
    stray: Flags
    row_s: float
    slack: float
    reach: int

    def mend(self, row: int) -> bool:
        """Mark what is wrong about a step back at `row`; False where it is a restart."""
        before = self._before(row)
        if not len(before) or self.stray[row] or self.time[row] >= self.time[before[-1]]:
            return True
        last = int(before[-1])
        ways = [self._drop_before(row, before), self._drop_from(row, last), *self._drop_end(row, before)]
        found = [way for way in ways if way]
        if not found:
            return False
        _, _, first, end = min(found)
        self.stray[first:end] = True
        return True

    def _before(self, row: int) -> Counts:
        start = max(0, row - self.reach - 1)
        return np.asarray(start + np.flatnonzero(~self.stray[start:row]), dtype=np.int64)

    def _fits(self, elapsed: Floats, rows: npt.NDArray[np.int64], dropped: npt.NDArray[np.int64]) -> Flags:
        """Whether rows have come back to the line: as late as they should be, or later where few are dropped."""
        late = elapsed - rows * self.row_s
        slack = self.slack + _DRIFT * rows * self.row_s
        return np.asarray((late >= -slack) & (elapsed >= 0) & ((late <= slack) | (dropped <= _FEW)))

    def _drop_before(self, row: int, before: Counts) -> tuple[int, float, int, int] | None:
        """(rows dropped, misfit, first, end) where rows before it had run ahead."""
        good = before[self.time[before] <= self.time[row]]
        if not len(good):
            return None
        last = int(good[-1])
        elapsed, dropped = float(self.time[row] - self.time[last]), int(np.count_nonzero(before > last))
        if not self._fits(np.array([elapsed]), np.array([row - last]), np.array([dropped]))[0]:
            return None
        return dropped, abs(elapsed - (row - last) * self.row_s), last + 1, row

    def _drop_from(self, row: int, last: int) -> tuple[int, float, int, int] | None:
        """The same where rows from it on had fallen behind, and later ones go on from before."""
        later = np.arange(row + 1, min(len(self.time), row + self.reach + 1))
        elapsed = self.time[later] - self.time[last]
        fits = np.flatnonzero(self._fits(elapsed, later - last, later - row))
        if not len(fits):
            return None
        end = int(later[fits[0]])
        return end - row, abs(float(self.time[end] - self.time[last]) - (end - last) * self.row_s), row, end

    def _drop_end(self, row: int, before: Counts) -> list[tuple[int, float, int, int]]:
        """The same where a few rows before the log's line begins, or behind its end, are wrong; more are a restart."""
        n, ways = len(self.time), []
        if before[0] == 0 and len(before) <= _FEW and n - row > 3 * len(before):
            ways.append((len(before), abs(float(self.time[row + 1] - self.time[row]) - self.row_s), 0, row))
        if n - row <= _FEW and len(before) > 1:
            step = float(self.time[before[-1]] - self.time[before[-2]])
            ways.append((n - row, abs(step - self.row_s), row, n))
        return ways

    def ends(self, usual: float) -> None:
        """A first or last stamp that stands alone, far from the others, is wrong; and so are two or three that lie
        many times the log's own length away."""
        good = np.flatnonzero(~self.stray)
        if len(good) <= 4 * _FEW:
            return
        time = self.time[good]
        length = float(time[-1 - _FEW] - time[_FEW])
        for few in range(_FEW, 0, -1):
            away = max(_AWAY_STEPS * usual, _AWAY_S, _LENGTHS * length if few > 1 else 0.0)
            if time[few] - time[few - 1] > away:
                self.stray[good[:few]] = True
                break
        for few in range(_FEW, 0, -1):
            away = max(_AWAY_STEPS * usual, _AWAY_S, _LENGTHS * length if few > 1 else 0.0)
            if time[-few] - time[-few - 1] > away:
                self.stray[good[-few:]] = True
                break


def off_the_count(time_s: Floats, period: float, tolerance: float) -> Flags:
    """Rows of an even clock that lie off the count on which their neighbours agree.

    period      of the clock, s; `tolerance` is what rounding moves a stamp by, in periods
    A row is one if a step beside it is no whole number of periods, at least one, and the step over it is.
    """
    n = len(time_s)
    off = np.zeros(n, dtype=np.bool_)
    if n < 4:
        return off
    single = _uncounted(np.diff(time_s) / period, 1.0, tolerance)
    double = _uncounted((time_s[2:] - time_s[:-2]) / period, 2.0, 2.0 * tolerance)
    off[1:-1] = (single[:-1] | single[1:]) & ~double
    off[0] = single[0] and not off[1]
    off[-1] = single[-1] and not off[-2]
    # Of neighbours that both could be the wrong one, the first is.
    off[1:] &= ~(off[1:] & off[:-1])
    return off


def _uncounted(steps: Floats, least: float, tolerance: float) -> Flags:
    whole = np.rint(steps)
    return np.asarray((np.abs(steps - whole) > tolerance) | (whole < least))


def doubled(time_s: Floats) -> Flags:
    """Rows with the stamp of a neighbour in a log where that is rare: the stamp was written wrong or twice.

    None where equal stamps are usual, as of a coarse clock, or where the missing step follows: these are spread.
    """
    n = len(time_s)
    out = np.zeros(n, dtype=np.bool_)
    steps = np.diff(time_s)
    same = np.flatnonzero(steps == 0)
    if not len(same) or len(same) > _SHARE * n or n < 4:
        return out
    usual = float(np.median(steps[steps > 0])) if np.any(steps > 0) else 0.0
    for row in same.tolist():
        hole_before = row == 0 or steps[row - 1] > 1.5 * usual
        hole_behind = row + 1 < len(steps) and steps[row + 1] > 1.5 * usual
        if hole_before and not hole_behind:
            out[row] = True
        elif not hole_behind:
            out[row + 1] = True
    return out
