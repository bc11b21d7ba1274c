"""The last 30 seconds: speed, load and the raw signals, with holds, pulls and marks over them.

Draws only what is new: samples go into columns once (columns.py), a frame draws about 2 000 points a curve
with a pen of width 1, and the viewport is repainted whole, which is far cheaper than Qt's search for the
parts that changed.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyqtgraph as pg
from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.block import Block, StreamInfo
from stream.live.view import LiveRows
from ui.window import words
from ui.window.columns import Columns
from ui.window.mark_row import MarkRow, Span
from ui.window.theme import DARK, Theme

WINDOW_S = 30.0
COLUMNS = 1000
RAW_CURVES = 3  # more would be too thin to read
AXIS_WIDTH = 92


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
            painter.setPen(
                pg.mkPen(ink, width=1, style=_POST_STYLE.get(span.kind, QtCore.Qt.PenStyle.DotLine))
            )
            painter.drawLine(box.topLeft(), box.bottomLeft())
            if span.kind in ("hold", "pull"):
                painter.drawLine(box.topRight(), box.bottomRight())


_POST_STYLE = {"hold": QtCore.Qt.PenStyle.SolidLine, "pull": QtCore.Qt.PenStyle.DashLine}


@dataclass(slots=True)
class Lane:
    """One row of the strip: its plot, its shading, its curves and its range."""

    plot: Any
    shade: Shade
    traces: list[Trace]
    low: float
    high: float


class Strip(QtWidgets.QWidget):
    """Takes live rows, raw blocks and spans as they come; `draw(now)` shows the 30 s up to now."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.unit = 1.0
        self.live = Columns(2, WINDOW_S, COLUMNS)
        self.raw: Columns | None = None
        self.raw_names: tuple[str, ...] = ()
        self.spans: list[Span] = []
        self.now_s = 0.0
        self._frames = 0
        self.marks = MarkRow()
        self.view = pg.GraphicsLayoutWidget()
        self.view.setViewportUpdateMode(QtWidgets.QGraphicsView.ViewportUpdateMode.FullViewportUpdate)
        self.view.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.view.ci.layout.setSpacing(2)
        self.view.ci.layout.setContentsMargins(0, 0, 8, 0)
        self.lanes = [self._lane(0, 1, 0.0, 2000.0), self._lane(1, 1, 0.0, 0.1), self._lane(2, 0, 0.0, 1.0)]
        for row, stretch in enumerate((5, 4, 3)):
            self.view.ci.layout.setRowStretchFactor(row, stretch)
        box = QtWidgets.QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(0)
        box.addWidget(self.marks)
        box.addWidget(self.view, 1)
        self.show_raw(False)
        self.set_load_unit("")

    def _lane(self, row: int, curves: int, low: float, high: float) -> Lane:
        plot = self.view.addPlot(row=row, col=0)
        plot.setMenuEnabled(False)
        plot.hideButtons()
        plot.setMouseEnabled(False, False)
        plot.disableAutoRange()
        plot.setXRange(-WINDOW_S, 0, padding=0)
        plot.setYRange(low, high, padding=0)
        plot.getAxis("left").setWidth(AXIS_WIDTH)
        plot.getAxis("left").enableAutoSIPrefix(False)
        plot.hideAxis("bottom")
        shade = Shade()
        plot.addItem(shade, ignoreBounds=True)
        plot.getAxis("left").setTicks([round_ticks(low, high)])
        lane = Lane(plot, shade, [], low, high)
        for _ in range(curves):
            self._add_trace(lane)
        return lane

    @staticmethod
    def _add_trace(lane: Lane) -> None:
        trace = Trace()
        trace.set_bounds(lane.low, lane.high)
        lane.plot.addItem(trace, ignoreBounds=True)
        lane.traces.append(trace)

    def set_info(self, info: StreamInfo) -> None:
        """Make the raw lane ready for this stream's channels: the first three are drawn."""
        self.raw_names = info.names[:RAW_CURVES]
        self.raw = Columns(len(self.raw_names), WINDOW_S, COLUMNS)
        lane = self.lanes[2]
        while len(lane.traces) < len(self.raw_names):
            self._add_trace(lane)
        top = float(len(self.raw_names))
        lane.low, lane.high = 0.0, top
        lane.plot.setYRange(0, top, padding=0.02)
        names = [(top - 0.5 - place, words.plain(name, 10)) for place, name in enumerate(self.raw_names)]
        lane.plot.getAxis("left").setTicks([names])
        for trace in lane.traces:
            trace.set_bounds(0.0, top)
        self.apply_theme(self.theme, self.unit)

    def set_load_unit(self, unit: str) -> None:
        """Name the units on the axes."""
        self.lanes[0].plot.getAxis("left").setLabel("rpm")
        self.lanes[1].plot.getAxis("left").setLabel(words.plain(unit, 12) or "load")
        self.lanes[2].plot.getAxis("left").setLabel("raw")

    def show_raw(self, shown: bool) -> None:
        """Show or hide the lane of raw signals."""
        self.lanes[2].plot.setVisible(shown)
        self.view.ci.layout.setRowStretchFactor(2, 3 if shown else 0)
        self.view.ci.layout.setRowMaximumHeight(2, 1e6 if shown else 0)

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme, self.unit, self.marks.theme = theme, unit, theme
        self.view.setBackground(theme.panel)
        font = QtGui.QFont()
        font.setPixelSize(round(14 * unit))
        self.marks.setFixedHeight(round(30 * unit))
        for lane, inks in zip(
            self.lanes, ((theme.speed,), (theme.load,), (theme.speed, theme.load, theme.text)), strict=True
        ):
            lane.shade.theme = theme
            axis = lane.plot.getAxis("left")
            axis.setWidth(round(AXIS_WIDTH * unit))
            axis.setPen(pg.mkPen(theme.line))
            axis.setTextPen(theme.muted)
            axis.setTickFont(font)
            axis.label.setFont(font)
            for number, trace in enumerate(lane.traces):
                trace.set_look(inks[number % len(inks)])

    def add_live(self, rows: LiveRows) -> None:
        """Take in new live rows."""
        if len(rows):
            self.live.add(rows.time_s, np.column_stack((rows.speed_rpm, rows.load)))

    def add_raw(self, block: Block) -> None:
        """Take in a new block of raw samples; needs `set_info` first."""
        if self.raw is not None and len(block):
            times = (block.first + np.arange(len(block))) / block.rate_hz
            self.raw.add(times, block.samples[:, : self.raw.curves])

    def draw(self, now_s: float, spans: list[Span]) -> None:
        """Show the 30 s up to `now_s`, with these spans."""
        self.now_s, self.spans = now_s, spans
        if self._frames % 8 == 0:
            self._follow_ranges()
        self._frames += 1
        self.live.advance(now_s)
        for number, lane in enumerate(self.lanes[:2]):
            self._draw_trace(lane.traces[0], self.live, number, now_s)
            lane.shade.set_spans(spans, now_s, lane.low, lane.high)
        if self.raw is not None and self.lanes[2].plot.isVisible():
            self.raw.advance(now_s)
            for number in range(self.raw.curves):
                self._draw_raw(number, now_s)
            self.lanes[2].shade.set_spans(spans, now_s, 0.0, float(self.raw.curves))
        left = self.lanes[0].plot.vb.sceneBoundingRect()
        self.marks.show_marks(spans, now_s, WINDOW_S, left.left(), left.right())

    def _draw_trace(self, trace: Trace, columns: Columns, curve: int, now_s: float) -> None:
        x, y, joins = columns.line(curve)
        newest = columns.newest_s
        trace.set_line(x, y, joins, 0.0 if newest is None else newest - now_s)

    def _draw_raw(self, number: int, now_s: float) -> None:
        """Each raw signal in a row of its own, scaled to what it does in the window."""
        if self.raw is None:
            return
        x, y, joins = self.raw.line(number)
        span = self.raw.span(number)
        row = self.raw.curves - 1 - number
        if span is not None:
            reach = max(span[1] - span[0], 1e-6 * max(abs(span[0]), abs(span[1]), 1e-6))
            y = row + 0.08 + 0.84 * (y - span[0]) / reach
        newest = self.raw.newest_s
        self.lanes[2].traces[number].set_line(x, y, joins, 0.0 if newest is None else newest - now_s)

    def _follow_ranges(self) -> None:
        """Widen a lane at once, narrow it only when half of it is unused: a jumping scale is unreadable."""
        for number, lane in enumerate(self.lanes[:2]):
            span = self.live.span(number)
            if span is None:
                continue
            low, high = fitting_range(*span, floor=500.0 if number == 0 else 0.02)
            used = high - low
            if low < lane.low or high > lane.high or used < 0.5 * (lane.high - lane.low):
                lane.low, lane.high = low, high
                lane.plot.setYRange(low, high, padding=0)
                lane.plot.getAxis("left").setTicks([round_ticks(low, high)])
                lane.traces[0].set_bounds(low, high)


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
