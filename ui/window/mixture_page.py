"""The Mixture page: fuel multipliers on the axes of the person's own table, to be pasted back."""

from pathlib import Path
from typing import Any

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.study.tables.mixture import MixtureAdvice, MixtureCell
from ui.text.figures import one_line
from ui.text.findings import say
from ui.text.mixture import SHOWN, mixture_title, multiplier
from ui.text.tables import others
from ui.window import ask
from ui.window import study_work as work
from ui.window.cells_table import CellsModel, cells_view, size_table
from ui.window.panels import label
from ui.window.study_page import EMPTY_DETAIL, EMPTY_TITLE, TABLE_FILES, TablePage
from ui.window.theme import Theme

ASK = (
    "Choose or paste the table of wanted λ: rpm along the side or the top, manifold pressure or throttle along the "
    "other; the corner says which."
)
ASK_FUEL = "The fuel table in the car, in any measure of an amount: it is exported multiplied, in its own shape"
POINT = "Choose a cell to read its evidence. ▲ richer, ▼ leaner; a blank cell has too few hits to tell."
MAPS = "Maps"
AXES = {"manifold_pressure": "manifold pressure", "throttle": "throttle"}


class MixturePage(TablePage):
    """Needs the target, and may have the fuel table; shows maps, or multiplier, interval, hits or spread."""

    no_answer = "No multipliers"

    def __init__(self) -> None:
        super().__init__("mixture", "multiplied")
        self.target_path: Path | None = None
        self.fuel_path: Path | None = None
        self.found: MixtureAdvice | None = None
        self.choose, self.choose_fuel = QtWidgets.QPushButton("Target table…"), QtWidgets.QPushButton("Fuel table…")
        self.choose.setToolTip(ASK)
        self.choose_fuel.setToolTip(ASK_FUEL)
        self.paste, self.paste_fuel = QtWidgets.QPushButton("Paste"), QtWidgets.QPushButton("Paste")
        self.paste.setToolTip("The table of wanted λ from the clipboard, its axes with it (Ctrl+V)")
        self.paste_fuel.setToolTip("The fuel table in the car from the clipboard, its axes with it (Ctrl+Shift+V)")
        self.ratio = QtWidgets.QLineEdit("14.7")
        self.ratio.setValidator(QtGui.QDoubleValidator(5.0, 20.0, 2, self))
        self.ratio.setToolTip("Air-fuel ratio that is λ 1, for a channel in AFR; Enter works it out anew")
        self.what = QtWidgets.QComboBox()
        self.what.addItems([MAPS, *SHOWN])
        self.axes_words = label("caption")
        captions = label("caption", "AFR at λ 1"), label("caption", "Show")
        tables = (self.choose, self.paste, self.choose_fuel, self.paste_fuel)
        for part in (*tables, captions[0], self.ratio, captions[1], self.what):
            self.top.addWidget(part)
        self.top.addWidget(self.status, 1)
        self.top.addWidget(self.copy)
        self.top.addWidget(self.export)
        self.cells = CellsModel(parent=self)
        self.table = cells_view(self.cells)
        self.table.verticalHeader().show()
        self.table.verticalHeader().setHighlightSections(False)
        self.table.setSelectionBehavior(QtWidgets.QAbstractItemView.SelectionBehavior.SelectItems)
        self.table.setShowGrid(True)
        self.table.horizontalHeader().setStretchLastSection(False)
        listed = QtWidgets.QWidget()
        column = QtWidgets.QVBoxLayout(listed)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.axes_words)
        column.addWidget(self.table, 1)
        self.views.addWidget(listed)
        self.choose.clicked.connect(self.choose_table)
        self.choose_fuel.clicked.connect(self.choose_fuel_table)
        self.ratio.editingFinished.connect(self._ratio_changed)
        self.what.activated.connect(self.show_cells)
        self.paste.clicked.connect(self.paste_table)
        self.paste_fuel.clicked.connect(self.paste_fuel_table)
        self.key("Ctrl+V", self.paste_table)
        self.key("Ctrl+Shift+V", self.paste_fuel_table)
        self.table.selectionModel().currentChanged.connect(lambda now, _: self._read(now))
        self.said_ratio = self.ratio.text()
        self.empty()

    def empty(self) -> None:
        """No multipliers; say what is wanted."""
        self.found = None
        self.show_made(None)
        self.cells.show_cells((), [])
        self.reading.setText("")
        self.axes_words.setText("")
        if not self.paths:
            self.say("idle", EMPTY_TITLE, EMPTY_DETAIL)
        else:
            self.say("idle", "Choose the target table", ASK)

    def begin(self) -> None:
        """Work out where the target is chosen already."""
        self.work_out()

    def choose_table(self) -> None:
        """Ask for the target."""
        start = self.target_path or (Path(self.paths[0]).parent if self.paths else None)
        chosen = ask.open_file(self, "Table of wanted λ", start, TABLE_FILES, "Wanted λ")
        if chosen is not None:
            self._take_target(chosen)

    def paste_table(self) -> None:
        """The target from the clipboard."""
        kept = self.pasted("target")
        if kept is not None:
            self._take_target(kept)

    def _take_target(self, path: Path) -> None:
        self.target_path = path
        self.choose.setText(one_line(path.name, 20))
        self.work_out()

    def choose_fuel_table(self) -> None:
        """Ask for the fuel table in the car."""
        start = self.fuel_path or self.target_path or (Path(self.paths[0]).parent if self.paths else None)
        chosen = ask.open_file(self, "Fuel table in the car", start, TABLE_FILES, "Fuel table")
        if chosen is not None:
            self._take_fuel(chosen)

    def paste_fuel_table(self) -> None:
        """The fuel table from the clipboard."""
        kept = self.pasted("fuel")
        if kept is not None:
            self._take_fuel(kept)

    def _take_fuel(self, path: Path) -> None:
        self.fuel_path = path
        self.choose_fuel.setText(one_line(path.name, 20))
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

    def take(self, made: work.Mixture) -> None:
        """Show the multipliers."""
        self.found = made.advice
        self.show_made(made)
        self.show_cells()
        self.say(*mixture_title(made.advice), others(made.advice.findings))

    def show_cells(self) -> None:
        """Fill the table with what is chosen, rows and columns as the file has them."""
        if self.found is None:
            return
        grid, show = self.found.grid, SHOWN.get(self.what.currentText(), multiplier)
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
        listed = self.what.currentText() != MAPS
        self.views.setCurrentIndex(int(listed))
        self.reading.setText(POINT if listed else self.maps.words())

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

    def source(self) -> Path | None:
        """The table that is written: the fuel table, or the multipliers on the target's axes."""
        return self.fuel_path if self.found is not None and self.found.fuel else self.target_path

    def asked(self) -> dict[str, Any]:
        """What the report needs to ask the same."""
        return {"target": str(self.target_path), "fuel": "" if self.fuel_path is None else str(self.fuel_path)}

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        size_table(self.table, unit)
        self.ratio.setFixedWidth(round(80 * unit))
