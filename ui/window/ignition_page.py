"""The Ignition page: a cautious next step of the advance, cell by cell, with the evidence of each."""

from pathlib import Path

from pyqtgraph.Qt import QtWidgets

from stream.errors import StorageError
from stream.record.names import write_text
from ui.text.figures import one_line, tune_name
from ui.text.tables import ignition_rows, ignition_title, others
from ui.window import ask
from ui.window import study_work as work
from ui.window.cells_table import CellsModel, cells_view, size_table
from ui.window.panels import label
from ui.window.study_page import EMPTY_DETAIL, EMPTY_TITLE, StudyPage, reading_line
from ui.window.theme import Theme

HEADS = ("rpm", "load", "now", "proposed", "95 % interval", "n", "evidence")
ASK = "Choose the advance table: columns tune, rpm, advance at full load; or the table of the tune in the car."
NONE_HEARD = "A person listened in the pulls of this tune and heard no knock. Logged and heard knock count before it."
POINT = "Choose a row to read its evidence whole. n: pulls at full load, steady stretches at part load."


class IgnitionPage(StudyPage):
    """Needs the advance, and which tune is in the car; whether somebody listened and heard none, where one did."""

    no_answer = "No proposals"

    def __init__(self) -> None:
        super().__init__("ignition")
        self.advance_path: Path | None = None
        self.choose = QtWidgets.QPushButton("Advance table…")
        self.choose.setToolTip(ASK)
        self.now, self.knock = QtWidgets.QComboBox(), QtWidgets.QComboBox()
        self.knock.addItems(("nobody listened", "listened, none heard"))
        self.knock.setToolTip(NONE_HEARD)
        self.export = QtWidgets.QPushButton("Export table…")
        self.export.setToolTip("The whole table as it came, the proposals in it")
        for part in (self.choose, label("caption", "In the car now"), self.now, label("caption", "Knock"), self.knock):
            self.top.addWidget(part)
        self.top.addStretch(1)
        self.top.addWidget(self.status)
        self.top.addWidget(self.export)
        self.cells = CellsModel(frozenset({1, 6}), self)
        self.table = cells_view(self.cells)
        self.reading = reading_line()
        column = QtWidgets.QVBoxLayout()
        column.addWidget(self.table, 1)
        column.addWidget(self.reading)
        self.body.addLayout(column)
        self.choose.clicked.connect(self.choose_table)
        self.now.activated.connect(self._other_tune)
        self.knock.activated.connect(self.work_out)
        self.export.clicked.connect(self.export_table)
        self.table.selectionModel().currentRowChanged.connect(lambda now, _: self._read(now.row()))
        self.found: work.Ignition | None = None
        self.empty()

    def empty(self) -> None:
        """No proposals; say what is wanted."""
        self.found = None
        self.export.setEnabled(False)
        self.cells.show_cells(HEADS, [])
        self.reading.setText("")
        if not self.paths:
            self.say("idle", EMPTY_TITLE, EMPTY_DETAIL)
        else:
            self.say("idle", "The advance table is wanted", ASK)

    def begin(self) -> None:
        """Offer the sessions' tunes, the last one driven first."""
        self.knock.setCurrentIndex(0)
        before = self.now.currentData()
        tunes = work.tunes_of(self.paths)
        self.now.clear()
        for tune in tunes:
            self.now.addItem(tune_name(tune), tune)
        self.now.setCurrentIndex(tunes.index(before) if before in tunes else len(tunes) - 1)
        self.work_out()

    def choose_table(self) -> None:
        """Ask for the advance table."""
        start = self.advance_path or (Path(self.paths[0]).parent if self.paths else None)
        chosen = ask.open_file(self, "Advance table", start, "csv", "Advance as CSV")
        if chosen is not None:
            self.advance_path = chosen
            self.choose.setText(one_line(chosen.name))
            self.work_out()

    def _other_tune(self) -> None:
        """What was heard is said of the pulls of one tune: of another nobody has said anything."""
        self.knock.setCurrentIndex(0)
        self.work_out()

    def work_out(self) -> None:
        """Work the proposals out for what is chosen now."""
        table, now, none_heard = self.advance_path, self.now.currentData(), self.knock.currentIndex() == 1
        if table is None or now is None or not self.paths:
            self.empty()
            return
        paths = self.paths
        self.run("working proposals out", lambda _: work.work_out_ignition(paths, table, now, none_heard), self.take)

    def take(self, found: work.Ignition) -> None:
        """Show the proposals."""
        self.found = found
        self.export.setEnabled(bool(found.table))
        self.cells.show_cells(HEADS, ignition_rows(found.advice))
        self.reading.setText(POINT)
        self.say(*ignition_title(found.advice), others(found.advice.findings))

    def export_table(self) -> None:
        """Ask for a name and write the whole table with the proposals in it."""
        if self.found is None or self.advance_path is None:
            return
        start = self.advance_path.with_name(f"{self.advance_path.stem}-proposed.csv")
        out = ask.save_as(self, "Export the advance table", start, "csv")
        if out is None:
            return
        try:
            write_text(out, self.found.table)
        except StorageError as error:
            self.status.setText(one_line(str(error)))
            return
        self.status.setText(f"written: {one_line(out.name)}")
        heard = self.knock.currentIndex() == 1
        asked = {"advance": str(self.advance_path), "now": self.now.currentData(), "none_heard": heard}
        self.wrote.emit({"tables": {"ignition": str(out)}, **asked})

    def _read(self, row: int) -> None:
        if 0 <= row < len(self.cells.cells):
            cells = self.cells.cells[row]
            self.reading.setText(f"{cells[0]} rpm, {cells[1]}: {cells[-1]}")

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        size_table(self.table, unit)
        self.reading.setMinimumHeight(round(44 * unit))
