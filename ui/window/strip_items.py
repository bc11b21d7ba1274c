"""What is drawn inside a lane of the strip: curves, shading of holds and pulls, round scales."""

import math
from typing import Any

import pyqtgraph as pg
from pyqtgraph.Qt import QtCore, QtGui

from ui.window.mark_row import Span
from ui.window.theme import DARK, Theme

WINDOW_S = 30.0


class Trace(pg.GraphicsObject):
    """A curve whose bounds are its lane's: nothing is measured, copied or checked while drawing."""

    def __init__(self) -> None:
        super().__init__()
        self._path = QtGui.QPainterPath()
        self._pen = pg.mkPen("w")
        self._bounds = QtCore.QRectF(-WINDOW_S, 0, WINDOW_S, 1)

    def set_look(self, colour: str) -> None:
        """Pen of width 1: a wider one costs tens of milliseconds a frame."""
        self._pen = pg.mkPen(colour, width=1)

    def set_bounds(self, low: float, high: float) -> None:
        """The lane's range."""
        self.prepareGeometryChange()
        self._bounds = QtCore.QRectF(-WINDOW_S - 1, low, WINDOW_S + 2, high - low)

    def set_line(self, x: Any, y: Any, joins: Any, shift: float) -> None:
        """Take over the points; `shift` scrolls by less than a column."""
        self._path = pg.arrayToQPath(x, y, connect="all" if joins is None else joins)
        self.setPos(shift, 0)
        self.update()

    def boundingRect(self) -> QtCore.QRectF:  # noqa: N802 - Qt's name
        """The lane; Qt calls this."""
        return self._bounds

    def paint(self, painter: QtGui.QPainter, *args: Any) -> None:
        """Draw the path; Qt calls this."""
        del args
        painter.setPen(self._pen)
        painter.drawPath(self._path)


class Shade(pg.GraphicsObject):
    """Holds and pulls behind a lane: holds shaded with posts at both ends, pulls hatched."""

    def __init__(self) -> None:
        super().__init__()
        self.theme: Theme = DARK
        self._spans: list[Span] = []
        self._now = 0.0
        self._bounds = QtCore.QRectF(-WINDOW_S, 0, WINDOW_S, 1)

    def set_spans(self, spans: list[Span], now: float, low: float, high: float) -> None:
        """Take over what to shade, session seconds, and the lane's range."""
        bounds = QtCore.QRectF(-WINDOW_S, low, WINDOW_S, high - low)
        if bounds != self._bounds:
            self.prepareGeometryChange()
            self._bounds = bounds
        self._spans, self._now = spans, now
        self.update()

    def boundingRect(self) -> QtCore.QRectF:  # noqa: N802 - Qt's name
        """The lane; Qt calls this."""
        return self._bounds

    def paint(self, painter: QtGui.QPainter, *args: Any) -> None:
        """Draw the spans; Qt calls this."""
        del args
        for span in self._spans:
            left, right = max(-WINDOW_S, span.start_s - self._now), min(0.0, span.end_s - self._now)
            if right <= -WINDOW_S or left >= 0:
                continue
            ink = {"hold": self.theme.hold, "pull": self.theme.pull}.get(span.kind, self.theme.muted)
            box = QtCore.QRectF(left, self._bounds.top(), right - left, self._bounds.height())
            colour = QtGui.QColor(ink)
            colour.setAlpha(46 if span.kind == "hold" else 28)
            if span.kind in ("hold", "pull"):
                painter.fillRect(box, colour)
            painter.setPen(pg.mkPen(ink, width=1, style=_POST_STYLE.get(span.kind, QtCore.Qt.PenStyle.DotLine)))
            painter.drawLine(box.topLeft(), box.bottomLeft())
            if span.kind in ("hold", "pull"):
                painter.drawLine(box.topRight(), box.bottomRight())


_POST_STYLE = {"hold": QtCore.Qt.PenStyle.SolidLine, "pull": QtCore.Qt.PenStyle.DashLine}


def round_ticks(low: float, high: float) -> list[tuple[float, str]]:
    """Two to four round numbers strictly inside a range, with their texts: a lane is too low for more."""
    step = 10.0 ** math.ceil(math.log10(high - low))
    while len(inside := range(math.floor(low / step) + 1, math.ceil(high / step))) < 2:
        step /= 2 if f"{step:e}"[0] != "5" else 2.5
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return [(number * step, f"{number * step:.{decimals}f}") for number in inside]


def fitting_range(low: float, high: float, floor: float) -> tuple[float, float]:
    """A range of round numbers around low…high, at least `floor` wide."""
    middle, reach = (low + high) / 2, max(high - low, floor) * 0.56
    step = 10.0 ** math.floor(math.log10(reach))
    step *= next(factor for factor in (0.2, 0.5, 1.0) if reach / (step * factor) <= 10)
    return math.floor((middle - reach) / step) * step, math.ceil((middle + reach) / step) * step
