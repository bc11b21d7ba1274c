"""A speed calibration as plain keys that predict: what the JSON, SPEED.toml and the session's history hold."""

from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt

from stream.findings import Finding
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
    """Signal to rpm, with its doubt. u_* and covariance are standard (k = 1) and leave out the scale error.

    valid_from, valid_to  rpm, the span of the points used
    knots                 only for a piecewise model: (signal, rpm), with knot_covariance in rpm²; slope and
                          intercept are then those of the best straight line
    scatter_dof           degrees of freedom where the doubt was widened to the scatter of the points, else
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
            from stream.calibrate.speed.curve import evaluate

            return evaluate([knot[0] for knot in self.knots], [knot[1] for knot in self.knots], x)
        return np.asarray(self.intercept_rpm + self.slope_rpm_per_unit * x, np.float64)

    def u_rpm(self, signal: npt.ArrayLike, scale: bool = True) -> Floats:
        """Standard uncertainty (k = 1) of `rpm`; with `scale` the reference's shared scale error is added."""
        x = np.asarray(signal, np.float64)
        if self.knots:
            from stream.calibrate.speed.curve import jacobian

            partials = jacobian([knot[0] for knot in self.knots], [knot[1] for knot in self.knots], x)
            variance = np.einsum("...i,ij,...j->...", partials, np.array(self.knot_covariance), partials)
        else:
            variance = self.u_intercept**2 + x**2 * self.u_slope**2 + 2.0 * x * self.covariance
        if scale:
            variance = variance + (self.scale_error_pct / 100.0 * self.rpm(x)) ** 2
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)), np.float64)

    def interval(self, signal: npt.ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
        """(low, high) rpm that holds the true speed with this probability, scale error included.

        The part from scatter takes Student's t where the doubt rests on few points' scatter.
        """
        from scipy import stats

        middle = self.rpm(signal)
        tail = (1.0 + level) / 2.0
        normal = float(stats.norm.ppf(tail))
        student = normal if self.scatter_dof is None else float(stats.t.ppf(tail, self.scatter_dof))
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
