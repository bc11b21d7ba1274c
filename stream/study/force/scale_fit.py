"""Force per unit of load by errors-in-variables least squares, with the assumptions' doubts fitted beside it.

force = k load + sum of column * e + noise, each e a draw of standard deviation 1 (a flat one where it is free).
With noise in load and force, a straight line by York, Evensen, Martínez and De Basabe Delgado, Am. J. Phys. 72
(2004) 367: the adjusted load stands on the left of the normal equations. Without columns but one free intercept it
is York's line.
"""

from dataclasses import dataclass

import numpy as np

from stream.units import Flags as BoolArray
from stream.units import Floats as Array

STEPS = 50
SETTLED = 1e-10


@dataclass(frozen=True, slots=True)
class ScaleFit:
    """Solution (1 + columns,): k and the draws; its covariance; `excess` is by how much noise was too small."""

    solution: Array
    covariance: Array
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
    load: Array, force: Array, u_load: Array, u_force: Array, columns: Array, by_scale: Array, free: BoolArray,
    told: BoolArray | None = None,
) -> ScaleFit:  # fmt: skip
    """Fit k and the draws.

    load, force, u_load, u_force   (points,), standard doubts of the noise alone
    columns                        (points, columns) N per draw
    by_scale                       (points, columns) load units per draw: errors of load, such as of its zero
    free                           (columns,) true where nothing is known beforehand
    told                           (columns,) true where the data have no say: such a draw stays 0 and only widens the
                                   doubt. A scale error of all forces is told from k by nothing but the curve's bends,
                                   and those have other causes.
    """
    if told is not None and told.any():
        fit = fit_scale(load, force, u_load, u_force, columns[:, ~told], by_scale[:, ~told], free[~told])
        return _with_told(fit, load, u_load, u_force, columns, by_scale, free, told)
    k = float(np.polyfit(load, force, 1)[0]) if np.ptp(load) > 0 else 0.0
    fit = _solve(load, force, u_load, u_force, columns, by_scale, free, k)
    rest = force - _design(load, columns, by_scale, fit.scale) @ fit.solution
    freedom = max(len(load) - 1 - int(free.sum()), 1)
    excess = float(np.sqrt((rest**2 / (u_force**2 + (fit.scale * u_load) ** 2)).sum() / freedom))
    if excess <= 1:  # noise that the residuals do not bear out is widened, never narrowed
        return fit
    wider = _solve(load, force, u_load * excess, u_force * excess, columns, by_scale, free, fit.scale)
    return ScaleFit(wider.solution, wider.covariance, excess)


def _with_told(
    fit: ScaleFit, load: Array, u_load: Array, u_force: Array, columns: Array, by_scale: Array, free: BoolArray,
    told: BoolArray,
) -> ScaleFit:  # fmt: skip
    """The fit with the told draws at 0: what they would have done to the solution is added to its covariance."""
    design = _design(load, columns[:, ~told], by_scale[:, ~told], fit.scale)
    weight = 1 / ((u_force * fit.excess) ** 2 + (fit.scale * u_load * fit.excess) ** 2)
    prior = np.diag(np.concatenate(([0.0], np.where(free[~told], 1e-12, 1.0))))
    weighted = (design * weight[:, None]).T
    moved = np.linalg.solve(weighted @ design + prior, weighted @ columns[:, told])
    fitted = np.concatenate(([True], ~told))
    size = len(fitted)
    solution, covariance = np.zeros(size), np.zeros((size, size))
    solution[fitted] = fit.solution
    covariance[np.ix_(fitted, fitted)] = fit.covariance + moved @ moved.T
    covariance[np.ix_(fitted, ~fitted)] = -moved
    covariance[np.ix_(~fitted, fitted)] = -moved.T
    covariance[np.ix_(~fitted, ~fitted)] = np.eye(int(told.sum()))
    return ScaleFit(solution, covariance, fit.excess)


def _design(load: Array, columns: Array, by_scale: Array, k: float) -> Array:
    return np.column_stack([load, columns + k * by_scale])


def _solve(
    load: Array, force: Array, u_load: Array, u_force: Array, columns: Array, by_scale: Array, free: BoolArray, k: float
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
