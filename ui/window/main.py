"""The main window: one tab a screen, the cautions in front of them, one frame timer for all."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.errors import InputError
from ui.text import job as words
from ui.text.figures import one_line
from ui.window import ask
from ui.window.caution import CautionPage
from ui.window.ear import Ear
from ui.window.feed import DriveFeed, Screen
from ui.window.forms import HeldButton, button
from ui.window.job import sort_out
from ui.window.job_desk import JobDesk
from ui.window.memory import Memory
from ui.window.panels import Empty, label
from ui.window.plot import Hands
from ui.window.road import Road
from ui.window.show import Show, ShowBar
from ui.window.start_screen import PAGES, StartScreen
from ui.window.theme import THEMES, stylesheet, unit_for
from ui.window.trail import Trail

if TYPE_CHECKING:
    from ui.window.calibrate import CalibrateScreen
    from ui.window.compare import CompareScreen

FRAME_MS = 16
TOLD_MS = 8000  # chosen: how long it is said what was undone


@dataclass(frozen=True, slots=True)
class ScreenSpec:
    """An entry of the registry: the tab's name and how to make the screen."""

    name: str
    make: Callable[["MainWindow"], Screen]


def _make_start(window: "MainWindow") -> Screen:
    return StartScreen(window.desk)


def _make_road(window: "MainWindow") -> Screen:
    road = Road(ear=window.ear, clock=window.clock)
    road.cautions_wanted.connect(window.show_cautions)
    road.theme_wanted.connect(window.set_theme)
    road.speed.moves = window.moves
    road.map.usual = window.desk.usual_table
    road.map.chosen.connect(lambda path: window.desk.note(cells=str(path)))
    return road


def _make_calibrate(window: "MainWindow") -> Screen:
    from ui.window.calibrate import CalibrateScreen

    calibrate = CalibrateScreen()
    calibrate.applied.connect(window.apply_further)
    calibrate.turn_wanted.connect(lambda back: window.undo() if back else window.redo())
    calibrate.zeroed.connect(lambda: window.desk.look(now=True))
    return calibrate


def _make_compare(window: "MainWindow") -> Screen:
    from ui.window.compare import CompareScreen

    compare = CompareScreen()
    compare.coastdown_wanted.connect(lambda: window.go("coastdown"))
    compare.shelf_wanted.connect(lambda: window.show_screen("Shelf"))
    compare.wrote.connect(window.keep_tables)
    return compare


def _make_shelf(window: "MainWindow") -> Screen:
    from ui.window.shelf import ShelfScreen

    shelf = ShelfScreen()
    shelf.home = lambda: window.desk.memory.folder
    shelf.compare_wanted.connect(window.open_in_compare)
    shelf.marks_wanted.connect(lambda path: window.go("marks", path))
    return shelf


SCREENS: tuple[ScreenSpec, ...] = (
    ScreenSpec("Start", _make_start),
    ScreenSpec("Road", _make_road),
    ScreenSpec("Calibrate", _make_calibrate),
    ScreenSpec("Compare", _make_compare),
    ScreenSpec("Shelf", _make_shelf),
)


class Screens(dict[str, Screen]):
    """The screens that were looked at so far, by name; another one is built when it is first asked for."""

    def __init__(self, build: Callable[[str], Screen]) -> None:
        super().__init__()
        self._build = build

    def __missing__(self, name: str) -> Screen:
        self[name] = screen = self._build(name)
        return screen


def _holder() -> QtWidgets.QWidget:
    """A tab's place: for the trail, and for its screen once it is looked at."""
    place = QtWidgets.QWidget()
    box = QtWidgets.QVBoxLayout(place)
    box.setContentsMargins(0, 0, 0, 0)
    box.setSpacing(0)
    return place


class MainWindow(QtWidgets.QMainWindow):
    """Polls the drive at every frame and passes it to the screens; closing it ends the drive.

    While a recording goes on, closing takes a held press; `close_now` asks nobody.
    """

    def __init__(
        self,
        feed: DriveFeed | None = None,
        *,
        theme: str = "",
        caution: bool = True,
        close_when_finished: bool = False,
        show: Show | None = None,
        screens: Sequence[ScreenSpec] = SCREENS,
        ear: Ear | None = None,
        clock: Callable[[], float] = time.monotonic,
        memory: Memory | None = None,
    ) -> None:
        super().__init__()
        self.feed = feed
        self.ear = ear
        self.clock = clock
        self.close_when_finished = close_when_finished
        self.desk = JobDesk(memory)
        self._theme = THEMES[theme or self.desk.memory.kept.theme]
        self._unit = 0.0
        self._caution = caution
        self._sure = False
        self.setWindowTitle("Steadypull")
        self.setMinimumSize(960, 600)
        self.cautions = CautionPage()
        self.cautions.understood.clicked.connect(self.hide_cautions)
        self.tabs = QtWidgets.QTabWidget()
        self.tabs.setTabBarAutoHide(True)
        self.tabs.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.screens = Screens(self._build)
        self._specs = {spec.name: spec for spec in screens}
        for place, spec in enumerate(screens, 1):
            self.tabs.addTab(_holder(), spec.name)
            self.tabs.setTabToolTip(place - 1, f"{spec.name} (key {place})")
        self.tabs.currentChanged.connect(self._turned)
        self.pages = QtWidgets.QStackedWidget()
        self.pages.addWidget(self.tabs)
        self.pages.addWidget(self.cautions)
        self.show_bar: ShowBar | None = None
        self.trail = Trail()
        self.tabs.setCornerWidget(self._corner())
        self.closing = self._closing_bar()
        whole = QtWidgets.QWidget()
        self._column = QtWidgets.QVBoxLayout(whole)
        self._column.setContentsMargins(0, 0, 0, 0)
        self._column.setSpacing(0)
        self._column.addWidget(self.pages, 1)
        self._column.addWidget(self.closing)
        self._column.addWidget(self._told_bar())
        self.setCentralWidget(whole)
        self.resize(*self.desk.memory.kept.size)
        self._connect()
        self._restyle()
        if show is not None:
            self.follow_show(show)
        first = screens[0].name
        driven = (feed is not None or show is not None) and "Road" in self._specs
        self.show_screen("Road" if driven else first)
        self._turned(self.tabs.currentIndex())
        if caution and feed is not None:
            self.show_cautions()
        self.timer = QtCore.QTimer(self)
        self.timer.setTimerType(QtCore.Qt.TimerType.PreciseTimer)
        self.timer.timeout.connect(self.poll)
        self.timer.start(FRAME_MS)

    def _corner(self) -> QtWidgets.QWidget:
        """Beside the tabs: the next step of the job, and what concerns the whole window."""
        corner = QtWidgets.QWidget()
        row = QtWidgets.QHBoxLayout(corner)
        row.setContentsMargins(0, 2, 4, 2)
        row.setSpacing(8)
        row.addWidget(self.trail.corner)
        row.addWidget(self._menu())
        return corner

    def _menu(self) -> QtWidgets.QToolButton:
        """What concerns the whole window."""
        more = QtWidgets.QToolButton()
        more.setText("Window")
        more.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        more.setPopupMode(QtWidgets.QToolButton.ToolButtonPopupMode.InstantPopup)
        menu = QtWidgets.QMenu(more)
        self.dark = menu.addAction("Dark")
        self.dark.setCheckable(True)
        self.dark.toggled.connect(lambda on: self.set_theme("dark" if on else "light"))
        self.less_motion = menu.addAction("Less motion")
        self.less_motion.setCheckable(True)
        self.less_motion.setChecked(self.desk.memory.kept.less_motion)
        self.less_motion.toggled.connect(self.set_less_motion)
        menu.addAction("Undo (Ctrl+Z)").triggered.connect(self.undo)
        menu.addAction("Redo (Ctrl+Shift+Z)").triggered.connect(self.redo)
        menu.addAction("Changes…").triggered.connect(lambda: self.go("steps"))
        menu.addAction("Full screen (F11)").triggered.connect(self.turn_full_screen)
        menu.addAction("Cautions…").triggered.connect(self.show_cautions)
        more.setMenu(menu)
        return more

    def _closing_bar(self) -> QtWidgets.QFrame:
        """What stands at the foot while somebody wants to close and a recording goes on."""
        bar = QtWidgets.QFrame()
        bar.setProperty("part", "panel")
        row = QtWidgets.QHBoxLayout(bar)
        self.stop_and_close = HeldButton("Hold to stop and close")
        self.stop_and_close.held.connect(self.close_now)
        self.keep_on = button("Keep recording", bar.hide, primary=True)
        row.addWidget(label("prose", words.CLOSING), 1)
        row.addWidget(self.stop_and_close)
        row.addWidget(self.keep_on)
        bar.hide()
        return bar

    def _told_bar(self) -> QtWidgets.QFrame:
        """A line at the foot that says what was undone or redone, and leaves by itself."""
        self.told = QtWidgets.QFrame()
        self.told.setProperty("part", "panel")
        self.told_text = label("read")
        self.told_text.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Preferred)
        row = QtWidgets.QHBoxLayout(self.told)
        row.addWidget(self.told_text, 1)
        row.addWidget(button("Changes…", lambda: self.go("steps"), hint="All changes of this folder's sessions"))
        self._told_for = QtCore.QTimer(self)
        self._told_for.setSingleShot(True)
        self._told_for.setInterval(TOLD_MS)
        self._told_for.timeout.connect(self.told.hide)
        self.told.hide()
        return self.told

    def undo(self) -> None:
        """Take back what is tried on the screen in front, or else what was done last to the sessions."""
        screen = self.screens[self.tabs.tabText(self.tabs.currentIndex())]
        if not screen.undo_own(back=True):
            self.desk.undo(screen.sessions_in_view())

    def redo(self) -> None:
        """Do again what was taken back."""
        screen = self.screens[self.tabs.tabText(self.tabs.currentIndex())]
        if not screen.undo_own(back=False):
            self.desk.redo(screen.sessions_in_view())

    def _turned_back(self, paths: Sequence[str], text: str) -> None:
        """An undo or a redo is over: say what it was, and let every screen show what is there now."""
        self.told_text.setText(text)
        self.told.show()
        self._told_for.start()
        if paths:
            for screen in list(self.screens.values()):
                screen.sessions_changed(paths)

    def _connect(self) -> None:
        self.desk.wanted.connect(self.go)
        self.desk.turned.connect(self._turned_back)
        self.desk.changed.connect(self._show_trail)
        self.trail.wanted.connect(self.do_step)
        self._show_trail()
        keys: list[tuple[str, Callable[..., None]]] = [
            ("Esc", self.step_back),
            ("F11", self.turn_full_screen),
            ("Ctrl+Z", self.undo),
            ("Ctrl+Shift+Z", self.redo),
        ]
        for place, name in enumerate(self._specs, 1):
            keys.append((str(place), lambda name=name: self.show_screen(name)))
        for key, what in keys:
            shortcut = QtGui.QShortcut(QtGui.QKeySequence(key), self)
            shortcut.setAutoRepeat(False)
            shortcut.activated.connect(what)
        self.hands = Hands(self)

    def contextMenuEvent(self, event: QtGui.QContextMenuEvent) -> None:  # noqa: N802 - Qt's name
        """What can be taken from a table; Qt calls this."""
        menu = self.hands.menu_for(self.childAt(event.pos()))
        if menu is not None:
            menu.popup(event.globalPos())

    @property
    def exit_code(self) -> int:
        """0, or 3 where the device or the disk failed."""
        return 3 if self.feed is not None and self.feed.status().state == "failed" else 0

    def poll(self) -> None:
        """One frame."""
        running = self._running()
        self.desk.see_drive(running)
        self.desk.poll()
        self.trail.wait(self.desk.reading)
        self._place_trail(running)
        if self.show_bar is not None:
            self.show_bar.poll()
            self._follow(self.show_bar.show_.feed)
        for screen in list(self.screens.values()):
            screen.poll()
        if self.close_when_finished and self.feed is not None and self.feed.status().state in ("finished", "failed"):
            self.close_now()

    def _follow(self, feed: DriveFeed | None) -> None:
        """Look at this drive from now on, where it is another one."""
        if feed is None or feed is self.feed:
            return
        self.feed = feed
        for screen in list(self.screens.values()):
            screen.attach(feed)

    def follow_show(self, show: Show) -> None:
        """Look at a day of drives from now on; its bar stands over the window."""
        self._drop_show()
        self.show_bar = ShowBar(show, self.open_in_compare)
        self.show_bar.resize_to(self._unit)
        self._column.insertWidget(0, self.show_bar)

    def _drop_show(self) -> None:
        if self.show_bar is not None:
            self.show_bar.hide()
            self.show_bar.deleteLater()
            self.show_bar = None

    # -- the job ------------------------------------------------------------------------------------------------------

    def _recording(self) -> bool:
        status = None if self.feed is None else self.feed.status()
        return status is not None and status.recording and status.state in ("opening", "running", "away")

    def _running(self) -> bool:
        return self.feed is not None and self.feed.status().state not in ("finished", "failed")

    def _place_trail(self, running: bool | None = None) -> None:
        """The trail belongs to the desk: in the car, while something is driven, Road has the room; Compare needs it.
        `running` spares another look at the drive."""
        name = self.tabs.tabText(self.tabs.currentIndex())
        shown = "Start" in self._specs and not (name == "Road" and (self._running() if running is None else running))
        self.trail.place(row=shown and name != "Compare", corner=shown)
        self.trail.lead(name != "Start" and not Empty.in_front())

    def _show_trail(self) -> None:
        self.trail.show_steps(self.desk.steps)

    def do_step(self, key: str) -> None:
        """Go where a step of the job is done."""
        found, job = self.desk.found, self.desk.memory.job
        if key in ("hold", "pull"):
            self.go("rehearse" if job.rehearsal else "drive", key)
        elif key == "plan":
            self.go("plan" if self.desk.memory.car is not None else "car", None)
        elif key == "fit" and found.holds:
            self.go("calibrate", found.holds[0].path)
        elif key in ("compare", "tables"):
            self.open_in_compare([session.path for session in found.pulls])
            if key == "tables":
                cast("CompareScreen", self.screens["Compare"]).show_page("Ignition")
        else:
            self.go(key, None)

    def go(self, place: str, what: Any = None) -> None:
        """Go to a place of the window: a screen with what it shows, or a page of the start screen."""
        if place.startswith("step:"):
            self.do_step(place.removeprefix("step:"))
        elif place == "road":
            self._drop_show()
            self._follow(what)
            self.show_screen("Road")
            if self._caution and not self.desk.memory.job.rehearsal and not self.desk.memory.kept.read:
                self.show_cautions()
        elif place == "show":
            self.follow_show(what)
            self.show_screen("Road")
        elif place == "open":
            self._open_recording()
        elif place in ("calibrate", "load"):
            calibrate = cast("CalibrateScreen", self.screens["Calibrate"])
            calibrate.open(what, load=place == "load")
            self.show_screen("Calibrate")
        elif place == "home" or place in PAGES:
            start = cast("StartScreen", self.screens["Start"])
            self.show_screen("Start")
            if place in PAGES:
                start.show_page(place, what)
            else:
                start.show_home()

    def _open_recording(self) -> None:
        """Ask for a session and open it where it is most of use."""
        path = ask.open_file(self, "A recording", self.desk.memory.folder, "h5", "Sessions")
        if path is None:
            return
        from stream.record.summary import summarise

        self.desk.set_folder(path.parent)
        session = summarise(path)
        if sort_out([session]).pulls:
            self.open_in_compare([str(path)])
        else:
            self.go("calibrate", str(path))

    def apply_further(self, path: str) -> None:
        """A calibration is in force in its own session: offer the others, where there are some."""
        self.desk.look(now=True)
        if any(one.readable and one.path != path for one in self.desk.sessions):
            self.go("apply", path)

    def keep_tables(self, changes: dict[str, Any]) -> None:
        """A table was written: the trail and the report know of it."""
        self.desk.note(**{**changes, "tables": {**self.desk.memory.job.tables, **changes["tables"]}})

    def step_back(self) -> None:
        """Esc: out of the cautions, out of full screen, back to the start page."""
        if self.pages.currentWidget() is self.cautions:
            self.hide_cautions()
        elif self.closing.isVisible():
            self.closing.hide()
        elif self.isFullScreen():
            self.turn_full_screen()
        elif "Start" in self._specs and self.tabs.tabText(self.tabs.currentIndex()) == "Start":
            self.go("home")

    def turn_full_screen(self) -> None:
        """F11: the whole screen, or a window again."""
        self.setWindowState(self.windowState() ^ QtCore.Qt.WindowState.WindowFullScreen)

    def _turned(self, place: int) -> None:
        """Another tab is in front: build its screen where it is new, and take the trail along."""
        _ = self.screens[self.tabs.tabText(place)]
        self.tabs.widget(place).layout().insertWidget(0, self.trail)
        self._place_trail()

    # -- screens and cautions -----------------------------------------------------------------------------------------

    def show_cautions(self) -> None:
        """Put the cautions in front."""
        self.pages.setCurrentWidget(self.cautions)
        self._place_trail()
        self.cautions.air.setVisible(self.feed is not None)
        self.cautions.understood.setFocus()

    def hide_cautions(self) -> None:
        """Show the screens, and hand the air of the day on where it was typed; what is no air keeps the page."""
        try:
            weather = self.cautions.air.weather()
        except InputError as error:
            self.cautions.air.trouble.setText(one_line(str(error), 60))
            return
        self.cautions.air.trouble.setText("")
        if weather is not None and self.feed is not None:
            self.feed.set_weather(weather)
        self._caution = False  # once each time the window is opened
        self.pages.setCurrentWidget(self.tabs)
        self._place_trail()
        self.tabs.currentWidget().setFocus()

    def _build(self, name: str) -> Screen:
        screen = self._specs[name].make(self)
        screen.attach(self.feed)
        screen.apply_theme(self._theme, self._unit)
        place = self.tabs.widget(list(self._specs).index(name))
        place.layout().addWidget(screen, 1)
        place.setFocusProxy(screen)
        return screen

    def show_screen(self, name: str) -> None:
        """Put a screen's tab in front."""
        self.screens[name].show()
        self.tabs.setCurrentIndex(list(self._specs).index(name))

    def open_in_compare(self, paths: list[str]) -> None:
        """Compare the tunes of these sessions."""
        cast("CompareScreen", self.screens["Compare"]).open(paths)
        self.desk.note(compared=sorted(paths))
        self.show_screen("Compare")

    def set_theme(self, name: str) -> None:
        """Dark or light, by its name; kept for the next time."""
        if name != self._theme.name:
            self._theme = THEMES[name]
            self.desk.memory.kept.theme = name
            self._restyle()

    @property
    def moves(self) -> bool:
        """Whether bracket, wedge and plate go over from state to state, or are there at once: for who asked this window
        or the system for less motion."""
        hint = QtWidgets.QStyle.StyleHint.SH_Widget_Animation_Duration
        return not self.desk.memory.kept.less_motion and self.style().styleHint(hint) > 0

    def set_less_motion(self, less: bool) -> None:
        """No transitions from now on, or the usual ones; kept for the next time."""
        self.desk.memory.kept.less_motion = less
        if "Road" in self.screens:
            cast("Road", self.screens["Road"]).speed.moves = self.moves

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Scale everything with the window; Qt calls this."""
        super().resizeEvent(event)
        if unit_for(self.width(), self.height()) != self._unit:
            self._restyle()

    def close_now(self) -> None:
        """Close without asking: the recording is finished all the same."""
        self._sure = True
        self.close()

    def closeEvent(self, event: QtGui.QCloseEvent) -> None:  # noqa: N802 - Qt's name
        """End the drive; while it is recorded, ask for a held press first. Qt calls this."""
        if self._recording() and not self._sure:
            event.ignore()
            self.closing.show()
            return
        self.timer.stop()
        kept = self.desk.memory.kept
        kept.maximised = self.isMaximized()
        if not (kept.maximised or self.isFullScreen()):
            kept.size = (self.width(), self.height())
        for screen in list(self.screens.values()):
            screen.detach()
        if self.feed is not None:
            self.feed.stop()
        if self.show_bar is not None:
            self.show_bar.show_.stop()
        self.desk.close()
        super().closeEvent(event)

    def _restyle(self) -> None:
        self._unit = unit_for(self.width(), self.height())
        self.setStyleSheet(stylesheet(self._theme, self._unit))
        self.cautions.apply_theme(self._theme, self._unit)
        self.trail.apply_theme(self._theme, self._unit)
        self.tabs.tabBar().setStyleSheet(f"QTabBar::tab {{ min-height: {round(34 * self._unit)}px; }}")
        self.stop_and_close.theme = self._theme
        self.dark.setChecked(self._theme.name == "dark")
        if self.show_bar is not None:
            self.show_bar.resize_to(self._unit)
        for screen in list(self.screens.values()):
            screen.apply_theme(self._theme, self._unit)
