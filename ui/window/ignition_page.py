"""The Ignition page: a cautious next step of the advance, cell by cell, with the evidence of each."""

from pathlib import Path

from pyqtgraph.Qt import QtWidgets

from stream.study.tables.advice import Advice
from ui.text.lines import one_line, tune_name
from ui.text.proposals import ignition_rows, ignition_title
from ui.window import ask
from ui.window import study_work as work
from ui.window.cells_table import CellsModel, cells_view, size_table
from ui.window.panels import label
from ui.window.study_page import EMPTY_DETAIL, EMPTY_TITLE, StudyPage, reading_line
from ui.window.theme import Theme

HEADS = ("rpm", "load", "now", "proposed", "95 % interval", "n", "evidence")
ASK = "Choose the advance table: columns tune, rpm, advance at full load; or the table of the tune in the car."
NO_NOTE = "What was heard while listening for knock; without it, or a knock channel, none gets more"
POINT = "Choose a row to read its evidence whole. n: pulls at full load, steady stretches at part load."


class IgnitionPage(StudyPage):
    """Needs the advance, and which tune is in the car; a listening note where somebody listened."""

    no_answer = "No proposals"

    def __init__(self) -> None:
        super().__init__("ignition")
        self.advance_path: Path | None = None
        self.choose = QtWidgets.QPushButton("Advance table…")
        self.choose.setToolTip(ASK)
        self.now, self.note = QtWidgets.QComboBox(), QtWidgets.QLineEdit()
        self.note.setPlaceholderText(NO_NOTE)
        self.note.setToolTip(f"{NO_NOTE}. Enter works it out anew.")
        for part in (self.choose, label("caption", "In the car now"), self.now, label("caption", "Heard")):
            self.top.addWidget(part)
        self.top.addWidget(self.note, 1)
        self.top.addWidget(self.status)
        self.cells = CellsModel(frozenset({1, 6}), self)
        self.table = cells_view(self.cells)
        self.reading = reading_line()
        column = QtWidgets.QVBoxLayout()
        column.addWidget(self.table, 1)
        column.addWidget(self.reading)
        self.body.addLayout(column)
        self.choose.clicked.connect(self.choose_table)
        self.now.activated.connect(self.work_out)
        self.note.editingFinished.connect(self._note_changed)
        self.table.selectionModel().currentRowChanged.connect(lambda now, _: self._read(now.row()))
        self.said_note = ""
        self.empty()

    def empty(self) -> None:
        """No proposals; say what is wanted."""
        self.cells.show_cells(HEADS, [])
        self.reading.setText("")
        if not self.paths:
            self.say("idle", EMPTY_TITLE, EMPTY_DETAIL)
        else:
            self.say("idle", "The advance table is wanted", ASK)

    def begin(self) -> None:
        """Offer the sessions' tunes, the last one driven first."""
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

    def _note_changed(self) -> None:
        if self.note.text() != self.said_note:  # leaving the field without a change is no reason to work
            self.work_out()

    def work_out(self) -> None:
        """Work the proposals out for what is chosen now."""
        table, now, note = self.advance_path, self.now.currentData(), self.note.text().strip()
        if table is None or now is None or not self.paths:
            self.empty()
            return
        self.said_note = self.note.text()
        paths = self.paths
        self.run("working proposals out", lambda _: work.work_out_ignition(paths, table, now, note), self.take)

    def take(self, advice: Advice) -> None:
        """Show the proposals."""
        self.cells.show_cells(HEADS, ignition_rows(advice))
        self.reading.setText(POINT)
        self.say(*ignition_title(advice), advice.warnings)

    def _read(self, row: int) -> None:
        if 0 <= row < len(self.cells.cells):
            cells = self.cells.cells[row]
            self.reading.setText(f"{cells[0]} rpm, {cells[1]}: {cells[-1]}")

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        size_table(self.table, unit)
        self.reading.setMinimumHeight(round(44 * unit))
