"""The Start screen: go on where the job stands, or begin something else; its pages lie behind it."""

from collections.abc import Sequence
from functools import partial
from typing import Any, Final

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.text import job as words
from ui.text.figures import many, one_line
from ui.window import ask
from ui.window.cells_table import table_style
from ui.window.feed import Screen
from ui.window.forms import Card, button
from ui.window.job_desk import JobDesk, JobPage, when
from ui.window.panels import label
from ui.window.theme import DARK, Theme, text_font

# key of a page: (its module, its class); built when it is first asked for
PAGES: Final = {
    "drive": ("begin_pages", "DrivePage"),
    "rehearse": ("begin_pages", "RehearsePage"),
    "replay": ("begin_pages", "ReplayPage"),
    "import": ("begin_pages", "ImportPage"),
    "recover": ("begin_pages", "RecoverPage"),
    "apply": ("tick_pages", "ApplyPage"),
    "zero": ("tick_pages", "ZeroPage"),
    "report": ("tick_pages", "ReportPage"),
    "car": ("car_page", "CarPage"),
    "plan": ("chain_pages", "PlanPage"),
    "survey": ("chain_pages", "SurveyPage"),
    "coastdown": ("trace_pages", "CoastdownPage"),
    "marks": ("trace_pages", "MarksPage"),
    "steps": ("steps_page", "StepsPage"),
    "air": ("chain_pages", "AirPage"),
    "words": ("chain_pages", "WordsPage"),
}
CARDS: Final = ("drive", "rehearse", "open", "replay", "import", "recover")
DESK: Final = ("car", "plan", "survey", "coastdown", "marks", "steps", "air", "words")
SPEED_WAY: Final = ("engine-speed tap", "converter")
LOAD_WAY: Final = ("strain gauges", "amplifier")
Align = QtCore.Qt.AlignmentFlag
ON_CARD = """
    QScrollArea QWidget {{ background: {panel}; }}
"""


class ChainDrawing(QtWidgets.QWidget):
    """The measuring chain as it lies in the car, and whether a device is plugged in."""

    def __init__(self) -> None:
        super().__init__()
        self.theme: Theme = DARK
        self.unit = 1.0
        self.port = ""
        self.setMinimumHeight(120)

    def show_port(self, port: str) -> None:
        """The device that was found; '' for none."""
        if port != self.port:
            self.port = port
            self.update()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the chain; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        painter.setRenderHint(QtGui.QPainter.RenderHint.Antialiasing)
        theme, unit = self.theme, self.unit
        wide, middle = float(self.width()) - 4, self.height() / 2
        painter.translate(2, 0)
        box_wide, box_high = min(170 * unit, wide / 4.8), 64 * unit
        step = (wide - box_wide) / 3
        painter.setFont(text_font(17 * unit))
        device = QtCore.QRectF(2 * step, middle - box_high / 2, box_wide, box_high)
        computer = QtCore.QRectF(3 * step, middle - box_high / 2, box_wide, box_high)
        for side, ink, names in ((-1, theme.speed, SPEED_WAY), (1, theme.load, LOAD_WAY)):
            top = middle + side * 44 * unit
            for place, name in enumerate(names):
                room = QtCore.QRectF(place * step, top - box_high * 0.38, box_wide, box_high * 0.76)
                end = QtCore.QPointF((place + 1) * step, top) if place == 0 else QtCore.QPointF(device.left(), middle)
                painter.setPen(QtGui.QPen(QtGui.QColor(ink), 3 * unit))
                painter.drawLine(QtCore.QPointF(room.right(), top), end)
                self._box(painter, room, name, ink)
        there = bool(self.port)
        ink = theme.hold if there else theme.muted
        pen = QtGui.QPen(QtGui.QColor(ink), 3 * unit)
        if not there:
            pen.setStyle(QtCore.Qt.PenStyle.DashLine)
        painter.setPen(pen)
        painter.drawLine(QtCore.QPointF(device.right(), middle), QtCore.QPointF(3 * step, middle))
        self._box(painter, device, "device", theme.muted)
        self._box(painter, computer, "this computer", theme.muted)
        painter.setPen(QtGui.QColor(ink))
        said = QtCore.QRectF(2 * step - box_wide * 0.5, middle + box_high * 0.62, step + box_wide * 1.5, 30 * unit)
        text = f"found: {one_line(self.port, 28)}" if there else words.NO_PORT
        painter.drawText(said, Align.AlignCenter, text)
        painter.end()

    def _box(self, painter: QtGui.QPainter, room: QtCore.QRectF, name: str, edge: str) -> None:
        painter.setPen(QtGui.QPen(QtGui.QColor(edge), 2 * self.unit))
        painter.setBrush(QtGui.QColor(self.theme.panel))
        painter.drawRoundedRect(room, 10 * self.unit, 10 * self.unit)
        painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)
        painter.setPen(QtGui.QColor(self.theme.text))
        painter.drawText(room, Align.AlignCenter | QtCore.Qt.TextFlag.TextWordWrap, name)


class Home(QtWidgets.QWidget):
    """Go on, begin, or look something up."""

    def __init__(self, desk: JobDesk) -> None:
        super().__init__()
        self.desk = desk
        self.title, self.tagline = label("title", "Steadypull"), label("prose", words.TAGLINE)
        self.go_on = button("", self._go_on, primary=True)
        self.where = label("caption")
        self.folder = button("", self._choose_folder, hint="The folder that holds a day's sessions")
        self.cards = {key: Card(*words.PLACES[key], partial(desk.wanted.emit, key, None)) for key in CARDS}
        self.links = {
            key: button(words.PLACES[key][0], partial(desk.wanted.emit, key, None), hint=words.PLACES[key][1])
            for key in DESK
        }
        self.drawing = ChainDrawing()
        self.top = QtWidgets.QHBoxLayout()
        self.top.addWidget(self.go_on)
        self.top.addWidget(self.where, 1)
        self.top.addWidget(self.folder)
        self.grid = QtWidgets.QGridLayout()
        for place, key in enumerate(CARDS):
            self.grid.addWidget(self.cards[key], place // 3, place % 3)
            self.grid.setColumnStretch(place % 3, 1)
        self.small = QtWidgets.QHBoxLayout()
        for key in DESK:
            self.small.addWidget(self.links[key], 1)
        self.note = label("caption", words.SETUP)
        self.note.setWordWrap(True)
        self.box = QtWidgets.QVBoxLayout(self)
        for part in (self.title, self.tagline):
            self.box.addWidget(part)
        self.box.addLayout(self.top)
        self.box.addLayout(self.grid)
        self.box.addLayout(self.small)
        self.box.addWidget(self.drawing, 1)
        self.box.addWidget(self.note)
        desk.changed.connect(self.show_job)
        self.show_job()

    def _go_on(self) -> None:
        step = self.desk.next_step
        self.desk.wanted.emit(f"step:{'compare' if step is None else step.key}", None)

    def _choose_folder(self) -> None:
        chosen = ask.folder(self, "Folder of the sessions", self.desk.memory.folder)
        if chosen is not None:
            self.desk.set_folder(chosen)

    def show_job(self) -> None:
        """Say where the job stands."""
        desk = self.desk
        last, step, folder = when(desk.sessions), desk.next_step, desk.memory.folder
        self.go_on.setVisible(bool(last))
        self.folder.setText("Folder…" if folder is None else "Other folder…")
        if last:
            self.go_on.setText(words.GO_ON.format(what=last))
            due = words.ALL_DONE if step is None else words.NEXT[step.key]
            self.where.setText(f"{many(len(desk.sessions), 'session')} in {one_line(str(folder), 60)}. {due}.")
        else:
            self.where.setText(words.NO_FOLDER if folder is None else f"No session in {one_line(str(folder), 60)} yet.")
        for key in ("drive", "rehearse"):
            self.cards[key].primary = not last and key == ("drive" if self.drawing.port else "rehearse")
            self.cards[key].update()

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        gap = round(14 * unit)
        self.box.setContentsMargins(4 * gap, gap, 4 * gap, gap)
        self.box.setSpacing(gap)
        for layout in (self.top, self.grid, self.small):
            layout.setSpacing(gap)
        self.go_on.setMinimumHeight(round(64 * unit))
        self.go_on.setMinimumWidth(round(340 * unit))
        self.folder.setMinimumHeight(round(44 * unit))
        for card in self.cards.values():
            card.theme, card.unit = theme, unit
            card.updateGeometry()
        for link in self.links.values():
            link.setMinimumHeight(round(44 * unit))
        self.drawing.theme, self.drawing.unit = theme, unit
        self.drawing.update()


class StartScreen(Screen):
    """The home page and the pages behind it; a page is built when it is first asked for."""

    def __init__(self, desk: JobDesk) -> None:
        super().__init__()
        self.desk = desk
        self.theme, self.unit = DARK, 1.0
        self.home = Home(desk)
        self.pages: dict[str, JobPage] = {}
        self.stack = QtWidgets.QStackedWidget()
        self.stack.addWidget(self.home)
        box = QtWidgets.QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.addWidget(self.stack)
        desk.ports_changed.connect(self._show_ports)

    @property
    def page(self) -> JobPage | None:
        """The page in front; None: the home page."""
        shown = self.stack.currentWidget()
        return shown if isinstance(shown, JobPage) else None

    def show_home(self) -> None:
        """The home page comes in front."""
        self.stack.setCurrentWidget(self.home)
        self.home.show_job()
        (self.home.go_on if self.home.go_on.isVisible() else self.home.cards["rehearse"]).setFocus()

    def show_page(self, key: str, what: Any = None) -> JobPage:
        """A page comes in front, for what it is asked for."""
        page = self.pages.get(key)
        if page is None:
            import importlib

            module, name = PAGES[key]
            page = getattr(importlib.import_module(f"ui.window.{module}"), name)(self.desk)
            self.pages[key] = page
            self.stack.addWidget(page)
            page.apply_theme(self.theme, self.unit)
        self.stack.setCurrentWidget(page)
        page.begin(what)
        page.first.setFocus()
        return page

    def poll(self) -> None:
        """One frame."""
        if self.isVisible():
            self.desk.find_ports()
        for page in self.pages.values():  # work that was begun goes on behind another page
            page.poll()

    def _show_ports(self) -> None:
        plugged = [port.device for port in self.desk.ports if port.plugged_in]
        self.home.drawing.show_port(plugged[0] if plugged else "")
        self.home.show_job()

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme, self.unit = theme, unit
        self.setStyleSheet(table_style(theme, unit) + ON_CARD.format(panel=theme.panel))
        self.home.apply_theme(theme, unit)
        for page in self.pages.values():
            page.apply_theme(theme, unit)

    def sessions_changed(self, paths: Sequence[str]) -> None:
        """The page in front asks its sessions anew."""
        del paths
        if self.page is not None:
            self.page.renew()

    def detach(self) -> None:
        """The window closes."""
        for page in self.pages.values():
            page.detach()
