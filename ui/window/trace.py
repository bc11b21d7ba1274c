"""The recorded trace with stretches to drag: wherever seconds are meant, they are chosen here, by mouse or keys.

A session of a day is drawn thinned, lowest and highest of each pixel column, and thinned anew where one zooms in: what
is dragged over it is a few lines, whatever its length.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyqtgraph as pg
from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.window.panels import label
from ui.window.plot import PlotTools, Series, style_view
from ui.window.theme import DARK, Theme, text_font
from ui.window.trace_work import Line, thinned

COLUMNS = 1200  # chosen: as many as a wide screen has pixels for it, by half
STEP_S, FINE_S, COARSE_S = 0.1, 0.01, 1.0
SHORTEST_S = 0.1
AXIS_WIDTH, LONGEST_TITLE = 84, 12
KEYS = (
    "Drag an edge or the stretch; or Tab to an edge and ← → by 0.1 s (Shift 1 s, Ctrl 0.01 s). "
    "Wheel zooms, double click shows all."
)
Key = QtCore.Qt.Key


@dataclass(slots=True)
class Span:
    """A stretch on the trace. `counts` False: it is shown, but left out; `fixed`: it cannot be moved; `ink` names its
    colour in the theme."""

    start_s: float
    end_s: float
    text: str = ""
    counts: bool = True
    fixed: bool = False
    ink: str = "hold"


class TracePicker(QtWidgets.QFrame):
    """One or two curves over time, and stretches on them. `moved` carries the number of the stretch that was moved."""

    moved = QtCore.Signal(int)
    chosen = QtCore.Signal(int)  # the keyboard, or a press, is at this stretch now

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setProperty("part", "panel")
        self.setFocusPolicy(QtCore.Qt.FocusPolicy.StrongFocus)
        self.theme: Theme = DARK
        self.unit = 1.0
        self.same_length = False  # a stretch that grows takes the others along
        self.lines: tuple[Line, ...] = ()
        self.spans: list[Span] = []
        self.edge = 0  # 2 · stretch, and 1 for its end
        self._regions: list[tuple[Any, ...]] = []
        self._busy = False
        self.view = pg.GraphicsLayoutWidget()
        self.view.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.view.setMinimumHeight(120)
        self.view.ci.layout.setContentsMargins(0, 4, 10, 0)
        self.plots = [self._plot(row) for row in range(2)]
        self.curves = [pg.PlotCurveItem(connect="finite") for _ in self.plots]
        for plot, curve in zip(self.plots, self.curves, strict=True):
            curve.setCacheMode(
                QtWidgets.QGraphicsItem.CacheMode.DeviceCoordinateCache
            )  # a drag draws it no second time
            plot.addItem(curve, ignoreBounds=True)
        self.plots[1].setXLink(self.plots[0])
        self.tools = PlotTools(self.view, self.plots, "trace", x_name="time, s", ticks=False, keys=False)
        self.setProperty("tools", self.tools)
        self.view.ci.layout.setRowStretchFactor(0, 3)
        self.view.ci.layout.setRowStretchFactor(1, 2)
        self.plots[0].getViewBox().sigXRangeChanged.connect(lambda *_: self._draw())
        self.view.scene().sigMouseClicked.connect(self._clicked)
        self.empty = label("detail")
        self.empty.setAlignment(QtCore.Qt.AlignmentFlag.AlignCenter)
        self.empty.setWordWrap(True)
        self.hint = label("caption", KEYS)
        self.hint.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Preferred)
        self.box = QtWidgets.QVBoxLayout(self)
        self.box.addWidget(self.empty, 1)
        self.box.addWidget(self.view, 1)
        self.box.addWidget(self.hint)
        self.clear("")

    def _plot(self, row: int) -> Any:
        plot = self.view.addPlot(row=row, col=0)
        plot.showGrid(x=True, y=True, alpha=0.15)
        plot.disableAutoRange()
        for name in ("left", "bottom"):
            plot.getAxis(name).enableAutoSIPrefix(False)
            plot.getAxis(name).setStyle(maxTickLevel=0)  # each line of the grid is drawn again at every step of a drag
        return plot

    # -- what is shown ------------------------------------------------------------------------------------------------

    def clear(self, text: str) -> None:
        """Show no trace, but say why."""
        self.lines = ()
        for place in range(2):
            self.tools.show_series(place, [])
        self.set_spans([])
        self.view.hide()
        self.hint.hide()
        self.empty.setText(text)
        self.empty.show()

    def show_lines(self, lines: Sequence[Line], end_s: float) -> None:
        """Take over the curves, the main one first, of a session that lasts so long; all of it is shown."""
        self.lines = tuple(lines[:2])
        self.empty.hide()
        self.view.show()
        self.hint.show()
        for place, plot in enumerate(self.plots):
            there = place < len(self.lines)
            plot.setVisible(there)
            if not there:
                continue
            line = self.lines[place]
            self.tools.show_series(place, [Series(line.name, line.unit, line.time_s, line.values)])
            good = line.values[np.isfinite(line.values)]
            low, high = (float(good.min()), float(good.max())) if len(good) else (0.0, 1.0)
            room = 0.06 * (high - low) or 0.06 * abs(high) or 1.0
            plot.setYRange(low - room, high + room, padding=0)
            short = line.unit and (place or len(line.title) > LONGEST_TITLE)  # there is no room for more
            plot.getAxis("left").setLabel(line.unit if short else line.title)
            plot.getAxis("bottom").setStyle(showValues=place == len(self.lines) - 1)
        self.view.ci.layout.setRowStretchFactor(1, 2 if len(self.lines) > 1 else 0)
        self.plots[len(self.lines) - 1].getAxis("bottom").setLabel("time, s")
        self._end_s = max(end_s, SHORTEST_S)
        self.plots[0].setLimits(xMin=0.0, xMax=self._end_s, minXRange=min(0.5, self._end_s))
        self.show_all()
        self._recolour()

    def show_all(self) -> None:
        """The whole session."""
        self.plots[0].setXRange(0.0, self._end_s, padding=0)
        self._draw()

    def show_around(self, number: int) -> None:
        """So much of the session that a stretch takes a third of it."""
        span = self.spans[number]
        room = max(span.end_s - span.start_s, 2.0)
        self.plots[0].setXRange(max(0.0, span.start_s - room), min(self._end_s, span.end_s + room), padding=0)

    def _draw(self) -> None:
        left, right = self.plots[0].viewRange()[0]
        for line, curve in zip(self.lines, self.curves, strict=False):
            curve.setData(*thinned(line.time_s, line.values, left, right, COLUMNS))

    def set_spans(self, spans: Sequence[Span]) -> None:
        """Take over the stretches, in place of those that were."""
        for regions in self._regions:
            for plot, region in zip(self.plots, regions, strict=True):
                plot.removeItem(region)
        self.spans = [replace(span) for span in spans]
        self._regions = [self._region(number, span) for number, span in enumerate(self.spans)]
        self.edge = min(self.edge, max(0, 2 * len(self.spans) - 1))
        self._recolour()

    def _region(self, number: int, span: Span) -> tuple[Any, ...]:
        made = []
        for plot in self.plots:
            region = pg.LinearRegionItem([span.start_s, span.end_s], movable=not span.fixed)
            region.setZValue(4 if span.fixed else 5)
            if plot is self.plots[0] and span.text:
                text = pg.InfLineLabel(
                    region.lines[0],
                    span.text,
                    position=0.08 if span.fixed and not span.counts else 0.92,
                    anchors=[(0, 0.5), (0, 0.5)],
                )
                region.words = text
            region.sigRegionChanged.connect(lambda item, number=number: self._dragged(number, item))
            plot.addItem(region, ignoreBounds=True)
            made.append(region)
        return tuple(made)

    def set_span(self, number: int, start_s: float, end_s: float) -> None:
        """Move a stretch, as a typed number does; nothing is emitted."""
        span = self.spans[number]
        span.start_s, span.end_s = start_s, end_s
        self._place(number)

    def set_counts(self, number: int, counts: bool, text: str) -> None:
        """Whether a stretch counts, and what stands at it."""
        span = self.spans[number]
        span.counts, span.text = counts, text
        words = getattr(self._regions[number][0], "words", None)
        if words is not None:
            words.setFormat(text)
        self._recolour()

    def _place(self, number: int) -> None:
        span = self.spans[number]
        self._busy = True
        for region in self._regions[number]:
            region.setRegion([span.start_s, span.end_s])
        self._busy = False
        self._tell_edge()

    # -- what moves it ------------------------------------------------------------------------------------------------

    def _dragged(self, number: int, item: Any) -> None:
        if self._busy:
            return
        start, end = (round(float(edge), 2) for edge in item.getRegion())
        span = self.spans[number]
        if (start, end) != (span.start_s, span.end_s):
            self.edge = 2 * number + (1 if abs(start - span.start_s) < abs(end - span.end_s) else 0)
            self._move(number, start, end)
            self._recolour()

    def _move(self, number: int, start: float, end: float) -> None:
        """A person moves a stretch: it stays in the session, and as long as can be seen."""
        start = min(max(0.0, start), self._end_s - SHORTEST_S)
        end = max(min(end, self._end_s), start + SHORTEST_S)
        span = self.spans[number]
        span.start_s, span.end_s = round(start, 2), round(end, 2)
        if self.same_length:
            length = span.end_s - span.start_s
            for other, one in enumerate(self.spans):
                if other != number:
                    one.end_s = round(min(one.start_s + length, self._end_s), 2)
                    self._place(other)
        self._place(number)
        self.moved.emit(number)

    def _clicked(self, event: Any) -> None:
        if event.double():
            self.show_all()
            return
        self.setFocus()
        at = self.plots[0].getViewBox().mapSceneToView(event.scenePos()).x()
        for number, span in enumerate(self.spans):
            if span.start_s <= at <= span.end_s:
                self.edge = 2 * number + int(at - span.start_s > span.end_s - at)
                self._recolour()
                self.chosen.emit(number)
                return

    def keyPressEvent(self, event: QtGui.QKeyEvent) -> None:  # noqa: N802 - Qt's name
        """Arrows move the edge, plus and minus zoom, Home shows all; Qt calls this."""
        key, held = event.key(), event.modifiers()
        if key in (Key.Key_Left, Key.Key_Right) and self.spans:
            shift, control = QtCore.Qt.KeyboardModifier.ShiftModifier, QtCore.Qt.KeyboardModifier.ControlModifier
            step = COARSE_S if held & shift else FINE_S if held & control else STEP_S
            self._nudge(step if key == Key.Key_Right else -step)
        elif key in (Key.Key_Plus, Key.Key_Equal, Key.Key_Minus) and self.lines:
            self._zoom(1.6 if key == Key.Key_Minus else 1 / 1.6)
        elif key == Key.Key_Home and self.lines:
            self.show_all()
        else:
            super().keyPressEvent(event)

    def _nudge(self, step: float) -> None:
        number, at_end = divmod(self.edge, 2)
        span = self.spans[number]
        if span.fixed:
            return
        if at_end:
            self._move(number, span.start_s, max(span.end_s + step, span.start_s + SHORTEST_S))
        else:
            start = min(span.start_s + step, span.end_s - SHORTEST_S)
            length = span.end_s - span.start_s
            self._move(number, start, start + length if self.same_length else span.end_s)
        self._keep_in_sight()

    def _keep_in_sight(self) -> None:
        number, at_end = divmod(self.edge, 2)
        span = self.spans[number]
        at = span.end_s if at_end else span.start_s
        left, right = self.plots[0].viewRange()[0]
        if not left <= at <= right:
            half = (right - left) / 2
            self.plots[0].setXRange(at - half, at + half, padding=0)

    def _zoom(self, factor: float) -> None:
        left, right = self.plots[0].viewRange()[0]
        middle = (left + right) / 2
        if self.spans:
            number, at_end = divmod(self.edge, 2)
            span = self.spans[number]
            middle = min(max(span.end_s if at_end else span.start_s, left), right)
        self.plots[0].setXRange(middle - (middle - left) * factor, middle + (right - middle) * factor, padding=0)

    def focusNextPrevChild(self, forward: bool) -> bool:  # noqa: N802 - Qt's name
        """Tab goes from edge to edge, and from the last one on; Qt calls this."""
        step = 1 if forward else -1
        edge = self.edge + step
        while 0 <= edge < 2 * len(self.spans) and self.spans[edge // 2].fixed:
            edge += step
        if self.hasFocus() and 0 <= edge < 2 * len(self.spans):
            self.edge = edge
            self._recolour()
            self._keep_in_sight()
            self.chosen.emit(edge // 2)
            return True
        return bool(super().focusNextPrevChild(forward))

    def focusInEvent(self, event: QtGui.QFocusEvent) -> None:  # noqa: N802 - Qt's name
        """Tab comes in at the first edge, Shift+Tab at the last; Qt calls this."""
        reason = QtCore.Qt.FocusReason
        if event.reason() == reason.TabFocusReason:
            self.edge = 0
        elif event.reason() == reason.BacktabFocusReason:
            self.edge = max(0, 2 * len(self.spans) - 1)
        super().focusInEvent(event)
        self._recolour()

    def focusOutEvent(self, event: QtGui.QFocusEvent) -> None:  # noqa: N802 - Qt's name
        """No edge is at the keys any more; Qt calls this."""
        super().focusOutEvent(event)
        self._recolour()

    def _tell_edge(self) -> None:
        if not self.spans:
            self.setAccessibleName("recorded trace")
            return
        number, at_end = divmod(self.edge, 2)
        span = self.spans[number]
        at = span.end_s if at_end else span.start_s
        what = f"{span.text or 'stretch'}: {'to' if at_end else 'from'} {at:.2f} s"
        self.setAccessibleName(f"recorded trace, {what}")

    # -- how it looks -------------------------------------------------------------------------------------------------

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme, self.unit = theme, unit
        self.view.setBackground(theme.panel)
        self.tools.apply_theme(theme, unit)
        for plot in self.plots:
            style_view(self.view, plot, theme, unit, AXIS_WIDTH)
        gap = round(6 * unit)
        self.box.setContentsMargins(gap, gap, gap, gap)
        self.box.setSpacing(gap)
        self._recolour()

    def _recolour(self) -> None:
        theme, unit = self.theme, self.unit
        for line, curve in zip(self.lines, self.curves, strict=False):
            curve.setPen(pg.mkPen(getattr(theme, line.role), width=max(1.0, 1.6 * unit)))
        at = self.edge if self.hasFocus() else -1
        for number, (span, regions) in enumerate(zip(self.spans, self._regions, strict=True)):
            ink = QtGui.QColor(getattr(theme, span.ink) if span.counts else theme.muted)
            fill = QtGui.QColor(ink)
            fill.setAlpha(60 if span.counts else 28)
            style = QtCore.Qt.PenStyle.SolidLine if span.counts else QtCore.Qt.PenStyle.DashLine
            for region in regions:
                region.setBrush(pg.mkBrush(fill))
                region.setHoverBrush(pg.mkBrush(fill))
                for side, edge in enumerate(region.lines):
                    near = at == 2 * number + side
                    edge.setPen(pg.mkPen(theme.text if near else ink, width=(5 if near else 3) * unit, style=style))
                    edge.setHoverPen(pg.mkPen(theme.text, width=5 * unit))
            words = getattr(regions[0], "words", None)
            if words is not None:
                words.setColor(QtGui.QColor(theme.text))
                words.setFont(text_font(15 * unit, bold=span.counts))
        self._tell_edge()
