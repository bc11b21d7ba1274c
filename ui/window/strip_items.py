"""What is drawn inside a lane of the strip: curves, shading of holds and pulls, round scales."""

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pyqtgraph as pg
from pyqtgraph.Qt import QtCore, QtGui

from ui.window.mark_row import WINDOW_S, Span
from ui.window.theme import DARK, Theme


class Trace(pg.GraphicsObject):
    """A curve whose bounds are its lane's: nothing is measured, copied or checked while drawing."""

    def __init__(self) -> None:
        super().__init__()
        self._path = QtGui.QPainterPath()
        self._pen = pg.mkPen("w")
        self._brush: tuple[tuple[float, float], ...] = ((0.0, 0.0),)
        self._fill: QtGui.QColor | None = None
        self._under = QtGui.QPainterPath()
        self._bounds = QtCore.QRectF(-WINDOW_S, 0, WINDOW_S, 1)

    def set_fill(self, colour: str, share: float) -> None:
        """A soft fill down to the lane's foot."""
        self._fill = QtGui.QColor(colour)
        self._fill.setAlphaF(share)

    def set_look(self, colour: str, pixels: float = 1.0, ratio: float = 1.0) -> None:
        """A line of about so many pixels, drawn side by side with a pen of width 1: a wider pen costs tens of
        milliseconds a frame. `ratio`: the screen's own pixels in one, each of which must be drawn.
        """
        self._pen = pg.mkPen(colour, width=1)
        across = range(max(1, math.ceil(pixels * ratio - 0.25)))
        middle = len(across) // 2
        self._brush = tuple((x / ratio, y / ratio) for x in across for y in across if x == middle or y == middle)

    def set_bounds(self, low: float, high: float) -> None:
        """The lane's range."""
        self.prepareGeometryChange()
        self._bounds = QtCore.QRectF(-WINDOW_S - 1, low, WINDOW_S + 2, high - low)

    def set_line(self, x: Any, y: Any, joins: Any, shift: float) -> None:
        """Take over the points; `shift` scrolls by less than a column."""
        self._path = pg.arrayToQPath(x, y, connect="all" if joins is None else joins)
        if self._fill is not None:
            foot, some = self._bounds.top(), slice(1, None, 16)  # an eighth of the points: nobody sees it at a tenth
            whole = joins is None and len(y) > 1
            under = (
                np.concatenate((x[1:2], x[some], x[-1:], x[-1:])),
                np.concatenate(([foot], y[some], y[-1:], [foot])),
            )
            self._under = pg.arrayToQPath(*under, connect="all") if whole else QtGui.QPainterPath()
        self.setPos(shift, 0)
        self.update()

    def boundingRect(self) -> QtCore.QRectF:  # noqa: N802 - Qt's name
        """The lane; Qt calls this."""
        return self._bounds

    def paint(self, painter: QtGui.QPainter, *args: Any) -> None:
        """Draw the path; Qt calls this."""
        del args
        if self._fill is not None:
            painter.fillPath(self._under, self._fill)
        painter.setPen(self._pen)
        placed = painter.transform()
        for x, y in self._brush:
            painter.setTransform(placed * QtGui.QTransform.fromTranslate(x, y))
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


Times = npt.NDArray[np.float64]


class Columns:
    """A ring of `count` columns over `seconds`, for `curves` curves.

    Each column is kept twice, `count` apart, so that the window is always one contiguous slice and never
    copied.
    """

    def __init__(self, curves: int, seconds: float = 30.0, count: int = 1000) -> None:
        self.curves = curves
        self.seconds = seconds
        self.count = count
        self.width_s = seconds / count
        self.spacing_s = 0.0  # the longest usual time between samples, so that sparse curves are still joined
        self._pairs = np.full((curves, 2 * count, 2), np.nan, np.float32)
        self._newest: int | None = None

    @property
    def newest_s(self) -> float | None:
        """The left edge of the newest column, session seconds; None before the first sample."""
        return None if self._newest is None else self._newest * self.width_s

    def clear(self) -> None:
        """Forget everything."""
        self._pairs[:] = np.nan
        self._newest = None

    def advance(self, now_s: float) -> None:
        """Move the window so that its last column holds `now_s`; the new columns are empty."""
        column = math.floor(now_s / self.width_s)  # not //: it rounds otherwise than the division in add()
        if self._newest is None or column - self._newest >= self.count:
            self._pairs[:] = np.nan
            self._newest = column
        elif column > self._newest:
            fresh = np.arange(self._newest + 1, column + 1) % self.count
            self._pairs[:, fresh] = np.nan
            self._pairs[:, fresh + self.count] = np.nan
            self._newest = column

    def add(self, times_s: Times, values: npt.NDArray[Any]) -> None:
        """Take in samples: times (n,) ascending, values (n, curves). NaN and infinity count as missing.

        A stream that starts over, more than a window back, empties the strip.
        """
        if not len(times_s):
            return
        if self._newest is not None and times_s[-1] < (self._newest - self.count) * self.width_s:
            self.clear()
        self.advance(float(times_s[-1]))
        newest = self._newest if self._newest is not None else 0
        if len(times_s) > 1:
            self.spacing_s = float(times_s[-1] - times_s[0]) / (len(times_s) - 1)
        columns = np.floor(times_s / self.width_s).astype(np.int64)
        inside = int(np.searchsorted(columns, newest - self.count, side="right"))
        columns, values = columns[inside:], values[inside:]
        if not len(columns):
            return
        starts = np.concatenate(([0], np.flatnonzero(np.diff(columns)) + 1))
        clean = values if np.isfinite(values).all() else np.where(np.isfinite(values), values, np.nan)
        low = np.fmin.reduceat(clean, starts, axis=0).T
        high = np.fmax.reduceat(clean, starts, axis=0).T
        places = columns[starts] % self.count
        pairs = self._pairs[:, places]
        pairs[:, :, 0] = np.fmin(pairs[:, :, 0], low)
        pairs[:, :, 1] = np.fmax(pairs[:, :, 1], high)
        self._pairs[:, places] = pairs
        self._pairs[:, places + self.count] = pairs

    def window(self, curve: int) -> npt.NDArray[np.float32]:
        """The window of one curve: (count, 2), lowest and highest, oldest column first; NaN is empty."""
        start = 0 if self._newest is None else (self._newest + 1) % self.count
        view: npt.NDArray[np.float32] = self._pairs[curve, start : start + self.count]
        return view

    def span(self, curve: int) -> tuple[float, float] | None:
        """Lowest and highest value in the window, or None where it is empty."""
        window = self.window(curve)
        low, high = np.fmin.reduce(window[:, 0]), np.fmax.reduce(window[:, 1])
        return (float(low), float(high)) if np.isfinite(low) and np.isfinite(high) else None

    def line(self, curve: int) -> tuple[Times, npt.NDArray[np.float32], npt.NDArray[np.bool_] | None]:
        """One curve to draw: x (seconds before the newest column, ≤ 0), y, and which points join the next
        one.

        The last is None where all do. Columns that are empty because samples are further apart than columns
        are bridged; a longer hole is a gap in the line.
        """
        window = self.window(curve)
        filled = np.flatnonzero(np.isfinite(window[:, 0]))
        x = np.repeat((filled - (self.count - 1)) * self.width_s, 2)
        y = window[filled].reshape(-1)
        reach = max(2.0, 2.5 * self.spacing_s / self.width_s)
        holes = np.diff(filled) > reach
        if not holes.any():
            return x, y, None
        joins = np.ones(len(x), np.bool_)
        joins[1:-1:2] = ~holes
        return x, y, joins
