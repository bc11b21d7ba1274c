"""Force per unit of load by errors-in-variables least squares, with the assumptions' uncertainties fitted beside it,
and the points of many pulls as one such fit: the common scale, each gear's own, and what an answer owes to each cause.

force = k load + sum of column * e + noise, each e a draw of standard deviation 1 (a flat one where it is free).
With noise in load and force, a straight line by York, Evensen, Martínez and De Basabe Delgado, Am. J. Phys. 72
(2004) 367: the adjusted load stands on the left of the normal equations. Without columns but one free intercept it
is York's line.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from stream.study.force.traction import OF_SCALE, U_BAND, Points
from stream.study.shared import zero_sources
from stream.units import Flags, Floats, Ints

STEPS = 50
SETTLED = 1e-10
# How far the zeros of sessions lie apart where none was taken, of the greatest load; common practice, no source.
ZERO_APART = 0.03
ALIKE_RPM = 500.0  # over so many rpm the errors of a band are alike; common practice, no source


@dataclass(frozen=True, slots=True)
class ScaleFit:
    """Solution (1 + columns,): k and the draws; its covariance; `excess` is by how much noise was too small."""

    solution: Floats
    covariance: Floats
    excess: float

    @property
    def scale(self) -> float:
        """N per unit of load."""
        return float(self.solution[0])

    @property
    def u_scale(self) -> float:
        """Its standard uncertainty."""
        return float(np.sqrt(self.covariance[0, 0]))


def fit_scale(
    load: Floats,
    force: Floats,
    u_load: Floats,
    u_force: Floats,
    columns: Floats,
    by_scale: Floats,
    free: Flags,
    of_scale: Flags | None = None,
) -> ScaleFit:
    """Fit k and the draws.

    load, force, u_load, u_force   (points,), standard uncertainties of the noise alone
    columns                        (points, columns) N per draw
    by_scale                       (points, columns) load units per draw: errors of load, such as of its zero
    free                           (columns,) true where nothing is known beforehand
    of_scale                        (columns,) true where the data have no say: such a draw stays 0 and only widens the
                                   uncertainty. A scale error of all forces is told from k by nothing but the curve's
                                   bends, and those have other causes.
    """
    if of_scale is not None and of_scale.any():
        fit = fit_scale(load, force, u_load, u_force, columns[:, ~of_scale], by_scale[:, ~of_scale], free[~of_scale])
        return _with_scale_draws(fit, load, u_load, u_force, columns, by_scale, free, of_scale)
    k = float(np.polyfit(load, force, 1)[0]) if np.ptp(load) > 0 else 0.0
    fit = _solve(load, force, u_load, u_force, columns, by_scale, free, k)
    rest = force - _design(load, columns, by_scale, fit.scale) @ fit.solution
    freedom = max(len(load) - 1 - int(free.sum()), 1)
    excess = float(np.sqrt((rest**2 / (u_force**2 + (fit.scale * u_load) ** 2)).sum() / freedom))
    if excess <= 1:  # noise that the residuals do not bear out is widened, never narrowed
        return fit
    wider = _solve(load, force, u_load * excess, u_force * excess, columns, by_scale, free, fit.scale)
    return ScaleFit(wider.solution, wider.covariance, excess)


def _with_scale_draws(
    fit: ScaleFit,
    load: Floats,
    u_load: Floats,
    u_force: Floats,
    columns: Floats,
    by_scale: Floats,
    free: Flags,
    of_scale: Flags,
) -> ScaleFit:
    """The fit with the draws that scale all forces at 0: what they would have done is added to the covariance."""
    design = _design(load, columns[:, ~of_scale], by_scale[:, ~of_scale], fit.scale)
    weight = 1 / ((u_force * fit.excess) ** 2 + (fit.scale * u_load * fit.excess) ** 2)
    prior = np.diag(np.concatenate(([0.0], np.where(free[~of_scale], 1e-12, 1.0))))
    weighted = (design * weight[:, None]).T
    moved = np.linalg.solve(weighted @ design + prior, weighted @ columns[:, of_scale])
    fitted = np.concatenate(([True], ~of_scale))
    size = len(fitted)
    solution, covariance = np.zeros(size), np.zeros((size, size))
    solution[fitted] = fit.solution
    covariance[np.ix_(fitted, fitted)] = fit.covariance + moved @ moved.T
    covariance[np.ix_(fitted, ~fitted)] = -moved
    covariance[np.ix_(~fitted, fitted)] = -moved.T
    covariance[np.ix_(~fitted, ~fitted)] = np.eye(int(of_scale.sum()))
    return ScaleFit(solution, covariance, fit.excess)


def _design(load: Floats, columns: Floats, by_scale: Floats, k: float) -> Floats:
    return np.column_stack([load, columns + k * by_scale])


def _solve(
    load: Floats,
    force: Floats,
    u_load: Floats,
    u_force: Floats,
    columns: Floats,
    by_scale: Floats,
    free: Flags,
    k: float,
) -> ScaleFit:
    prior = np.diag(np.concatenate(([0.0], np.where(free, 1e-12, 1.0))))
    solution = np.concatenate(([k], np.zeros(columns.shape[1])))
    adjusted = load
    for _ in range(STEPS):
        design = _design(load, columns, by_scale, k)
        weight = 1 / (u_force**2 + (k * u_load) ** 2)
        left = np.column_stack([adjusted, design[:, 1:]])
        normal = (left * weight[:, None]).T @ design + prior
        solution = np.linalg.solve(normal, (left * weight[:, None]).T @ force)
        before, k = (k, adjusted), float(solution[0])
        adjusted = load + weight * k * u_load**2 * (force - design @ solution)
        step = float(np.abs(adjusted - before[1]).max())
        if abs(k - before[0]) <= SETTLED * abs(k) and step <= SETTLED * float(np.abs(load).max()):
            break
    normal = (left * weight[:, None]).T @ left + prior
    return ScaleFit(solution, np.linalg.inv(normal), 1.0)


class Design:
    """The points with all their columns: a free intercept for pulls without a zero, zeros, what assumptions may be off
    by, the pulls' own scatter.
    """

    def __init__(self, table: Points) -> None:
        self.table = table
        pulls = [pull.trace for pull in table.pulls]
        each = table.pull
        self.zeroed = np.array([pull.zero is not None for pull in pulls])[each]
        without = list(dict.fromkeys(pull.session for pull in pulls if pull.zero is None))
        names = np.array([pull.session for pull in pulls])[each]
        lacks = (~self.zeroed).astype(float)[:, None]
        own_zero = np.array([[float(name == own) for own in without] for name in names]).reshape(len(each), -1)
        own_zero *= lacks * ZERO_APART * float(np.abs(table.load).max())
        self.intercepts = lacks[:, : int(lacks.any())]
        sources = zero_sources(pulls)
        zeros = np.column_stack([(sources.loading * np.sqrt(sources.variance))[each], own_zero])
        own = np.zeros((len(each), 2 * len(pulls)))
        for index in range(len(pulls)):
            own[each == index, 2 * index : 2 * index + 2] = table.scatter[each == index]
        bands = U_BAND * table.force[:, None] * _shared_by_band(self.gear, table.rpm)
        parts = [self.intercepts, zeros, table.causes, own, bands]
        self.by_scale = np.column_stack([0 * self.intercepts, -zeros, 0 * table.causes, 0 * own, 0 * bands])
        self.columns = np.column_stack([self.intercepts, 0 * zeros, table.causes, own, bands])
        edges = np.cumsum([0, *(part.shape[1] for part in parts)]) + 1
        self.places = [slice(a, b) for a, b in pairwise(edges.tolist())]
        column, first = np.arange(self.columns.shape[1]), self.places[2].start - 1
        self.free: Flags = column < self.intercepts.shape[1]
        self.of_scale: Flags = (column >= first) & (column < first + OF_SCALE)

    @property
    def gear(self) -> Ints:
        """(points,) gear of each."""
        return np.array([pull.gear for pull in self.table.pulls])[self.table.pull]

    def fit(self) -> ScaleFit:
        """The common scale."""
        table = self.table
        return fit_scale(
            table.load, table.force, table.u_load, table.u_force, self.columns, self.by_scale, self.free, self.of_scale
        )

    def _apart(self) -> tuple[list[int], ScaleFit]:
        """Fit with a scale of its own for each gear but the first, as differences."""
        table, gears = self.table, sorted(set(self.gear.tolist()))
        more = np.column_stack([table.load * (self.gear == gear) for gear in gears[1:]])
        fit = fit_scale(
            table.load,
            table.force,
            table.u_load,
            table.u_force,
            np.column_stack([self.columns, more]),
            np.column_stack([self.by_scale, 0 * more]),
            np.concatenate([self.free, np.ones(more.shape[1], np.bool_)]),
            np.concatenate([self.of_scale, np.zeros(more.shape[1], np.bool_)]),
        )
        return gears, fit

    def differences(self) -> list[tuple[float, float]]:
        """(difference from the lowest gear's scale, its standard uncertainty) of each other gear, N per load unit."""
        if len(set(self.gear.tolist())) < 2:
            return []
        gears, fit = self._apart()
        places = 1 + self.columns.shape[1] + np.arange(len(gears) - 1)
        return [(float(fit.solution[at]), float(np.sqrt(fit.covariance[at, at]))) for at in places]

    def gear_scales(self, fit: ScaleFit) -> dict[int, tuple[float, float]]:
        """(scale, standard uncertainty) of each gear by itself, N per unit of load."""
        if len(set(self.gear.tolist())) < 2:
            return {int(self.gear[0]): (fit.scale, fit.u_scale)}
        gears, apart = self._apart()
        start, scales = 1 + self.columns.shape[1], {}
        for index, gear in enumerate(gears):
            row = np.zeros(len(apart.solution))
            row[0] = 1.0
            if index:
                row[start + index - 1] = 1.0
            scales[gear] = (float(row @ apart.solution), float(np.sqrt(row @ apart.covariance @ row)))
        return scales

    def link_rows(self, rows: Ints, scale: float) -> Floats:
        """(rows, 1 + columns): what of the solution makes the link's force at these points.

        With a zero taken, k times load less the zero's error; without one, the intercept stands for the zero.
        """
        link = np.zeros((len(rows), 1 + self.columns.shape[1]))
        link[:, 0] = self.table.load[rows]
        intercepts, zeros = self.places[:2]
        link[:, intercepts] = self.intercepts[rows] * ~self.zeroed[rows, None]
        link[:, zeros] = scale * self.by_scale[rows, zeros.start - 1 : zeros.stop - 1]
        return link

    def speed_rows(self, rows: Ints) -> Floats:
        """(rows, 1 + columns): by how much of itself the speed is too high for each draw."""
        speed = np.zeros((len(rows), 1 + self.columns.shape[1]))
        speed[:, self.places[2]] = self.table.speed_causes[rows]
        return speed


def _shared_by_band(gear: Ints, rpm: Floats) -> Floats:
    """(points, gears and bands): draws that all pulls of a gear share in a band, alike in neighbouring bands."""
    cells = np.unique(np.column_stack([gear, rpm]), axis=0)
    near = np.exp(-0.5 * ((cells[:, None, 1] - cells[None, :, 1]) / ALIKE_RPM) ** 2)
    near *= cells[:, None, 0] == cells[None, :, 0]
    factor = np.linalg.cholesky(near + 1e-6 * np.eye(len(cells)))
    row = [int(np.flatnonzero((cells == (own, speed)).all(axis=1))[0]) for own, speed in zip(gear, rpm, strict=True)]
    return np.asarray(factor[row], np.float64)
