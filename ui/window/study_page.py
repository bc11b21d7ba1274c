"""What the pages beside the comparison share: one row of choices, the answer, a body, and what to mind."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.errors import SteadypullError
from stream.record.names import free_path, write_text
from stream.study.tables.user_table import companion
from ui.text.figures import one_line, sentence, sentences
from ui.text.tables import DECIDES, WATCH
from ui.window import ask
from ui.window.cell_map import MapsView
from ui.window.compare_panels import AnswerPanel, Foot
from ui.window.panels import Empty, label
from ui.window.study_work import Written, keep_pasted
from ui.window.theme import DARK, Theme
from ui.window.worker import Task, Worker

TABLE_FILES = "csv txt tsv"  # endings that a table has
EMPTY_TITLE, EMPTY_DETAIL = "No sessions opened", "Choose sessions on the Shelf, then press Compare there."


class StudyPage(QtWidgets.QWidget):
    """A page of the Compare screen. Its work runs off the window's thread, and only once the page is in front."""

    wrote = QtCore.Signal(object)  # what a table was written from and where, as the job keeps it
    no_answer = "Cannot be worked out"
    decides, caution = sentence(DECIDES), sentence(WATCH)

    def __init__(self, name: str) -> None:
        super().__init__()
        self.theme: Theme = DARK
        self.unit = 1.0
        self.paths: tuple[str, ...] = ()
        self.due = False
        self.worker = Worker(name)
        self.done: Callable[[Any], None] = lambda _: None
        self.status = label("caption")
        self.answer, self.foot = AnswerPanel(), Foot()
        self.foot.next_caption.setText("A person decides")
        self.foot.caution.setText(self.caution)
        self.foot.box.setColumnStretch(0, 55)  # the cautions are never cut; what to mind scrolls
        self.foot.box.setColumnStretch(1, 45)
        self.top, self.body = QtWidgets.QHBoxLayout(), QtWidgets.QHBoxLayout()
        self.box = QtWidgets.QVBoxLayout(self)
        self.box.addLayout(self.top)
        self.box.addWidget(self.answer)
        self.box.addLayout(self.body, 1)
        self.box.addWidget(self.foot)

    def open(self, paths: Sequence[str]) -> None:
        """These sessions are studied from now on."""
        self.worker.drop()
        self.paths, self.due = tuple(dict.fromkeys(paths)), True
        self.empty()
        if self.isVisible():
            self.begin_if_due()

    def begin_if_due(self) -> None:
        """Begin what the opened sessions allow, once."""
        if self.due and self.paths:
            self.due = False
            self.begin()

    def begin(self) -> None:
        """The page is in front with new sessions."""
        raise NotImplementedError

    def empty(self) -> None:
        """Nothing is worked out yet; a page adds what it asks for."""
        raise NotImplementedError

    def run(self, name: str, work: Callable[[Task], Any], done: Callable[[Any], None]) -> None:
        """Start work; `done` gets its result, an error that a person can mend is said in its place."""
        self.done = done
        self.say("wait", name.capitalize(), "")
        self.worker.start(name, work)

    def poll(self) -> None:
        """See whether the work is over."""
        task = self.worker.look(self.status.setText)
        if task is None:
            return
        if task.trouble:
            self.failed(task.trouble)
        else:
            self.done(task.result)

    def failed(self, trouble: str) -> None:
        """Say what is missing, where the answer would stand."""
        self.empty()
        self.say("caution", self.no_answer, sentence(trouble))

    def say(self, kind: str, title: str, detail: str, warnings: Sequence[str] = ()) -> None:
        """The answer's words, and what to mind."""
        self.answer.show_words(kind, "", title, detail, "")
        self.foot.show_words(self.decides, sentences(warnings))

    def showEvent(self, event: Any) -> None:  # noqa: N802 - Qt's name
        """The page came in front; Qt calls this."""
        super().showEvent(event)
        self.begin_if_due()

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme, self.unit = theme, unit
        gap = round(10 * unit)
        self.box.setContentsMargins(0, gap, 0, 0)
        for layout in (self.box, self.top, self.body):
            layout.setSpacing(gap)
        for part in (self.answer, self.foot):
            part.apply_theme(theme, unit)

    def close_work(self) -> None:
        """End the work."""
        self.worker.close()


class TablePage(StudyPage):
    """A page on a person's own table: it comes from a file or the clipboard and goes out the same ways, whole, in the
    shape it came, with a file beside it that says per cell why; between them stand three maps of its cells."""

    def __init__(self, name: str, ending: str) -> None:
        super().__init__(name)
        self.kind, self.ending = name, ending  # what the table is of, and the end of the written file's name
        self.made: Written | None = None
        self.maps, self.reading = MapsView(), reading_line()
        self.copy = QtWidgets.QPushButton("Copy")
        self.copy.setToolTip("The whole table to the clipboard, ready to paste (Ctrl+Shift+C); written to a file too")
        self.export = QtWidgets.QPushButton("Export…")
        self.export.setToolTip(
            "The whole table as it came with the proposals in it; a file beside it says per cell why"
        )
        self.views = QtWidgets.QStackedWidget()
        self.views.addWidget(self.maps)
        self.nothing = Empty("cells", "Choose the table…", self.choose_table)
        column, beside = QtWidgets.QVBoxLayout(), QtWidgets.QVBoxLayout()
        column.addWidget(self.views, 1)
        column.addWidget(self.nothing, 1)
        column.addWidget(self.reading)
        self.box.removeWidget(self.foot)
        self.foot.stand_upright()
        for part in (self.maps.overview, self.foot):
            part.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, part.sizePolicy().verticalPolicy())
        beside.addWidget(self.maps.overview)
        beside.addWidget(self.foot, 1)
        self.body.addLayout(column, 68)
        self.body.addLayout(beside, 32)
        self.maps.read.connect(self.reading.setText)
        self.copy.clicked.connect(self.copy_table)
        self.export.clicked.connect(self.export_table)
        self.key("Ctrl+Shift+C", self.copy_table)

    def key(self, keys: str, what: Callable[[], None]) -> None:
        """A key of this page."""
        shortcut = QtGui.QShortcut(QtGui.QKeySequence(keys), self)
        shortcut.setContext(QtCore.Qt.ShortcutContext.WidgetWithChildrenShortcut)
        shortcut.activated.connect(what)

    def source(self) -> Path | None:
        """The file of the table that is written back."""
        raise NotImplementedError

    def choose_table(self) -> None:
        """Ask for the table's file."""
        raise NotImplementedError

    def asked(self) -> dict[str, Any]:
        """What the job keeps of how the table was made, `tables` left out."""
        raise NotImplementedError

    def pasted(self, what: str) -> Path | None:
        """The clipboard's table in a file beside the sessions; None where there is none, and then it is said."""
        text = QtGui.QGuiApplication.clipboard().text()
        folder = Path(self.paths[0]).parent if self.paths else Path.home()
        try:
            return keep_pasted(text, folder, what)
        except SteadypullError as error:
            self.status.setText(one_line(str(error), 120))
            return None

    def show_made(self, made: Written | None) -> None:
        """Take over what came of the table."""
        self.made = made
        self.nothing.setVisible(made is None and bool(self.paths))
        self.views.setVisible(made is not None)
        self.maps.show_maps(() if made is None else made.maps)
        for part in (self.copy, self.export):
            part.setEnabled(made is not None and bool(made.table))

    def copy_table(self) -> None:
        """The whole table to the clipboard, and to a file beside the one it came from."""
        source = self.source()
        if self.made is None or not self.made.table or source is None:
            return
        out = free_path(source.parent, f"{source.stem}-{self.ending}.csv")
        if self._write(out):
            QtGui.QGuiApplication.clipboard().setText(self.made.table)
            self.status.setText(f"on the clipboard; and {one_line(out.name)}, {one_line(companion(out).name)}")

    def export_table(self) -> None:
        """Ask for a name and write the table, and beside it why."""
        source = self.source()
        if self.made is None or not self.made.table or source is None:
            return
        out = ask.save_as(self, "Export the table", source.with_name(f"{source.stem}-{self.ending}.csv"), "csv")
        if out is not None and self._write(out):
            self.status.setText(f"written: {one_line(out.name)} and {one_line(companion(out).name)}")

    def _write(self, out: Path) -> bool:
        if self.made is None:
            return False
        try:
            write_text(companion(out), self.made.why)  # first: no table without what it came from
            write_text(out, self.made.table, self.made.encoding)
        except SteadypullError as error:
            self.status.setText(one_line(str(error)))
            return False
        self.wrote.emit({"tables": {self.kind: str(out)}, **self.asked()})
        return True

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        self.maps.apply_theme(theme, unit)
        self.nothing.apply_theme(theme, unit)
        self.reading.setFixedHeight(round(44 * unit))


def may_shrink(part: QtWidgets.QWidget) -> None:
    """Let the page, not the content, say how large a part is."""
    part.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Ignored)


def reading_line() -> QtWidgets.QLabel:
    """A line below a table for the whole text of what is chosen in it."""
    made = label("read")
    made.setWordWrap(True)
    made.setAlignment(QtCore.Qt.AlignmentFlag.AlignTop)
    return made
