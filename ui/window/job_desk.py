"""What the start page, its pages and the trail share: settings, what was set going, the sessions of the folder."""

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from pyqtgraph.Qt import QtCore, QtWidgets

from stream.record.summary import Summary
from stream.sources.port import PortRecord, list_ports
from ui.text import steps
from ui.text.figures import one_line
from ui.window import ask
from ui.window.forms import button
from ui.window.job import Found, Step, sort_out, trail
from ui.window.launch import Launcher
from ui.window.memory import Memory
from ui.window.panels import label
from ui.window.shelf import list_folder
from ui.window.theme import DARK, Theme
from ui.window.worker import Task, Worker

LOOK_MS, PORTS_MS = 1000, 2000


class JobDesk(QtCore.QObject):
    """`wanted` asks the window for a place: (its name, what it needs); `changed`: sessions or job are others now."""

    wanted = QtCore.Signal(str, object)
    changed = QtCore.Signal()
    ports_changed = QtCore.Signal()
    turned = QtCore.Signal(object, str)  # sessions that an undo or a redo has changed, and what it was

    def __init__(self, memory: Memory | None = None) -> None:
        super().__init__()
        self.memory = memory or Memory()
        self.launcher = Launcher()
        self.sessions: tuple[Summary, ...] = ()
        self.driving = False
        self.steps: tuple[Step, ...] = trail((), self.memory.job, car=self.memory.car is not None)
        self.ports: list[PortRecord] = []
        self.worker, self._finder, self._turner = Worker("job"), Worker("ports"), Worker("undo")
        self._ports_looked = QtCore.QElapsedTimer()
        self._seen: tuple[Any, ...] = ()
        self._looked = QtCore.QElapsedTimer()

    @property
    def found(self) -> Found:
        """The folder's sessions, sorted by what they offer."""
        return sort_out(self.sessions)

    @property
    def next_step(self) -> Step | None:
        """The step that is next; None where all is done."""
        return next((step for step in self.steps if step.state == "next"), None)

    @property
    def reading(self) -> bool:
        """Whether the folder is being read: what is next may be another thing in a moment."""
        return self.worker.task is not None

    @property
    def changeable(self) -> tuple[str, ...]:
        """The folder's sessions that can be read."""
        return tuple(one.path for one in self.sessions if one.readable)

    def undo(self, beside: Sequence[str] = ()) -> None:
        """Take back what was done last in the folder's sessions and those `beside`, however long ago."""
        self._turn(beside, back=True)

    def redo(self, beside: Sequence[str] = ()) -> None:
        """Do again what was taken back."""
        self._turn(beside, back=False)

    def _turn(self, beside: Sequence[str], *, back: bool) -> None:
        if self.driving:
            self.turned.emit((), steps.NOT_NOW)
        if self.driving or self._turner.task is not None:
            return
        paths = tuple({Path(path).resolve(): path for path in (*beside, *self.changeable)}.values())
        self._turner.start("undo" if back else "redo", lambda _: turn_last(paths, back=back))

    def see_drive(self, driving: bool) -> None:
        """While something is driven the folder is left alone; afterwards it is read at once."""
        if self.driving and not driving:
            self.driving = False
            self.look(now=True)
        self.driving = driving

    def set_folder(self, folder: Path) -> None:
        """The job is in this folder from now on."""
        self.memory.set_folder(folder)
        self.look(now=True)

    def note(self, **changes: Any) -> None:
        """Keep how far the job is."""
        self.memory.change_job(**changes)
        self._judge()

    def usual_table(self) -> Path | None:
        """The table whose cells the road's map shows: the one chosen there, else one that was worked on."""
        job = self.memory.job
        tables = [Path(path) for path in (job.cells, job.fuel, job.target, job.advance) if path]
        return next((path for path in tables if path.is_file()), None)

    def look(self, *, now: bool = False) -> None:
        """See once a second whether the folder changed; read what is new off the window's thread."""
        if not now and self._looked.isValid() and self._looked.elapsed() < LOOK_MS:
            return
        self._looked.start()
        self.memory.save()
        folder = self.memory.folder
        seen = (folder, *_listing(folder), self.memory.kept.car)
        if seen == self._seen:
            return
        self._seen = seen
        if folder is None:
            self.sessions = ()
            self._judge()
            return
        self.worker.start("reading the folder", lambda task: list_folder(folder, task.tell, task.stop))

    def poll(self) -> None:
        """One frame."""
        self.launcher.poll()
        if not self.driving:
            self.look()
        turned = self._turner.take()
        if turned is not None:
            paths, text = ((), f"▲ {turned.trouble}") if turned.trouble else turned.result
            self.look(now=True)
            self.turned.emit(paths, text)
        found = self._finder.take()
        if found is not None and not found.trouble and found.result != self.ports:
            self.ports = found.result
            self.ports_changed.emit()
        task = self.worker.take()
        if task is not None and not task.trouble:
            self.sessions = task.result.sessions
            self._judge()

    def find_ports(self) -> None:
        """Look for devices every other second, while somebody looks at a page that offers them."""
        if not self._ports_looked.isValid() or self._ports_looked.elapsed() > PORTS_MS:
            self._ports_looked.start()
            self._finder.start(
                "looking for devices", lambda _: sorted(list_ports(), key=lambda port: not port.plugged_in)
            )

    def _judge(self) -> None:
        self.steps = trail(self.sessions, self.memory.job, car=self.memory.car is not None)
        self.changed.emit()

    def close(self) -> None:
        """End what goes on, and keep the settings."""
        self.worker.close()
        self._finder.close()
        self._turner.close()
        self.launcher.end()
        self.memory.save()


def turn_last(paths: Sequence[str], *, back: bool) -> tuple[tuple[str, ...], str]:
    """Take the last deed of these sessions back, or do the next again; returns which changed, and what it was."""
    from stream.record import deeds

    found = deeds.read_deeds(paths)
    deed = deeds.last_done(found) if back else deeds.first_undone(found)
    if deed is None:
        return (), f"{steps.NOTHING_BACK if back else steps.NOTHING_FORTH}."
    (deeds.undo_deed if back else deeds.redo_deed)(deed)
    return deed.paths, steps.turned(deed, back=back)


def _listing(folder: Path | None) -> list[tuple[str, int, float]]:
    """Names, sizes and times of change of the session files in a folder."""
    if folder is None:
        return []
    try:
        with os.scandir(folder) as entries:
            found = [(entry.name, entry.stat()) for entry in entries if entry.name.endswith((".h5", ".html", ".pdf"))]
    except OSError:
        return []
    return sorted((name, stat.st_size, stat.st_mtime) for name, stat in found)


class JobPage(QtWidgets.QWidget):
    """A page of the start screen: a title with the way back, a body, and a row of buttons with one primary."""

    title = ""

    def __init__(self, desk: JobDesk) -> None:
        super().__init__()
        self.desk = desk
        self.theme: Theme = DARK
        self.unit = 1.0
        self.worker = Worker(self.title.lower())
        self.after: Callable[[Any], None] = lambda _: None
        self.back = button("Back", self.leave, hint="Back to the start page (Esc)")
        self.heading = label("title", self.title)
        self.status = label("read")
        self.status.setWordWrap(True)
        self.top, self.buttons = QtWidgets.QHBoxLayout(), QtWidgets.QHBoxLayout()
        self.top.addWidget(self.heading, 1)
        self.top.addWidget(self.back)
        self.body = QtWidgets.QVBoxLayout()
        self.box = QtWidgets.QVBoxLayout(self)
        self.box.addLayout(self.top)
        self.box.addLayout(self.body, 1)
        self.box.addLayout(self.buttons)

    def put_buttons(self, primary: QtWidgets.QPushButton, *others: QtWidgets.QPushButton) -> None:
        """The row at the foot: the primary action first, then what came of it."""
        self.primary = primary
        for part in (primary, *others):
            self.buttons.addWidget(part)
        self.buttons.addWidget(self.status, 1)

    @property
    def first(self) -> QtWidgets.QWidget:
        """Where the keyboard is when the page comes in front."""
        return getattr(self, "primary", self.back)

    def leave(self) -> None:
        """Back to the start page."""
        self.desk.wanted.emit("home", None)

    def begin(self, what: Any = None) -> None:
        """The page comes in front; `what` is what it is asked for."""

    def renew(self) -> None:
        """An undo or a redo has changed sessions while the page is in front."""

    def say(self, text: str) -> None:
        """One line beside the buttons."""
        self.status.setText(text)

    def run(self, name: str, work: Callable[[Task], Any], after: Callable[[Any], None]) -> None:
        """Start work off the window's thread; the button waits until it is over, and `after` gets its result."""
        self.after = after
        self.primary.setEnabled(False)
        self.worker.start(name, work)

    def poll(self) -> None:
        """One frame, while the page is in front: how far the work is, and whether it is over."""
        task = self.worker.look(self.say)
        if task is None:
            return
        self.be_ready()
        if task.trouble:
            self.failed(task.trouble)
        else:
            self.after(task.result)

    def be_ready(self) -> None:
        """The button can be pressed again."""
        self.primary.setEnabled(True)

    def failed(self, trouble: str) -> None:
        """Say what a person can mend."""
        self.say(f"▲ {one_line(trouble, 300)}")

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme, self.unit = theme, unit
        gap = round(12 * unit)
        self.box.setContentsMargins(2 * gap, gap, 2 * gap, gap)
        for layout in (self.box, self.body, self.top, self.buttons):
            layout.setSpacing(gap)

    def detach(self) -> None:
        """The window closes: the work ends."""
        self.worker.close()


def file_row(
    parent: QtWidgets.QWidget, field: QtWidgets.QLineEdit, title: str, kinds: str, words: str
) -> tuple[QtWidgets.QLineEdit, QtWidgets.QPushButton]:
    """A field for a file with a button that asks for one; `kinds` are endings such as 'h5', '' stands for a folder."""

    field.setProperty("path", True)
    field.textChanged.connect(field.setToolTip)

    def choose() -> None:
        start = Path(field.text()).expanduser() if field.text().strip() else None
        chosen = ask.folder(parent, title, start) if not kinds else ask.open_file(parent, title, start, kinds, words)
        if chosen is not None:
            field.setText(str(chosen))
            field.editingFinished.emit()

    return field, button("Choose…", choose)


def when(sessions: Sequence[Summary]) -> str:
    """'26 Nov, heron': the day and the tune of the newest session; '' for none."""
    dated = [(s.started_utc, s) for s in sessions if s.started_utc is not None]
    if not dated:
        return ""
    began, newest = max(dated, key=lambda pair: pair[0])
    day = began.astimezone()
    tune = newest.tunes[-1] if newest.tunes else ""
    return f"{day.day} {day:%b}{f', {tune}' if tune else ''}"
