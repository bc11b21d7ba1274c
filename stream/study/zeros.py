"""Zero load between the moments at which it was taken.

Between two zeros the value runs straight; how far the true zero may have strayed from that line is judged as
for a random walk pinned at both ends: the gap between the two zeros times sqrt(w (1 - w)). Before the first
and behind the last the value stays, and the doubt grows with the square root of time at the pace the zeros
themselves have shown.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from stream.errors import InputError
from stream.study.trace import PullTrace, PullZero, ZeroPart


@dataclass(frozen=True, slots=True)
class Zero:
    """A stretch declared as zero load: times s on the session's clock, mean and standard doubt in the load's
    unit."""

    start_s: float
    end_s: float
    mean: float
    doubt: float
    how: str = ""

    @property
    def middle_s(self) -> float:
        """Middle of the stretch, s."""
        return (self.start_s + self.end_s) / 2


def zero_at(time_s: float, zeros: Sequence[Zero], session: str = "") -> PullZero | None:
    """The zero at a moment of a session, with its sources of error; None where none was taken.

    Raises InputError where a zero's numbers are not finite or its doubt is negative.
    """
    for number, zero in enumerate(zeros):
        if not all(map(math.isfinite, (zero.start_s, zero.end_s, zero.mean, zero.doubt))) or zero.doubt < 0:
            raise InputError(f"{session or 'session'}: zeros[{number}]: not a usable zero; take it again")
    row = sorted(zeros, key=lambda zero: zero.middle_s)
    if not row:
        return None
    keys = [f"{session}/zero@{zero.middle_s:.3f}" for zero in row]
    later = next((index for index, zero in enumerate(row) if zero.middle_s >= time_s), len(row))
    if later in (0, len(row)):
        nearest = 0 if later == 0 else len(row) - 1
        parts = [ZeroPart(keys[nearest], row[nearest].doubt)]
        away = abs(time_s - row[nearest].middle_s)
        parts += _walk(f"{keys[nearest]}/beyond", _pace(row), math.sqrt(away))
        return PullZero(row[nearest].mean, tuple(parts))
    before, after = row[later - 1], row[later]
    span = after.middle_s - before.middle_s
    weight = (time_s - before.middle_s) / span if span > 0 else 0.5
    value = (1 - weight) * before.mean + weight * after.mean
    parts = [
        ZeroPart(keys[later - 1], before.doubt, 1 - weight),
        ZeroPart(keys[later], after.doubt, weight),
    ]
    strayed = abs(after.mean - before.mean)
    parts += _walk(f"{keys[later - 1]}/between", strayed, math.sqrt(weight * (1 - weight)))
    return PullZero(value, tuple(part for part in parts if part.weight > 0))


def take_zero(pull: PullTrace, zeros: Sequence[Zero]) -> PullTrace:
    """The pull with the zero at its middle taken off its load; unchanged where no zero was taken."""
    start = float(pull.time_s[0]) if pull.start_s is None else pull.start_s
    end = float(pull.time_s[-1]) if pull.end_s is None else pull.end_s
    found = zero_at((start + end) / 2, zeros, pull.session)
    if found is None:
        return pull
    return replace(pull.without_zero(), load=pull.without_zero().load - found.value, zero=found)


def fresh_for_each(pulls: Sequence[PullTrace]) -> bool:
    """Whether every pull leans most on a zero that no other pull leans most on."""
    leading = [
        max(pull.zero.parts, key=lambda part: part.weight).key
        for pull in pulls
        if pull.zero is not None and pull.zero.parts
    ]
    return len(leading) == len(pulls) == len(set(leading)) and len(pulls) > 0


def _pace(row: Sequence[Zero]) -> float:
    """How far zero walks in one second to the half, from the steps between the zeros; 0 where there is only
    one."""
    steps = [
        (after.mean - before.mean) ** 2 / (after.middle_s - before.middle_s)
        for before, after in itertools.pairwise(row)
        if after.middle_s > before.middle_s
    ]
    return math.sqrt(sum(steps) / len(steps)) if steps else 0.0


def _walk(key: str, doubt: float, weight: float) -> list[ZeroPart]:
    return [ZeroPart(key, doubt, weight)] if doubt > 0 and weight > 0 else []
