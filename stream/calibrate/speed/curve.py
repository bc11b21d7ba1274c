"""A monotone piecewise curve with its doubt, for a converter that is not straight.

Cubic pieces that keep the order of the knots (Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980) 238, by
scipy); the knots' speeds are fitted by least squares with the same effective variance as the line.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from stream.units import Floats

_MOST_ROUNDS = 12


@dataclass(frozen=True, slots=True)
class Curve:
    """knots: signal, (k,); values: rpm at the knots, (k,), with their covariance, (k, k), unscaled unless
    said.

    leverage, weights: of the points it was fitted to, (n,)
    """

    knots: Floats
    values: Floats
    covariance: Floats
    chi_square: float
    dof: int
    residuals: Floats
    weights: Floats
    leverage: Floats

    def scaled(self, factor: float) -> "Curve":
        """The same curve with its standard uncertainties multiplied by `factor`."""
        return replace(self, covariance=self.covariance * factor**2)


def evaluate(knots: npt.ArrayLike, values: npt.ArrayLike, x: npt.ArrayLike) -> Floats:
    """The curve at x; beyond its ends it goes on straight."""
    from scipy.interpolate import PchipInterpolator

    ends = np.asarray(knots, np.float64)
    xs = np.asarray(x, np.float64)
    curve = PchipInterpolator(ends, np.asarray(values, np.float64))
    inside = np.clip(xs, ends[0], ends[-1])
    return np.asarray(curve(inside) + curve.derivative()(inside) * (xs - inside), np.float64)


def slope_at(knots: Floats, values: Floats, x: Floats) -> Floats:
    """rpm per unit of signal at x."""
    from scipy.interpolate import PchipInterpolator

    return np.asarray(PchipInterpolator(knots, values).derivative()(np.clip(x, knots[0], knots[-1])), np.float64)


def jacobian(knots: npt.ArrayLike, values: npt.ArrayLike, x: npt.ArrayLike) -> Floats:
    """Change of the curve at x with each knot's value, (n, k), by central differences."""
    base = np.asarray(values, np.float64)
    step = 1e-4 * max(float(np.ptp(base)), 1.0)
    columns = []
    for index in range(len(base)):
        nudge = np.zeros_like(base)
        nudge[index] = step
        columns.append((evaluate(knots, base + nudge, x) - evaluate(knots, base - nudge, x)) / (2.0 * step))
    return np.stack(columns, axis=-1)


def fit_curve(x: Floats, y: Floats, u_x: Floats, u_y: Floats, count: int) -> Curve | None:
    """Least squares with `count` knots at even shares of the points. None where the best is not monotone.

    x, y, u_x, u_y: (n,), n of at least count + 2.
    """
    knots = np.asarray(np.quantile(np.unique(x), np.linspace(0.0, 1.0, count)), np.float64)
    order = np.argsort(x)
    values = np.interp(knots, x[order], y[order])
    weights = 1.0 / u_y**2
    for _ in range(_MOST_ROUNDS):
        slopes = slope_at(knots, values, x)
        weights = 1.0 / (u_y**2 + (slopes * u_x) ** 2)
        partials = jacobian(knots, values, x)
        root = np.sqrt(weights)
        step, *_ = np.linalg.lstsq(partials * root[:, None], (y - evaluate(knots, values, x)) * root, rcond=None)
        values = values + step
        if np.max(np.abs(step)) < 1e-4 * max(float(np.ptp(y)), 1.0):
            break
    rises = np.diff(values)
    if not (np.all(rises > 0) or np.all(rises < 0)):
        return None
    partials = jacobian(knots, values, x)
    information = partials.T @ (partials * weights[:, None])
    if np.linalg.cond(information) > 1e12:
        return None
    covariance = np.asarray(np.linalg.inv(information), np.float64)
    residuals = y - evaluate(knots, values, x)
    leverage = np.einsum("ij,jk,ik->i", partials, covariance, partials) * weights
    chi_square = float(np.sum(weights * residuals**2))
    return Curve(knots, values, covariance, chi_square, len(x) - count, residuals, weights, leverage)
