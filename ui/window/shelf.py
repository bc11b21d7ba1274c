"""The Shelf screen: the sessions of a folder, to find one, to note on it, to export it, to compare several."""

import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.errors import SteadypullError
from stream.record.summary import Summary
from ui.text import shelf as words
from ui.text.figures import one_line
from ui.text.findings import say_all
from ui.window import ask
from ui.window.cells_table import table_style
from ui.window.feed import DriveFeed, Screen
from ui.window.panels import Empty, label
from ui.window.shelf_details import Details, shared_tune
from ui.window.shelf_table import ShelfModel
from ui.window.theme import DARK, Theme
from ui.window.worker import Task, Worker

if TYPE_CHECKING:
    from stream.study.export import What


WIDEST = {0: 190, 5: 180, 6: 220, 7: 170, 8: 420}  # pixels at 1280 × 800, where a text may be long


class ShelfScreen(Screen):
    """Lists off the window's thread; `compare_wanted` carries the paths to open in Compare."""

    compare_wanted = QtCore.Signal(list)
    marks_wanted = QtCore.Signal(str)

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme, self.unit = DARK, 1.0
        self.feed: DriveFeed | None = None
        self.home: Callable[[], Path | None] = lambda: None  # the job's folder
        self.folder: Path | None = None
        self.sessions: tuple[Summary, ...] = ()
        self.worker, self.writer = Worker("shelf"), Worker("notes")
        self._notes: dict[str, str] = {}  # by path; what is not written yet
        self._after: Callable[[Any], None] = self._listed
        self._keep: set[str] = set()
        self.choose = QtWidgets.QPushButton("Folder…")
        self.again = QtWidgets.QPushButton("Look again")
        self.where, self.count = label("detail"), label("caption")
        self.where.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Preferred)
        self.search = QtWidgets.QLineEdit()
        self.search.setPlaceholderText("Search: tune, date, note, fault …")
        self.search.setClearButtonEnabled(True)
        self.search.setToolTip("Find sessions (Ctrl+F)")
        self.model = ShelfModel(self)
        self.table = self._table()
        self.status = label("mind")
        self.status.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Preferred)
        self.details = Details()
        self._lay_out()
        self._connect()

    def _table(self) -> QtWidgets.QTableView:
        table = QtWidgets.QTableView()
        table.setModel(self.model)
        table.setSelectionBehavior(QtWidgets.QAbstractItemView.SelectionBehavior.SelectRows)
        table.setSelectionMode(QtWidgets.QAbstractItemView.SelectionMode.ExtendedSelection)
        table.setEditTriggers(QtWidgets.QAbstractItemView.EditTrigger.NoEditTriggers)
        table.setAlternatingRowColors(True)
        table.setShowGrid(False)
        table.setWordWrap(False)
        table.setTabKeyNavigation(False)
        table.verticalHeader().hide()
        header = table.horizontalHeader()
        header.setHighlightSections(False)
        header.setResizeContentsPrecision(200)
        header.setStretchLastSection(True)
        header.setSortIndicator(0, QtCore.Qt.SortOrder.DescendingOrder)
        table.setSortingEnabled(True)
        return table

    def _lay_out(self) -> None:
        self.top = QtWidgets.QHBoxLayout()
        for part, stretch in (
            (self.choose, 0),
            (self.again, 0),
            (self.where, 3),
            (self.count, 0),
            (self.search, 2),
        ):
            self.top.addWidget(part, stretch)
        self.box = QtWidgets.QVBoxLayout(self)
        self.box.addLayout(self.top)
        self.nothing = Empty("sessions", "Folder…", self.choose_folder, words.CHOOSE)
        self.box.addWidget(self.table, 1)
        self.box.addWidget(self.nothing, 1)
        self.table.hide()
        self.box.addWidget(self.status)
        self.box.addWidget(self.details)
        self.status.hide()

    def _connect(self) -> None:
        self.choose.clicked.connect(self.choose_folder)
        self.again.clicked.connect(self.look_again)
        self.search.textChanged.connect(self.filter)
        self.table.selectionModel().selectionChanged.connect(self._show_chosen)
        self.table.doubleClicked.connect(self.compare)
        self.details.compare.clicked.connect(self.compare)
        self.details.trend.clicked.connect(self.show_trend)
        self.details.marks.clicked.connect(lambda: self.marks_wanted.emit(self.chosen()[0].path))
        self.details.noted.connect(self._notes.__setitem__)
        self.details.export_live.triggered.connect(lambda: self.export("live"))
        self.details.export_holds.triggered.connect(lambda: self.export("holds"))
        self.details.export_pulls.triggered.connect(lambda: self.export("pulls"))
        self.details.export_raw.triggered.connect(lambda: self.export("raw"))
        find = QtGui.QShortcut(QtGui.QKeySequence.StandardKey.Find, self)
        find.activated.connect(self.search.setFocus)

    def attach(self, feed: DriveFeed | None) -> None:
        """Remember the drive: its folder is the first to be looked into."""
        self.feed = feed

    def showEvent(self, event: QtGui.QShowEvent) -> None:  # noqa: N802 - Qt's name
        """The tab comes to the front; Qt calls this."""
        super().showEvent(event)
        file = None if self.feed is None else self.feed.status().path
        home = file.parent if file is not None and file.parent.is_dir() else self.home()
        if self.folder is None and home is not None:
            self.open_folder(home)

    def choose_folder(self) -> None:
        """Ask for a folder and list it."""
        folder = ask.folder(self, "Folder of sessions", self.folder)
        if folder is not None:
            self.open_folder(folder)

    def open_folder(self, folder: Path) -> None:
        """List a folder; what was chosen stays chosen where it is still there."""
        self.folder = folder
        self.where.setText(one_line(str(folder)))
        self.where.setToolTip(one_line(str(folder)))
        self._begin("listing", lambda task: list_folder(folder, task.tell, task.stop), self._listed)

    def look_again(self) -> None:
        """List the folder once more."""
        if self.folder is not None:
            self._keep = {session.path for session in self.chosen()}
            self.open_folder(self.folder)

    def chosen(self) -> list[Summary]:
        """The sessions that are selected, from the top of the list."""
        rows = sorted(index.row() for index in self.table.selectionModel().selectedRows())
        return [self.model.sessions[row] for row in rows]

    def compare(self) -> None:
        """Open the selected sessions in Compare."""
        paths = [session.path for session in self.chosen() if session.readable]
        if paths and self.details.compare.isEnabled():
            self.compare_wanted.emit(paths)

    def show_trend(self) -> None:
        """Say how the tune that the selected sessions share went over their dates."""
        tune = shared_tune(self.chosen())
        paths = [session.path for session in self.chosen() if tune in session.tunes and session.readable]
        self._begin(
            "working out the trend",
            lambda _: trend_of(tune, paths),
            lambda result: self.details.show_trend(words.trend_lines(result)),
        )

    def _write_notes(self) -> None:
        """Write one note after the other, by copy and rename, beside whatever else is done."""
        task = self.writer.take()
        if task is not None:
            self._say(task.trouble or words.NOTED)
            if not task.trouble and not self._notes and self.worker.task is None:
                self.look_again()
        if self._notes and self.writer.task is None:
            path, note = next(iter(self._notes.items()))
            del self._notes[path]
            self.writer.start("note", lambda _: keep_note(path, note))

    def export(self, what: "What") -> None:
        """Ask for a name, whose ending says the format, and write a part of the selected session."""
        path = Path(self.chosen()[0].path)
        out = ask.save_as(self, "Export", path.with_name(f"{path.stem}-{what}.csv"), "csv", words.FORMATS)
        if out is None:
            return
        self._begin("exporting", lambda task: export_part(path, out, what, task.tell), self._say)

    def _begin(self, name: str, work: Callable[[Task], Any], after: Callable[[Any], None]) -> None:
        self._after = after
        self._say("")
        self.worker.start(name, work)

    def poll(self) -> None:
        """See whether the work is over, and how far it is."""
        self._write_notes()
        running = self.worker.task
        if running is not None and running.progress is not None:  # a short look moves no line of the screen
            self._say(running.so_far)
        task = self.worker.take()
        if task is None:
            return
        self._say(task.trouble)
        if not task.trouble:
            self._after(task.result)

    def _listed(self, shelf: Any) -> None:
        self.sessions = shelf.sessions
        self._say("; ".join(one_line(line) for line in say_all(shelf.findings)))
        self.filter()

    def filter(self) -> None:
        """Show the sessions that the search finds."""
        keep = self._keep or {session.path for session in self.chosen()}
        self._keep = set()
        shown = words.search(self.sessions, self.search.text())
        self.model.show_sessions(shown, self.folder or Path())
        empty = not self.sessions
        self.nothing.setVisible(empty)
        self.table.setVisible(not empty)
        self.nothing.words.setText(words.CHOOSE if self.folder is None else words.NONE_HERE)
        self._fit_columns()
        selection = QtCore.QItemSelection()
        for row, session in enumerate(self.model.sessions):
            if session.path in keep:
                selection.select(self.model.index(row, 0), self.model.index(row, self.model.columnCount() - 1))
        self.table.selectionModel().select(selection, QtCore.QItemSelectionModel.SelectionFlag.ClearAndSelect)
        self.count.setText(words.total(len(self.sessions), len(shown)) if self.folder is not None else "")
        self._show_chosen()

    def _fit_columns(self) -> None:
        if not self.model.sessions:
            return
        self.table.resizeColumnsToContents()
        for column in range(self.model.columnCount() - 1):  # the last takes what is left
            widest = round(WIDEST.get(column, 200) * self.unit)
            self.table.setColumnWidth(column, min(widest, self.table.columnWidth(column)))
        QtCore.QTimer.singleShot(0, self._stretch)

    def _stretch(self) -> None:
        """The last column takes what is left: a table that was hidden did not know how wide it is."""
        for on in (False, True):
            self.table.horizontalHeader().setStretchLastSection(on)

    def _show_chosen(self) -> None:
        self.details.show_sessions(self.chosen(), self.folder or Path())

    def _say(self, text: str) -> None:
        self.status.setText(text)
        self.status.setVisible(bool(text))

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme, self.unit = theme, unit
        self.setStyleSheet(table_style(theme, unit))
        self.model.apply_theme(theme, unit)
        gap = round(10 * unit)
        self.box.setContentsMargins(gap, gap, gap, gap)
        self.box.setSpacing(gap)
        self.top.setSpacing(gap)
        self.table.verticalHeader().setDefaultSectionSize(round(32 * unit))
        self.table.horizontalHeader().setFixedHeight(round(32 * unit))
        self.details.resize_to(unit)
        self.nothing.apply_theme(theme, unit)
        self._fit_columns()
        self.table.viewport().update()

    def sessions_in_view(self) -> tuple[str, ...]:
        """All that are listed and can be read."""
        return tuple(session.path for session in self.sessions if session.readable)

    def sessions_changed(self, paths: Sequence[str]) -> None:
        """List the folder again."""
        del paths
        self.look_again()

    def detach(self) -> None:
        """Write the notes that are still on their way, and end the work."""
        self.details.keep_note()
        self.writer.wait()
        self.writer.close()
        self.worker.close()
        for path, note in self._notes.items():
            with suppress(SteadypullError):
                keep_note(path, note)


def keep_note(path: str, note: str) -> None:
    """Write a session's note. Raises InputError, StorageError."""
    from stream.record.change import write_note

    write_note(path, note)


Progress = Callable[[int, int], None]


def export_part(path: Path, out: Path, what: "What", tell: Progress) -> str:
    """Write a part of a session in the format of the file's ending; returns what was done, in words."""
    from stream.study.export import export_session

    rows = export_session(path, out, what, tell)
    return f"{one_line(str(out))}: {rows:,} rows written".replace(",", "\u202f")


def list_folder(folder: Path, tell: Progress, stop: threading.Event) -> Any:
    """The shelf of a folder, through the index."""
    from stream.record.shelf import ShelfIndex, scan

    with ShelfIndex() as index:
        return scan(folder, index, tell, stop)


def trend_of(tune: str, paths: Sequence[str]) -> Any:
    """How a tune went over sessions."""
    from stream.study.compare.trend import trend
    from stream.study.dataset import open_datasets
    from stream.study.pulls import all_traces

    return trend(all_traces(open_datasets(paths))[0], tune)
