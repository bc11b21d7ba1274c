"""The lists of the Compare screen: pulls with a tick to include, and the bands in figures."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pyqtgraph.Qt import QtCore, QtWidgets

from stream.study.trace import PullTrace
from ui.window import compare_words as words
from ui.window.compare_study import Answer
from ui.window.theme import DARK, Theme
from ui.window.words import plain

Role = QtCore.Qt.ItemDataRole
Flag = QtCore.Qt.ItemFlag
RIGHT = QtCore.Qt.AlignmentFlag.AlignRight | QtCore.Qt.AlignmentFlag.AlignVCenter
CHECKED, UNCHECKED = QtCore.Qt.CheckState.Checked, QtCore.Qt.CheckState.Unchecked


class PullsModel(QtCore.QAbstractTableModel):
    """The pulls of the two tunes; `ticked` carries a pull's place in the opened pulls, and whether it counts."""

    HEADS = ("Use", "Tune", "When", "rpm", "Verdict")
    ticked = QtCore.Signal(int, bool)

    def __init__(self, parent: QtCore.QObject | None = None) -> None:
        super().__init__(parent)
        self.rows: list[tuple[int, PullTrace]] = []

    def show_pulls(self, pulls: Sequence[PullTrace], tunes: Sequence[str]) -> None:
        """Take over the pulls of these tunes, in the order they were made."""
        rows = [(place, pull) for place, pull in enumerate(pulls) if pull.tune in tunes]
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
        return QtCore.Qt.AlignmentFlag.AlignLeft if role == Role.TextAlignmentRole else None

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
            return ("", words.tune(pull.tune), words.when(pull), words.span(pull), words.verdict(pull))[index.column()]
        if role == Role.ToolTipRole:
            gear = "gear not known" if pull.gear is None else f"gear {pull.gear}"
            return f"{words.verdict(pull)} · {gear} · {plain(Path(pull.session).name)}"
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
            self.heads = ("rpm", words.tune(result.base), words.tune(result.trial), "change %", "95 % interval", "p", "")
            for band in result.bands:
                interval = "" if band.low_pct is None else f"{words.pct(band.low_pct, True)} to {words.pct(band.high_pct, True)}"
                sides = [
                    "" if mean is None else f"{words.load(mean, '')} ({count})"
                    for mean, count in ((band.base_mean, band.base_n), (band.trial_mean, band.trial_n))
                ]
                change = "" if band.change_pct is None else words.pct(band.change_pct, True)
                verdict = "◆ resolved" if band.resolved else ""
                self.cells.append((f"{band.rpm:.0f}", *sides, change, interval, words.chance(band), verdict))
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
        return RIGHT if role == Role.TextAlignmentRole and section < len(self.heads) - 1 else None

    def data(self, index: QtCore.QModelIndex, role: int = Role.DisplayRole) -> Any:
        """A cell; Qt calls this."""
        if role == Role.DisplayRole:
            return self.cells[index.row()][index.column()]
        return RIGHT if role == Role.TextAlignmentRole and index.column() < len(self.heads) - 1 else None


class Lists(QtWidgets.QTabWidget):
    """Both lists, one behind the other."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.pulls, self.bands = PullsModel(self), BandsModel(self)
        self.pull_table, self.band_table = _table(self.pulls), _table(self.bands)
        self.addTab(self.pull_table, "Pulls")
        self.addTab(self.band_table, "Bands")
        self.setDocumentMode(True)

    def show_answer(self, found: Answer | None, pulls: Sequence[PullTrace]) -> None:
        """Take over both."""
        self.pulls.show_pulls(pulls, () if found is None else (found.base, found.trial))
        self.bands.show_answer(found)
        used = sum(pull.usable for _, pull in self.pulls.rows)
        self.setTabText(0, f"Pulls: {used} of {len(self.pulls.rows)} used" if self.pulls.rows else "Pulls")
        self.fit()

    def fit(self) -> None:
        """Columns as wide as what is in them."""
        for table in (self.pull_table, self.band_table):
            table.resizeColumnsToContents()

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over the size."""
        self.theme = theme
        for table in (self.pull_table, self.band_table):
            table.verticalHeader().setDefaultSectionSize(round(28 * unit))
        self.fit()


def _table(model: QtCore.QAbstractTableModel) -> QtWidgets.QTableView:
    table = QtWidgets.QTableView()
    table.setModel(model)
    table.setShowGrid(False)
    table.setAlternatingRowColors(True)
    table.setWordWrap(False)
    table.setSelectionBehavior(QtWidgets.QAbstractItemView.SelectionBehavior.SelectRows)
    table.verticalHeader().hide()
    table.horizontalHeader().setHighlightSections(False)
    table.horizontalHeader().setStretchLastSection(True)
    return table
