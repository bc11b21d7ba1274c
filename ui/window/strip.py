"""The last 30 seconds: speed, load and the raw signals, with holds, pulls and marks over them.

Draws only what is new: samples go into columns once (`Columns`), a frame draws about 2 000 points a curve with pens of
width 1 (`Trace.set_look` says how a line gets thicker), and the viewport is repainted whole, which is far cheaper than
Qt's search for the parts that changed.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyqtgraph as pg
from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.block import Block, StreamInfo
from stream.live.records import LiveRows
from ui.text.figures import one_line
from ui.window.mark_row import WINDOW_S, MarkRow, Span
from ui.window.strip_items import Columns, Shade, Trace, fitting_range, round_ticks
from ui.window.theme import DARK, Theme

COLUMNS = 1000
TRACE = 2.5  # pixels at 1280 × 800
TICKS_EVERY_S = 5
RAW_CURVES = 3  # more would be too thin to read
TEXT = 24  # pixels at 1280 × 800


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
        self.units = ("rpm", "")
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

    def _lane(self, row: int, curves: int, low: float, high: float) -> Lane:
        plot = self.view.addPlot(row=row, col=0)
        plot.setMenuEnabled(False)
        plot.hideButtons()
        plot.setMouseEnabled(False, False)
        plot.disableAutoRange()
        plot.setXRange(-WINDOW_S, 0, padding=0)
        plot.setYRange(low, high, padding=0)
        for axis in (
            "left",
            "bottom",
        ):  # kept as a picture: the lanes are painted 60 times a second, figures stand still
            plot.getAxis(axis).setCacheMode(QtWidgets.QGraphicsItem.CacheMode.DeviceCoordinateCache)
        plot.getAxis("left").enableAutoSIPrefix(False)
        times = range(-int(WINDOW_S), 1, TICKS_EVERY_S)
        plot.getAxis("bottom").setTicks([[(float(at), f"{at} s" if at else "now") for at in times]])
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
        names = [(top - 0.5 - place, one_line(name, 10)) for place, name in enumerate(self.raw_names)]
        lane.plot.getAxis("left").setTicks([names])
        for trace in lane.traces:
            trace.set_bounds(0.0, top)
        self.apply_theme(self.theme, self.unit)

    def set_load_unit(self, unit: str) -> None:
        """Name the units on the axes: at the highest figure of each lane."""
        units = ("rpm", one_line(unit, 12))
        if units != self.units:
            self.units = units
            self._fit_axes()
            self._tick()

    def _tick(self) -> None:
        """As many figures a lane as there is room for, one above the other, the highest with its unit."""
        for lane, unit in zip(self.lanes, self.units, strict=False):
            high = max(float(lane.plot.vb.height()), 1.0)
            edge = 0.5 * TEXT * self.unit / high * (lane.high - lane.low)
            most = max(1, min(4, int(high / (1.3 * TEXT * self.unit))))
            ticks = round_ticks(lane.low, lane.high)
            middle = (lane.low + lane.high) / 2
            inside = [tick for tick in ticks if lane.low + edge < tick[0] < lane.high - edge]
            inside = inside or [min((abs(tick[0] - middle), tick) for tick in ticks)[1]]
            kept = inside[:: -math.ceil(len(inside) / most)]
            marked = [(at, f"{text} {unit}" if place == 0 else text) for place, (at, text) in enumerate(kept)]
            lane.plot.getAxis("left").setTicks([marked])

    def _fit_axes(self) -> None:
        """Every lane begins at the same place: beyond the widest figure with its unit."""
        font = QtGui.QFont()
        font.setPixelSize(round(TEXT * self.unit))
        samples = [f"8888 {self.units[0]}", f"0.88 {self.units[1]}", *self.raw_names]
        wide = max(QtGui.QFontMetricsF(font).horizontalAdvance(sample) for sample in samples)
        for lane in self.lanes:
            lane.plot.getAxis("left").setWidth(round(wide + 14 * self.unit))

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Lanes are higher or lower now; Qt calls this."""
        super().resizeEvent(event)
        QtCore.QTimer.singleShot(0, self._tick)

    def show_raw(self, shown: bool) -> None:
        """Show or hide the lane of raw signals."""
        self.lanes[2].plot.setVisible(shown)
        self.view.ci.layout.setRowStretchFactor(2, 3 if shown else 0)
        self.view.ci.layout.setRowMaximumHeight(2, 1e6 if shown else 0)
        for lane, lowest in zip(self.lanes, (False, not shown, shown), strict=True):
            lane.plot.showAxis("bottom", lowest)
        QtCore.QTimer.singleShot(0, self._tick)

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme, self.unit, self.marks.theme = theme, unit, theme
        self.view.setBackground(theme.panel)
        font = QtGui.QFont()
        font.setPixelSize(round(TEXT * unit))
        self.marks.setFixedHeight(round(34 * unit))
        self.marks.update()
        for lane, inks in zip(
            self.lanes, ((theme.speed,), (theme.load,), (theme.speed, theme.load, theme.text)), strict=True
        ):
            lane.shade.theme = theme
            axis = lane.plot.getAxis("left")
            axis.setPen(pg.mkPen(theme.line))
            axis.setTextPen(theme.muted)
            axis.setTickFont(font)
            below = lane.plot.getAxis("bottom")
            below.setHeight(round(32 * unit))
            below.setPen(pg.mkPen(theme.line))
            below.setTextPen(theme.muted)
            below.setTickFont(font)
            for number, trace in enumerate(lane.traces):
                trace.set_look(inks[number % len(inks)], TRACE * unit, self.devicePixelRatioF())
        self.lanes[0].traces[0].set_fill(theme.speed, 0.1)
        self._fit_axes()
        self._tick()

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
                self._tick()
                lane.traces[0].set_bounds(low, high)
