"""A plot of one quantity over engine speed: curves with shaded intervals, and a line that says what they are."""

from collections.abc import Callable, Sequence
from typing import Any

import pyqtgraph as pg
from pyqtgraph.Qt import QtCore, QtWidgets

from ui.window.compare_figure import Key, shade_mark
from ui.window.compare_items import CurveLines, Line, curve_mark
from ui.window.strip_items import round_ticks
from ui.window.theme import DARK, Theme, text_font


def bare_view() -> tuple[Any, Any]:
    """(view, its plot) without menus, margins and focus."""
    view = pg.GraphicsLayoutWidget()
    view.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
    view.setMinimumHeight(60)
    view.ci.layout.setContentsMargins(0, 2, 8, 0)
    plot = view.addPlot()
    plot.setMenuEnabled(False)
    plot.hideButtons()
    plot.showGrid(x=True, y=True, alpha=0.15)
    for name in ("left", "bottom"):
        plot.getAxis(name).enableAutoSIPrefix(False)
    return view, plot


def style_view(view: Any, plot: Any, theme: Theme, unit: float, axis_width: float = 56) -> None:
    """Colours and sizes of a plot's ground and axes."""
    view.setBackground(theme.panel)
    for name in ("left", "bottom"):
        axis = plot.getAxis(name)
        axis.setPen(pg.mkPen(theme.line))
        axis.setTextPen(theme.muted)
        axis.setTickFont(text_font(14 * unit))
    plot.getAxis("left").setWidth(round(axis_width * unit))


class CurvePlot(QtWidgets.QFrame):
    """One quantity by rev band."""

    def __init__(self, title: str, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setProperty("part", "panel")
        self.theme: Theme = DARK
        self.title = title
        self.key, self.lines = Key(), CurveLines()
        self.view, self.plot = bare_view()
        self.plot.setMouseEnabled(False, False)
        self.plot.disableAutoRange()
        self.plot.addItem(self.lines, ignoreBounds=True)
        self.box = QtWidgets.QVBoxLayout(self)
        self.box.addWidget(self.key)
        self.box.addWidget(self.view, 1)
        self.show_lines([], ())

    def show_lines(self, lines: Sequence[Line], names: Sequence[str], step: float = 250.0) -> None:
        """Take over curves with their names; without names the title alone tells."""
        self.lines.set_lines(lines, step)
        entries: list[tuple[Callable[..., None], bool, str]] = [
            (curve_mark, line.trial, name) for line, name in zip(lines, names, strict=False)
        ]
        if lines:
            entries.append((shade_mark, True, "95 %"))
        self.key.show_key(self.title, entries)
        points = [point for line in lines for point in line.points]
        left, right = (
            (min(p[0] for p in points) - step, max(p[0] for p in points) + step) if points else (1000.0, 7000.0)
        )
        values = [value for point in points for value in point[1:] if value is not None]
        low, high = (min(values), max(values)) if values else (0.0, 1.0)
        room = 0.1 * (high - low) or 0.1 * abs(high) or 1.0
        low, high = low - room, high + room
        self.plot.setXRange(left, right, padding=0)
        self.plot.setYRange(low, high, padding=0)
        edge = 0.08 * (high - low)
        self.plot.getAxis("left").setTicks([round_ticks(low + edge, high - edge)])
        self.lines.set_box(left, right, low, high)

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme = theme
        style_view(self.view, self.plot, theme, unit)
        for part in (self.key, self.lines):
            part.theme, part.unit = theme, unit
            part.update()
        self.key.setFixedHeight(round(26 * unit))
        self.box.setContentsMargins(0, round(4 * unit), 0, round(4 * unit))
        self.box.setSpacing(round(2 * unit))
