"""How every plot of the desk behaves: axes with units, zoom, drag, reset, values under the pointer, copies.

A plot is made by `bare_view`, its hands are a `PlotTools`. What is drawn into it is handed over as `Series` as well:
the values under the pointer and the table that is copied come from these.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyqtgraph as pg
from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.errors import StorageError
from stream.record.names import write_text
from ui.text.figures import figures
from ui.window import ask
from ui.window.strip_items import round_ticks
from ui.window.theme import Theme, text_font

Numbers = npt.NDArray[np.float64]
Key = QtCore.Qt.Key
ZOOM_STEP, PAN_STEP = 0.8, 0.15
SHOW_ALL = "Show all\tDouble click, Home"


@dataclass(frozen=True, slots=True)
class Series:
    """What one curve shows: places along the bottom, values, and where they are known the ends of their interval."""

    name: str
    unit: str
    x: Numbers
    y: Numbers
    low: Numbers | None = None
    high: Numbers | None = None

    @property
    def head(self) -> str:
        """Name and unit."""
        return f"{self.name}, {self.unit}" if self.unit else self.name


class UnitAxis(pg.AxisItem):
    """An axis along the bottom whose last figure carries the unit."""

    def __init__(self, unit: str) -> None:
        super().__init__("bottom")
        self.unit_text = unit
        self.enableAutoSIPrefix(False)
        self.setStyle(maxTextLevel=0)

    def tickStrings(self, values: Sequence[float], scale: float, spacing: float) -> list[str]:  # noqa: N802
        """The figures of the ticks; pyqtgraph calls this."""
        texts: list[str] = super().tickStrings(values, scale, spacing)
        if texts and self.unit_text:
            wide = QtGui.QFontMetricsF(self.style["tickFont"] or QtGui.QFont()).horizontalAdvance
            pixels = self.geometry().width() / max(self.range[1] - self.range[0], 1e-12)
            half = {place: wide(f"{text} {self.unit_text}") / 2 for place, text in enumerate(texts)}
            whole = [place for place in half if (self.range[1] - values[place]) * pixels >= half[place]]
            last = max(whole, default=len(texts) - 1)  # what is cut at the edge is not drawn
            texts[last] = f"{texts[last]} {self.unit_text}"
            if last > 0 and half[last] + wide(texts[last - 1]) / 2 > 0.92 * spacing * pixels:
                texts[last - 1] = ""  # the unit needs its room
        return texts


def bare_view(x_unit: str = "rpm") -> tuple[Any, Any]:
    """(view, its plot) without margins and buttons; `x_unit` is that of the axis along the bottom."""
    view = pg.GraphicsLayoutWidget()
    view.setMinimumHeight(60)
    view.ci.layout.setContentsMargins(0, 2, 8, 0)
    plot = view.addPlot(axisItems={"bottom": UnitAxis(x_unit)})
    plot.showGrid(x=True, y=True, alpha=0.15)
    plot.getAxis("left").enableAutoSIPrefix(False)
    return view, plot


def style_view(view: Any, plot: Any, theme: Theme, unit: float, axis_width: float = 56) -> None:
    """Colours and sizes of a plot's ground and axes."""
    view.setBackground(theme.panel)
    for name in ("left", "bottom"):
        axis = plot.getAxis(name)
        axis.setPen(pg.mkPen(theme.line))
        axis.setTextPen(theme.muted)
        axis.setTickFont(text_font(16 * unit))
        axis.label.setFont(text_font(16 * unit))
    plot.getAxis("left").setWidth(round(axis_width * unit))


class PlotTools(QtCore.QObject):
    """The hands of plots that stand over one another in a view, over one axis along the bottom.

    Wheel and + − zoom, a drag and the arrow keys move, a double click and Home show all. `pointed` carries the place
    under the pointer along the bottom, None where there is none. The window's keys copy what has the keyboard.
    `sheet` is what a picture of it holds: the view, or the frame around it with its key. `keys` False: whoever holds
    the plot zooms and resets it by itself, and moves it along the bottom alone.
    """

    pointed = QtCore.Signal(object)

    def __init__(
        self,
        view: Any,
        plots: Sequence[Any],
        name: str,
        *,
        x_name: str = "rpm",
        sheet: QtWidgets.QWidget | None = None,
        ticks: bool = True,
        reads: bool = True,
        keys: bool = True,
    ) -> None:
        super().__init__(view)
        self.view, self.plots, self.name, self.x_name = view, list(plots), name, x_name
        self.sheet = sheet or view
        self.series: list[list[Series]] = [[] for _ in self.plots]
        self.unit = 1.0
        self._homes: list[tuple[float, float, float, float] | None] = [None] * len(self.plots)
        self._ticks, self._reads, self._keys = ticks, reads, keys
        self.reading = QtWidgets.QLabel(view)
        self.reading.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.reading.setAttribute(QtCore.Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.reading.hide()
        self.cursors = [pg.InfiniteLine(angle=90) for _ in self.plots]
        if keys:
            view.setFocusPolicy(QtCore.Qt.FocusPolicy.StrongFocus)
            view.setAccessibleName(name)
        view.setProperty("tools", self)
        view.installEventFilter(self)
        for plot, cursor in zip(self.plots, self.cursors, strict=True):
            plot.setMenuEnabled(False)
            plot.hideButtons()
            plot.setMouseEnabled(True, keys)
            plot.addItem(cursor, ignoreBounds=True)
            cursor.hide()
            if ticks:
                plot.getViewBox().sigYRangeChanged.connect(lambda *_: self._tick())
        view.scene().sigMouseMoved.connect(self._moved)
        view.scene().sigMouseClicked.connect(self._clicked)

    # -- what is shown ------------------------------------------------------------------------------------------------

    def show_series(self, place: int, series: Sequence[Series]) -> None:
        """What the plot of this place shows, for the pointer and the table."""
        self.series[place] = list(series)
        self.point_at(None)

    def home(self, place: int, left: float, right: float, low: float, high: float) -> None:
        """The range in which a plot shows all of it; nobody gets out of it."""
        plot = self.plots[place]
        self._homes[place] = left, right, low, high
        plot.disableAutoRange()
        plot.setLimits(xMin=left, xMax=right, yMin=low, yMax=high)
        plot.setXRange(left, right, padding=0)
        plot.setYRange(low, high, padding=0)
        self._tick()

    def show_all(self) -> None:
        """Back to where everything is seen."""
        for plot, home in zip(self.plots, self._homes, strict=True):
            if home is None:
                plot.enableAutoRange()
                plot.autoRange(padding=0.08)
            else:
                plot.setXRange(*home[:2], padding=0)
                plot.setYRange(*home[2:], padding=0)

    def _tick(self) -> None:
        """Round figures up the side, those that are not cut at an edge."""
        for plot in self.plots if self._ticks else ():
            low, high = plot.viewRange()[1]
            edge = 0.08 * (high - low)  # a label half outside is not drawn at all
            plot.getAxis("left").setTicks([round_ticks(low + edge, high - edge)])

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.unit = unit
        self.reading.setStyleSheet(
            f"background: {theme.panel}; color: {theme.text}; font-size: {round(16 * unit)}px; "
            f"padding: {round(3 * unit)}px {round(8 * unit)}px; border-radius: {round(6 * unit)}px;"
        )
        for cursor in self.cursors:
            cursor.setPen(pg.mkPen(theme.text, width=1, style=QtCore.Qt.PenStyle.DotLine))

    # -- the pointer --------------------------------------------------------------------------------------------------

    def _moved(self, at: Any) -> None:
        inside = next((plot for plot in self.plots if plot.vb.sceneBoundingRect().contains(at)), None)
        where = None if inside is None else float(inside.vb.mapSceneToView(at).x())
        self.pointed.emit(where)
        if self._reads:
            self.point_at(where)

    def point_at(self, where: float | None) -> None:
        """Say the values nearest to a place; None says none."""
        found = [] if where is None else [self._nearest(one, where) for part in self.series for one in part]
        hits = [hit for hit in found if hit is not None]
        self.reading.setVisible(bool(hits))
        for cursor in self.cursors:
            cursor.setVisible(bool(hits))
        if not hits or where is None:
            return
        at = min((place for place, _ in hits), key=lambda place: abs(place - where))
        for cursor in self.cursors:
            cursor.setPos(at)
        values = dict.fromkeys(text for place, text in hits if place == at)
        self.reading.setText(f"{figures(at, None)} {self.x_name.split(', ')[-1]}:  {'   '.join(values)}")
        self.reading.adjustSize()
        wide = min(self.reading.width(), self.view.width())
        x = float(self.plots[0].vb.mapViewToScene(QtCore.QPointF(at, 0)).x())
        left = 0 if x > self.view.width() / 2 else self.view.width() - wide  # never over what it reads
        axis = float(self.plots[0].getAxis("left").width())
        self.reading.setGeometry(round(max(left, axis if left == 0 else 0)), 0, wide, self.reading.height())

    @staticmethod
    def _nearest(series: Series, where: float) -> tuple[float, str] | None:
        if not len(series.x):
            return None
        place = int(np.argmin(np.abs(series.x - where)))
        value = float(series.y[place])
        if not math.isfinite(value):
            return None
        text = f"{series.name} {figures(value, None)} {series.unit}".strip()
        low = None if series.low is None else float(series.low[place])
        high = None if series.high is None else float(series.high[place])
        if low is not None and high is not None and math.isfinite(low) and math.isfinite(high):
            text += f" ({figures(low, None)} to {figures(high, None)})"
        return float(series.x[place]), text

    # -- hands --------------------------------------------------------------------------------------------------------

    def _clicked(self, event: Any) -> None:
        if event.double():
            if self._keys:
                self.show_all()
        elif event.button() == QtCore.Qt.MouseButton.RightButton:
            self.menu().popup(event.screenPos().toPoint())

    def menu(self) -> QtWidgets.QMenu:
        """What can be done with the plot, each with its key."""
        menu = QtWidgets.QMenu(self.view)
        menu.setAttribute(QtCore.Qt.WidgetAttribute.WA_DeleteOnClose)
        for text, act in (
            *([(SHOW_ALL, self.show_all)] if self._keys else []),
            ("Copy picture\tCtrl+Shift+P", self.copy_picture),
            ("Copy table\tCtrl+C", self.copy_table),
            ("Save table as CSV…\tCtrl+S", self.save_table),
        ):
            menu.addAction(text).triggered.connect(lambda *_, act=act: act())
        return menu

    def eventFilter(self, watched: Any, event: QtCore.QEvent) -> bool:  # noqa: N802 - Qt's name
        """Keys of a plot that has the keyboard, and the pointer that left; Qt calls this."""
        if event.type() == QtCore.QEvent.Type.Leave:
            self._moved(QtCore.QPointF(-1, -1))
        elif event.type() == QtCore.QEvent.Type.KeyPress and isinstance(event, QtGui.QKeyEvent):
            return self._key(event.key())
        return False

    def _key(self, key: int) -> bool:
        if key == Key.Key_Home:
            self.show_all()
        elif key in (Key.Key_Plus, Key.Key_Equal, Key.Key_Minus):
            factor = 1 / ZOOM_STEP if key == Key.Key_Minus else ZOOM_STEP
            for plot in self.plots:
                plot.getViewBox().scaleBy((factor, 1.0))
        elif key in (Key.Key_Left, Key.Key_Right):
            for plot in self.plots:
                left, right = plot.viewRange()[0]
                step = PAN_STEP * (right - left) * (1 if key == Key.Key_Right else -1)
                plot.getViewBox().translateBy((step, 0.0))
        else:
            return False
        return True

    # -- copies -------------------------------------------------------------------------------------------------------

    def rows(self) -> list[list[str]]:
        """Heads and rows of what is seen: a row a place along the bottom, a column a curve and its interval's ends."""
        every = [one for part in self.series for one in part]
        places = np.unique(np.concatenate([one.x for one in every])) if every else np.empty(0)
        left, right = self.plots[0].viewRange()[0]
        places = places[(places >= left) & (places <= right)]
        heads, columns = [self.x_name], [[f"{place:.10g}" for place in places]]
        for one in every:
            for word, values in (("", one.y), (" from", one.low), (" to", one.high)):
                if values is None:
                    continue
                known = {float(x): value for x, value in zip(one.x, values, strict=True)}
                heads.append(f"{one.name}{word}, {one.unit}" if one.unit else f"{one.name}{word}")
                found = [float(known.get(float(place), math.nan)) for place in places]
                columns.append([f"{value:.6g}" if math.isfinite(value) else "" for value in found])
        return [heads, *map(list, zip(*columns, strict=True))]

    def copy_table(self) -> None:
        """The values to the clipboard, tabs between them."""
        copy_rows(self.rows())

    def save_table(self) -> None:
        """The values to a CSV file."""
        save_rows(self.view, self.rows(), self.name)

    def copy_picture(self) -> None:
        """The picture to the clipboard, without the pointer's values."""
        self.point_at(None)
        QtGui.QGuiApplication.clipboard().setPixmap(self.sheet.grab())


def copy_rows(rows: Sequence[Sequence[str]]) -> None:
    """Rows of texts to the clipboard, tabs between them: any spreadsheet takes it."""
    clean = [[" ".join(cell.split()) for cell in row] for row in rows]
    QtGui.QGuiApplication.clipboard().setText("\n".join("\t".join(row) for row in clean) + "\n")


def save_rows(parent: QtWidgets.QWidget, rows: Sequence[Sequence[str]], name: str) -> str:
    """Ask for a file and write rows of texts as CSV; returns what went wrong, '' for nothing."""
    import csv
    import io

    out = ask.save_as(parent, "Save the table", Path.home() / f"{name.replace('/', '-')}.csv", "csv")
    if out is None:
        return ""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    try:
        write_text(out, text.getvalue())
    except StorageError as error:
        QtWidgets.QToolTip.showText(QtGui.QCursor.pos(), str(error), parent)
        return str(error)
    return ""


def table_rows(table: QtWidgets.QTableView, *, chosen: bool) -> list[list[str]]:
    """Heads and rows of a table as they are seen: of the rows that are chosen, or of all of it."""
    model = table.model()
    role, across = QtCore.Qt.ItemDataRole, QtCore.Qt.Orientation
    columns = [column for column in range(model.columnCount()) if not table.isColumnHidden(column)]
    picked = sorted({index.row() for index in table.selectedIndexes()}) if chosen else []
    sided = not table.verticalHeader().isHidden()

    def cell(row: int, column: int) -> str:
        index = model.index(row, column)
        text = str(index.data() if index.data() is not None else "")
        state = index.data(role.CheckStateRole)
        if state is None:
            return text
        ticked = QtCore.Qt.CheckState(state) == QtCore.Qt.CheckState.Checked
        return f"{text} ✓".strip() if ticked else text

    heads = [str(model.headerData(column, across.Horizontal) or "") for column in columns]
    rows = [[cell(row, column) for column in columns] for row in picked or range(model.rowCount())]
    if sided:
        heads = ["", *heads]
        sides = [str(model.headerData(row, across.Vertical) or "") for row in picked or range(model.rowCount())]
        rows = [[side, *row] for side, row in zip(sides, rows, strict=True)]
    return [heads, *rows]


class Hands:
    """Copy and save for whatever of a window has the keyboard: a table or a plot. The window has the keys."""

    def __init__(self, window: QtWidgets.QMainWindow) -> None:
        self.window = window
        keys: list[tuple[Any, Callable[[], None]]] = [
            (QtGui.QKeySequence.StandardKey.Copy, self.copy),
            ("Ctrl+Shift+P", self.copy_picture),
            (QtGui.QKeySequence.StandardKey.Save, self.save),
        ]
        for key, act in keys:
            QtGui.QShortcut(QtGui.QKeySequence(key), window).activated.connect(act)

    def _at(self, widget: QtWidgets.QWidget | None) -> Any:
        """The table or the plot's tools that a widget is, or is within."""
        while widget is not None:
            if isinstance(widget, QtWidgets.QTableView):
                return widget
            tools = widget.property("tools")
            if tools is not None:
                return tools
            widget = widget.parentWidget()
        return None

    def _here(self) -> Any:
        return self._at(self.window.focusWidget())

    def copy(self) -> None:
        """The chosen rows of a table, or all of it where none is chosen; the values of a plot."""
        here = self._here()
        if isinstance(here, PlotTools):
            here.copy_table()
        elif here is not None:
            copy_rows(table_rows(here, chosen=True))

    def copy_picture(self) -> None:
        """The picture of a plot."""
        here = self._here()
        if isinstance(here, PlotTools):
            here.copy_picture()

    def save(self) -> None:
        """All of a table or plot as CSV."""
        here = self._here()
        if isinstance(here, PlotTools):
            here.save_table()
        elif here is not None:
            save_rows(self.window, table_rows(here, chosen=False), "table")

    def menu_for(self, widget: QtWidgets.QWidget | None) -> QtWidgets.QMenu | None:
        """The menu of a table; a plot has its own."""
        table = self._at(widget)
        if table is None or isinstance(table, PlotTools):
            return None
        menu = QtWidgets.QMenu(self.window)
        menu.setAttribute(QtCore.Qt.WidgetAttribute.WA_DeleteOnClose)
        menu.addAction("Copy chosen rows\tCtrl+C").triggered.connect(lambda: copy_rows(table_rows(table, chosen=True)))
        menu.addAction("Copy table").triggered.connect(lambda: copy_rows(table_rows(table, chosen=False)))
        menu.addAction("Save table as CSV…\tCtrl+S").triggered.connect(
            lambda: save_rows(self.window, table_rows(table, chosen=False), "table")
        )
        return menu
