"""Maps of a person's table on a screen: one map to be read and pointed at, and three of them beside each other.

What is drawn is laid out by `ui.text.maps`, the same for every screen and for paper.
"""

from collections.abc import Sequence
from typing import Any, Final

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.text.maps import CellMap, Dot, Fill, Line, Palette, Stroke, sheet, strokes
from ui.window.panels import label
from ui.window.theme import DARK, FACE, Theme

Key, Align = QtCore.Qt.Key, QtCore.Qt.AlignmentFlag
MOVES: Final = {Key.Key_Left: (0, -1), Key.Key_Right: (0, 1), Key.Key_Up: (-1, 0), Key.Key_Down: (1, 0)}
LEAST_FIGURE = 11.0  # px at unit 1: smaller figures give way to their sign
HIGHEST_ROW = 64.0  # px at unit 1: a table of one row is no wall of colour


def palette(theme: Theme) -> Palette:
    """The colours of a map in a theme."""
    return Palette(theme.panel, theme.text, theme.muted, theme.line, theme.speed, theme.fault, theme.on_signal)


def draw(painter: QtGui.QPainter, found: Sequence[Stroke]) -> None:
    """Put the strokes of a map down."""
    painter.setRenderHint(QtGui.QPainter.RenderHint.Antialiasing)
    font = QtGui.QFont(FACE)
    for one in found:
        colour = QtGui.QColor(one.colour)
        if isinstance(one, Fill):
            box = QtCore.QRectF(one.x, one.y, one.width, one.height)
            if one.edge:
                inner = box.adjusted(one.edge / 2, one.edge / 2, -one.edge / 2, -one.edge / 2)
                pen = QtGui.QPen(colour, one.edge)
                pen.setJoinStyle(QtCore.Qt.PenJoinStyle.MiterJoin)
                painter.setPen(pen)
                painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)
                painter.drawRect(inner)
            else:
                painter.fillRect(box, colour)
        elif isinstance(one, Line):
            pen = QtGui.QPen(colour, one.width)
            pen.setCapStyle(QtCore.Qt.PenCapStyle.FlatCap)
            painter.setPen(pen)
            painter.drawLine(QtCore.QPointF(one.x, one.y), QtCore.QPointF(one.to_x, one.to_y))
        elif isinstance(one, Dot):
            painter.setPen(QtCore.Qt.PenStyle.NoPen)
            painter.setBrush(colour)
            painter.drawEllipse(QtCore.QPointF(one.x, one.y), one.radius, one.radius)
        else:
            font.setPixelSize(max(round(one.size), 5))
            font.setBold(one.bold)
            painter.setFont(font)
            painter.setPen(colour)
            wide, high = 40 * one.size, 2 * one.size
            left = one.x - wide if one.to_right else one.x - wide / 2
            flag = (Align.AlignRight if one.to_right else Align.AlignHCenter) | Align.AlignVCenter
            painter.drawText(QtCore.QRectF(left, one.y - high / 2, wide, high), flag, one.text)


class MapView(QtWidgets.QWidget):
    """One map. `pointed` carries (row, column) of a cell that a person chose with mouse or arrow keys."""

    pointed = QtCore.Signal(int, int)

    def __init__(self, small: bool = False, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.small = small
        self.theme: Theme = DARK
        self.unit = 1.0
        self.least_figure = LEAST_FIGURE
        self.shown: CellMap | None = None
        self.chosen: tuple[int, int] | None = None
        self.here: tuple[int, int] | None = None
        self.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Ignored)
        if not small:
            self.setFocusPolicy(QtCore.Qt.FocusPolicy.StrongFocus)

    def show_map(self, shown: CellMap | None) -> None:
        """Take over a map; the chosen cell stays where its place is still there."""
        if shown == self.shown:
            return
        if shown is None or (self.shown is not None and _shape(shown) != _shape(self.shown)):
            self.chosen = None
        self.shown = shown
        self._name()
        self.update()

    def choose(self, at: tuple[int, int] | None) -> None:
        """Frame a cell."""
        if at != self.chosen:
            self.chosen = at
            self._name()
            self.update()

    def show_here(self, at: tuple[int, int] | None) -> None:
        """Frame the cell in which the engine is now."""
        if at != self.here:
            self.here = at
            self.update()

    def reading(self) -> str:
        """What the chosen cell says in words; '' without one."""
        return "" if self.shown is None or self.chosen is None else self.cell(*self.chosen).reading

    def cell(self, row: int, column: int) -> Any:
        """A cell of what is shown."""
        if self.shown is None:
            raise LookupError("no map is shown")
        return self.shown.rows[row][column]

    def box(self) -> QtCore.QRectF:
        """Where the map lies in the widget."""
        rows = 1 if self.shown is None else len(self.shown.rows)
        high = min(float(self.height()), HIGHEST_ROW * self.unit * (rows + 1))
        return QtCore.QRectF(0.0, 0.0, float(self.width()), high)

    def centre(self, row: int, column: int) -> QtCore.QPoint:
        """The middle of a cell, for who points at it."""
        if self.shown is None:
            raise LookupError("no map is shown")
        where = sheet(self.shown, self.box().width(), self.box().height(), not self.small)
        x, y, width, height = where.box(row, column)
        return QtCore.QPoint(round(x + width / 2), round(y + height / 2))

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the map; Qt calls this."""
        del event
        if self.shown is None:
            return
        painter = QtGui.QPainter(self)
        box = self.box()
        found = strokes(
            self.shown,
            palette(self.theme),
            box.width(),
            box.height(),
            chosen=self.chosen,
            here=self.here,
            axes=not self.small,
            least_text=self.least_figure * self.unit,
        )
        draw(painter, found)
        if self.hasFocus() and self.chosen is None:
            painter.setPen(QtGui.QPen(QtGui.QColor(self.theme.text), 2))
            painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)
            painter.drawRect(box.adjusted(1, 1, -1, -1))
        painter.end()

    def mousePressEvent(self, event: QtGui.QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Choose the cell below the mouse; Qt calls this."""
        if self.shown is None:
            return
        box = self.box()
        at = sheet(self.shown, box.width(), box.height(), not self.small).at(event.position().x(), event.position().y())
        if at is not None:
            self._point(at)

    def keyPressEvent(self, event: QtGui.QKeyEvent) -> None:  # noqa: N802 - Qt's name
        """Arrow keys go from cell to cell; Qt calls this."""
        move = MOVES.get(Key(event.key()))
        if self.shown is None or move is None:
            super().keyPressEvent(event)
            return
        row, column = self.chosen or (0, -1 if move == (0, 1) else 0)
        down, across = len(self.shown.rows), len(self.shown.heads)
        self._point((min(max(row + move[0], 0), down - 1), min(max(column + move[1], 0), across - 1)))

    def focusInEvent(self, event: QtGui.QFocusEvent) -> None:  # noqa: N802 - Qt's name
        """Show the focus; Qt calls this."""
        super().focusInEvent(event)
        self.update()

    def _point(self, at: tuple[int, int]) -> None:
        self.choose(at)
        self.pointed.emit(*at)

    def _name(self) -> None:
        self.setAccessibleName("" if self.shown is None else f"{self.shown.title}. {self.reading()}".strip())

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme, self.unit = theme, unit
        self.update()


def _shape(shown: CellMap) -> tuple[tuple[str, ...], tuple[str, ...]]:
    return shown.heads, shown.sides


class MapsView(QtWidgets.QWidget):
    """Three maps of one table: one to read, the others small in `overview` until they are pressed (or Page Down, Up).

    The page places `overview`. `read` carries the words of a cell that was pointed at, and of the map itself where none
    is.
    """

    read = QtCore.Signal(str)

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.maps: tuple[CellMap, ...] = ()
        self.front = 0
        self.large = MapView()
        self.title = label("caption")
        self.small = [_Small(), _Small()]
        self.overview = QtWidgets.QWidget()
        self.side = QtWidgets.QHBoxLayout(self.overview)
        self.side.setContentsMargins(0, 0, 0, 0)
        for part in self.small:
            self.side.addWidget(part, 1)
            part.pressed.connect(lambda part=part: self.bring(part.place))
        box = QtWidgets.QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.addWidget(self.title)
        box.addWidget(self.large, 1)
        self.large.pointed.connect(self._pointed)
        for key, step in (("PgDown", 1), ("PgUp", -1)):
            shortcut = QtGui.QShortcut(QtGui.QKeySequence(key), self)
            shortcut.setContext(QtCore.Qt.ShortcutContext.WidgetWithChildrenShortcut)
            shortcut.activated.connect(lambda step=step: self.bring((self.front + step) % max(len(self.maps), 1)))

    def show_maps(self, maps: Sequence[CellMap]) -> None:
        """Take over the maps, what is to be changed first in front."""
        self.maps = tuple(maps)
        self.front = min(self.front, len(self.maps) - 1) if len(self.maps) == 3 and self.large.shown else len(maps) - 1
        self._show()

    def bring(self, place: int) -> None:
        """Put a map in front; the chosen cell stays chosen."""
        if 0 <= place < len(self.maps):
            self.front = place
            self._show()

    def _show(self) -> None:
        if not self.maps:
            self.large.show_map(None)
            self.title.setText("")
            for part in self.small:
                part.show_map(-1, None)
            return
        front = self.maps[self.front]
        self.large.show_map(front)
        self.title.setText(front.title)
        others = [place for place in range(len(self.maps)) if place != self.front]
        for number, part in enumerate(self.small):
            part.show_map(*((others[number], self.maps[others[number]]) if number < len(others) else (-1, None)))
            part.view.choose(self.large.chosen)
        self.read.emit(self.words())

    def words(self) -> str:
        """What the chosen cell says; without one, how the map in front is read."""
        return self.large.reading() or (self.maps[self.front].legend if self.maps else "")

    def _pointed(self, row: int, column: int) -> None:
        for part in self.small:
            part.view.choose((row, column))
        self.read.emit(self.large.reading())

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        for view in (self.large, *(part.view for part in self.small)):
            view.apply_theme(theme, unit)
        self.side.setSpacing(round(12 * unit))
        self.overview.setFixedHeight(round(128 * unit))


class _Small(QtWidgets.QFrame):
    """A map as an overview: its name, and the cells without axes; a press brings it in front."""

    pressed = QtCore.Signal()

    def __init__(self) -> None:
        super().__init__()
        self.place = -1
        self.name, self.view = QtWidgets.QPushButton(), MapView(small=True)
        self.name.setProperty("part", "quiet")
        self.name.setToolTip("Bring this map in front (Page Down, Page Up)")
        self.name.clicked.connect(self.pressed)
        self.view.setAttribute(QtCore.Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        box = QtWidgets.QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(2)
        box.addWidget(self.name, 0, Align.AlignLeft)
        box.addWidget(self.view, 1)

    def show_map(self, place: int, shown: CellMap | None) -> None:
        """Take over a map and its place among the three."""
        self.place = place
        self.name.setText("" if shown is None else f"{shown.title} ▸")
        self.name.setVisible(shown is not None)
        self.view.show_map(shown)

    def mousePressEvent(self, event: QtGui.QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Pressed anywhere; Qt calls this."""
        del event
        if self.place >= 0:
            self.pressed.emit()
