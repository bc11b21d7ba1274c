"""The Mixture page: fuel multipliers on the axes of the person's own table, to be pasted back."""

from pathlib import Path

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.errors import StorageError
from stream.record.names import write_text
from stream.study.tables.mixture import MixtureAdvice, MixtureCell
from stream.study.tables.user_table import companion
from ui.text.figures import one_line
from ui.text.findings import say
from ui.text.mixture import SHOWN, mixture_title, table_files
from ui.text.tables import others
from ui.window import ask
from ui.window import study_work as work
from ui.window.cells_table import CellsModel, cells_view, size_table
from ui.window.panels import label
from ui.window.study_page import EMPTY_DETAIL, EMPTY_TITLE, StudyPage, reading_line
from ui.window.theme import Theme

ASK = (
    "Choose the table of wanted λ: rpm along the side or the top, manifold pressure or throttle along the other; the "
    "corner says which."
)
ASK_FUEL = "The fuel table in the car, in any measure of an amount: it is exported multiplied, in its own shape"
POINT = "Choose a cell to read its evidence. ▲ richer, ▼ leaner; a blank cell has too few hits to tell."
AXES = {"manifold_pressure": "manifold pressure", "throttle": "throttle"}


class MixturePage(StudyPage):
    """Needs the target, and may have the fuel table; shows in its cells multiplier, interval, hits or spread."""

    no_answer = "No multipliers"

    def __init__(self) -> None:
        super().__init__("mixture")
        self.target_path: Path | None = None
        self.fuel_path: Path | None = None
        self.found: MixtureAdvice | None = None
        self.choose = QtWidgets.QPushButton("Target table…")
        self.choose.setToolTip(ASK)
        self.choose_fuel = QtWidgets.QPushButton("Fuel table…")
        self.choose_fuel.setToolTip(ASK_FUEL)
        self.ratio = QtWidgets.QLineEdit("14.7")
        self.ratio.setValidator(QtGui.QDoubleValidator(5.0, 20.0, 2, self))
        self.ratio.setToolTip("Air-fuel ratio that is λ 1, for a channel in AFR; Enter works it out anew")
        self.what = QtWidgets.QComboBox()
        self.what.addItems(list(SHOWN))
        self.axes_words = label("caption")
        self.export = QtWidgets.QPushButton("Export CSV…")
        self.export.setToolTip("The fuel table multiplied, or the multipliers; and a file beside it that says why")
        captions = label("caption", "AFR at λ 1"), label("caption", "Show")
        for part in (
            self.choose,
            self.choose_fuel,
            captions[0],
            self.ratio,
            captions[1],
            self.what,
            self.axes_words,
        ):
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
        self.choose_fuel.clicked.connect(self.choose_fuel_table)
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

    def choose_fuel_table(self) -> None:
        """Ask for the fuel table in the car."""
        start = self.fuel_path or self.target_path or (Path(self.paths[0]).parent if self.paths else None)
        chosen = ask.open_file(self, "Fuel table in the car", start, "csv", "Fuel table as CSV")
        if chosen is not None:
            self.fuel_path = chosen
            self.choose_fuel.setText(one_line(chosen.name))
            self.work_out()

    def _ratio_changed(self) -> None:
        if self.ratio.text() != self.said_ratio:
            self.said_ratio = self.ratio.text()
            self.work_out()

    def work_out(self) -> None:
        """Work the multipliers out for what is chosen now."""
        table, fuel, paths = self.target_path, self.fuel_path, self.paths
        if table is None or not paths:
            self.empty()
            return
        ratio = float(self.ratio.text().replace(",", "."))
        self.run("working multipliers out", lambda _: work.work_out_mixture(paths, table, fuel, ratio), self.take)

    def take(self, found: MixtureAdvice) -> None:
        """Show the multipliers."""
        self.found = found
        self.export.setEnabled(True)
        self.show_cells()
        self.say(*mixture_title(found), others(found.findings))

    def show_cells(self) -> None:
        """Fill the table with what is chosen, rows and columns as the file has them."""
        if self.found is None:
            return
        grid, show = self.found.grid, SHOWN[self.what.currentText()]
        rows, columns = grid.in_file_order()
        down = [f"{grid.rpm[row]:g} rpm" for row in rows]
        across = [f"{grid.second[column]:g} {grid.unit}" for column in columns]
        texts = [tuple(show(self._cell(row, column)) for column in columns) for row in rows]
        if grid.turned:
            down, across, texts = across, down, list(zip(*texts, strict=True))
        self.cells.show_cells(across, texts, down)
        self._fit_columns()
        words = (AXES[grid.axis], "rpm") if grid.turned else ("rpm", AXES[grid.axis])
        self.axes_words.setText(f"{words[0]} down, {words[1]} across")
        self.reading.setText(POINT)

    def _cell(self, row: int, column: int) -> MixtureCell:
        """What is proposed at rpm `row` and second axis `column`, both rising."""
        if self.found is None:
            raise LookupError("no multipliers are shown")
        return self.found.cells[row * len(self.found.grid.second) + column]

    def _shown(self, index: QtCore.QModelIndex) -> MixtureCell:
        """What stands at a place of the table as it is shown."""
        if self.found is None:
            raise LookupError("no multipliers are shown")
        rows, columns = self.found.grid.in_file_order()
        at = (index.column(), index.row()) if self.found.grid.turned else (index.row(), index.column())
        return self._cell(rows[at[0]], columns[at[1]])

    def _fit_columns(self) -> None:
        """Few columns share the width; many keep the width of their texts, and the table scrolls."""
        mode = QtWidgets.QHeaderView.ResizeMode
        few = len(self.cells.heads) <= 8
        self.table.horizontalHeader().setSectionResizeMode(mode.Stretch if few else mode.ResizeToContents)

    def _read(self, index: QtCore.QModelIndex) -> None:
        if self.found is None or not index.isValid():
            return
        cell = self._shown(index)
        wanted = "" if cell.wanted is None else f", λ {cell.wanted:.3g} wanted"
        where = f"{cell.rpm:g} rpm, {cell.second_axis:g} {self.found.grid.unit}"
        self.reading.setText(f"{where}{wanted}: {one_line(say(cell.why))}")

    def export_csv(self) -> None:
        """Ask for a name and write the table, and beside it why."""
        if self.found is None or self.target_path is None:
            return
        of = self.fuel_path if self.found.fuel and self.fuel_path is not None else self.target_path
        start = of.with_name(f"{of.stem}-{'multiplied' if self.found.fuel else 'multipliers'}.csv")
        out = ask.save_as(self, "Export the table", start, "csv")
        if out is None:
            return
        table, why = table_files(self.found)
        try:
            write_text(companion(out), why)  # first: no table without what it came from
            write_text(out, table)
        except StorageError as error:
            self.status.setText(one_line(str(error)))
            return
        self.status.setText(f"written: {one_line(out.name)} and {one_line(companion(out).name)}")
        self.wrote.emit({"tables": {"mixture": str(out)}, "target": str(self.target_path)})

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        size_table(self.table, unit)
        self.ratio.setFixedWidth(round(80 * unit))
        self.reading.setMinimumHeight(round(44 * unit))
