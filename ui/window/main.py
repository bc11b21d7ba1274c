"""The main window: one tab a screen, the cautions in front of them, one frame timer for all."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.errors import InputError
from ui.text.figures import one_line
from ui.window.caution import CautionPage
from ui.window.ear import Ear
from ui.window.feed import DriveFeed, Screen
from ui.window.road import Road
from ui.window.show import Show, ShowBar
from ui.window.theme import THEMES, stylesheet, unit_for

if TYPE_CHECKING:
    from ui.window.compare import CompareScreen

FRAME_MS = 25


@dataclass(frozen=True, slots=True)
class ScreenSpec:
    """An entry of the registry: the tab's name and how to make the screen."""

    name: str
    make: Callable[["MainWindow"], Screen]


def _make_road(window: "MainWindow") -> Screen:
    road = Road(ear=window.ear, clock=window.clock)
    road.cautions_wanted.connect(window.show_cautions)
    road.theme_wanted.connect(window.set_theme)
    return road


def _make_calibrate(_: "MainWindow") -> Screen:
    from ui.window.calibrate import CalibrateScreen

    return CalibrateScreen()


def _make_compare(window: "MainWindow") -> Screen:
    from ui.window.compare import CompareScreen

    compare = CompareScreen()
    compare.shelf_wanted.connect(lambda: window.show_screen("Shelf"))
    return compare


def _make_shelf(window: "MainWindow") -> Screen:
    from ui.window.shelf import ShelfScreen

    shelf = ShelfScreen()
    shelf.compare_wanted.connect(window.open_in_compare)
    return shelf


SCREENS: tuple[ScreenSpec, ...] = (
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


class MainWindow(QtWidgets.QMainWindow):
    """Polls the drive at every frame and passes it to the screens; closing it ends the drive."""

    def __init__(
        self,
        feed: DriveFeed | None = None,
        *,
        theme: str = "dark",
        caution: bool = True,
        close_when_finished: bool = False,
        show: Show | None = None,
        screens: Sequence[ScreenSpec] = SCREENS,
        ear: Ear | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__()
        self.feed = feed
        self.ear = ear
        self.clock = clock
        self.close_when_finished = close_when_finished
        self._theme = THEMES[theme]
        self._unit = 0.0
        self.setWindowTitle("Steadypull")
        self.setMinimumSize(960, 600)
        self.cautions = CautionPage()
        self.cautions.understood.clicked.connect(self.hide_cautions)
        self.tabs = QtWidgets.QTabWidget()
        self.tabs.setTabBarAutoHide(True)
        self.tabs.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.screens = Screens(self._build)
        self._specs = {spec.name: spec for spec in screens}
        for spec in screens:
            self.tabs.addTab(QtWidgets.QWidget(), spec.name)
        self.tabs.currentChanged.connect(lambda place: self.screens[self.tabs.tabText(place)])
        self.pages = QtWidgets.QStackedWidget()
        self.pages.addWidget(self.tabs)
        self.pages.addWidget(self.cautions)
        self.show_bar = None if show is None else ShowBar(show, self.open_in_compare)
        whole = QtWidgets.QWidget()
        box = QtWidgets.QVBoxLayout(whole)
        box.setContentsMargins(0, 0, 0, 0)
        box.setSpacing(0)
        if self.show_bar is not None:
            box.addWidget(self.show_bar)
        box.addWidget(self.pages, 1)
        self.setCentralWidget(whole)
        self.resize(1280, 800)
        self._restyle()
        self.show_screen(screens[0].name)
        if caution:
            self.show_cautions()
        self.timer = QtCore.QTimer(self)
        self.timer.setTimerType(QtCore.Qt.TimerType.PreciseTimer)
        self.timer.timeout.connect(self.poll)
        self.timer.start(FRAME_MS)

    @property
    def exit_code(self) -> int:
        """0, or 3 where the device or the disk failed."""
        return 3 if self.feed is not None and self.feed.status().state == "failed" else 0

    def poll(self) -> None:
        """One frame."""
        if self.show_bar is not None:
            self.show_bar.poll()
            self._follow(self.show_bar.show_.feed)
        for screen in list(self.screens.values()):
            screen.poll()
        if self.close_when_finished and self.feed is not None and self.feed.status().state in ("finished", "failed"):
            self.close()

    def _follow(self, feed: DriveFeed | None) -> None:
        """Look at this drive from now on, where it is another one."""
        if feed is None or feed is self.feed:
            return
        self.feed = feed
        for screen in list(self.screens.values()):
            screen.attach(feed)

    def show_cautions(self) -> None:
        """Put the cautions in front."""
        self.pages.setCurrentWidget(self.cautions)
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
        self.pages.setCurrentWidget(self.tabs)
        self.tabs.currentWidget().setFocus()

    def _build(self, name: str) -> Screen:
        screen = self._specs[name].make(self)
        screen.attach(self.feed)
        screen.apply_theme(self._theme, self._unit)
        place = self.tabs.widget(list(self._specs).index(name))
        box = QtWidgets.QVBoxLayout(place)
        box.setContentsMargins(0, 0, 0, 0)
        box.addWidget(screen)
        place.setFocusProxy(screen)
        return screen

    def show_screen(self, name: str) -> None:
        """Put a screen's tab in front."""
        self.screens[name].show()
        self.tabs.setCurrentIndex(list(self._specs).index(name))

    def open_in_compare(self, paths: list[str]) -> None:
        """Compare the tunes of these sessions."""
        cast("CompareScreen", self.screens["Compare"]).open(paths)
        self.show_screen("Compare")

    def set_theme(self, name: str) -> None:
        """Dark or light, by its name."""
        self._theme = THEMES[name]
        self._restyle()

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Scale everything with the window; Qt calls this."""
        super().resizeEvent(event)
        if unit_for(self.width(), self.height()) != self._unit:
            self._restyle()

    def closeEvent(self, event: QtGui.QCloseEvent) -> None:  # noqa: N802 - Qt's name
        """End the drive; Qt calls this."""
        self.timer.stop()
        for screen in list(self.screens.values()):
            screen.detach()
        if self.feed is not None:
            self.feed.stop()
        if self.show_bar is not None:
            self.show_bar.show_.stop()
        super().closeEvent(event)

    def _restyle(self) -> None:
        self._unit = unit_for(self.width(), self.height())
        self.setStyleSheet(stylesheet(self._theme, self._unit))
        self.cautions.apply_theme(self._theme, self._unit)
        if self.show_bar is not None:
            self.show_bar.resize_to(self._unit)
        for screen in list(self.screens.values()):
            screen.apply_theme(self._theme, self._unit)
