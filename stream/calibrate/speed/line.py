"""What a fitted line says of itself: predictions and their doubt, odd points, lack of fit, scatter.

Sources: JCGM 100:2008 (GUM) H.3 for the doubt of a prediction; Cook and Weisberg, 'Residuals and Influence in
Regression' (1982) for externally studentised residuals; the NIST/SEMATECH handbook 4.4.4.6 for lack of fit.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stream.calibrate.speed.york import Line
from stream.units import Floats


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """Does the model miss more than repeats scatter? p small: the model is not the shape of the points."""

    f: float
    p: float
    dof_lack: int
    dof_pure: int
    pure_sd: float


def predict(line: Line, x: npt.ArrayLike) -> tuple[Floats, Floats]:
    """(y, u): the line at x and its standard uncertainty there, covariance honoured; shapes as x."""
    xs = np.asarray(x, np.float64)
    variance = line.u_intercept**2 + xs**2 * line.u_slope**2 + 2.0 * xs * line.covariance
    return line.intercept + line.slope * xs, np.sqrt(np.maximum(variance, 0.0))


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
    from scipy import stats

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
    return LackOfFit(f, float(stats.f.sf(f, dof_lack, dof_pure)), dof_lack, dof_pure, (pure / dof_pure) ** 0.5)
