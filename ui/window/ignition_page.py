"""The Ignition page: a cautious next step of the advance, cell by cell, with the evidence of each."""

from pathlib import Path
from typing import Any

from pyqtgraph.Qt import QtWidgets

from ui.text.figures import one_line, tune_name
from ui.text.tables import ignition_rows, ignition_title, others
from ui.window import ask
from ui.window import study_work as work
from ui.window.cells_table import CellsModel, cells_view, size_table
from ui.window.panels import label
from ui.window.study_page import EMPTY_DETAIL, EMPTY_TITLE, TABLE_FILES, TablePage
from ui.window.theme import Theme

HEADS = ("rpm", "load", "now", "proposed", "95 % interval", "n", "evidence")
ASK = (
    "Choose or paste (Ctrl+V) the advance table: the table of the tune in the car, rpm along either side; or columns "
    "tune, rpm, advance at full load."
)
NONE_HEARD = "A person listened in the pulls of this tune and heard no knock. Logged and heard knock count before it."
POINT = "Choose a row to read its evidence whole. n: pulls at full load, steady stretches at part load."


class IgnitionPage(TablePage):
    """Needs the advance, and which tune is in the car; whether somebody listened and heard none, where one did."""

    no_answer = "No proposals"

    def __init__(self) -> None:
        super().__init__("ignition", "proposed")
        self.advance_path: Path | None = None
        self.choose = QtWidgets.QPushButton("Advance table…")
        self.choose.setToolTip(ASK)
        self.paste = QtWidgets.QPushButton("Paste")
        self.paste.setToolTip("The advance table from the clipboard, its axes with it (Ctrl+V)")
        self.now, self.knock, self.view = QtWidgets.QComboBox(), QtWidgets.QComboBox(), QtWidgets.QComboBox()
        self.knock.addItems(("nobody listened", "none heard"))
        self.knock.setToolTip(NONE_HEARD)
        self.knock.setMinimumContentsLength(15)  # the style's padding is not in the width that Qt gives the words
        self.view.addItems(("Maps", "List"))
        self.view.setAccessibleName("Show")
        parts = (self.choose, self.paste, label("caption", "In the car now"), self.now, label("caption", "Knock"))
        for part in (*parts, self.knock, self.view):
            self.top.addWidget(part)
        self.top.addWidget(self.status, 1)
        self.top.addWidget(self.copy)
        self.top.addWidget(self.export)
        self.cells = CellsModel(frozenset({1, 6}), self)
        self.table = cells_view(self.cells)
        self.views.addWidget(self.table)
        self.choose.clicked.connect(self.choose_table)
        self.paste.clicked.connect(self.paste_table)
        self.now.activated.connect(self._other_tune)
        self.knock.activated.connect(self.work_out)
        self.view.currentIndexChanged.connect(self._show_view)
        self.table.selectionModel().currentRowChanged.connect(lambda now, _: self._read(now.row()))
        self.key("Ctrl+V", self.paste_table)
        self.found: work.Ignition | None = None
        self.empty()

    def empty(self) -> None:
        """No proposals; say what is wanted."""
        self.found = None
        self.show_made(None)
        self.cells.show_cells(HEADS, [])
        self.reading.setText("")
        if not self.paths:
            self.say("idle", EMPTY_TITLE, EMPTY_DETAIL)
        else:
            self.say("idle", "Choose the advance table", ASK)

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
        chosen = ask.open_file(self, "Advance table", start, TABLE_FILES, "Advance")
        if chosen is not None:
            self._take_table(chosen)

    def paste_table(self) -> None:
        """The advance table from the clipboard."""
        kept = self.pasted("advance")
        if kept is not None:
            self._take_table(kept)

    def _take_table(self, path: Path) -> None:
        self.advance_path = path
        self.choose.setText(one_line(path.name, 24))
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
        self.show_made(found)
        self.cells.show_cells(HEADS, ignition_rows(found.advice))
        if not found.maps:
            self.view.setCurrentIndex(1)
        self._show_view()
        self.say(*ignition_title(found.advice), others(found.advice.findings))

    def _show_view(self) -> None:
        """Maps or the list, with what the line below says of it."""
        listed = self.view.currentIndex() == 1
        self.views.setCurrentIndex(int(listed))
        if self.found is not None:
            self.reading.setText(POINT if listed else self.maps.words())

    def source(self) -> Path | None:
        """The advance table."""
        return self.advance_path

    def asked(self) -> dict[str, Any]:
        """What the report needs to ask the same."""
        heard = self.knock.currentIndex() == 1
        return {"advance": str(self.advance_path), "now": self.now.currentData(), "none_heard": heard}

    def _read(self, row: int) -> None:
        if 0 <= row < len(self.cells.cells):
            cells = self.cells.cells[row]
            self.reading.setText(f"{cells[0]} rpm, {cells[1]}: {cells[-1]}")

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        size_table(self.table, unit)
