"""What is drawn into the Compare plots: dots with whiskers, and curves with their intervals.

Marks keep their size in pixels whatever the scale, and are drawn with the painter alone, so that a picture written as
SVG has them as shapes too.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyqtgraph as pg
from pyqtgraph.Qt import QtCore, QtGui

from ui.window.plot import Series
from ui.window.theme import DARK, Theme


@dataclass(frozen=True, slots=True)
class Dot:
    """A band: middle rpm, change and its interval in % (None: no interval), and whether it is resolved."""

    x: float
    y: float
    low: float | None
    high: float | None
    resolved: bool


@dataclass(frozen=True, slots=True)
class Line:
    """A tune's curve: points (rpm, mean, low, high), and whether it is the trial's."""

    points: tuple[tuple[float, float, float | None, float | None], ...]
    trial: bool


def series_of(line: Line, name: str, unit: str) -> Series:
    """A drawn curve as it is read and copied."""
    x, y, low, high = (np.array([np.nan if p[n] is None else p[n] for p in line.points], float) for n in range(4))
    return Series(name, unit, x, y, low, high)


def dot(painter: QtGui.QPainter, at: QtCore.QPointF, size: float, resolved: bool, theme: Theme) -> None:
    """The mark of a band: a filled diamond where resolved, a hollow circle where not."""
    if resolved:
        painter.setPen(QtGui.QPen(QtGui.QColor(theme.pull), size * 0.2))
        painter.setBrush(QtGui.QColor(theme.pull))
        reach = size * 0.62
        corners = [(0, -reach), (reach, 0), (0, reach), (-reach, 0)]
        painter.drawPolygon([QtCore.QPointF(at.x() + x, at.y() + y) for x, y in corners])
    else:
        painter.setPen(QtGui.QPen(QtGui.QColor(theme.muted), size * 0.25))
        painter.setBrush(QtGui.QColor(theme.panel))
        painter.drawEllipse(at, size * 0.5, size * 0.5)


def curve_mark(painter: QtGui.QPainter, at: QtCore.QPointF, size: float, trial: bool, theme: Theme) -> None:
    """The mark of a curve: a filled triangle for the trial, a hollow square for the base."""
    ink = QtGui.QColor(theme.speed if trial else theme.text)
    painter.setPen(QtGui.QPen(ink, size * 0.22))
    half = size * 0.5
    if trial:
        painter.setBrush(ink)
        corners = [(0, -half * 1.2), (half * 1.15, half * 0.8), (-half * 1.15, half * 0.8)]
        painter.drawPolygon([QtCore.QPointF(at.x() + x, at.y() + y) for x, y in corners])
    else:
        painter.setBrush(QtGui.QColor(theme.panel))
        painter.drawRect(QtCore.QRectF(at.x() - half, at.y() - half, size, size))


class _Pixels(pg.GraphicsObject):
    """An item whose data lie in the plot's scale and whose marks are in pixels."""

    def __init__(self) -> None:
        super().__init__()
        self.theme: Theme = DARK
        self.unit = 1.0
        self.box = QtCore.QRectF(0, 0, 1, 1)

    def set_box(self, left: float, right: float, low: float, high: float) -> None:
        """The part of the plot that is shown."""
        self.prepareGeometryChange()
        self.box = QtCore.QRectF(left, low, right - left, high - low)
        self.update()

    def follow(self, plot: Any) -> None:
        """Draw in what the plot shows, however it is zoomed."""

        def seen(*_: Any) -> None:
            (left, right), (low, high) = plot.viewRange()
            self.set_box(left, right, low, high)

        plot.getViewBox().sigRangeChanged.connect(seen)
        seen()

    def boundingRect(self) -> QtCore.QRectF:  # noqa: N802 - Qt's name
        """Where it draws; Qt calls this."""
        return self.box

    def paint(self, painter: QtGui.QPainter, *options: Any) -> None:
        """Draw in pixels; Qt calls this."""
        place = painter.transform()
        painter.save()
        painter.resetTransform()
        painter.setRenderHint(QtGui.QPainter.RenderHint.Antialiasing)
        self.draw(painter, lambda x, y: place.map(QtCore.QPointF(x, y)))
        painter.restore()

    def draw(self, painter: QtGui.QPainter, at: Any) -> None:
        """Draw; `at(x, y)` gives pixels."""
        raise NotImplementedError


class Dots(_Pixels):
    """Changes with their whiskers; an interval that leaves the plot ends in an arrow head."""

    def __init__(self) -> None:
        super().__init__()
        self.dots: list[Dot] = []

    def set_dots(self, dots: Sequence[Dot]) -> None:
        """Take over the bands."""
        self.dots = list(dots)
        self.update()

    def draw(self, painter: QtGui.QPainter, at: Any) -> None:
        """Whiskers first, marks over them."""
        size = 10 * self.unit
        for item in self.dots:
            if item.low is not None and item.high is not None:
                ink = self.theme.pull if item.resolved else self.theme.muted
                painter.setPen(QtGui.QPen(QtGui.QColor(ink), (2.4 if item.resolved else 1.4) * self.unit))
                for end in (item.low, item.high):
                    self._whisker(painter, at, item, end)
            if self.box.top() <= item.y <= self.box.bottom():
                dot(painter, at(item.x, item.y), size, item.resolved, self.theme)

    def _whisker(self, painter: QtGui.QPainter, at: Any, item: Dot, end: float) -> None:
        reach = 4.5 * self.unit
        shown = min(max(end, self.box.top()), self.box.bottom())
        middle = min(max(item.y, self.box.top()), self.box.bottom())
        tip = at(item.x, shown)
        painter.drawLine(at(item.x, middle), tip)
        if shown == end:
            painter.drawLine(QtCore.QPointF(tip.x() - reach, tip.y()), QtCore.QPointF(tip.x() + reach, tip.y()))
            return
        back = reach if end > shown else -reach
        for side in (-reach, reach):
            painter.drawLine(tip, QtCore.QPointF(tip.x() + side, tip.y() + back * 1.3))


class CurveLines(_Pixels):
    """The curves, each with its own line, mark and shaded interval."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[Line] = []
        self.step = 250.0

    def set_lines(self, lines: Sequence[Line], step: float) -> None:
        """Take over the curves; a line breaks where a band of width `step` is missing."""
        self.lines, self.step = list(lines), step
        self.update()

    def draw(self, painter: QtGui.QPainter, at: Any) -> None:
        """Intervals, lines, marks."""
        for line in self.lines:
            for part in self._parts(line):
                self._interval(painter, at, part, line.trial)
        for line in self.lines:
            ink = QtGui.QColor(self.theme.speed if line.trial else self.theme.text)
            style = QtCore.Qt.PenStyle.SolidLine if line.trial else QtCore.Qt.PenStyle.DashLine
            for part in self._parts(line):
                painter.setPen(QtGui.QPen(ink, 1.8 * self.unit, style))
                painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)
                painter.drawPolyline([at(x, y) for x, y, _, _ in part])
                for x, y, _, _ in part:
                    curve_mark(painter, at(x, y), 8 * self.unit, line.trial, self.theme)

    def _parts(self, line: Line) -> list[list[tuple[float, float, float | None, float | None]]]:
        parts: list[list[tuple[float, float, float | None, float | None]]] = []
        for point in line.points:
            if parts and point[0] - parts[-1][-1][0] < 1.5 * self.step:
                parts[-1].append(point)
            else:
                parts.append([point])
        return parts

    def _interval(self, painter: QtGui.QPainter, at: Any, part: Sequence[Any], trial: bool) -> None:
        known = [(x, low, high) for x, _, low, high in part if low is not None]
        fill = QtGui.QColor(self.theme.speed if trial else self.theme.muted)
        fill.setAlphaF(0.28)
        painter.setPen(QtCore.Qt.PenStyle.NoPen)
        painter.setBrush(fill)
        outline = [at(x, high) for x, _, high in known] + [at(x, low) for x, low, _ in reversed(known)]
        painter.drawPolygon(outline)
