"""Changes: what was done to the folder's sessions, step by step, with undo and redo across restarts."""

from collections.abc import Sequence
from typing import Any

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.record.deeds import Deed, read_deeds
from ui.text import steps as words
from ui.window.cells_table import plain_table
from ui.window.forms import button
from ui.window.job_desk import JobDesk, JobPage
from ui.window.theme import Theme


class StepsPage(JobPage):
    """The newest on top; what was taken back stands above it, muted, until it is done again or something else is."""

    title = "Changes"
    heads = ("When", "Change", "Sessions", "")

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        self.deeds: tuple[Deed, ...] = ()
        self.table = plain_table(self.heads)
        self.table.setSelectionMode(QtWidgets.QAbstractItemView.SelectionMode.NoSelection)
        self.table.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.body.addWidget(self.table, 1)
        self.undo = button(words.UNDO, desk.undo, primary=True, hint="Ctrl+Z")
        self.redo = button(words.REDO, desk.redo, hint="Ctrl+Shift+Z")
        self.put_buttons(self.undo, self.redo)
        desk.changed.connect(self._again)
        self._show(())

    def begin(self, what: Any = None) -> None:
        """Read the histories of the folder's sessions."""
        paths = self.desk.changeable
        self.run("reading the changes", lambda task: read_deeds(paths, task.tell), self._show)

    def renew(self) -> None:
        """Read them anew."""
        self.begin()

    def _again(self) -> None:
        if self.isVisible():
            self.begin()

    def _show(self, deeds: Sequence[Deed]) -> None:
        self.deeds = tuple(deeds)
        self.table.setRowCount(len(deeds))
        for row, deed in enumerate(reversed(self.deeds)):
            for column, text in enumerate(words.deed_cells(deed)):
                item = QtWidgets.QTableWidgetItem(text)
                if not deed.done:
                    item.setForeground(QtGui.QColor(self.theme.muted))
                self.table.setItem(row, column, item)
        self._fit()
        back, forth = words.next_words(self.deeds)
        self.undo.setEnabled(bool(back))
        self.redo.setEnabled(bool(forth))
        self.undo.setText(f"{words.UNDO}: {back}" if back else words.NOTHING_BACK)
        self.redo.setText(f"{words.REDO}: {forth}" if forth else words.NOTHING_FORTH)
        self.say("" if deeds else words.NO_CHANGES)

    def _fit(self) -> None:
        self.table.resizeColumnsToContents()
        for column in range(self.table.columnCount() - 1):
            self.table.setColumnWidth(column, self.table.columnWidth(column) + round(28 * self.unit))

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        self.table.verticalHeader().setDefaultSectionSize(round(40 * unit))
        self.table.horizontalHeader().setFixedHeight(round(32 * unit))
        self._show(self.deeds)
