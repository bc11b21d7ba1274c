"""Volts against rpm with points, line and band; what is left of each point beneath."""

from typing import Any

import numpy as np
import pyqtgraph as pg
from pyqtgraph.Qt import QtCore, QtWidgets

from ui.window.calibrate_desk import Work
from ui.window.plot import PlotTools, Series
from ui.window.theme import DARK, Theme, text_font

GRID = 121
SYMBOLS = {"used": "o", "out": "x", "free": "+", "stuck": "s"}
NAMES = {"used": "used", "out": "left out", "free": "no target", "stuck": "signal stuck"}


class Figure(pg.GraphicsLayoutWidget):
    """Two plots that share their volts. The band is the 95 % interval of a speed, scale error included."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.unit = 1.0
        self.work: Work | None = None
        self.above, self.below = self.addPlot(row=0, col=0), self.addPlot(row=1, col=0)
        self.ci.layout.setRowStretchFactor(0, 5)
        self.ci.layout.setRowStretchFactor(1, 3)
        self.below.setXLink(self.above)
        self.ci.layout.setContentsMargins(0, 8, 14, 4)
        self.tools = PlotTools(self, (self.above, self.below), "calibration", x_name="signal", ticks=False)
        self.legend = self.above.addLegend(offset=(-24, -14))
        self.counts: dict[str, int] = {}

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme, self.unit = theme, unit
        self.setBackground(theme.panel)
        font = text_font(16 * unit)
        self.tools.apply_theme(theme, unit)
        for plot in (self.above, self.below):
            for side in ("left", "bottom"):
                axis = plot.getAxis(side)
                axis.setPen(theme.line)
                axis.setTextPen(theme.muted)
                axis.setStyle(tickFont=font)
                axis.enableAutoSIPrefix(False)
            plot.getAxis("left").setWidth(round(80 * unit))
        self.legend.setBrush(theme.panel)
        self.legend.setLabelTextColor(theme.text)
        self.legend.setLabelTextSize(f"{round(16 * unit)}px")
        self._label(unit)
        self.show_work(self.work)

    def _label(self, unit: float) -> None:
        style = {"color": self.theme.muted, "font-size": f"{round(16 * unit)}px"}
        signal = "" if self.work is None else self.work.unit
        self.above.setLabel("left", "engine speed, rpm", **style)
        self.below.setLabel("left", "target less line, rpm", **style)
        self.below.setLabel("bottom", f"signal, {signal}" if signal else "signal", **style)
        self._style = style

    def show_work(self, work: Work | None) -> None:
        """Draw the session's holds and the fit."""
        self.work = work
        for plot, cursor in zip((self.above, self.below), self.tools.cursors, strict=True):
            plot.clear()
            plot.addItem(cursor, ignoreBounds=True)
        self.legend.clear()
        self.counts = {}
        self.tools.x_name = "signal" if work is None or not work.unit else f"signal, {work.unit}"
        for place in (0, 1):
            self.tools.show_series(place, [])
        if work is None:
            return
        self.below.setLabel("bottom", f"signal, {work.unit}" if work.unit else "signal", **self._style)
        x = [hold.signal_mean for hold in work.row.holds] + [point.signal for point in work.stuck]
        if work.calibration is not None and x:
            self._draw_line(work, min(x), max(x))
        self._draw_points(work)
        self._draw_pinned(work)
        self.tools.show_all()

    def _draw_line(self, work: Work, low: float, high: float) -> None:
        fit = work.calibration
        if fit is None:
            return
        room = 0.04 * (high - low)
        x = np.linspace(low - room, high + room, GRID)
        line = fit.rpm(x)
        bottom, top = fit.interval(x)
        ink = pg.mkColor(self.theme.speed)
        shade = pg.mkColor(self.theme.speed)
        shade.setAlpha(60)
        none = pg.mkPen(None)
        for plot, base in ((self.above, np.zeros_like(line)), (self.below, line)):
            edges = [pg.PlotCurveItem(x, edge - base, pen=none) for edge in (bottom, top)]
            plot.addItem(pg.FillBetweenItem(*edges, brush=shade))
            for edge in edges:
                plot.addItem(edge)
            plot.addItem(pg.PlotCurveItem(x, line - base, pen=pg.mkPen(ink, width=2 * self.unit)))
        for rpm in (fit.valid_from, fit.valid_to):
            for plot in (self.above, self.below):
                pen = pg.mkPen(self.theme.muted, width=1, style=QtCore.Qt.PenStyle.DotLine)
                plot.addItem(pg.InfiniteLine(fit.signal(rpm), pen=pen))

    def _draw_points(self, work: Work) -> None:
        groups: dict[str, list[tuple[float, float, float | None]]] = {}
        for line in work.lines:
            rpm = line.target_rpm if line.target_rpm is not None else self._by_line(work, line.hold.signal_mean)
            groups.setdefault(line.state, []).append((line.hold.signal_mean, rpm, line.residual_rpm))
        shown = [(line.hold.signal_mean, line.target_rpm, line.residual_rpm) for line in work.lines]
        shown.sort(key=lambda row: row[0])
        for place, name in ((1, "target"), (2, "target less line")):
            known = [(row[0], row[place]) for row in shown if row[place] is not None]
            x, y = (np.array([pair[n] for pair in known], float) for n in (0, 1))
            self.tools.show_series(place - 1, [Series(name, "rpm", x, y)])
        for point in work.stuck:
            groups.setdefault("stuck", []).append((point.signal, point.target_rpm or 0.0, None))
        for state in (state for state in SYMBOLS if state in groups):
            rows = groups[state]
            self.counts[state] = len(rows)
            style = self._point_style(state)
            item = pg.ScatterPlotItem([row[0] for row in rows], [row[1] for row in rows], **style)
            self.above.addItem(item)
            self.legend.addItem(item, NAMES[state])
            left = [(x, residual) for x, _, residual in rows if residual is not None]
            if left:
                self.below.addItem(pg.ScatterPlotItem([x for x, _ in left], [y for _, y in left], **style))

    def _point_style(self, state: str) -> dict[str, Any]:
        ink = {"used": self.theme.text, "free": self.theme.muted}.get(state, self.theme.fault)
        fill = pg.mkBrush(ink) if state == "used" else pg.mkBrush(None)
        return {
            "symbol": SYMBOLS[state],
            "size": 11 * self.unit,
            "pen": pg.mkPen(ink, width=2 * self.unit),
            "brush": fill,
        }

    @staticmethod
    def _by_line(work: Work, signal: float) -> float:
        """The speed of a hold without a target: by the fit, or else by the car file's line."""
        if work.calibration is not None:
            return float(work.calibration.rpm(signal))
        slope, zero = work.row.sessions[0].car.need("engine_speed", "the Calibrate screen").rpm_line
        return slope * signal + zero

    def _draw_pinned(self, work: Work) -> None:
        for signal in {round(stretch.signal, 6) for stretch in work.row.pinned}:
            pen = pg.mkPen(self.theme.fault, width=2, style=QtCore.Qt.PenStyle.DashLine)
            mark = pg.InfiniteLine(
                signal, pen=pen, label="signal stuck", labelOpts={"color": self.theme.text, "position": 0.5}
            )
            self.above.addItem(mark)
            self.counts["pinned"] = self.counts.get("pinned", 0) + 1
