"""Tables of the desk screens: ready-made texts and the view that shows them; the holds, to be ticked and named."""

from collections.abc import Sequence
from typing import Any

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.text import speed as words
from ui.window.calibrate_desk import Work
from ui.window.theme import Theme, mark_file

Role = QtCore.Qt.ItemDataRole
Across = QtCore.Qt.Orientation.Horizontal
LEFT = QtCore.Qt.AlignmentFlag.AlignLeft | QtCore.Qt.AlignmentFlag.AlignVCenter
RIGHT = QtCore.Qt.AlignmentFlag.AlignRight | QtCore.Qt.AlignmentFlag.AlignVCenter


class CellsModel(QtCore.QAbstractTableModel):
    """Rows of texts under heads; `sides` are heads of the rows, where there are some. `words` reads from the left."""

    def __init__(self, words: frozenset[int] = frozenset(), parent: QtCore.QObject | None = None) -> None:
        super().__init__(parent)
        self.words = words
        self.heads: tuple[str, ...] = ()
        self.sides: tuple[str, ...] = ()
        self.cells: list[tuple[str, ...]] = []
        self.strong: QtGui.QFont | None = None

    def show_cells(self, heads: Sequence[str], cells: Sequence[tuple[str, ...]], sides: Sequence[str] = ()) -> None:
        """Take over everything."""
        self.beginResetModel()
        self.heads, self.cells, self.sides = tuple(heads), list(cells), tuple(sides)
        self.endResetModel()

    def rowCount(self, parent: Any = None) -> int:  # noqa: N802 - Qt's name
        """Rows; Qt calls this."""
        return 0 if parent is not None and parent.isValid() else len(self.cells)

    def columnCount(self, parent: Any = None) -> int:  # noqa: N802 - Qt's name
        """Columns; Qt calls this."""
        return 0 if parent is not None and parent.isValid() else len(self.heads)

    def headerData(self, section: int, orientation: Any, role: int = Role.DisplayRole) -> Any:  # noqa: N802
        """Heads; Qt calls this."""
        if role == Role.DisplayRole:
            return self.heads[section] if orientation == Across else (self.sides[section] if self.sides else "")
        if role == Role.TextAlignmentRole:
            return LEFT if orientation == Across and section in self.words else RIGHT
        return None

    def data(self, index: QtCore.QModelIndex, role: int = Role.DisplayRole) -> Any:
        """A cell; Qt calls this."""
        if role in (Role.DisplayRole, Role.ToolTipRole):
            return self.cells[index.row()][index.column()]
        if role == Role.TextAlignmentRole:
            return LEFT if index.column() in self.words else RIGHT
        return None


def cells_view(model: CellsModel) -> QtWidgets.QTableView:
    """A view of the model that a page may make as small as it must."""
    view = table_view(model)
    view.setMinimumHeight(60)
    return view


def size_table(view: QtWidgets.QTableView, unit: float, lines: int = 1) -> None:
    """Heights of rows and of a head of so many lines."""
    view.verticalHeader().setDefaultSectionSize(round(28 * unit))
    view.horizontalHeader().setFixedHeight(round((10 + 20 * lines) * unit))


def table_style(theme: Theme, unit: float) -> str:
    """A style sheet for a screen with tables; sizes in pixels of this `unit`."""

    def px(size: float) -> str:
        return f"{round(size * unit)}px"

    field = f"""background: {theme.panel}; border: {px(2)} solid {theme.muted}; border-radius: {px(10)};
        min-height: {px(28)}; padding: {px(6)} {px(10)}; font-size: {px(18)};"""
    return f"""
    QTableView {{ background: {theme.panel}; alternate-background-color: {theme.background}; border: 0;
        gridline-color: {theme.line}; font-size: {px(16)}; selection-background-color: {theme.line};
        selection-color: {theme.text}; }}
    QTableView::item {{ padding: {px(2)} {px(6)}; }}
    QCheckBox::indicator, QTableView::indicator {{ width: {px(18)}; height: {px(18)}; border-radius: {px(4)};
        border: {px(2)} solid {theme.text}; background: {theme.panel}; }}
    QCheckBox::indicator:checked, QTableView::indicator:checked {{
        image: url({mark_file("ok", theme.text, round(18 * unit))}); }}
    QCheckBox::indicator:disabled {{ border-color: {theme.line}; }}
    QHeaderView, QHeaderView::section {{ background: {theme.background}; color: {theme.muted}; border: 0;
        font-size: {px(15)}; }}
    QHeaderView::section {{ padding: 0 {px(6)}; }}
    QTableView QTableCornerButton::section {{ background: {theme.background}; }}
    QScrollBar:vertical {{ background: {theme.background}; width: {px(14)}; margin: 0; }}
    QScrollBar:horizontal {{ background: {theme.background}; height: {px(14)}; margin: 0; }}
    QScrollBar::handle {{ background: {theme.line}; border-radius: {px(5)}; min-height: {px(30)};
        min-width: {px(30)}; }}
    QScrollBar::add-line, QScrollBar::sub-line {{ width: 0; height: 0; }}
    QComboBox {{ {field} min-width: {px(120)}; }}
    QComboBox::drop-down {{ border: 0; width: {px(30)}; background: transparent; }}
    QComboBox::down-arrow {{ image: url({mark_file("open", theme.muted, round(14 * unit))}); width: {px(14)};
        height: {px(14)}; }}
    QComboBox QAbstractItemView {{ background: {theme.panel}; border: 1px solid {theme.line};
        selection-background-color: {theme.line}; selection-color: {theme.text}; }}
    QLineEdit {{ {field} }}
    QComboBox:focus, QTableView:focus {{ border-color: {theme.text}; }}
    QLabel[part="first"] {{ font-size: {px(22)}; }}
    QLabel[part="known"] {{ font-size: {px(28)}; font-weight: 700; }}
    QLabel[part="answer"] {{ font-size: {px(34)}; font-weight: 700; }}
    QLabel[part="mind"] {{ font-size: {px(16)}; }}
    QLabel[part="read"] {{ font-size: {px(16)}; }}
    QTabBar::tab {{ font-size: {px(17)}; padding: {px(5)} {px(16)}; }}
    QFrame[part="panel"] QTabWidget, QFrame[part="panel"] QTabBar {{ background: {theme.panel}; }}
    QToolTip {{ background: {theme.panel}; color: {theme.text}; border: 1px solid {theme.line}; font-size: {px(16)}; }}
    QScrollArea {{ border: 0; }}
    QScrollArea, QScrollArea > QWidget > QWidget {{ background: {theme.panel}; }}
    """


HEAD = ("Hold", "From", "Signal", "Target, rpm", "Off, rpm", "")
SIGNAL, TARGET, STATE = 2, 3, 5
Flag = QtCore.Qt.ItemFlag


class HoldTable(QtWidgets.QTableWidget):
    """Emits what the person did; it is shown as the desk then says."""

    ticked = QtCore.Signal(int, bool)
    retargeted = QtCore.Signal(int, str)

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(0, len(HEAD), parent)
        self.setHorizontalHeaderLabels(HEAD)
        self.verticalHeader().hide()
        self.setAlternatingRowColors(True)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setSelectionBehavior(QtWidgets.QAbstractItemView.SelectionBehavior.SelectRows)
        fit_columns(self)
        self.itemChanged.connect(self._changed)

    def show_work(self, work: Work) -> None:
        """Show the holds as the draft has them."""
        self.blockSignals(True)
        lines = work.lines
        if work.unit:
            self.horizontalHeaderItem(SIGNAL).setText(f"{HEAD[SIGNAL]}, {work.unit}")
        self.setRowCount(len(lines))
        for row, line in enumerate(lines):
            for column, text in enumerate(
                words.cells(line.number, line.hold, line.target_rpm, line.residual_rpm, line.state, work.unit)
            ):
                item = QtWidgets.QTableWidgetItem(text)
                flags = Flag.ItemIsEnabled | Flag.ItemIsSelectable
                if column == 0:
                    flags |= Flag.ItemIsUserCheckable
                    state = QtCore.Qt.CheckState
                    item.setCheckState(state.Checked if line.mark.accepted else state.Unchecked)
                elif column == TARGET:
                    flags |= Flag.ItemIsEditable
                if column in (1, 2, 3, 4):
                    item.setTextAlignment(QtCore.Qt.AlignmentFlag.AlignRight | QtCore.Qt.AlignmentFlag.AlignVCenter)
                item.setFlags(flags)
                item.setToolTip(line.why)
                self.setItem(row, column, item)
        self.blockSignals(False)

    def resize_to(self, unit: float) -> None:
        """Set the sizes that a style sheet cannot."""
        self.verticalHeader().setDefaultSectionSize(round(30 * unit))
        self.horizontalHeader().setFixedHeight(round(34 * unit))

    def _changed(self, item: QtWidgets.QTableWidgetItem) -> None:
        number = item.row() + 1
        if item.column() == 0:
            self.ticked.emit(number, item.checkState() == QtCore.Qt.CheckState.Checked)
        elif item.column() == TARGET:
            self.retargeted.emit(number, item.text())


def plain_table(heads: Sequence[str], *, edited: bool = False) -> QtWidgets.QTableWidget:
    """A table of texts, rows chosen whole; Tab goes on to the next part of the page."""
    table = QtWidgets.QTableWidget(0, len(heads))
    table.setHorizontalHeaderLabels(heads)
    table.verticalHeader().hide()
    table.setShowGrid(False)
    table.setWordWrap(False)
    table.setTabKeyNavigation(False)
    if not edited:
        table.setEditTriggers(QtWidgets.QAbstractItemView.EditTrigger.NoEditTriggers)
        table.setSelectionBehavior(QtWidgets.QAbstractItemView.SelectionBehavior.SelectRows)
    table.horizontalHeader().setStretchLastSection(True)
    table.horizontalHeader().setDefaultAlignment(
        QtCore.Qt.AlignmentFlag.AlignLeft | QtCore.Qt.AlignmentFlag.AlignVCenter
    )
    return table


def fit_columns(table: QtWidgets.QTableWidget) -> None:
    """Each column as wide as it needs, the last one takes what is left."""
    header, mode = table.horizontalHeader(), QtWidgets.QHeaderView.ResizeMode
    header.setSectionResizeMode(mode.ResizeToContents)
    header.setSectionResizeMode(table.columnCount() - 1, mode.Stretch)
    header.setDefaultAlignment(QtCore.Qt.AlignmentFlag.AlignLeft | QtCore.Qt.AlignmentFlag.AlignVCenter)


def table_view(model: QtCore.QAbstractTableModel) -> QtWidgets.QTableView:
    """A table in the screens' manner: striped rows, whole rows chosen."""
    table = QtWidgets.QTableView()
    table.setModel(model)
    table.setShowGrid(False)
    table.setAlternatingRowColors(True)
    table.setWordWrap(False)
    table.setSelectionBehavior(QtWidgets.QAbstractItemView.SelectionBehavior.SelectRows)
    table.verticalHeader().hide()
    table.horizontalHeader().setHighlightSections(False)
    table.horizontalHeader().setSectionResizeMode(QtWidgets.QHeaderView.ResizeMode.ResizeToContents)
    table.horizontalHeader().setStretchLastSection(True)
    return table
