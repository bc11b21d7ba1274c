"""The Mixture page: fuel multipliers on the axes of the person's own table, to be pasted back."""

from pathlib import Path

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.errors import StorageError
from stream.record.text_file import write_text
from stream.study.tables.advice import AdvanceCell, Cell
from ui.text.findings import say_all
from ui.text.lines import one_line
from ui.text.proposals import mixture_title, place
from ui.text.tables import evidence
from ui.window import ask
from ui.window import study_work as work
from ui.window.cells_table import CellsModel, cells_view, size_table
from ui.window.panels import label
from ui.window.study_page import EMPTY_DETAIL, EMPTY_TITLE, StudyPage, reading_line
from ui.window.theme import Theme

ASK = "Choose the table of wanted λ: first row manifold_pressure or throttle and its values, first column rpm."
POINT = "Choose a cell to read its evidence. ▲ richer, ▼ leaner; a blank cell has too few hits to tell."
AXES = {"manifold_pressure": "manifold pressure", "throttle": "throttle"}


class MixturePage(StudyPage):
    """Needs the target; shows multiplier, interval, hits or spread in each of its cells."""

    no_answer = "No multipliers"

    def __init__(self) -> None:
        super().__init__("mixture")
        self.target_path: Path | None = None
        self.found: work.Mixture | None = None
        self.choose = QtWidgets.QPushButton("Target table…")
        self.choose.setToolTip(ASK)
        self.ratio = QtWidgets.QLineEdit("14.7")
        self.ratio.setValidator(QtGui.QDoubleValidator(5.0, 20.0, 2, self))
        self.ratio.setToolTip("Air-fuel ratio that is λ 1, for a channel in AFR; Enter works it out anew")
        self.what = QtWidgets.QComboBox()
        self.what.addItems(work.SHOWN)
        self.axes_words = label("caption")
        self.export = QtWidgets.QPushButton("Export CSV…")
        self.export.setToolTip("The multipliers with the target's own axes")
        for part in (
            self.choose, label("caption", "AFR at λ 1"), self.ratio, label("caption", "Show"), self.what,
            self.axes_words,
        ):  # fmt: skip
            self.top.addWidget(part)
        self.top.addStretch(1)
        self.top.addWidget(self.status)
        self.top.addWidget(self.export)
        self.cells = CellsModel(parent=self)
        self.table = cells_view(self.cells)
        self.table.verticalHeader().show()
        self.table.verticalHeader().setHighlightSections(False)
        self.table.setSelectionBehavior(QtWidgets.QAbstractItemView.SelectionBehavior.SelectItems)
        self.table.setShowGrid(True)
        self.table.horizontalHeader().setStretchLastSection(False)
        self.reading = reading_line()
        column = QtWidgets.QVBoxLayout()
        column.addWidget(self.table, 1)
        column.addWidget(self.reading)
        self.body.addLayout(column)
        self.choose.clicked.connect(self.choose_table)
        self.ratio.editingFinished.connect(self._ratio_changed)
        self.what.activated.connect(self.show_cells)
        self.export.clicked.connect(self.export_csv)
        self.table.selectionModel().currentChanged.connect(lambda now, _: self._read(now))
        self.said_ratio = self.ratio.text()
        self.empty()

    def empty(self) -> None:
        """No multipliers; say what is wanted."""
        self.found = None
        self.cells.show_cells((), [])
        self.reading.setText("")
        self.axes_words.setText("")
        self.export.setEnabled(False)
        if not self.paths:
            self.say("idle", EMPTY_TITLE, EMPTY_DETAIL)
        else:
            self.say("idle", "The target table is wanted", ASK)

    def begin(self) -> None:
        """Work out where the target is chosen already."""
        self.work_out()

    def choose_table(self) -> None:
        """Ask for the target."""
        start = self.target_path or (Path(self.paths[0]).parent if self.paths else None)
        chosen = ask.open_file(self, "Table of wanted λ", start, "csv", "Wanted λ as CSV")
        if chosen is not None:
            self.target_path = chosen
            self.choose.setText(one_line(chosen.name))
            self.work_out()

    def _ratio_changed(self) -> None:
        if self.ratio.text() != self.said_ratio:
            self.said_ratio = self.ratio.text()
            self.work_out()

    def work_out(self) -> None:
        """Work the multipliers out for what is chosen now."""
        table, paths = self.target_path, self.paths
        if table is None or not paths:
            self.empty()
            return
        ratio = float(self.ratio.text().replace(",", "."))
        self.run("working multipliers out", lambda _: work.work_out_mixture(paths, table, ratio), self.take)

    def take(self, found: work.Mixture) -> None:
        """Show the multipliers."""
        self.found = found
        self.export.setEnabled(True)
        self.show_cells()
        self.say(*mixture_title(found.advice), say_all(found.advice.findings))

    def show_cells(self) -> None:
        """Fill the table with what is chosen, rows and columns in the target's own order."""
        if self.found is None:
            return
        target, what = self.found.target, self.what.currentText()
        rows, columns = target.in_file_order()
        down = [f"{target.rpm[row]:g} rpm" for row in rows]
        across = [f"{target.second[column]:g} {target.unit}" for column in columns]
        texts = [tuple(work.grid_text(*self._cell(row, column), what) for column in columns) for row in rows]
        if target.turned:
            down, across, texts = across, down, list(zip(*texts, strict=True))
        self.cells.show_cells(across, texts, down)
        self._fit_columns()
        down_words, across_words = (AXES[target.axis], "rpm") if target.turned else ("rpm", AXES[target.axis])
        self.axes_words.setText(f"{down_words} down, {across_words} across")
        self.reading.setText(POINT)

    def _cell(self, row: int, column: int) -> tuple[Cell | AdvanceCell, float]:
        """(what is proposed, the wanted λ) of rpm `row` and second axis `column`, both rising."""
        if self.found is None:
            raise LookupError("no multipliers are shown")
        target = self.found.target
        return self.found.advice.cells[row * len(target.second) + column], float(target.cells[row, column])

    def _shown(self, index: QtCore.QModelIndex) -> tuple[Cell | AdvanceCell, float]:
        """What stands at a place of the table as it is shown."""
        if self.found is None:
            raise LookupError("no multipliers are shown")
        rows, columns = self.found.target.in_file_order()
        at = (index.column(), index.row()) if self.found.target.turned else (index.row(), index.column())
        return self._cell(rows[at[0]], columns[at[1]])

    def _fit_columns(self) -> None:
        """Few columns share the width; many keep the width of their texts, and the table scrolls."""
        mode = QtWidgets.QHeaderView.ResizeMode
        few = len(self.cells.heads) <= 8
        self.table.horizontalHeader().setSectionResizeMode(mode.Stretch if few else mode.ResizeToContents)

    def _read(self, index: QtCore.QModelIndex) -> None:
        if self.found is None or not index.isValid():
            return
        cell, wanted = self._shown(index)
        where = place(cell, self.found.target.axis)
        self.reading.setText(f"{cell.rpm:g} rpm, {where}, λ {wanted:g} wanted: {one_line(evidence(cell))}")

    def export_csv(self) -> None:
        """Ask for a name and write the multipliers."""
        from stream.study.tables.mixture import multiplier_csv

        if self.found is None or self.target_path is None:
            return
        start = self.target_path.with_name(f"{self.target_path.stem}-multipliers.csv")
        out = ask.save_as(self, "Export the multipliers", start, "csv")
        if out is None:
            return
        try:
            write_text(out, multiplier_csv(self.found.advice, self.found.target))
        except StorageError as error:
            self.status.setText(one_line(str(error)))
            return
        self.status.setText(f"written: {one_line(out.name)}")

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        size_table(self.table, unit)
        self.ratio.setFixedWidth(round(80 * unit))
        self.reading.setMinimumHeight(round(44 * unit))
