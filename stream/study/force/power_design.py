"""The points of many pulls as one fit: the common scale, each gear's own, and what an answer owes to each doubt."""

from itertools import pairwise

import numpy as np

from stream.study.force.push_model import BAND_DOUBT, OF_SCALE
from stream.study.force.push_points import Points
from stream.study.force.scale_fit import ScaleFit, fit_scale
from stream.study.shared import zero_sources
from stream.units import Flags as BoolArray
from stream.units import Floats as Array
from stream.units import Ints as IntArray

# How far the zeros of sessions lie apart where none was taken, of the greatest load; common practice, no source.
ZERO_APART = 0.03
ALIKE_RPM = 500.0  # over so many rpm the doubts of a band are alike; common practice, no source


class Design:
    """The points with all their columns: a free intercept for pulls without a zero, zeros, the assumptions' doubts,
    the pulls' own scatter.
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
        bands = BAND_DOUBT * table.force[:, None] * _shared_by_band(self.gear, table.rpm)
        parts = [self.intercepts, zeros, table.doubts, own, bands]
        self.by_scale = np.column_stack([0 * self.intercepts, -zeros, 0 * table.doubts, 0 * own, 0 * bands])
        self.columns = np.column_stack([self.intercepts, 0 * zeros, table.doubts, own, bands])
        edges = np.cumsum([0, *(part.shape[1] for part in parts)]) + 1
        self.places = [slice(a, b) for a, b in pairwise(edges.tolist())]
        column, first = np.arange(self.columns.shape[1]), self.places[2].start - 1
        self.free: BoolArray = column < self.intercepts.shape[1]
        self.told: BoolArray = (column >= first) & (column < first + OF_SCALE)

    @property
    def gear(self) -> IntArray:
        """(points,) gear of each."""
        return np.array([pull.gear for pull in self.table.pulls])[self.table.pull]

    def fit(self) -> ScaleFit:
        """The common scale."""
        table = self.table
        return fit_scale(
            table.load, table.force, table.u_load, table.u_force, self.columns, self.by_scale, self.free, self.told
        )

    def _apart(self) -> tuple[list[int], ScaleFit]:
        """Fit with a scale of its own for each gear but the first, as differences."""
        table, gears = self.table, sorted(set(self.gear.tolist()))
        more = np.column_stack([table.load * (self.gear == gear) for gear in gears[1:]])
        fit = fit_scale(
            table.load, table.force, table.u_load, table.u_force, np.column_stack([self.columns, more]),
            np.column_stack([self.by_scale, 0 * more]), np.concatenate([self.free, np.ones(more.shape[1], np.bool_)]),
            np.concatenate([self.told, np.zeros(more.shape[1], np.bool_)]),
        )  # fmt: skip
        return gears, fit

    def differences(self) -> list[tuple[float, float]]:
        """(difference from the lowest gear's scale, its standard doubt) of each other gear, N per unit of load."""
        if len(set(self.gear.tolist())) < 2:
            return []
        gears, fit = self._apart()
        places = 1 + self.columns.shape[1] + np.arange(len(gears) - 1)
        return [(float(fit.solution[at]), float(np.sqrt(fit.covariance[at, at]))) for at in places]

    def gear_scales(self, fit: ScaleFit) -> dict[int, tuple[float, float]]:
        """(scale, standard doubt) of each gear by itself, N per unit of load."""
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

    def link_rows(self, rows: IntArray, scale: float) -> Array:
        """(rows, 1 + columns): what of the solution makes the link's force at these points.

        With a zero taken, k times load less the zero's error; without one, the intercept stands for the zero.
        """
        link = np.zeros((len(rows), 1 + self.columns.shape[1]))
        link[:, 0] = self.table.load[rows]
        intercepts, zeros = self.places[:2]
        link[:, intercepts] = self.intercepts[rows] * ~self.zeroed[rows, None]
        link[:, zeros] = scale * self.by_scale[rows, zeros.start - 1 : zeros.stop - 1]
        return link

    def speed_rows(self, rows: IntArray) -> Array:
        """(rows, 1 + columns): by how much of itself the speed is too high for each draw."""
        speed = np.zeros((len(rows), 1 + self.columns.shape[1]))
        speed[:, self.places[2]] = self.table.speed_doubts[rows]
        return speed


def _shared_by_band(gear: IntArray, rpm: Array) -> Array:
    """(points, gears and bands): draws that all pulls of a gear share in a band, alike in neighbouring bands."""
    cells = np.unique(np.column_stack([gear, rpm]), axis=0)
    near = np.exp(-0.5 * ((cells[:, None, 1] - cells[None, :, 1]) / ALIKE_RPM) ** 2)
    near *= cells[:, None, 0] == cells[None, :, 0]
    factor = np.linalg.cholesky(near + 1e-6 * np.eye(len(cells)))
    row = [int(np.flatnonzero((cells == (own, speed)).all(axis=1))[0]) for own, speed in zip(gear, rpm, strict=True)]
    return np.asarray(factor[row], np.float64)
