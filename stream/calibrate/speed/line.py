"""A straight line through points with errors in both coordinates, and what it says of itself: predictions and their
standard uncertainty, odd points, lack of fit, scatter.

The line: York, Evensen, López Martínez and De Basabe Delgado, 'Unified equations for the slope, intercept, and
standard errors of the best straight line', Am. J. Phys. 72 (2004) 367, written with variances, not weights, so that
an error of zero in one coordinate needs no special case. The rest: JCGM 100:2008 (GUM) H.3 for the uncertainty of a
prediction; Cook and Weisberg, 'Residuals and Influence in Regression' (1982) for externally studentised residuals;
the NIST/SEMATECH handbook 4.4.4.6 for lack of fit.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from stream.errors import InputError
from stream.units import Floats

_MOST_ROUNDS = 200


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope · x, with what the stated errors make of its uncertainty (k = 1, unscaled).

    x, y        the points, float64 (n,)
    weights     1 / variance of each point's departure from the line, in y's unit
    chi_square  S: the sum of weighted squared departures; `dof` is n less the parameters fitted
    factor      what the standard uncertainties were multiplied by (1: as stated)
    """

    slope: float
    intercept: float
    u_slope: float
    u_intercept: float
    covariance: float
    chi_square: float
    dof: int
    x: Floats
    y: Floats
    weights: Floats
    factor: float = 1.0

    @property
    def residuals(self) -> Floats:
        """y less the line, (n,)."""
        return self.y - self.intercept - self.slope * self.x

    def scaled(self, factor: float) -> "Line":
        """The same line with every standard uncertainty multiplied by `factor`."""
        return replace(
            self,
            u_slope=self.u_slope * factor,
            u_intercept=self.u_intercept * factor,
            covariance=self.covariance * factor**2,
            factor=self.factor * factor,
        )


def fit_york(
    x: npt.ArrayLike, y: npt.ArrayLike, u_x: npt.ArrayLike, u_y: npt.ArrayLike, r: npt.ArrayLike = 0.0
) -> Line:
    """Best line by York 2004. x, y: (n,), n of at least 2 at two or more x; u_x, u_y: standard errors, (n,)
    or one for all, at least one of the two above zero; r: the correlation of each point's two errors.

    Raises InputError where the points cannot carry a line.
    """
    xs, ys, sx, sy, rs = _checked(x, y, u_x, u_y, r)
    slope = _ordinary_slope(xs, ys)
    beta = weights = np.zeros_like(xs)
    for _ in range(_MOST_ROUNDS):
        weights = 1.0 / (sy**2 + slope**2 * sx**2 - 2.0 * slope * rs * sx * sy)
        u = xs - np.average(xs, weights=weights)
        v = ys - np.average(ys, weights=weights)
        beta = weights * (u * sy**2 + slope * v * sx**2 - (slope * u + v) * rs * sx * sy)
        last, slope = slope, float(np.sum(weights * beta * v) / np.sum(weights * beta * u))
        if abs(slope - last) <= 1e-15 * abs(slope):
            break
    x_mean, y_mean = np.average(xs, weights=weights), np.average(ys, weights=weights)
    intercept = float(y_mean - slope * x_mean)
    adjusted = x_mean + beta
    centre = float(np.average(adjusted, weights=weights))
    var_slope = float(1.0 / np.sum(weights * (adjusted - centre) ** 2))
    return Line(
        slope=slope,
        intercept=intercept,
        u_slope=var_slope**0.5,
        u_intercept=float((1.0 / np.sum(weights) + centre**2 * var_slope) ** 0.5),
        covariance=-centre * var_slope,
        chi_square=float(np.sum(weights * (ys - intercept - slope * xs) ** 2)),
        dof=len(xs) - 2,
        x=xs,
        y=ys,
        weights=weights,
    )


def fit_through_zero(x: npt.ArrayLike, y: npt.ArrayLike, u_x: npt.ArrayLike, u_y: npt.ArrayLike) -> Line:
    """Best y = slope · x by the same effective variance; intercept, its uncertainty and the covariance are zero.

    Raises InputError where the points cannot carry it.
    """
    xs, ys, sx, sy, _ = _checked(x, y, u_x, u_y, 0.0)
    slope = float(np.sum(xs * ys) / np.sum(xs**2))
    weights = adjusted = np.ones_like(xs)
    for _ in range(_MOST_ROUNDS):
        weights = 1.0 / (sy**2 + slope**2 * sx**2)
        adjusted = weights * (xs * sy**2 + slope * ys * sx**2)
        last, slope = slope, float(np.sum(weights * adjusted * ys) / np.sum(weights * adjusted * xs))
        if abs(slope - last) <= 1e-15 * abs(slope):
            break
    return Line(
        slope=slope,
        intercept=0.0,
        u_slope=float(1.0 / np.sum(weights * adjusted**2)) ** 0.5,
        u_intercept=0.0,
        covariance=0.0,
        chi_square=float(np.sum(weights * (ys - slope * xs) ** 2)),
        dof=len(xs) - 1,
        x=xs,
        y=ys,
        weights=weights,
    )


def _checked(
    x: npt.ArrayLike, y: npt.ArrayLike, u_x: npt.ArrayLike, u_y: npt.ArrayLike, r: npt.ArrayLike
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    xs, ys = np.atleast_1d(np.asarray(x, np.float64)), np.atleast_1d(np.asarray(y, np.float64))
    if xs.ndim != 1 or xs.shape != ys.shape:
        raise InputError(f"line fit: {xs.size} x values but {ys.size} y values; give pairs")
    if len(xs) < 2 or np.ptp(xs) == 0.0:
        raise InputError("line fit: a line needs points at two or more different x; add points")
    sx, sy, rs = (np.broadcast_to(np.asarray(item, np.float64), xs.shape) for item in (u_x, u_y, r))
    if not all(np.all(np.isfinite(item)) for item in (xs, ys, sx, sy, rs)):
        raise InputError("line fit: a value or its error is not a finite number; leave that point out")
    if np.any(sx < 0) or np.any(sy < 0) or np.any((sx == 0) & (sy == 0)) or np.any(np.abs(rs) >= 1):
        raise InputError("line fit: each point needs an error above zero in x or in y; state the errors")
    return xs, ys, sx, sy, rs


def _ordinary_slope(x: Floats, y: Floats) -> float:
    centred = x - x.mean()
    return float(np.sum(centred * y) / np.sum(centred**2))


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """Does the model miss more than repeats scatter? p small: the model is not the shape of the points."""

    f: float
    p: float
    dof_lack: int
    dof_pure: int
    pure_sd: float


def variance_at(u_intercept: float, u_slope: float, covariance: float, x: npt.ArrayLike) -> Floats:
    """Variance of a line's value at x, covariance honoured; shape as x (JCGM 100:2008, H.3)."""
    xs = np.asarray(x, np.float64)
    return np.maximum(u_intercept**2 + xs**2 * u_slope**2 + 2.0 * xs * covariance, 0.0)


def residual_sd(line: Line) -> float:
    """Scatter about the line in y's unit: unweighted, n less the fitted parameters."""
    return float(np.sqrt(np.sum(line.residuals**2) / max(line.dof, 1)))


def largest_departure_pct(residuals: Floats, y: Floats) -> float:
    """Largest residual, as % of the span of y."""
    span = float(np.ptp(y))
    return 100.0 * float(np.max(np.abs(residuals))) / span if span else 0.0


def leverages(line: Line) -> Floats:
    """Diagonal of the weighted hat matrix, (n,)."""
    weights = line.weights
    if line.u_intercept == 0.0:
        return weights * line.x**2 / np.sum(weights * line.x**2)
    centred = line.x - np.average(line.x, weights=weights)
    return weights / np.sum(weights) + weights * centred**2 / np.sum(weights * centred**2)


def studentised(residuals: Floats, weights: Floats, leverage: Floats, dof: int) -> Floats:
    """Externally studentised residuals, (n,): each point judged by the scatter of all the others.

    NaN where dof is under 2: nothing is left to judge by.
    """
    if dof < 2:
        return np.full(len(residuals), np.nan)
    free = np.maximum(1.0 - leverage, 1e-12)
    squares = weights * residuals**2
    rest = np.maximum((np.sum(squares) - squares / free) / (dof - 1), np.finfo(float).tiny)
    with np.errstate(over="ignore"):  # the others lie exactly on the line: infinitely far, by their scatter
        return np.asarray(np.sign(residuals) * np.sqrt(squares / free / rest), np.float64)


def lack_of_fit(residuals: Floats, groups: Sequence[Hashable], parameters: int) -> LackOfFit | None:
    """F test of a model where points repeat. residuals: (n,) in y's unit; groups: what each point repeats.

    None where no point is repeated, or there are no more groups than parameters.
    """
    from scipy import special

    members: dict[Hashable, list[float]] = {}
    for residual, group in zip(residuals.tolist(), groups, strict=True):
        members.setdefault(group, []).append(residual)
    dof_lack, dof_pure = len(members) - parameters, len(residuals) - len(members)
    if dof_lack < 1 or dof_pure < 1:
        return None
    pure = sum(float(np.sum((np.array(values) - np.mean(values)) ** 2)) for values in members.values())
    lack = sum(len(values) * float(np.mean(values)) ** 2 for values in members.values())
    if pure <= 0.0:
        return None
    f = (lack / dof_lack) / (pure / dof_pure)
    return LackOfFit(f, float(special.fdtrc(dof_lack, dof_pure, f)), dof_lack, dof_pure, (pure / dof_pure) ** 0.5)
