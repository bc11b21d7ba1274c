"""The pages that set something going: a drive, the rehearsal car, a replay, an import, a recovery."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from pyqtgraph.Qt import QtCore, QtWidgets

from stream.errors import SteadypullError
from ui.text import job as words
from ui.text.figures import one_line
from ui.window.forms import Form, button, choice, line
from ui.window.job_desk import JobDesk, JobPage, file_row
from ui.window.launch import PACES, DriveWish, FieldError, What, import_log, numbers_of, recover_session
from ui.window.theme import Theme
from ui.window.worker import Task

GEARS = ("not told", *(str(gear) for gear in range(1, 9)))
WHATS: dict[str, What] = {text: key for key, text in words.REHEARSALS.items()}


class FormPage(JobPage):
    """A page with one form; trouble is said beside the field it belongs to, and nothing that was typed is lost."""

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        self.form = Form()
        self._put: dict[str, str] = {}
        frame = QtWidgets.QScrollArea()
        frame.setWidgetResizable(True)
        inside = QtWidgets.QWidget()
        column = QtWidgets.QVBoxLayout(inside)
        column.addWidget(self.form)
        column.addStretch(1)
        frame.setWidget(inside)
        self.column = column
        self.body.addWidget(frame)

    @property
    def first(self) -> QtWidgets.QWidget:
        """The first field that can be filled."""
        return next((field for field in self.form.fields.values() if field.isVisible()), self.back)

    def attempt(self, act: Callable[[], Any]) -> Any:
        """Do it; None where it cannot be done, said where the person can mend it."""
        self.form.clear()
        self.say("")
        try:
            return act()
        except FieldError as error:
            self.form.complain(error.field, str(error))
        except SteadypullError as error:
            self.say(f"▲ {one_line(str(error), 300)}")
        return None

    def add_folder(self, hint: str) -> None:
        """The folder for sessions."""
        field = line("a folder of its own for the day")
        self.form.add("folder", "Folder", file_row(self, field, "Folder for the sessions", "", ""), hint=hint)

    def add_car(self) -> None:
        """The car file, with a way to make or change it."""
        field, choose = file_row(self, line("car.toml"), "Car file", "toml", "Car files")
        edit = button("Make or change…", lambda: self.desk.wanted.emit("car", None))
        self.form.add("car", "Car file", (field, choose, edit), hint="Channels, gearing, limits of this car.")

    def put_kept(self) -> None:
        """What was used last stands in the fields that nobody has filled; the car file is the one made last."""
        kept = self.desk.memory.kept
        usual = {
            "folder": kept.folder or str(Path.home() / "drives"),
            "car": kept.car,
            "tune": kept.tune,
            "gear": str(kept.gear) if kept.gear else GEARS[0],
        }
        for key, text in usual.items():
            if (
                key in self.form.fields
                and text
                and (self.form.text(key) in ("", GEARS[0]) or self._put.get(key, text) != text)
            ):
                self.form.put(key, text)
                self._put[key] = text

    def gear(self) -> int | None:
        """The gear that is driven in, None where it is not told."""
        text = self.form.text("gear")
        return int(text) if text.isdigit() else None

    def car(self) -> Path | None:
        """The car file, None where none is named."""
        text = self.form.text("car")
        return Path(text).expanduser() if text else None

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        self.form.resize_to(unit)


class DrivePage(FormPage):
    """A drive from a device; the port finds itself."""

    title = "Drive"

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        add = self.form.add
        add("port", "Device", [choice((), editable=True)], hint="Found by itself when plugged in; or an address.")
        self.add_car()
        add("gear", "Gear", [choice(GEARS)], hint="The gear that is driven in; with road speed it is found.")
        add("tune", "Tune in the car", [line("name it", 40)], hint="Each recording has one tune.")
        parked = QtWidgets.QCheckBox("parked, in neutral")
        add(
            "targets", "Speeds to hold, rpm", (line("1500, 2000, 3000, 4000"), parked), hint="Leave it empty for pulls."
        )
        self.parked = parked
        self.add_folder("Every recording is a new file in it.")
        self.air = tuple(line(example, 8) for example in ("18", "1002", "55"))
        add(
            "air",
            "Air of the day",
            self.air,
            hint="°C, hPa, % humidity, if known; the pressure here, not at sea level.",
        )
        self.put_buttons(button("Begin to record", self.go, primary=True))
        desk.ports_changed.connect(self._show_ports)
        self._show_ports()

    def begin(self, what: Any = None) -> None:
        """`what` is 'hold' or 'pull': which step of the job is due."""
        self.put_kept()
        kept = self.desk.memory.kept
        if what == "hold":
            self.form.put("targets", kept.targets or "1500, 2000, 3000, 4000, 5000")
        elif what == "pull":
            self.form.put("targets", "")
            self.form.put("tune", self.desk.found.next_tune or self.form.text("tune"))

    def _show_ports(self) -> None:
        """Offer the devices that were found; what was typed stays."""
        box, ports = self.form.fields["port"], self.desk.ports
        typed, before = box.currentText(), {box.itemText(place) for place in range(box.count())}
        box.blockSignals(True)
        box.clear()
        for port in ports:
            box.addItem(port.device)
            box.setItemData(box.count() - 1, port.description or port.hardware, QtCore.Qt.ItemDataRole.ToolTipRole)
        last = self.desk.memory.kept.port
        devices = [port.device for port in ports]
        if typed and typed not in before:
            box.setEditText(typed)  # an address, or what is being typed
        elif last in devices:
            box.setCurrentIndex(devices.index(last))
        elif ports and ports[0].plugged_in:
            box.setCurrentIndex(0)
        else:
            box.setEditText("")
        box.blockSignals(False)
        box.lineEdit().setPlaceholderText(words.NO_PORT if not ports else "")

    def go(self) -> None:
        """Begin the drive, and keep what it was begun with."""
        text = self.form.text
        wish = DriveWish(
            text("port"),
            self.car(),
            text("folder"),
            text("tune"),
            self.gear(),
            text("targets"),
            self.parked.isChecked(),
            tuple(field.text() for field in self.air),
        )
        drive = self.attempt(lambda: self.desk.launcher.begin_drive(wish))
        if drive is None:
            return
        kept = self.desk.memory.kept
        kept.port, kept.car, kept.tune, kept.gear = wish.port, str(wish.car), wish.tune, wish.gear or 0
        kept.targets = wish.targets or kept.targets
        self.desk.set_folder(Path(wish.folder).expanduser())
        self.desk.note(rehearsal="")
        self.desk.wanted.emit("road", drive)


class RehearsePage(FormPage):
    """The rehearsal car on a serial line: the whole day by itself, or one drive of the job at a time."""

    title = "Rehearse"

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        add = self.form.add
        what = choice(list(WHATS))
        add("what", "The car drives", [what])
        add(
            "tune",
            "Tune in the car",
            [choice(("heron", "plover", "wren"))],
            hint="heron is timid in the middle; plover is not.",
        )
        add("pace", "Pace", [choice(list(PACES))], hint="The same samples at any pace.")
        self.add_folder("A new one, so that rehearsals and drives never mix.")
        note = QtWidgets.QLabel(words.REHEARSED)
        note.setWordWrap(True)
        note.setProperty("part", "caption")
        self.column.insertWidget(1, note)
        what.currentIndexChanged.connect(self._show_rows)
        self.put_buttons(button("Begin", self.go, primary=True))
        self._show_rows()

    def begin(self, what: Any = None) -> None:
        """`what` is the step of the job that is due: 'hold' or 'pull'; None: choose."""
        job, found = self.desk.memory.job, self.desk.found
        if job.rehearsal:
            self.form.put("pace", job.rehearsal)
            self.form.put("folder", self.desk.memory.kept.folder)
        elif not self.form.text("folder"):
            self.form.put("folder", str(Path.home() / "steadypull-rehearsal"))
        if what is not None:
            self.form.put("what", words.REHEARSALS["pulls" if what == "pull" else "holds"])
        other = {"": "heron", "heron": "plover"}.get(next(iter(found.clean), ""), "heron")
        self.form.put("tune", found.next_tune or other)

    def _show_rows(self) -> None:
        self.form.show_row("tune", WHATS[self.form.text("what")] == "pulls")

    def go(self) -> None:
        """Let the car drive."""
        what, pace, folder = WHATS[self.form.text("what")], self.form.text("pace"), self.form.text("folder")
        launcher = self.desk.launcher
        number = len(self.desk.found.pulls)
        tune = self.form.text("tune") if what == "pulls" else "heron"
        if what == "day":
            begun = self.attempt(lambda: launcher.begin_day(folder, pace, self._report))
        else:
            begun = self.attempt(lambda: launcher.begin_rehearsal(what, folder, pace, tune, number))
        if begun is None:
            return
        self.desk.set_folder(Path(folder).expanduser())
        self.desk.note(rehearsal=pace)
        self.desk.wanted.emit("show" if what == "day" else "road", begun)

    @staticmethod
    def _report(sessions: list[Path], target: Path) -> None:
        from stream.study.bands import DEFAULT_WIDTH_RPM
        from ui.window.launch import write_report

        write_report([str(path) for path in sessions], target, width_rpm=DEFAULT_WIDTH_RPM)


class ReplayPage(FormPage):
    """A session again on Road; nothing is written."""

    title = "Replay"

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        field = file_row(self, line("a session"), "A session to watch again", "h5", "Sessions")
        self.form.add("session", "Session", field, hint="It is read, never changed.")
        self.form.add("pace", "Pace", [choice(list(PACES))])
        self.put_buttons(button("Begin", self.go, primary=True))

    def begin(self, what: Any = None) -> None:
        """The newest session is offered."""
        sessions = [session for session in self.desk.sessions if session.readable]
        if what is not None or (sessions and not self.form.text("session")):
            self.form.put("session", str(what or sessions[0].path))

    def go(self) -> None:
        """Show it on Road."""
        path = self.form.text("session")
        drive = self.attempt(lambda: self._begin(path))
        if drive is not None:
            self.desk.wanted.emit("road", drive)

    def _begin(self, path: str) -> Any:
        if not path:
            raise FieldError("session", "choose a session")
        try:
            return self.desk.launcher.begin_replay(Path(path).expanduser(), PACES[self.form.text("pace")])
        except SteadypullError as error:
            raise FieldError("session", str(error)) from None


class WorkPage(FormPage):
    """A page whose button starts work off the window's thread; what came of it opens."""

    doing, act = "", ""

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        self.put_buttons(button(self.act, self.go, primary=True))

    def work(self) -> Callable[[Task], Any]:
        """What is to be done for what is typed now; raises FieldError."""
        raise NotImplementedError

    def done(self, made: Any) -> None:
        """It is done."""
        raise NotImplementedError

    def go(self) -> None:
        """Start it."""
        work = self.attempt(self.work)
        if work is not None:
            self.run(self.doing, _field_safe(work), self._made)

    def _made(self, made: Any) -> None:
        if isinstance(made, FieldError):
            self.form.complain(made.field, str(made))
        else:
            self.done(made)


def _field_safe(work: Callable[[Task], Any]) -> Callable[[Task], Any]:
    """The work, with the trouble of a field as its result."""

    def run(task: Task) -> Any:
        try:
            return work(task)
        except FieldError as error:
            return error

    return run


class ImportPage(WorkPage):
    """A log becomes a session, its holds and pulls found by the live stage."""

    title, doing, act = "Import a log", "reading the log", "Import"

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        log = file_row(self, line("log.csv"), "A log", "csv *.gz *.mf4 *.mdf *", "Logs")
        self.form.add("log", "Log", log, hint="CSV, plain or packed; MDF with the part for it.")
        self.add_car()
        self.form.add("tune", "Tune in the car", [line("name it", 40)])
        self.form.add("gear", "Gear", [choice(GEARS)])
        self.form.add("rate", "Rows a second", [line("", 12)], "Hz", "Only where the log has no time column.")
        self.add_folder("The session goes there.")

    def begin(self, what: Any = None) -> None:
        """What was used last is offered."""
        self.put_kept()

    def work(self) -> Callable[[Task], Any]:
        """Import what is typed."""
        from ui.window.launch import folder_of

        log, car = self.form.text("log"), self.car()
        if not log:
            raise FieldError("log", "choose the log")
        if not Path(log).expanduser().is_file():
            raise FieldError("log", "there is no such file")
        if car is None:
            raise FieldError("car", "choose the car file that names the log's columns")
        numbers_of("rate", self.form.text("rate"), "50")
        folder = folder_of(self.form.text("folder"))
        tune, gear, rate = self.form.text("tune"), self.gear(), self.form.text("rate")
        kept = self.desk.memory.kept
        kept.car, kept.tune, kept.gear = str(car), tune, gear or 0
        self.desk.set_folder(folder)
        return lambda task: import_log(Path(log).expanduser(), car, folder, tune, gear, rate, task.tell)

    def done(self, made: Path) -> None:
        """Say so; the trail goes on."""
        self.desk.look(now=True)
        self.say(f"Made: {one_line(made.name)}")


class RecoverPage(WorkPage):
    """A recording that was cut off, joined with its journal into a new session."""

    title, doing, act = "Recover", "joining session and journal", "Recover"

    def __init__(self, desk: JobDesk) -> None:
        super().__init__(desk)
        field = file_row(self, line("a session that was cut off"), "A session that was cut off", "h5", "Sessions")
        self.form.add("session", "Session", field, hint="It stays; what is joined is a new file beside it.")

    def begin(self, what: Any = None) -> None:
        """A session of the folder that was cut off is offered."""
        cut = [session.path for session in self.desk.sessions if session.state == "cut-off"]
        if cut and not self.form.text("session"):
            self.form.put("session", cut[0])
        if not cut:
            self.say("No recording in the folder was cut off.")

    def work(self) -> Callable[[Task], Any]:
        """Recover what is chosen."""
        path = self.form.text("session")
        if not path:
            raise FieldError("session", "choose a session that was cut off")
        return lambda task: recover_session(Path(path).expanduser(), task.tell)

    def done(self, made: Path) -> None:
        """Say so."""
        self.desk.set_folder(made.parent)
        self.say(f"Made: {one_line(made.name)}, with its holds and pulls")
