"""The lists of the Compare screen: pulls with a tick to include, and the bands in figures."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.study.pulls import PullTrace
from ui.text import comparison as words
from ui.text.figures import one_line, pull_load, tune_name
from ui.window.cells_table import LEFT, RIGHT, table_view
from ui.window.compare_study import Answer
from ui.window.theme import DARK, Theme, shape

Role = QtCore.Qt.ItemDataRole
Flag = QtCore.Qt.ItemFlag
CHECKED, UNCHECKED = QtCore.Qt.CheckState.Checked, QtCore.Qt.CheckState.Unchecked


class PullsModel(QtCore.QAbstractTableModel):
    """The pulls of the two tunes; `ticked` carries a pull's place in the opened pulls, and whether it counts."""

    HEADS = ("Use", "Tune", "When", "rpm", "Verdict")
    ticked = QtCore.Signal(int, bool)

    def __init__(self, parent: QtCore.QObject | None = None) -> None:
        super().__init__(parent)
        self.rows: list[tuple[int, PullTrace]] = []
        self.with_day = True

    def show_pulls(self, pulls: Sequence[PullTrace], tunes: Sequence[str]) -> None:
        """Take over the pulls of these tunes, in the order they were made."""
        rows = [(place, pull) for place, pull in enumerate(pulls) if pull.tune in tunes]
        self.with_day = not words.on_one_day(pull for _, pull in rows)
        if len(rows) == len(self.rows):  # a tick: the list stays where it was scrolled to
            self.rows = rows
            if rows:
                self.dataChanged.emit(self.index(0, 0), self.index(len(rows) - 1, len(self.HEADS) - 1))
            return
        self.beginResetModel()
        self.rows = rows
        self.endResetModel()

    def rowCount(self, parent: Any = None) -> int:  # noqa: N802 - Qt's name
        """Pulls; Qt calls this."""
        return 0 if parent is not None and parent.isValid() else len(self.rows)

    def columnCount(self, parent: Any = None) -> int:  # noqa: N802 - Qt's name
        """Columns; Qt calls this."""
        return 0 if parent is not None and parent.isValid() else len(self.HEADS)

    def headerData(self, section: int, orientation: Any, role: int = Role.DisplayRole) -> Any:  # noqa: N802
        """Column heads; Qt calls this."""
        if orientation == QtCore.Qt.Orientation.Horizontal and role == Role.DisplayRole:
            return self.HEADS[section]
        return LEFT if role == Role.TextAlignmentRole else None

    def flags(self, index: QtCore.QModelIndex) -> Any:
        """The first column can be ticked; Qt calls this."""
        base = Flag.ItemIsEnabled | Flag.ItemIsSelectable
        return base | Flag.ItemIsUserCheckable if index.column() == 0 else base

    def data(self, index: QtCore.QModelIndex, role: int = Role.DisplayRole) -> Any:
        """A cell; Qt calls this."""
        _, pull = self.rows[index.row()]
        if role == Role.CheckStateRole and index.column() == 0:
            return CHECKED if pull.usable else UNCHECKED
        if role == Role.DisplayRole and index.column():
            cells = "", tune_name(pull.tune), words.when(pull, self.with_day), words.span(pull), words.verdict(pull)
            return cells[index.column()]
        if role == Role.ToolTipRole:
            gear = "gear not known" if pull.gear is None else f"gear {pull.gear}"
            return f"{words.verdict(pull)} · {gear} · {one_line(Path(pull.session).name, 60)}"
        return None

    def setData(self, index: QtCore.QModelIndex, value: Any, role: int = Role.EditRole) -> bool:  # noqa: N802
        """A tick was changed; Qt calls this."""
        if role != Role.CheckStateRole or index.column():
            return False
        self.ticked.emit(self.rows[index.row()][0], QtCore.Qt.CheckState(value) == CHECKED)
        return True


class BandsModel(QtCore.QAbstractTableModel):
    """The comparison's bands in figures."""

    def __init__(self, parent: QtCore.QObject | None = None) -> None:
        super().__init__(parent)
        self.heads: tuple[str, ...] = ("rpm",)
        self.cells: list[tuple[str, ...]] = []

    def show_answer(self, found: Answer | None) -> None:
        """Take over the bands."""
        self.beginResetModel()
        self.cells = []
        if found is not None and found.comparison is not None:
            result = found.comparison
            names = tune_name(result.base), tune_name(result.trial)
            self.heads = ("rpm", "change %", "95 % interval", "resolved", *names, "p")
            for band in result.bands:
                ends = [words.change(end) for end in (band.low_pct, band.high_pct) if end is not None]
                interval = " to ".join(ends)
                sides = [
                    "" if mean is None else f"{pull_load(mean)} ({count})"
                    for mean, count in ((band.base_mean, band.base_n), (band.trial_mean, band.trial_n))
                ]
                change = "" if band.change_pct is None else words.change(band.change_pct)
                verdict = "" if band.p_adjusted is None else "◆ yes" if band.resolved else "no"
                self.cells.append((f"{band.rpm:.0f}", change, interval, verdict, *sides, words.chance(band)))
        self.endResetModel()

    def rowCount(self, parent: Any = None) -> int:  # noqa: N802 - Qt's name
        """Bands; Qt calls this."""
        return 0 if parent is not None and parent.isValid() else len(self.cells)

    def columnCount(self, parent: Any = None) -> int:  # noqa: N802 - Qt's name
        """Columns; Qt calls this."""
        return 0 if parent is not None and parent.isValid() else len(self.heads)

    def headerData(self, section: int, orientation: Any, role: int = Role.DisplayRole) -> Any:  # noqa: N802
        """Column heads; Qt calls this."""
        if orientation == QtCore.Qt.Orientation.Horizontal and role == Role.DisplayRole:
            return self.heads[section]
        return RIGHT if role == Role.TextAlignmentRole else None

    def data(self, index: QtCore.QModelIndex, role: int = Role.DisplayRole) -> Any:
        """A cell; Qt calls this."""
        if role == Role.DisplayRole:
            return self.cells[index.row()][index.column()]
        return RIGHT if role == Role.TextAlignmentRole else None


class TickDelegate(QtWidgets.QStyledItemDelegate):
    """Draws a tick in a box that is seen on any ground; the style's own is dark on dark."""

    def __init__(self, parent: QtCore.QObject | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK

    def paint(self, painter: QtGui.QPainter, option: QtWidgets.QStyleOptionViewItem, index: Any) -> None:
        """Draw a cell; Qt calls this."""
        self.initStyleOption(option, index)
        style = option.widget.style()
        box = QtCore.QRectF(
            style.subElementRect(QtWidgets.QStyle.SubElement.SE_ItemViewItemCheckIndicator, option, option.widget)
        )
        used = option.checkState == CHECKED
        side = min(box.width(), box.height()) * 0.88
        square = QtCore.QRectF(box.center().x() - side / 2, box.center().y() - side / 2, side, side)
        painter.save()
        painter.setPen(QtGui.QPen(QtGui.QColor(self.theme.text if used else self.theme.muted), 1.5))
        painter.drawRect(square)
        painter.restore()
        if used:
            shape(painter, "ok", square.adjusted(2, 2, -2, -2), self.theme.text)


class Lists(QtWidgets.QTabWidget):
    """Both lists, one behind the other."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.pulls, self.bands = PullsModel(self), BandsModel(self)
        self.pull_table, self.band_table = table_view(self.pulls), table_view(self.bands)
        self.addTab(self.pull_table, "Pulls")
        self.addTab(self.band_table, "Bands")
        self.setDocumentMode(True)
        self.tabBar().setDrawBase(False)
        self.ticks = TickDelegate(self)
        self.pull_table.setItemDelegateForColumn(0, self.ticks)

    def show_answer(self, found: Answer | None, pulls: Sequence[PullTrace]) -> None:
        """Take over both."""
        self.pulls.show_pulls(pulls, () if found is None else (found.base, found.trial))
        self.bands.show_answer(found)
        used = sum(pull.usable for _, pull in self.pulls.rows)
        self.setTabText(0, f"Pulls: {used} of {len(self.pulls.rows)} used" if self.pulls.rows else "Pulls")

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over the size."""
        self.theme = self.ticks.theme = theme
        for table in (self.pull_table, self.band_table):
            table.verticalHeader().setDefaultSectionSize(round(28 * unit))
            table.horizontalHeader().setFixedHeight(round(30 * unit))
