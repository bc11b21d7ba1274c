"""A parabola through a few settings whose uncertainty is known beforehand, and where its vertex may lie.

Three settings leave no residual, so the covariance of the means comes from the scatter of the pulls and what is stated
of the zeros, never from the fit. The interval of the vertex is Fieller's (E. C. Fieller, Journal of the Royal
Statistical Society B 16 (1954) 175, from memory): it may be unbounded, and then says so.
"""

import math
from dataclasses import dataclass

import numpy as np

from stream.units import Floats

Limits = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True)
class Parabola:
    """y = coefficients · (1, x - centre, (x - centre)²), with the coefficients' covariance, shape (3, 3).

    `t` is the quantile that makes 95 % intervals of it.
    """

    centre: float
    coefficients: Floats
    covariance: Floats
    t: float

    @property
    def concave(self) -> bool:
        """Whether it has a highest point at all."""
        return bool(self.coefficients[2] < 0)

    @property
    def vertex(self) -> float:
        """x of the highest point; NaN for one that is not concave."""
        return float(self.centre - self.coefficients[1] / (2 * self.coefficients[2])) if self.concave else math.nan

    @property
    def top(self) -> float:
        """y at the vertex; NaN for one that is not concave."""
        return float(self.value(self.vertex))

    def value(self, x: float) -> float:
        """y at x."""
        return float(self.coefficients @ _terms(x - self.centre))

    def slope(self, x: float) -> tuple[float, float]:
        """(dy/dx at x, its standard uncertainty)."""
        terms = np.array([0.0, 1.0, 2 * (x - self.centre)])
        return float(terms @ self.coefficients), math.sqrt(max(float(terms @ self.covariance @ terms), 0.0))

    def vertex_limits(self) -> Limits:
        """95 % interval of the vertex by Fieller; None for a side on which it is unbounded."""
        _, b, c = self.coefficients
        v = self.covariance
        low, high = fieller(-b, 2 * c, v[1, 1], -2 * v[1, 2], 4 * v[2, 2], self.t)
        return (None if low is None else low + self.centre, None if high is None else high + self.centre)

    def within(self, share: float) -> float:
        """How far from the vertex y has fallen by this share of the top; NaN where it never can be said."""
        if not self.concave or self.top <= 0:
            return math.nan
        return math.sqrt(share * self.top / -float(self.coefficients[2]))


def fit_parabola(x: Floats, y: Floats, covariance: Floats, t: float) -> Parabola:
    """Generalised least squares through points (n,), n >= 3 different x, with the covariance of y, shape (n, n).

    Points without any uncertainty (covariance of zeros) are weighted alike and give a fit without uncertainty.
    Raises ValueError below three different x.
    """
    if len(np.unique(x)) < 3:
        raise ValueError("a parabola needs three different settings")
    centre = float(x.mean())
    design = np.column_stack([np.ones(len(x)), x - centre, (x - centre) ** 2])
    scale = float(np.trace(covariance)) / len(x)
    # A ridge of a billionth keeps a covariance that shared errors make singular invertible, and changes nothing.
    weight = np.linalg.inv(covariance / scale + 1e-9 * np.eye(len(x))) if scale > 0 else np.eye(len(x))
    solve = np.linalg.solve(design.T @ weight @ design, design.T @ weight)
    return Parabola(centre, solve @ y, solve @ covariance @ solve.T, t)


def fieller(top: float, bottom: float, var_top: float, cov: float, var_bottom: float, t: float) -> Limits:
    """95 % interval of top / bottom from their variances and covariance; None for an unbounded side.

    Where the set is all but a stretch in the middle, the outer part that holds the estimate is given: the other part
    belongs to a bottom of the other sign.
    """
    a = bottom**2 - t**2 * var_bottom
    b = -2 * (top * bottom - t**2 * cov)
    c = top**2 - t**2 * var_top
    root = b**2 - 4 * a * c
    if a > 0:
        half = math.sqrt(max(root, 0.0)) / (2 * a)
        middle = -b / (2 * a)
        return float(middle - half), float(middle + half)
    if root <= 0 or a == 0 or bottom == 0:
        return None, None
    ends = sorted((-b + sign * math.sqrt(root)) / (2 * a) for sign in (-1, 1))
    return (None, float(ends[0])) if top / bottom <= ends[0] else (float(ends[1]), None)


def _terms(x: float) -> Floats:
    return np.array([1.0, x, x * x])
