"""The pages that do something to several sessions at once: apply a calibration, take zeros, print a report."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.calibrate.speed.calfile import SpeedCalibration
from stream.errors import InputError, line_without
from stream.record.summary import Summary
from ui.text import job as words
from ui.text.figures import many, moment, one_line, plus_minus
from ui.text.findings import say
from ui.window import ask
from ui.window.forms import button, choice
from ui.window.job_desk import JobDesk, JobPage
from ui.window.launch import write_report
from ui.window.panels import label
from ui.window.theme import Theme

KINDS = ("html", "pdf")
NONE_TICKED = "Tick a session first"
ITEM = QtCore.Qt.ItemFlag
TICKED, EMPTY = QtCore.Qt.CheckState.Checked, QtCore.Qt.CheckState.Unchecked


class TickPage(JobPage):
    """A table of sessions with a tick each, and one button that acts on the ticked ones off the window's thread."""

    heads: tuple[str, ...] = ()
    why = ""

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        self.sessions: tuple[Summary, ...] = ()
        self.choices = QtWidgets.QHBoxLayout()
        self.table = QtWidgets.QTableWidget(0, len(self.heads))
        self.table.setHorizontalHeaderLabels(self.heads)
        self.table.verticalHeader().hide()
        self.table.setShowGrid(False)
        self.table.setEditTriggers(QtWidgets.QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.setSelectionBehavior(QtWidgets.QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setTabKeyNavigation(False)
        self.table.setWordWrap(False)
        self.table.horizontalHeader().setStretchLastSection(True)
        self.table.horizontalHeader().setDefaultAlignment(
            QtCore.Qt.AlignmentFlag.AlignLeft | QtCore.Qt.AlignmentFlag.AlignVCenter
        )
        self.table.itemChanged.connect(lambda _: self.count())
        self.note = label("caption", self.why)
        self.note.setWordWrap(True)
        self.body.addLayout(self.choices)
        self.body.addWidget(self.table, 1)
        self.body.addWidget(self.note)
        self.put_buttons(button("", self.go, primary=True))
        self.count()

    def fill(
        self, sessions: Sequence[Summary], cells: Callable[[Summary], Sequence[str]], ticked: Callable[[Summary], bool]
    ) -> None:
        """A row a session; `cells` follow the first one, which names it."""
        self.sessions = tuple(sessions)
        self.table.blockSignals(True)
        self.table.setRowCount(len(sessions))
        for row, session in enumerate(sessions):
            began = "" if session.started_utc is None else f"{moment(session.started_utc)[:16]}  "
            tune = one_line(session.tunes[0], 24) if session.tunes else "no name"
            first = QtWidgets.QTableWidgetItem(f"{began}{tune}")
            first.setFlags(ITEM.ItemIsUserCheckable | ITEM.ItemIsEnabled | ITEM.ItemIsSelectable)
            first.setCheckState(TICKED if ticked(session) else EMPTY)
            first.setToolTip(session.path)
            self.table.setItem(row, 0, first)
            for column, text in enumerate(cells(session), 1):
                self.table.setItem(row, column, QtWidgets.QTableWidgetItem(text))
        self.table.blockSignals(False)
        self._fit_columns()
        self.count()

    @property
    def ticked(self) -> list[Summary]:
        """The sessions that are ticked."""
        items = [self.table.item(row, 0) for row in range(self.table.rowCount())]
        return [one for one, item in zip(self.sessions, items, strict=True) if item.checkState() == TICKED]

    def be_ready(self) -> None:
        """The button says again what it will do."""
        self.count()

    def count(self) -> None:
        """Say on the button what it will do, and to how many."""
        number = len(self.ticked)
        self.primary.setText(self.act_words(number) if number else NONE_TICKED)
        self.primary.setEnabled(bool(number) and self.ready)

    @property
    def ready(self) -> bool:
        """Whether there is all that the button needs besides sessions."""
        return True

    def act_words(self, number: int) -> str:
        """The button's words for so many sessions."""
        raise NotImplementedError

    def go(self) -> None:
        """Act on the ticked sessions."""
        raise NotImplementedError

    def finished(self, result: Any) -> None:
        """The work is over: the sessions are others now."""
        self.desk.look(now=True)
        self.say(str(result))

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        self.table.verticalHeader().setDefaultSectionSize(round(44 * unit))
        self.table.horizontalHeader().setFixedHeight(round(32 * unit))
        self._fit_columns()

    def _fit_columns(self) -> None:
        self.table.resizeColumnsToContents()
        for column in range(self.table.columnCount() - 1):
            self.table.setColumnWidth(column, self.table.columnWidth(column) + round(28 * self.unit))


def counts(session: Summary) -> tuple[str, str]:
    """Its pulls and holds, as cells."""
    return str(session.pulls_clean + session.pulls_flawed), str(session.holds)


class ApplyPage(TickPage):
    """'Apply to…': a calibration of the folder goes to the sessions that are ticked."""

    title, why = "Apply the calibration to…", words.APPLY_WHY
    heads = ("Session", "Pulls", "Holds", "Speeds by")

    def __init__(self, desk: JobDesk) -> None:
        self.sources: list[tuple[str, SpeedCalibration]] = []
        self.source = choice(())
        super().__init__(desk)
        self.choices.addWidget(label("read", "Calibration"))
        self.choices.addWidget(self.source, 1)

    def begin(self, what: Any = None) -> None:
        """`what` is the session whose calibration is meant; None: the one made last."""
        found = self.desk.found
        self.sources, self.wanted = [], what
        shown = [one for one in self.desk.sessions if one.readable and (one.holds or one in found.pulls)]
        self.fill(
            sorted(shown, key=lambda one: (one.started_utc is None, one.started_utc)),
            lambda one: (*counts(one), "a calibration" if one.calibrated else "the car file"),
            lambda one: not one.calibrated,
        )
        paths = [one.path for one in found.calibrated]
        self.run("reading calibrations", lambda _: read_calibrations(paths), self._show_sources)

    def _show_sources(self, sources: list[tuple[str, SpeedCalibration]]) -> None:
        self.sources = sources
        self.source.clear()
        for path, one in sources:
            made = f"made {moment(one.when)[:16]}" if one.when else "of an unknown time"
            self.source.addItem(
                f"{one_line(Path(path).stem, 40)}, {made}, {len([p for p in one.points if p.used])} speeds"
            )
        place = next((place for place, (path, _) in enumerate(sources) if path == self.wanted), 0)
        self.source.setCurrentIndex(place if sources else -1)
        if not sources:
            self.say(f"▲ {words.NO_FIT}")
        self.count()

    @property
    def ready(self) -> bool:
        """A calibration is there."""
        return bool(self.sources)

    def act_words(self, number: int) -> str:
        """How many it goes to."""
        return f"Apply to {many(number, 'session')}"

    def go(self) -> None:
        """Apply it."""
        calibration, paths = self.sources[self.source.currentIndex()][1], [one.path for one in self.ticked]
        self.run("applying", lambda _: apply_to(calibration, paths), self.finished)


def read_calibrations(paths: Sequence[str]) -> list[tuple[str, SpeedCalibration]]:
    """The calibrations in force in these sessions, each once, the newest first."""
    from stream.record.session import open_session
    from stream.study.dataset import calibration_in

    found: dict[str, tuple[str, SpeedCalibration]] = {}
    for path in paths:
        with open_session(path) as session:
            one = calibration_in(session)
        if one is not None and (
            one.when not in found or any(Path(path).name == Path(s.path).name for s in one.sessions)
        ):
            found[one.when] = (path, one)
    return [found[when] for when in sorted(found, reverse=True)]


def apply_to(calibration: SpeedCalibration, paths: Sequence[str]) -> str:
    """Attach it; returns what was done and what there is to say, in words."""
    from stream.study.edit import apply_calibration

    notes = [f"{Path(path).name}: {say(finding)}" for path, finding in apply_calibration(calibration, paths, say)]
    return " ".join([f"Applied to {many(len(paths), 'session')}.", *(one_line(note, 200) for note in notes)])


@dataclass(frozen=True, slots=True)
class ProposedStretch:
    """What a session proposes for its zero; `trouble` where it proposes nothing."""

    path: str
    stretch: tuple[float, float] | None
    value: str
    trouble: str = ""


class ZeroPage(TickPage):
    """Zeros where the cars stood, as the sessions themselves propose them."""

    title, why = "Zero: what the link shows without load", words.ZERO_WHY
    heads = ("Session", "Zeros", "Stretch", "Zero")

    def __init__(self, desk: JobDesk) -> None:
        self.proposals: dict[str, ProposedStretch] = {}
        self.confirmed = QtWidgets.QCheckBox(words.ZERO_ASKS)
        super().__init__(desk)
        self.body.insertWidget(2, self.confirmed)
        self.buttons.insertWidget(
            1, button("Look at its trace…", self._look, hint="The chosen session, to take another stretch")
        )

    def begin(self, what: Any = None) -> None:
        """Ask the sessions with pulls for their stretches."""
        self.confirmed.setChecked(False)
        sessions = [one for one in self.desk.found.pulls if not one.zeros] or list(self.desk.found.pulls)
        self.proposals = {}
        self._show(sessions)
        paths = [one.path for one in sessions if not one.zeros]
        self.say("" if paths or not sessions else words.ZEROS_THERE)
        if paths:
            self.run("looking for stretches", lambda task: propose(paths, task.tell), self._take)

    def _take(self, proposals: list[ProposedStretch]) -> None:
        self.proposals = {one.path: one for one in proposals}
        self._show(self.sessions)

    def _show(self, sessions: Sequence[Summary]) -> None:
        def cells(one: Summary) -> Sequence[str]:
            found = self.proposals.get(one.path)
            if found is None:
                return (str(one.zeros), "", "")
            if found.stretch is None:
                return (str(one.zeros), "none proposed", one_line(found.trouble, 80))
            return (str(one.zeros), f"{found.stretch[0]:.1f} to {found.stretch[1]:.1f} s", found.value)

        self.fill(sessions, cells, self._proposes)

    def _proposes(self, one: Summary) -> bool:
        found = self.proposals.get(one.path)
        return found is not None and found.stretch is not None

    def act_words(self, number: int) -> str:
        """How many zeros are taken."""
        return f"Take {many(number, 'zero')}"

    @property
    def ready(self) -> bool:
        """Each ticked session has proposed a stretch."""
        return all(self._proposes(one) for one in self.ticked)

    def go(self) -> None:
        """Take them."""
        taken = [self.proposals[one.path] for one in self.ticked]
        confirmed = self.confirmed.isChecked()
        self.run("taking zeros", lambda _: take_zeros(taken, confirmed=confirmed), self._taken)

    def _taken(self, text: str) -> None:
        for one in self.ticked:
            self.proposals.pop(one.path, None)
        self._show(self.sessions)
        self.finished(text)

    def _look(self) -> None:
        row = self.table.currentRow()
        if self.sessions:
            self.desk.wanted.emit("load", self.sessions[max(row, 0)].path)


def propose(paths: Sequence[str], tell: Callable[[int, int], None]) -> list[ProposedStretch]:
    """What each session proposes for its zero."""
    from stream.study.dataset import open_dataset
    from stream.study.edit import standing_stretch, zero_of

    found = []
    for number, path in enumerate(paths, 1):
        try:
            stretch = standing_stretch(path)
            with open_dataset(path) as data:
                zero = zero_of(data, *stretch)
                found.append(ProposedStretch(path, stretch, f"{plus_minus(zero.mean, zero.doubt)} {data.load_unit}"))
        except InputError as error:
            found.append(ProposedStretch(path, None, "", line_without(error, path)))
        tell(number, len(paths))
    return found


def take_zeros(proposals: Sequence[ProposedStretch], *, confirmed: bool) -> str:
    """Take the zeros; returns what was done, in words. Raises what keeps it from the first that cannot be taken."""
    from stream.study.edit import declare_zero, one_deed

    together = one_deed(len(proposals))
    for one in proposals:
        if one.stretch is not None:
            declare_zero(one.path, *one.stretch, confirmed=confirmed, together=together)
    wide = "" if confirmed else " Not confirmed: each carries a wider uncertainty."
    return f"Taken: {many(len(proposals), 'zero')}.{wide}"


class ReportPage(TickPage):
    """The ticked sessions on paper: one HTML file, or a PDF."""

    title, why = "Report", words.REPORT_WHY
    heads = ("Session", "Pulls", "Holds", "File")

    def __init__(self, desk: JobDesk) -> None:
        self.base, self.kind = choice(()), choice([kind.upper() for kind in KINDS])
        self.advised = QtWidgets.QCheckBox("with the proposals of the tables that were written")
        super().__init__(desk)
        for part in (label("read", "Compare with"), self.base, label("read", "as"), self.kind, self.advised):
            self.choices.addWidget(part)
        self.choices.addStretch(1)
        self.open = button("Open it", self._open)
        self.open.hide()
        self.buttons.insertWidget(1, self.open)

    def begin(self, what: Any = None) -> None:
        """All sessions of the job are ticked."""
        found, job = self.desk.found, self.desk.memory.job
        holds = [one for one in found.holds if one not in found.pulls]
        self.fill(
            [*holds, *found.pulls],
            lambda one: (*counts(one), one_line(Path(one.path).name, 60)),
            lambda _: True,
        )
        self.base.clear()
        for tune in found.clean:
            self.base.addItem(one_line(tune, 30) or "no name", tune)
        asked = bool(job.advance or job.target)
        self.advised.setEnabled(asked)
        self.advised.setChecked(asked)
        self.open.setVisible(bool(job.report) and Path(job.report).is_file())

    def act_words(self, number: int) -> str:
        """How many go into it."""
        return f"Print {many(number, 'session')}…"

    def go(self) -> None:
        """Ask for a name and write it."""
        kind, folder = KINDS[self.kind.currentIndex()], self.desk.memory.folder or Path.home()
        out = ask.save_as(self, "Print to a file", folder / f"{folder.name}-report.{kind}", kind)
        if out is None:
            return
        paths = [one.path for one in self.ticked]
        wishes = self._wishes()
        self.run("printing", lambda _: print_to(paths, out, wishes), self._printed)

    def _wishes(self) -> dict[str, Any]:
        from stream.study.bands import DEFAULT_WIDTH_RPM

        wishes: dict[str, Any] = {"width_rpm": DEFAULT_WIDTH_RPM}
        if self.base.count():
            wishes["base"] = self.base.currentData()
        job = self.desk.memory.job
        if self.advised.isChecked():
            if job.advance and job.now:
                wishes |= {"advance": job.advance, "now": job.now, "none_heard": job.none_heard}
            if job.target:
                wishes |= {"target": job.target, "fuel": job.fuel or None}
        return wishes

    def _printed(self, out: Path) -> None:
        self.desk.note(report=str(out))
        self.open.show()
        self.finished(f"Printed: {one_line(str(out), 120)}")

    def _open(self) -> None:
        QtGui.QDesktopServices.openUrl(QtCore.QUrl.fromLocalFile(self.desk.memory.job.report))


def print_to(paths: Sequence[str], out: Path, wishes: dict[str, Any]) -> Path:
    """Write the report; returns where it is."""
    write_report(paths, out, **wishes)
    return out
