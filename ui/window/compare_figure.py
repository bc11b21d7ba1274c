"""The picture of a comparison: change per band around zero, and the curves beneath on the same speeds."""

from collections.abc import Callable

import numpy as np
import pyqtgraph as pg
from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.text import comparison as words
from ui.text.figures import tune_name
from ui.window.compare_items import CurveLines, Dot, Dots, Line, curve_mark, dot, series_of
from ui.window.compare_study import Answer
from ui.window.plot import PlotTools, Series, bare_view, style_view
from ui.window.theme import DARK, Theme, text_font

POINT = "Point at a band to read its numbers."
AXIS_WIDTH = 74


class Key(QtWidgets.QWidget):
    """One line that says what the marks of a plot mean."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.unit = 1.0
        self.title = ""
        self.entries: list[tuple[Callable[..., None], bool, str]] = []

    def show_key(self, title: str, entries: list[tuple[Callable[..., None], bool, str]]) -> None:
        """Take over the plot's title, and for each mark how it is drawn, which it is, what it means."""
        self.title, self.entries = title, entries
        self.setAccessibleName("; ".join([title, *(text for _, _, text in entries)]))
        self.update()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the line; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        painter.setRenderHint(QtGui.QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QtGui.QColor(self.theme.panel))
        high = float(self.height())
        x = 10 * self.unit
        for bold, text, mark in [(True, self.title, None), *((False, t, (m, which)) for m, which, t in self.entries)]:
            if mark is not None:
                mark[0](painter, QtCore.QPointF(x + 6 * self.unit, high / 2), 10 * self.unit, mark[1], self.theme)
                x += 18 * self.unit
            font = text_font(15 * self.unit, bold=bold)
            painter.setFont(font)
            painter.setPen(QtGui.QColor(self.theme.text if bold else self.theme.muted))
            wide = QtGui.QFontMetricsF(font).horizontalAdvance(text)
            painter.drawText(QtCore.QRectF(x, 0, wide + 4, high), QtCore.Qt.AlignmentFlag.AlignVCenter, text)
            x += wide + 20 * self.unit
        painter.end()


class Figure(QtWidgets.QFrame):
    """Two plots over one speed axis, their keys, and a line of numbers for the band under the pointer."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setProperty("part", "panel")
        self.theme: Theme = DARK
        self.unit = 1.0
        self.found: Answer | None = None
        self.keys = Key(), Key()
        (first, above), (second, below) = bare_view(), bare_view()
        self.views, self.plots = (first, second), [above, below]
        self.dots, self.lines = Dots(), CurveLines()
        self.zero = pg.InfiniteLine(angle=0, pos=0)
        names = ("change", "load")
        self.tools = [
            PlotTools(view, [plot], name, x_name="engine speed, rpm", sheet=self, reads=False)
            for view, plot, name in zip(self.views, self.plots, names, strict=True)
        ]
        self.cursors = [tools.cursors[0] for tools in self.tools]
        for plot, item in zip(self.plots, (self.dots, self.lines), strict=True):
            plot.addItem(item, ignoreBounds=True)
            item.follow(plot)
        below.setXLink(above)
        self.plots[0].addItem(self.zero, ignoreBounds=True)
        self.more, self.less = pg.TextItem(anchor=(0, 0)), pg.TextItem(anchor=(0, 1))
        for text in (self.more, self.less):
            self.plots[0].addItem(text, ignoreBounds=True)
        self.reading = QtWidgets.QLabel(POINT)
        self.reading.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.reading.setProperty("part", "read")
        self.reading.setWordWrap(True)
        self.reading.setAlignment(QtCore.Qt.AlignmentFlag.AlignTop)
        self.box = QtWidgets.QVBoxLayout(self)
        for part, stretch in (
            (self.keys[0], 0),
            (self.views[0], 55),
            (self.keys[1], 0),
            (self.views[1], 45),
            (self.reading, 0),
        ):
            self.box.addWidget(part, stretch)
        for tools in self.tools:
            tools.pointed.connect(self.point_at)

    def show_answer(self, found: Answer | None) -> None:
        """Take over an answer; None empties the plots."""
        self.found = found
        self.point_at(None)
        self.dots.set_dots([] if found is None else _dots(found))
        lines = [] if found is None else _lines(found)
        self.lines.set_lines(lines, 250.0 if found is None else found.width)
        self._scale(lines)
        self._name(found)

    def _scale(self, lines: list[Line]) -> None:
        speeds = [point[0] for line in lines for point in line.points] + [d.x for d in self.dots.dots]
        step = self.lines.step
        left, right = (min(speeds) - step, max(speeds) + step) if speeds else (1000.0, 7000.0)
        reach = change_reach(self.dots.dots)
        self.tools[0].home(0, left, right, -reach, reach)
        loads = [value for line in lines for point in line.points for value in point[1:] if value is not None]
        low, high = (min(loads), max(loads)) if loads else (0.0, 1.0)
        room = 0.08 * (high - low) or 0.1 * abs(high) or 1.0
        self.tools[1].home(0, left, right, low - room, high + room)
        self.more.setPos(left, reach)
        self.less.setPos(left, -reach)

    def _name(self, found: Answer | None) -> None:
        base, trial = ("base", "trial") if found is None else (tune_name(found.base), tune_name(found.trial))
        self.keys[0].show_key(
            "Change, %" if base == trial else f"Change from {base} to {trial}, %",
            [(dot, True, "resolved"), (dot, False, "could be scatter"), (_whisker_mark, True, "95 % interval")],
        )
        unit = "" if found is None or found.curves is None else found.curves.unit
        entries: list[tuple[Callable[..., None], bool, str]] = [(curve_mark, False, base)]
        if base != trial:
            entries.append((curve_mark, True, trial))
        self.keys[1].show_key(
            f"Load, {unit}" if unit else "Load", [*entries, (shade_mark, True, "95 % interval, against rpm")]
        )
        curves = () if found is None or found.curves is None else found.curves.tunes
        told = [tune_name(curve.tune) for curve in curves]
        self.tools[1].show_series(
            0, [series_of(line, name, unit) for line, name in zip(self.lines.lines, told, strict=True)]
        )
        self.tools[0].show_series(0, [_changes(self.dots.dots, f"{trial} less {base}")] if self.dots.dots else [])
        there = found is not None and found.comparison is not None
        self.more.setText(f"{trial} gives more" if there else "")
        self.less.setText(f"{trial} gives less" if there else "")

    def point_at(self, rpm: float | None) -> None:
        """Show the numbers of the band at a speed; None shows none."""
        found = self.found
        bands = () if found is None or found.comparison is None else found.comparison.bands
        band = next((b for b in bands if rpm is not None and found and abs(b.rpm - rpm) <= found.width / 2), None)
        for cursor in self.cursors:
            cursor.setVisible(band is not None)
            if band is not None:
                cursor.setPos(band.rpm)
        if band is None or found is None or found.comparison is None:
            self.reading.setText(POINT if bands else "")
        else:
            self.reading.setText(words.band_reading(band, found.comparison, found.width))

    def leaveEvent(self, event: QtCore.QEvent) -> None:  # noqa: N802 - Qt's name
        """The pointer left; Qt calls this."""
        self.point_at(None)
        super().leaveEvent(event)

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme, self.unit = theme, unit
        font = text_font(14 * unit)
        for view, plot, tools in zip(self.views, self.plots, self.tools, strict=True):
            style_view(view, plot, theme, unit, AXIS_WIDTH)
            tools.apply_theme(theme, unit)
        self.zero.setPen(pg.mkPen(theme.text, width=round(2 * unit)))
        for text in (self.more, self.less):
            text.setColor(theme.muted)
            text.setFont(font)
        for part in (*self.keys, self.dots, self.lines):
            part.theme, part.unit = theme, unit
            part.update()
        for key in self.keys:
            key.setFixedHeight(round(26 * unit))
        self.reading.setMinimumHeight(round(44 * unit))
        self.reading.setContentsMargins(round(10 * unit), 0, round(10 * unit), round(2 * unit))
        self.box.setContentsMargins(0, round(6 * unit), 0, round(4 * unit))
        self.box.setSpacing(round(2 * unit))


def _dots(found: Answer) -> list[Dot]:
    bands = () if found.comparison is None else found.comparison.bands
    return [Dot(b.rpm, b.change_pct, b.low_pct, b.high_pct, b.resolved) for b in bands if b.change_pct is not None]


def _lines(found: Answer) -> list[Line]:
    curves = () if found.curves is None else found.curves.tunes
    return [
        Line(
            tuple((b.rpm, b.mean, b.low, b.high) for b in curve.bands),
            trial=found.base != found.trial == curve.tune,
        )
        for curve in curves
    ]


def _changes(dots: list[Dot], name: str) -> Series:
    x, y, low, high = (
        np.array([np.nan if value is None else value for value in values], float)
        for values in zip(*((d.x, d.y, d.low, d.high) for d in dots), strict=True)
    )
    return Series(name, "%", x, y, low, high)


def change_reach(dots: list[Dot]) -> float:
    """How far, in %, the change plot goes each way: all changes, and whiskers unless a few are far longer."""
    ends = sorted(max(abs(d.low), abs(d.high)) for d in dots if d.low is not None and d.high is not None)
    most = max((abs(d.y) for d in dots), default=1.0)
    longest = min(1.4 * ends[-1], max(4 * ends[len(ends) // 2], 2.5 * most)) if ends else 0.0
    return max(1.4 * most, longest, 1.0)  # room for the words in the corners


def _whisker_mark(painter: QtGui.QPainter, at: QtCore.QPointF, size: float, _: bool, theme: Theme) -> None:
    painter.setPen(QtGui.QPen(QtGui.QColor(theme.muted), size * 0.18))
    half = size * 0.65
    painter.drawLine(QtCore.QPointF(at.x(), at.y() - half), QtCore.QPointF(at.x(), at.y() + half))
    for y in (at.y() - half, at.y() + half):
        painter.drawLine(QtCore.QPointF(at.x() - size * 0.35, y), QtCore.QPointF(at.x() + size * 0.35, y))


def shade_mark(painter: QtGui.QPainter, at: QtCore.QPointF, size: float, _: bool, theme: Theme) -> None:
    """The mark of a shaded interval."""
    fill = QtGui.QColor(theme.muted)
    fill.setAlphaF(0.4)
    painter.fillRect(QtCore.QRectF(at.x() - size * 0.6, at.y() - size * 0.6, size * 1.2, size * 1.2), fill)
