"""Which model, and which points: only on evidence, and never silently."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from stream.calibrate.speed.line import Line, fit_through_zero, fit_york, leverages, studentised
from stream.calibrate.speed.speed_model import Curve, fit_curve
from stream.findings import Finding, note, warning
from stream.units import Floats

_SHARE_LEFT_OUT = 0.2
_RISK_ODD = 0.02  # of leaving out a good point, in a whole drive (Bonferroni)
_STATED_ODD = 3.0  # stated standard errors a suspect is off by at least
_SURE = 0.01  # the F test's and the stated errors' risk of calling a straight converter bent
_AICC_MARGIN = 4.0
_LEAST_FOR_CURVE = 8


@dataclass(frozen=True, slots=True)
class Points:
    """x: signal, y: nominal rpm, with standard errors; all (n,)."""

    x: Floats
    y: Floats
    u_x: Floats
    u_y: Floats

    def only(self, used: np.ndarray) -> "Points":
        """The points where the mask is true."""
        return Points(self.x[used], self.y[used], self.u_x[used], self.u_y[used])


@dataclass(frozen=True, slots=True)
class Choice:
    """The model chosen. used: mask, (n,); odd: point -> its studentised residual where it was left out."""

    model: Line | Curve
    used: np.ndarray
    odd: dict[int, float]
    findings: tuple[Finding, ...] = ()


def choose(points: Points, wanted: str = "auto") -> Choice:
    """Fit the wanted model ('line', 'through-zero', 'piecewise'), or the line unless the evidence is against
    it.
    """
    line = _cleaned(points, _line)
    if wanted == "through-zero":
        return _cleaned(points, _through_zero)
    if wanted == "line":
        return line
    curve = _best_curve(points, wanted == "piecewise")
    if wanted == "piecewise":
        return curve or Choice(
            line.model,
            line.used,
            line.odd,
            (warning("no-piecewise-model"),),
        )
    if curve is not None and (bent := _bent(line, curve)):
        return Choice(curve.model, curve.used, curve.odd, (bent,))
    zero = _cleaned(points, _through_zero)
    if through := _through(points, line, zero):
        return Choice(zero.model, zero.used, zero.odd, (through,))
    return line


Fitted = tuple[Line | Curve, Floats, Floats]  # model, weights, leverage


def _line(points: Points) -> Fitted:
    line = fit_york(points.x, points.y, points.u_x, points.u_y)
    return line, line.weights, leverages(line)


def _through_zero(points: Points) -> Fitted:
    line = fit_through_zero(points.x, points.y, points.u_x, points.u_y)
    return line, line.weights, leverages(line)


def _curve(count: int) -> Callable[[Points], Fitted | None]:
    def fit(points: Points) -> Fitted | None:
        curve = fit_curve(points.x, points.y, points.u_x, points.u_y, count)
        return None if curve is None else (curve, curve.weights, curve.leverage)

    return fit


def _cleaned(points: Points, fit: Callable[[Points], Fitted]) -> Choice:
    choice = _without_odd(points, fit)
    if choice is None:  # only a curve can fail to be monotone
        raise ArithmeticError("a line always has a fit")
    return choice


def _without_odd(points: Points, fit: Callable[[Points], Fitted | None]) -> Choice | None:
    """Fit, and leave out the oddest point while it is beyond a Bonferroni limit and beyond the stated errors."""
    from scipy import special

    used = np.ones(len(points.x), bool)
    odd: dict[int, float] = {}
    most = max(1, int(_SHARE_LEFT_OUT * len(points.x)))
    while True:
        kept = points.only(used)
        fitted = fit(kept)
        if fitted is None:
            return None
        model, weights, leverage = fitted
        dof = model.dof
        if len(odd) >= most or dof < 2 or len(kept.x) <= 3:
            return Choice(model, used, odd)
        t = studentised(model.residuals, weights, leverage, dof)
        worst = int(np.argmax(np.abs(t)))
        limit = -float(special.stdtrit(dof - 1, _RISK_ODD / (2 * len(kept.x))))
        stated = abs(float(model.residuals[worst])) * float(weights[worst]) ** 0.5
        left = np.delete(kept.x, worst)
        if (
            abs(t[worst]) <= limit
            or stated <= _STATED_ODD
            or len(np.unique(np.delete(kept.y, worst))) < 2
            or not np.ptp(left)
        ):
            return Choice(model, used, odd)
        index = int(np.flatnonzero(used)[worst])
        used = used.copy()
        used[index] = False
        odd[index] = float(t[worst])


def _best_curve(points: Points, wanted: bool) -> Choice | None:
    """The number of knots by AICc, among those that leave enough points over."""
    if len(points.x) < _LEAST_FOR_CURVE or len(np.unique(points.y)) < 6 or (not wanted and not _may_bend(points)):
        return None
    most = min(6, len(np.unique(points.y)) - 3)
    tried = [_without_odd(points, _curve(count)) for count in range(3, most + 1)]
    good = [choice for choice in tried if choice is not None]
    return min(good, key=lambda choice: aicc(choice), default=None)


def _may_bend(points: Points) -> bool:
    """A quick look that spares the search: does a cubic beat the line at 5 %?"""
    from scipy import special

    u = (points.x - points.x.mean()) / np.ptp(points.x)
    line, cubic = (float(np.sum((points.y - np.polyval(np.polyfit(u, points.y, degree), u)) ** 2)) for degree in (1, 3))
    dof = len(u) - 4
    return bool(special.fdtrc(2, dof, (line - cubic) / 2.0 / max(cubic / dof, 1e-300)) < 0.05)


def aicc(choice: Choice) -> float:
    """Akaike's criterion for small samples from the scatter; a point left out counts as a parameter."""
    n = len(choice.used)
    k = _parameters(choice) + 1
    if n - k - 1 < 1:
        return float("inf")
    return n * float(np.log(max(choice.model.chi_square, 1e-300) / n)) + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def _parameters(choice: Choice) -> int:
    return int(choice.used.sum()) - choice.model.dof + len(choice.odd)


def _bent(line: Choice, curve: Choice) -> Finding | None:
    """Why a bent model is needed, or None. Scatter (F test, AICc) and stated errors must both ask for it."""
    from scipy import special

    extra = max(_parameters(curve) - _parameters(line), 1)
    drop = line.model.chi_square - curve.model.chi_square
    if drop <= 0 or aicc(line) - aicc(curve) < _AICC_MARGIN or special.chdtrc(extra, drop) > _SURE:
        return None
    p = float(special.fdtrc(extra, curve.model.dof, drop / extra / (curve.model.chi_square / curve.model.dof)))
    if p > _SURE or not isinstance(curve.model, Curve):
        return None
    return warning("converter-bent", p=p, aicc_lower=aicc(line) - aicc(curve), knots=len(curve.model.knots))


def _through(points: Points, line: Choice, zero: Choice) -> Finding | None:
    """Why a line through zero is as good, or None. The intercept must be known to be small, not merely unproved."""
    if not isinstance(line.model, Line):
        return None
    small = 0.002 * float(np.max(points.y))
    widen = max(1.0, line.model.chi_square / max(line.model.dof, 1)) ** 0.5
    if abs(line.model.intercept) + 2.0 * widen * line.model.u_intercept > small or aicc(zero) > aicc(line):
        return None
    return note(
        "line-through-zero",
        small_rpm=small,
        intercept_rpm=line.model.intercept,
        wide_rpm=2.0 * widen * line.model.u_intercept,
    )
