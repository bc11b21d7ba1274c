"""Mean λ error of each cell of a table, at the cell's own breakpoint, with an interval from passage to passage."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stream.study.stats import t_quantile
from stream.study.tables.mixture_rows import MixtureRows
from stream.study.tables.user_table import UserTable
from stream.units import Floats, Ints

HIT_S = 0.1
VISIT_GAP_S = 1.0
BATCH_S = 0.5  # rows of one passage lean on each other for about as long
FLOOR = 0.002  # least standard uncertainty believed: the display of a sensor resolves no more
BOTH_SIDES = 0.15  # least share of the weight on either side of a breakpoint
LEAST_FOR_FIT = 20
LEAST_PASSAGE = 5  # hits: the mean of fewer says less than a sensor's own noise
SETTLES_S = 5.0  # chosen: a time constant of a cold, old or badly placed sensor; a sound one answers in 0.1 s


@dataclass(frozen=True, slots=True)
class CellFit:
    """One cell: `ratio` at (rpm, second), its 95 % interval (None where nothing repeats), hits and spread.

    wanted, wanted_most   mean and greatest wanted λ of its rows
    edge                  how far from its breakpoint it was reached where that was on one side only, in steps to the
                          neighbour, 0 to 0.5
    high_share            share of its rows that were at high load by what was measured
    leanest               ratio of the leanest passage of LEAST_PASSAGE hits and more; `ratio` where there is none
    settling              by how much a sensor that takes SETTLES_S to answer would still read too rich: the mean rise
                          of λ in a passage, 1/s over the wanted one, times SETTLES_S; 0 where λ falls or stands
    """

    ratio: float
    low: float | None
    high: float | None
    spread: float
    hits: int
    visits: int
    rpm: float
    second: float
    centred: bool
    edge: float
    wanted: float = math.nan
    wanted_most: float = math.nan
    high_share: float = 0.0
    leanest: float = math.nan
    settling: float = 0.0


def cell_fits(
    found: Sequence[MixtureRows], grid: UserTable, steps: Sequence[float], *, cautious: bool = False
) -> dict[tuple[int, int], CellFit]:
    """(row, column) of the grid to what was found there; each row of data counts in its nearest cell alone.

    `cautious`: from that ratio which counts where fuel would be taken away.
    """
    names = ("rpm", "second", "cautious" if cautious else "ratio", "shift", "wanted", "other_high")
    rpm, second, ratio, shift, wanted, high = (np.concatenate([getattr(one, name) for one in found]) for name in names)
    time = np.concatenate([one.time_s + 1e7 * number for number, one in enumerate(found)])  # sessions never touch
    weight_s = np.concatenate([np.full(len(one.ratio), step) for one, step in zip(found, steps, strict=True)])
    place = nearest(rpm, grid.rpm) * len(grid.second) + nearest(second, grid.second)
    fits = {}
    for cell in np.unique(place):
        mine = place == cell
        r, c = divmod(int(cell), len(grid.second))
        away = np.column_stack([_away(rpm[mine], grid.rpm, r), _away(second[mine], grid.second, c)])
        fit = _fit(
            away,
            (rpm[mine], second[mine]),
            (float(grid.rpm[r]), float(grid.second[c])),
            ratio[mine],
            shift[mine],
            time[mine],
            weight_s[mine],
        )
        fits[r, c] = replace(
            fit,
            wanted=float(wanted[mine].mean()),
            wanted_most=float(wanted[mine].max()),
            high_share=float(high[mine].mean()),
            leanest=_leanest(ratio[mine], time[mine], weight_s[mine], fit.ratio),
            settling=_settling(ratio[mine] * wanted[mine], time[mine]) / float(wanted[mine].mean()),
        )
    return fits


def _visits(time: Floats) -> Ints:
    """The number of the passage that each row is of, (rows,)."""
    return np.concatenate(([0], np.cumsum(np.diff(time) > VISIT_GAP_S))).astype(np.intp)


def _leanest(ratio: Floats, time: Floats, weight_s: Floats, otherwise: float) -> float:
    visit = _visits(time)
    hits = np.bincount(visit, np.minimum(weight_s / HIT_S, 1.0))
    means = np.bincount(visit, ratio) / np.bincount(visit)
    return float(means[hits >= LEAST_PASSAGE - 1e-6].max(initial=otherwise))


def _settling(lam: Floats, time: Floats) -> float:
    """The common slope of λ over time within passages, 1/s, times SETTLES_S; not below 0."""
    visit = _visits(time)
    count = np.bincount(visit)
    away, change = (values - (np.bincount(visit, values) / count)[visit] for values in (time, lam))
    square = float(away @ away)
    return max(SETTLES_S * float(away @ change) / square, 0.0) if square > 0 else 0.0


def nearest(values: Floats, axis: Floats) -> Ints:
    """Index of the nearest breakpoint."""
    return np.asarray(np.searchsorted((axis[1:] + axis[:-1]) / 2, values), dtype=np.intp)


def _away(values: Floats, axis: Floats, place: int) -> Floats:
    """Distance from a breakpoint in steps to its neighbours, -0.5 to 0.5."""
    if len(axis) < 2:
        return np.zeros(len(values))
    below = axis[place] - axis[place - 1] if place else axis[1] - axis[0]
    above = axis[place + 1] - axis[place] if place + 1 < len(axis) else axis[-1] - axis[-2]
    from_here = values - axis[place]
    return np.asarray(from_here / np.where(from_here < 0, below, above))


def _fit(
    away: Floats,
    where: tuple[Floats, Floats],
    centre: tuple[float, float],
    ratio: Floats,
    shift: Floats,
    time: Floats,
    weight_s: Floats,
) -> CellFit:
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
    hits = int(np.minimum(weight_s / HIT_S, 1.0).sum() + 1e-6)  # a slow log's row is one hit
    visit = _visits(time)
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
        ratio=value,
        low=low,
        high=high,
        spread=spread,
        hits=hits,
        visits=int(visit[-1]) + 1,
        rpm=centre[0] if sides[0] else float(share @ where[0]),
        second=centre[1] if sides[1] else float(share @ where[1]),
        centred=all(sides),
        edge=max(0.0 if both else abs(float(share @ axis)) for both, axis in zip(sides, away.T, strict=True)),
    )
