"""The table of holds: tick what counts, type the speed it was."""

from pyqtgraph.Qt import QtCore, QtWidgets

from ui.text import speed as words
from ui.window.calibrate_desk import Work

HEAD = ("Hold", "From", "Signal", "Target, rpm", "Off by", "")
TARGET, STATE = 3, 5
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


def fit_columns(table: QtWidgets.QTableWidget) -> None:
    """Each column as wide as it needs, the last one takes what is left."""
    header, mode = table.horizontalHeader(), QtWidgets.QHeaderView.ResizeMode
    header.setSectionResizeMode(mode.ResizeToContents)
    header.setSectionResizeMode(table.columnCount() - 1, mode.Stretch)
    header.setDefaultAlignment(QtCore.Qt.AlignmentFlag.AlignLeft | QtCore.Qt.AlignmentFlag.AlignVCenter)
