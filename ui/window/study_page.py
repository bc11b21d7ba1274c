"""What the pages beside the comparison share: one row of choices, the answer, a body, and what to mind."""

from collections.abc import Callable, Sequence
from typing import Any

from pyqtgraph.Qt import QtCore, QtWidgets

from ui.text.figures import sentence, sentences
from ui.text.tables import DECIDES, WATCH
from ui.window.compare_panels import AnswerPanel, Foot
from ui.window.panels import label
from ui.window.theme import DARK, Theme
from ui.window.worker import Task, Worker

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
        running = self.worker.task
        if running is not None:
            told = running.progress
            self.status.setText(f"{running.name}: {100 * told[0] // max(told[1], 1)} %" if told else "")
        task = self.worker.take()
        if task is None:
            return
        self.status.setText("")
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


def may_shrink(part: QtWidgets.QWidget) -> None:
    """Let the page, not the content, say how large a part is."""
    part.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Ignored)


def reading_line() -> QtWidgets.QLabel:
    """A line below a table for the whole text of what is chosen in it."""
    made = label("read")
    made.setWordWrap(True)
    made.setAlignment(QtCore.Qt.AlignmentFlag.AlignTop)
    return made
