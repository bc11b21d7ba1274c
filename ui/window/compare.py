"""The Compare screen: is the trial tune better than the base, at which speeds, and how sure is that?"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.study.bands import DEFAULT_WIDTH_RPM
from ui.text import comparison as words
from ui.text.figures import tune_name
from ui.text.findings import codes_said
from ui.text.reference import hover
from ui.window import ask
from ui.window.align_page import AlignPage
from ui.window.cells_table import table_style
from ui.window.compare_figure import Figure
from ui.window.compare_panels import AnswerPanel, Foot, write_csv, write_picture
from ui.window.compare_study import Answer, Opened, open_sessions, ticked, usual_pair, work_out
from ui.window.compare_tables import Lists
from ui.window.feed import Screen, share_one
from ui.window.ignition_page import IgnitionPage
from ui.window.mixture_page import MixturePage
from ui.window.panels import Empty, label
from ui.window.power_page import PowerPage
from ui.window.study_page import StudyPage
from ui.window.theme import DARK, Theme
from ui.window.worker import Task, Worker

EMPTY = ("idle", "", "No sessions opened", "Choose sessions of two tunes on the Shelf, then press Compare there.", "")
NARROWEST, WIDEST = 50, 1000
KINDS = ("png", "svg", "csv")


class CompareScreen(Screen):
    """Reads and works out off the window's thread. Ticks count on this screen only; no session is changed."""

    shelf_wanted = QtCore.Signal()
    coastdown_wanted = QtCore.Signal()
    wrote = QtCore.Signal(object)

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme, self.unit = DARK, 1.0
        self.opened: Opened | None = None
        self.paths: tuple[str, ...] = ()
        self.found: Answer | None = None
        self.folder: Path | None = None
        self.worker = Worker("compare")
        self.base, self.trial = QtWidgets.QComboBox(), QtWidgets.QComboBox()
        self.swap = QtWidgets.QPushButton("Swap")
        self.width_box = QtWidgets.QLineEdit(f"{DEFAULT_WIDTH_RPM:.0f}")
        self.width_box.setValidator(QtGui.QIntValidator(NARROWEST, WIDEST, self))
        self.width_box.setToolTip(f"Width of a rev band, {NARROWEST} to {WIDEST} rpm; Enter works it out anew")
        self.shelf = QtWidgets.QPushButton("To the shelf")
        self.export, self.export_actions = self._export_button()
        self.what, self.status = label("caption"), label("caption")
        self.answer, self.figure, self.lists, self.foot = AnswerPanel(), Figure(), Lists(), Foot()
        self.power = PowerPage()
        self.studies: dict[str, StudyPage] = {
            "Power": self.power,
            "Ignition": IgnitionPage(),
            "Mixture": MixturePage(),
            "Controller log": AlignPage(),
        }
        self._lay_out()
        self._connect()
        self._show_empty(EMPTY)

    def _export_button(self) -> tuple[QtWidgets.QToolButton, dict[str, Any]]:
        button = QtWidgets.QToolButton()
        button.setText("Export")
        button.setPopupMode(QtWidgets.QToolButton.ToolButtonPopupMode.InstantPopup)
        menu = QtWidgets.QMenu(button)
        names = {"png": "Picture (PNG)…", "svg": "Drawing (SVG)…", "csv": "Table (CSV)…"}
        actions = {kind: QtGui.QAction(names[kind], menu) for kind in KINDS}
        menu.addActions(list(actions.values()))
        button.setMenu(menu)
        return button, actions

    def _lay_out(self) -> None:
        self.top = QtWidgets.QHBoxLayout()
        for part in (
            label("caption", "Base"),
            self.base,
            self.swap,
            label("caption", "Trial"),
            self.trial,
            label("caption", "Band"),
            self.width_box,
            label("caption", "rpm"),
        ):
            self.top.addWidget(part)
        self.top.addWidget(self.status, 1)
        for part in (self.what, self.shelf, self.export):
            self.top.addWidget(part)
        self.sheet = QtWidgets.QWidget()  # what a picture of the comparison holds, less the lists
        self.sheet_box = QtWidgets.QVBoxLayout(self.sheet)
        self.sheet_box.setContentsMargins(0, 0, 0, 0)
        self.sheet_box.addWidget(self.answer)
        self.nothing = Empty("curves", "To the shelf", self.shelf_wanted.emit)
        self.split = QtWidgets.QHBoxLayout()
        self.split.addWidget(self.figure, 63)
        self.split.addWidget(self.lists, 37)
        self.split.addWidget(self.nothing, 100)
        self.sheet_box.addLayout(self.split, 1)
        for part in (self.sheet, self.figure, self.lists):
            policy = QtWidgets.QSizePolicy.Policy.Ignored
            part.setSizePolicy(policy, policy)
        page = QtWidgets.QWidget()
        self.box = QtWidgets.QVBoxLayout(page)
        self.box.addLayout(self.top)
        self.box.addWidget(self.sheet, 1)
        self.box.addWidget(self.foot)
        self.pages = QtWidgets.QTabWidget()
        self.pages.setDocumentMode(True)
        self.pages.tabBar().setDrawBase(False)
        self.pages.addTab(page, "Comparison")
        for name, study in self.studies.items():
            self.pages.addTab(study, name)
        self.outer = QtWidgets.QVBoxLayout(self)
        self.outer.addWidget(self.pages)

    def _connect(self) -> None:
        self.base.activated.connect(self.recompute)
        self.trial.activated.connect(self.recompute)
        self.swap.clicked.connect(self.swap_tunes)
        self.width_box.editingFinished.connect(self.recompute)
        self.shelf.clicked.connect(self.shelf_wanted)
        self.power.coastdown.clicked.connect(self.coastdown_wanted)
        self.lists.pulls.ticked.connect(self.tick)
        for study in self.studies.values():
            study.wrote.connect(self.wrote)
        for kind, action in self.export_actions.items():
            action.triggered.connect(lambda *, kind=kind: self.export_as(kind))

    def sessions_in_view(self) -> tuple[str, ...]:
        """What is compared."""
        return self.paths

    def sessions_changed(self, paths: Sequence[str]) -> None:
        """Compare anew where one of these was compared."""
        if share_one(paths, self.paths):
            self.open(self.paths)

    def open(self, paths: Sequence[str]) -> None:
        """Read these sessions and compare the tunes in them."""
        self.folder = Path(paths[0]).parent
        self.opened, self.found, self.paths = None, None, tuple(paths)
        self._show_empty(("wait", "", "Reading", "", ""))
        width = float(self.width_box.text()) if self.width_box.hasAcceptableInput() else DEFAULT_WIDTH_RPM
        self.worker.start("reading sessions", lambda task: self._read(paths, width, task))
        for study in self.studies.values():
            study.open(paths)

    @staticmethod
    def _read(paths: Sequence[str], width: float, task: Task) -> tuple[Opened, Answer]:
        opened = open_sessions(paths, task.tell, task.stop)
        base, trial = usual_pair([pull for pull in opened.pulls if pull.usable] or opened.pulls)
        return opened, work_out(opened.pulls, base, trial, width, opened.scatter)

    def show_page(self, name: str) -> None:
        """Put a page beside the comparison in front."""
        self.pages.setCurrentWidget(self.studies[name])

    def recompute(self) -> None:
        """Work the answer out anew for what is chosen now."""
        if self.opened is None:
            return
        if not self.width_box.hasAcceptableInput():
            return
        pulls, width = self.opened.pulls, float(self.width_box.text())
        base, trial = self.base.currentData(), self.trial.currentData()
        opened = self.opened
        self.worker.start("working out", lambda _: (opened, work_out(pulls, base, trial, width, opened.scatter)))

    def swap_tunes(self) -> None:
        """Base becomes trial and the other way round."""
        base, trial = self.base.currentIndex(), self.trial.currentIndex()
        self.base.setCurrentIndex(trial)
        self.trial.setCurrentIndex(base)
        self.recompute()

    def tick(self, place: int, used: bool) -> None:
        """Include or leave out a pull, by its place among the opened ones."""
        if self.opened is None:
            return
        pulls = list(self.opened.pulls)
        pulls[place] = ticked(pulls[place], used)
        self.opened = replace(self.opened, pulls=tuple(pulls))
        self.lists.show_answer(self.found, pulls)
        self.recompute()

    def poll(self) -> None:
        """See whether the work is over."""
        for study in self.studies.values():
            study.poll()
        task = self.worker.look(self.status.setText)
        if task is None:
            return
        if task.trouble:
            self._show_empty(("caution", "", "No comparison", task.trouble, ""))
        else:
            self._show(*task.result)

    def _show(self, opened: Opened, found: Answer) -> None:
        first = self.opened is None
        self._show_nothing(False)
        self.opened, self.found = opened, found
        if first:
            self._fill_choosers(opened, found)
        kind, title, detail = words.answer(found.comparison, found.trouble)
        bands = words.bands_line(found.comparison, found.width)
        self.answer.show_words(kind, words.day_line(found.resolves), title, detail, bands)
        self.figure.show_answer(found)
        self.lists.show_answer(found, opened.pulls)
        with codes_said() as codes:
            mind = words.to_mind(found.comparison, found.curves, opened.remarks)
        self.foot.show_words(words.next_pull(found.advice), mind)
        self.foot.mind.setToolTip(hover(codes))
        plural = "session" if opened.sessions == 1 else "sessions"
        self.what.setText(f"{opened.sessions} {plural}, {len(opened.pulls)} pulls")
        self._enable(True)

    def _fill_choosers(self, opened: Opened, found: Answer) -> None:
        for chooser, chosen in ((self.base, found.base), (self.trial, found.trial)):
            chooser.clear()
            for tune in opened.tunes:
                chooser.addItem(tune_name(tune), tune)
            chooser.setCurrentIndex(opened.tunes.index(chosen))

    def _show_empty(self, said: tuple[str, str, str, str, str]) -> None:
        self.answer.show_words(*said)
        self.figure.show_answer(None)
        self.lists.show_answer(None, ())
        self._show_nothing(said[0] == "idle")
        self.foot.show_words("", [])
        self.what.setText("")
        self._enable(False)

    def _show_nothing(self, nothing: bool) -> None:
        """A drawing and one button in the place of plots, lists and what to mind."""
        self.nothing.setVisible(nothing)
        self.shelf.setHidden(nothing)  # one button that goes there is enough
        for part in (self.figure, self.lists, self.foot):
            part.setVisible(not nothing)

    def _enable(self, on: bool) -> None:
        for part in (self.base, self.trial, self.swap, self.width_box, self.export):
            part.setEnabled(on)
        self.export_actions["csv"].setEnabled(on and self.found is not None and self.found.comparison is not None)

    def export_as(self, kind: str) -> None:
        """Ask for a name and write the comparison: a picture, a drawing or a table."""
        found = self.found
        if found is None:
            return
        names = [name for name in (tune_name(found.base), tune_name(found.trial)) if name]
        start = (self.folder or Path.home()) / f"{'-'.join(names).replace('/', '-')}.{kind}"
        out = ask.save_as(self, "Export the comparison", start, kind)
        if out is None:
            return
        if kind == "csv" and found.comparison is not None:
            trouble = write_csv(found.comparison, out)
        else:
            trouble = self._write_picture(out, found)
        self.status.setText(trouble or f"written: {out.name}")

    def _write_picture(self, out: Path, found: Answer) -> str:
        """A picture goes where the list beside it does not, so what must be minded stands in it."""
        mind = [] if self.opened is None else words.to_mind(found.comparison, found.curves, self.opened.remarks)
        self.figure.point_at(None)
        self.figure.reading.setText(f"Warning: {' '.join(mind)}" if mind else "")
        self.lists.hide()
        for layout in (self.figure.box, self.split, self.sheet_box, self.figure.box):
            layout.invalidate()
            layout.activate()
        trouble = write_picture(self.sheet, out, self.theme)
        self.lists.show()
        self.figure.point_at(None)
        return trouble

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme, self.unit = theme, unit
        self.setStyleSheet(table_style(theme, unit))
        gap = round(10 * unit)
        self.outer.setContentsMargins(gap, 0, gap, gap)
        self.box.setContentsMargins(0, gap, 0, 0)
        for layout in (self.box, self.split, self.sheet_box, self.top):
            layout.setSpacing(gap)
        self.width_box.setFixedWidth(round(80 * unit))
        for part in (self.answer, self.figure, self.lists, self.foot, self.nothing):
            part.apply_theme(theme, unit)
        for study in self.studies.values():
            study.apply_theme(theme, unit)

    def detach(self) -> None:
        """End the work."""
        self.worker.close()
        for study in self.studies.values():
            study.close_work()
