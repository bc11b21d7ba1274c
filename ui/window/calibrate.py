"""The Calibrate screen: holds to a speed calibration with its uncertainty, and the load channel's proofs."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from pyqtgraph.Qt import QtCore, QtWidgets

from stream.errors import SteadypullError, reason_of
from stream.study.survey.survey import survey_session
from ui.text import speed as say
from ui.text.figures import one_line
from ui.text.findings import codes_said, ranked, say_all
from ui.text.reference import hover
from ui.text.survey import kind, seen_and_cure
from ui.window import ask
from ui.window.calibrate_desk import Desk, Draft, Work, apply_work, open_work, save_work
from ui.window.calibrate_figure import Figure
from ui.window.calibrate_load import LoadPage
from ui.window.cells_table import HoldTable, table_style
from ui.window.feed import DriveFeed, Screen, share_one
from ui.window.panels import Empty, label
from ui.window.theme import DARK, Theme
from ui.window.worker import Worker

EMPTY = "Open a session with a row of held speeds"
ON_PANEL = """
    QScrollArea QLabel, QScrollArea QCheckBox {{ background: {panel}; }}
"""


def survey_words(path: Path) -> list[str]:
    """What a survey of the measuring chain found, in lines; nothing where there is nothing to say."""
    lines = []
    for item in survey_session(path).findings:
        what, (seen, cure) = kind(item), seen_and_cure(item)
        grave = "▲ " if item.severity == "warning" else ""
        lines.append(f"{grave}{what[:1].upper()}{what[1:]}: {seen}.\nWhat to do: {cure}.")
    return lines


class CalibrateScreen(Screen):
    """Sessions are read off the window's thread; what is tried stays a draft until it is applied."""

    zeroed = QtCore.Signal()  # a zero was taken
    turn_wanted = QtCore.Signal(bool)  # undo (True) or redo of the session's own steps
    applied = QtCore.Signal(str)  # the session whose calibration is in force now

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.feed: DriveFeed | None = None
        self.desk = Desk()
        self._typed_before: Draft | None = None
        self.opener, self.surveyor = Worker("calibrate"), Worker("survey")
        self.open_button, self.last = QtWidgets.QPushButton("Open session…"), QtWidgets.QPushButton("Last recording")
        self.undo, self.redo = QtWidgets.QPushButton("Undo"), QtWidgets.QPushButton("Redo")
        self.undo.setToolTip("Take the last change back, of what is tried here first, then of the session (Ctrl+Z)")
        self.redo.setToolTip("Bring it back again (Ctrl+Shift+Z)")
        self.apply, self.save = QtWidgets.QPushButton("Apply to…"), QtWidgets.QPushButton("Save SPEED.toml…")
        self.name = label("caption")
        self.targets, self.reading, self.scale = (QtWidgets.QLineEdit() for _ in range(3))
        self.targets.setPlaceholderText("1500, 2000, 3000, … lowest first")
        self.figure, self.table, self.load = Figure(), HoldTable(), LoadPage()
        self.answer, self.line, self.warnings, self.status = label("known"), label("read"), label("mind"), label("mind")
        self.findings = label("read")
        self.findings.setAlignment(QtCore.Qt.AlignmentFlag.AlignTop | QtCore.Qt.AlignmentFlag.AlignLeft)
        self._lay_out()
        self._connect()
        self._show()

    # -- how it stands ------------------------------------------------------------------------------------------------

    def _lay_out(self) -> None:
        for text in (self.answer, self.line, self.warnings, self.status, self.findings):
            text.setWordWrap(True)
        self.top = QtWidgets.QHBoxLayout()
        for part in (self.open_button, self.last, self.name):
            self.top.addWidget(part)
        self.top.addStretch(1)
        for part in (self.undo, self.redo, self.save, self.apply):
            self.top.addWidget(part)
        fields = QtWidgets.QGridLayout()
        fields.addWidget(label("read", "Speeds held, rpm"), 0, 0)
        fields.addWidget(self.targets, 0, 1, 1, 4)
        fields.addWidget(label("read", "Reading error, ± rpm"), 1, 0)
        fields.addWidget(self.reading, 1, 1)
        fields.addWidget(label("read", "Scale error, ± %"), 1, 2)
        fields.addWidget(self.scale, 1, 3)
        fields.setColumnStretch(4, 1)
        notes = QtWidgets.QScrollArea()
        notes.setWidgetResizable(True)
        inside = QtWidgets.QWidget()
        notes_box = QtWidgets.QVBoxLayout(inside)
        for text in (self.answer, self.line, self.warnings):
            notes_box.addWidget(text)
        notes_box.addStretch(1)
        notes.setWidget(inside)
        side = QtWidgets.QWidget()
        side_box = QtWidgets.QVBoxLayout(side)
        side_box.setContentsMargins(0, 0, 0, 0)
        side_box.addLayout(fields)
        side_box.addWidget(self.table, 5)
        side_box.addWidget(notes, 4)
        self.speed_page = QtWidgets.QWidget()
        page = QtWidgets.QHBoxLayout(self.speed_page)
        self.side = side
        self.nothing = Empty("holds", "Open session…", self.choose, EMPTY)
        page.addWidget(self.figure, 54)
        page.addWidget(side, 46)
        page.addWidget(self.nothing, 100)
        self.pages = QtWidgets.QTabWidget()
        self.pages.addTab(self.speed_page, "Speed")
        self.pages.addTab(self.load, "Load")
        self.findings_page = QtWidgets.QScrollArea()
        self.findings_page.setWidgetResizable(True)
        self.findings_page.setWidget(self.findings)
        self.box = QtWidgets.QVBoxLayout(self)
        self.box.addLayout(self.top)
        self.box.addWidget(self.pages, 1)
        self.box.addWidget(self.status)

    def _connect(self) -> None:
        self.open_button.clicked.connect(self.choose)
        self.last.clicked.connect(self._open_last)
        self.undo.clicked.connect(lambda: self._turn(back=True))
        self.redo.clicked.connect(lambda: self._turn(back=False))
        self.apply.clicked.connect(self._apply)
        self.load.changed.connect(self.zeroed)
        self.save.clicked.connect(self._save)
        for field in (self.targets, self.reading, self.scale):
            field.editingFinished.connect(self._typed)
        self.table.ticked.connect(lambda number, on: self._do(lambda: self.desk.mark(number, accepted=on)))
        self.table.retargeted.connect(lambda number, text: self._do(lambda: self.desk.mark(number, target=text)))

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme = theme
        self.setStyleSheet(table_style(theme, unit) + ON_PANEL.format(panel=theme.panel))
        self.figure.apply_theme(theme, unit)
        self.nothing.apply_theme(theme, unit)
        self.table.resize_to(unit)
        self.load.apply_theme(theme, unit)
        for field in (self.reading, self.scale):
            field.setFixedWidth(round(80 * unit))
        gap = round(8 * unit)
        self.findings.setMargin(2 * gap)
        self.box.setContentsMargins(gap, gap, gap, gap)
        if self.desk.work is not None:
            self.table.show_work(self.desk.work)

    # -- what the window calls ----------------------------------------------------------------------------------------

    def attach(self, feed: DriveFeed | None) -> None:
        """Know the drive whose recording may be opened."""
        self.feed = feed

    def _turn(self, *, back: bool) -> None:
        if not self.undo_own(back=back):
            self.turn_wanted.emit(back)

    def sessions_in_view(self) -> tuple[str, ...]:
        """The one that is open."""
        return () if self.desk.work is None else (str(self.desk.work.path),)

    def sessions_changed(self, paths: Sequence[str]) -> None:
        """Read the session anew where it is one of these; what was typed stays."""
        work = self.desk.work
        if work is not None and share_one([work.path], paths):
            self._typed_before = work.draft
            self.open(work.path, load=self.pages.currentWidget() is self.load)

    def undo_own(self, *, back: bool) -> bool:
        """The draft's steps come before those of the session."""
        on_speed = self.pages.currentWidget() is self.speed_page
        able = self.desk.can_undo if back else self.desk.can_redo
        if on_speed and able:
            self._do(self.desk.undo if back else self.desk.redo)
        return on_speed and able

    def detach(self) -> None:
        """End the threads."""
        self.opener.close()
        self.surveyor.close()
        self.load.close_work()

    def poll(self) -> None:
        """Take over what the threads have done."""
        self.last.setVisible(self._last_recording() is not None)
        done = self.opener.take()
        if done is not None:
            if done.trouble:
                self.status.setText(done.trouble)
            else:
                self._take(done.result)
        self.load.poll()
        surveyed = self.surveyor.take()
        if surveyed is not None:
            self._show_findings([] if surveyed.trouble else surveyed.result)

    # -- what the person does -----------------------------------------------------------------------------------------

    def choose(self) -> None:
        """Ask for a session file."""
        start = None if self.desk.work is None else self.desk.work.path.parent
        path = ask.open_file(self, "A session with held speeds", start, "h5", "Sessions")
        if path is not None:
            self.open(path)

    def open(self, path: str | Path, *, load: bool = False) -> None:
        """Read a session; it is shown when it is there, its load page in front where that is asked for."""
        self.pages.setCurrentWidget(self.load if load else self.speed_page)
        self.status.setText(f"reading {one_line(Path(path).name, 60)} …")
        self.opener.start("open", lambda _: open_work(path))

    def _last_recording(self) -> Path | None:
        status = None if self.feed is None else self.feed.status()
        return None if status is None or status.recording else status.path

    def _open_last(self) -> None:
        path = self._last_recording()
        if path is not None:
            self.open(path)

    def _take(self, work: Work) -> None:
        self.desk.open(work)
        typed, self._typed_before = self._typed_before, None
        if typed is not None:
            self.desk.change(replace(typed, marks=work.draft.marks))
            self.desk.settle()
        self.status.setText("")
        self.load.show_session(work.path)
        self._show_findings([])
        self.surveyor.start("survey", lambda _: survey_words(work.path))
        self._show()

    def _do(self, act: Callable[[], object]) -> None:
        try:
            act()
            self.status.setText("")
        except SteadypullError as error:
            self.status.setText(reason_of(error))
        self._show()

    def _typed(self) -> None:
        work = self.desk.work
        if work is None:
            return
        draft = replace(
            work.draft,
            targets=self.targets.text().strip(),
            reading_error=self.reading.text(),
            scale_error=self.scale.text(),
        )
        if draft != work.draft:
            self._do(lambda: self.desk.change(draft))

    def _apply(self) -> None:
        work = self.desk.work
        if work is None:
            return
        try:
            warnings = apply_work(work)
        except SteadypullError as error:
            self.status.setText(reason_of(error))
            return
        self.desk.settle()
        done = f"Applied: speeds of {one_line(work.path.name, 60)} are now reported by this calibration."
        self.status.setText(" ".join([done, *warnings]))
        self._show()
        self.applied.emit(str(work.path))

    def _save(self) -> None:
        work = self.desk.work
        if work is None:
            return
        path = ask.save_as(self, "Save the calibration", work.path.with_name("SPEED.toml"), "toml")
        if path is not None:
            self.save_to(path)

    def save_to(self, path: Path) -> None:
        """Write the calibration to a file."""
        if self.desk.work is not None:
            work = self.desk.work
            self._do(lambda: save_work(work, path))
            self.status.setText(self.status.text() or f"Saved: {path.name}")

    # -- what is shown ------------------------------------------------------------------------------------------------

    def _show(self) -> None:
        work = self.desk.work
        fit = None if work is None else work.calibration
        for button in (self.apply, self.save):
            button.setEnabled(fit is not None)
        for button in (self.undo, self.redo):
            button.setEnabled(work is not None)
        for part in (self.targets, self.reading, self.scale, self.table):
            part.setEnabled(work is not None)
        self.figure.show_work(work)
        self.nothing.setVisible(work is None)
        for part in (self.figure, self.side):
            part.setVisible(work is not None)
        if work is None:
            self.answer.setText(EMPTY + ".")
            return
        self.name.setText(one_line(work.path.name, 60))
        self.targets.setText(work.draft.targets)
        self.targets.setCursorPosition(0)
        self.reading.setText(work.draft.reading_error)
        self.scale.setText(work.draft.scale_error)
        self.table.show_work(work)
        self.answer.setText(say.headline(work.calibration, work.trouble))
        self.line.setText(say.formula(work.calibration, work.unit))
        with codes_said() as codes:
            lines = say_all(ranked(fit.findings)) if fit is not None else []
        self.warnings.setText("\n".join(f"• {one_line(line, 400)}" for line in lines))
        self.warnings.setToolTip(hover(codes))

    def _show_findings(self, lines: list[str]) -> None:
        """The survey's tab is there only where it has something to say."""
        place = self.pages.indexOf(self.findings_page)
        if lines:
            self.findings.setText("\n\n".join(lines))
            if place < 0:
                self.pages.addTab(self.findings_page, f"Chain ({len(lines)})")
            else:
                self.pages.setTabText(place, f"Chain ({len(lines)})")
        elif place >= 0:
            self.pages.removeTab(place)
