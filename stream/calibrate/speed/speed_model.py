"""A speed calibration as plain keys that predict: what the JSON, SPEED.toml and the session's history hold. A
converter that is not straight gets a monotone piecewise curve.

The curve: cubic pieces that keep the order of the knots (Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980) 238, by
scipy); the knots' speeds are fitted by least squares with the same effective variance as the line.
"""

from dataclasses import dataclass, replace
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt

from stream.calibrate.speed.line import variance_at
from stream.findings import Finding
from stream.series import Pchip
from stream.units import Floats

ModelName = Literal["line", "through-zero", "piecewise"]


class SpeedPoint(msgspec.Struct, frozen=True, kw_only=True):
    """One hold, or one target at which the signal was stuck. residual_rpm is target less model.

    target_rpm and residual_rpm are None for a hold that has no target. why: what keeps it from being used; its code is
    one of 'no-target', 'stuck-bottom', 'stuck-top', 'suspect-hold', 'unsteady-hold', 'dropped-by-hand'.
    """

    signal: float
    target_rpm: float | None = None
    residual_rpm: float | None = None
    used: bool
    why: Finding | None = None

    @property
    def reason(self) -> str:
        """The code of why it is not used; '' where it is."""
        return "" if self.why is None else self.why.code


class SpeedFit(msgspec.Struct, frozen=True, kw_only=True):
    """Signal to rpm, with its uncertainty. u_* and covariance are standard (k = 1) and leave out the scale error.

    valid_from, valid_to  rpm, the span of the points used
    knots                 only for a piecewise model: (signal, rpm), with knot_covariance in rpm²; slope and
                          intercept are then those of the best straight line
    scatter_dof           degrees of freedom where the uncertainty was widened to the scatter of the points, else
                          None
    """

    model: ModelName
    slope_rpm_per_unit: float
    intercept_rpm: float
    u_slope: float
    u_intercept: float
    covariance: float
    scale_error_pct: float
    residual_sd_rpm: float
    largest_departure_pct_span: float
    valid_from: float
    valid_to: float
    dead_below_rpm: float | None = None
    ceiling_above_rpm: float | None = None
    points: tuple[SpeedPoint, ...] = ()
    findings: tuple[Finding, ...] = ()
    knots: tuple[tuple[float, float], ...] = ()
    knot_covariance: tuple[tuple[float, ...], ...] = ()
    scatter_dof: int | None = None

    def rpm(self, signal: npt.ArrayLike) -> Floats:
        """Engine speed, rpm, of signals of any shape, in the channel's own unit."""
        x = np.asarray(signal, np.float64)
        if self.knots:
            return evaluate([knot[0] for knot in self.knots], [knot[1] for knot in self.knots], x)
        return np.asarray(self.intercept_rpm + self.slope_rpm_per_unit * x, np.float64)

    def u_rpm(self, signal: npt.ArrayLike, scale: bool = True) -> Floats:
        """Standard uncertainty (k = 1) of `rpm`; with `scale` the reference's shared scale error is added."""
        x = np.asarray(signal, np.float64)
        if self.knots:
            partials = jacobian([knot[0] for knot in self.knots], [knot[1] for knot in self.knots], x)
            variance = np.einsum("...i,ij,...j->...", partials, np.array(self.knot_covariance), partials)
        else:
            variance = variance_at(self.u_intercept, self.u_slope, self.covariance, x)
        if scale:
            variance = variance + (self.scale_error_pct / 100.0 * self.rpm(x)) ** 2
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)), np.float64)

    def interval(self, signal: npt.ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
        """(low, high) rpm that holds the true speed with this probability, scale error included.

        The part from scatter takes Student's t where the uncertainty rests on few points' scatter.
        """
        from scipy import special

        middle = self.rpm(signal)
        tail = (1.0 + level) / 2.0
        normal = float(special.ndtri(tail))
        student = normal if self.scatter_dof is None else float(special.stdtrit(self.scatter_dof, tail))
        scale = normal * self.scale_error_pct / 100.0 * middle
        half = np.hypot(student * self.u_rpm(signal, scale=False), scale)
        return middle - half, middle + half

    def signal(self, rpm: float) -> float:
        """The signal at which the model gives this speed, on the straight part beyond the points too."""
        if not self.knots:
            return (rpm - self.intercept_rpm) / self.slope_rpm_per_unit
        from scipy.optimize import brentq

        ends = [knot[0] for knot in self.knots]
        room = 10.0 * (ends[-1] - ends[0])
        return float(brentq(lambda x: float(self.rpm(x)) - rpm, ends[0] - room, ends[-1] + room))


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
    ends = np.asarray(knots, np.float64)
    xs = np.asarray(x, np.float64)
    curve = Pchip(ends, np.asarray(values, np.float64))
    inside = np.clip(xs, ends[0], ends[-1])
    return np.asarray(curve(inside) + curve.slope(inside) * (xs - inside), np.float64)


def slope_at(knots: Floats, values: Floats, x: Floats) -> Floats:
    """rpm per unit of signal at x."""
    return Pchip(knots, values).slope(np.clip(x, knots[0], knots[-1]))


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
