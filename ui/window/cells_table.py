"""A table of ready-made texts, and the view that shows it."""

from collections.abc import Sequence
from typing import Any

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.window.compare_tables import LEFT, RIGHT, table_view

Role = QtCore.Qt.ItemDataRole
Across = QtCore.Qt.Orientation.Horizontal


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
