"""A plot of one quantity over engine speed: curves with shaded intervals, and a line that says what they are."""

from collections.abc import Callable, Sequence

from pyqtgraph.Qt import QtWidgets

from ui.window.compare_figure import Key, shade_mark
from ui.window.compare_items import CurveLines, Line, curve_mark, series_of
from ui.window.plot import PlotTools, bare_view, style_view
from ui.window.theme import DARK, Theme


class CurvePlot(QtWidgets.QFrame):
    """One quantity by rev band."""

    def __init__(self, title: str, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setProperty("part", "panel")
        self.theme: Theme = DARK
        self.title = title
        self.key, self.lines = Key(), CurveLines()
        self.view, self.plot = bare_view()
        self.plot.addItem(self.lines, ignoreBounds=True)
        self.lines.follow(self.plot)
        self.tools = PlotTools(self.view, [self.plot], title.split(",")[0], x_name="engine speed, rpm", sheet=self)
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
        self.tools.home(0, left, right, low, high)
        name, _, unit = self.title.partition(", ")
        told = names if names else [name] * len(lines)
        self.tools.show_series(0, [series_of(line, one, unit) for line, one in zip(lines, told, strict=False)])

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme = theme
        style_view(self.view, self.plot, theme, unit)
        self.tools.apply_theme(theme, unit)
        for part in (self.key, self.lines):
            part.theme, part.unit = theme, unit
            part.update()
        self.key.setFixedHeight(round(26 * unit))
        self.box.setContentsMargins(0, round(4 * unit), 0, round(4 * unit))
        self.box.setSpacing(round(2 * unit))
