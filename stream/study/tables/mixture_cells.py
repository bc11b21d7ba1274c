"""Mean λ error of each cell of a table, at the cell's own breakpoint, with an interval from passage to passage."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stream.study.stats import t_quantile
from stream.study.tables.mixture_rows import MixtureRows
from stream.study.tables.user_table import UserTable
from stream.units import Floats as Array
from stream.units import Ints as IntArray

HIT_S = 0.1
VISIT_GAP_S = 1.0
BATCH_S = 0.5  # rows of one passage lean on each other for about as long
FLOOR = 0.002  # least standard doubt believed: the display of a sensor resolves no more
BOTH_SIDES = 0.15  # least share of the weight on either side of a breakpoint
LEAST_FOR_FIT = 20


@dataclass(frozen=True, slots=True)
class CellFit:
    """One cell: `ratio` at (rpm, second), its 95 % interval (None where nothing repeats), hits and spread."""

    ratio: float
    low: float | None
    high: float | None
    spread: float
    hits: int
    visits: int
    rpm: float
    second: float
    centred: bool


def cell_fits(
    found: Sequence[MixtureRows], target: UserTable, steps: Sequence[float]
) -> dict[tuple[int, int], CellFit]:
    """(row, column) of the table to what was found there; each row of data counts in its nearest cell alone."""
    joined = [np.concatenate([getattr(one, name) for one in found]) for name in ("rpm", "second", "ratio", "shift")]
    time = np.concatenate([one.time_s + 1e7 * number for number, one in enumerate(found)])  # sessions never touch
    weight_s = np.concatenate([np.full(len(one.ratio), step) for one, step in zip(found, steps, strict=True)])
    rpm, second, ratio, shift = joined
    row, column = _nearest(rpm, target.rpm), _nearest(second, target.second)
    place = row * len(target.second) + column
    fits = {}
    for cell in np.unique(place):
        mine = place == cell
        r, c = divmod(int(cell), len(target.second))
        away = np.column_stack([_away(rpm[mine], target.rpm, r), _away(second[mine], target.second, c)])
        fits[r, c] = _fit(
            away, (rpm[mine], second[mine]), (float(target.rpm[r]), float(target.second[c])), ratio[mine], shift[mine],
            time[mine], weight_s[mine],
        )  # fmt: skip
    return fits


def _nearest(values: Array, axis: Array) -> IntArray:
    return np.asarray(np.searchsorted((axis[1:] + axis[:-1]) / 2, values), dtype=np.intp)


def _away(values: Array, axis: Array, place: int) -> Array:
    """Distance from a breakpoint in steps to its neighbours, -0.5 to 0.5."""
    if len(axis) < 2:
        return np.zeros(len(values))
    below = axis[place] - axis[place - 1] if place else axis[1] - axis[0]
    above = axis[place + 1] - axis[place] if place + 1 < len(axis) else axis[-1] - axis[-2]
    from_here = values - axis[place]
    return np.asarray(from_here / np.where(from_here < 0, below, above))


def _fit(away: Array, where: tuple[Array, Array], centre: tuple[float, float], ratio: Array, shift: Array, time: Array,
         weight_s: Array) -> CellFit:  # fmt: skip
    weight = weight_s * np.clip(1 - np.abs(away), 0.05, 1).prod(axis=1)
    share = weight / weight.sum()
    sides = [min(share[axis < 0].sum(), share[axis > 0].sum()) >= BOTH_SIDES for axis in away.T]
    columns = [np.ones(len(ratio))]
    if len(ratio) >= LEAST_FOR_FIT:
        columns += [axis for axis, both in zip(away.T, sides, strict=True) if both]
        columns += [away[:, 0] ** 2] if sides[0] and float(np.ptp(away[:, 0])) > 0.5 else []
    design = np.column_stack(columns)
    # a ridge as small as a hit: it keeps a column that hardly varies from being followed far
    normal = design.T @ (design * share[:, None]) + np.diag([0.0] + [1e-4] * (len(columns) - 1))
    influence = np.linalg.solve(normal, (design * share[:, None]).T)  # (columns, rows)
    value = float(influence[0] @ ratio)
    residual = ratio - design @ (influence @ ratio)
    hits = int(weight_s.sum() / HIT_S + 1e-6)
    visit = np.concatenate(([0], np.cumsum(np.diff(time) > VISIT_GAP_S)))
    groups = visit
    if visit[-1] < 2:  # one or two passages: pieces of them stand for more
        groups = np.unique(visit * 1e6 + np.floor((time - time[0]) / BATCH_S), return_inverse=True)[1]
    count = int(groups.max()) + 1
    low = high = None
    if count > 1:
        sums = np.bincount(groups, influence[0] * residual, minlength=count)
        variance = float((sums**2).sum()) * count / (count - 1) + float(share @ shift) ** 2 + FLOOR**2
        half = t_quantile(min(count - 1, 60)) * math.sqrt(variance)
        low, high = value - half, value + half
    spread = math.sqrt(float(share @ (ratio - share @ ratio) ** 2))
    return CellFit(
        ratio=value, low=low, high=high, spread=spread, hits=hits, visits=int(visit[-1]) + 1,
        rpm=centre[0] if sides[0] else float(share @ where[0]),
        second=centre[1] if sides[1] else float(share @ where[1]), centred=all(sides),
    )  # fmt: skip
