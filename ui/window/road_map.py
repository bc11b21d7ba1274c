"""The second page of the Road screen: which cells of a table this drive has reached, live, and where to drive next."""

from collections.abc import Callable, Sequence
from pathlib import Path

from pyqtgraph.Qt import QtCore, QtWidgets

from stream.block import Block
from stream.drive.live_day import LiveDay
from stream.errors import InputError
from stream.events import Event
from stream.live.records import LiveRows, Pull
from stream.study.tables.reached import cells_reached, last_place
from stream.study.tables.user_table import UserTable, read_table
from ui.text.cells import ON_THE_ROAD, next_lines, reached_map, road_words
from ui.text.figures import one_line
from ui.text.findings import say_all
from ui.text.maps import shown_at
from ui.window import ask
from ui.window.cell_map import MapView
from ui.window.feed import DriveFeed
from ui.window.panels import ShortLabel
from ui.window.study_page import TABLE_FILES
from ui.window.theme import DARK, Theme

EVERY_S = 0.5
ASK = "Choose a table of yours: rpm against manifold pressure or throttle; only its axes count here."


class RoadMap(QtWidgets.QWidget):
    """Takes all that a drive shows, whether it is in front or not; a table may be chosen at any time."""

    chosen = QtCore.Signal(object)  # the table's path

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme: Theme = DARK
        self.day: LiveDay | None = None
        self.table: UserTable | None = None
        self.usual: Callable[[], Path | None] = lambda: None
        self.view = MapView()
        self.view.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)  # the space bar is the mark key
        self.choose = QtWidgets.QPushButton("Table…")
        self.choose.setProperty("part", "road")
        self.choose.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.choose.setToolTip(ASK)
        self.choose.clicked.connect(self.choose_table)
        self.here, self.next, self.mind = ShortLabel("road"), ShortLabel("road-next"), ShortLabel("road")
        self.top = QtWidgets.QHBoxLayout()
        self.top.addWidget(self.choose)
        self.top.addWidget(self.here, 1)
        self.box = QtWidgets.QVBoxLayout(self)
        self.box.addLayout(self.top)
        self.box.addWidget(self.view, 1)
        self.box.addWidget(self.next)
        self.box.addWidget(self.mind)
        self._drawn_at = float("-inf")
        self._show_nothing(ASK)

    def attach(self) -> None:
        """Another drive, or none."""
        self.day = None
        self._drawn_at = float("-inf")

    def begin(self, feed: DriveFeed) -> None:
        """The drive has described itself."""
        if feed.info is not None:
            self.day = LiveDay(feed.car, feed.info)

    def take(self, blocks: Sequence[Block], rows: LiveRows, events: Sequence[Event]) -> None:
        """What came in this frame."""
        if self.day is None:
            return
        for block in blocks:
            self.day.take_raw(block)
        self.day.take_live(rows)
        for event in events:
            if event.kind in ("knock-heard", "limit"):
                self.day.take_event(event)
            found = (event.details or {}).get("pull")
            if event.kind in ("pull-done", "pull-changed") and isinstance(found, dict):
                self.day.take_pull(Pull(**found))

    def draw(self, now: float) -> None:
        """The map of what has come, twice a second, while the page is in front. `now`: monotonic seconds."""
        if self.table is None and (path := self.usual()) is not None:
            self.take_table(path)
        if self.table is None or now - self._drawn_at < EVERY_S:
            return
        self._drawn_at = now
        if self.day is None:
            self._show_nothing("No drive goes on: the map fills as you drive.")
            return
        try:
            found = cells_reached([self.day], self.table)
        except InputError as error:
            self._show_nothing(one_line(str(error), 160))
            return
        self.view.show_map(reached_map(found, self.table))
        at = last_place(self.day, self.table)
        self.view.show_here(None if at is None else shown_at(self.table, *at))
        self.here.setText(road_words(found, at))
        lines = next_lines(found.next, found.unit, ON_THE_ROAD)
        self.next.setText(f"Drive next: {lines[0]}" if lines else "")
        warned = [one for one in found.findings if one.severity != "note" and one.code != "cells-no-zero"]
        self.mind.setText(f"▲ {say_all(warned)[0]}" if warned else "")

    def choose_table(self) -> None:
        """Ask for the table."""
        start = None if self.table is None else self.table.path.parent
        path = ask.open_file(self, "A table of yours", start, TABLE_FILES, "Tables")
        if path is not None:
            self.take_table(path)
            self.chosen.emit(path)

    def take_table(self, path: Path) -> None:
        """This table's cells are shown from now on."""
        try:
            self.table = read_table(path)
        except InputError as error:
            self.table = None
            self.usual = lambda: None
            self._show_nothing(one_line(str(error), 160))
            return
        self.choose.setText(one_line(path.name, 24))
        self._drawn_at = float("-inf")

    def _show_nothing(self, why: str) -> None:
        self.view.show_map(None)
        self.here.setText(why)
        self.next.setText("")
        self.mind.setText("")

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme = theme
        self.view.apply_theme(theme, unit)
        self.view.least_figure = 14.0  # for the one who does not drive
        gap = round(8 * unit)
        self.box.setContentsMargins(gap, 0, gap, 0)
        self.box.setSpacing(gap)
        self.top.setSpacing(2 * gap)
        for text, size, bold in ((self.here, 26, False), (self.next, 30, True), (self.mind, 24, False)):
            weight = "700" if bold else "400"
            text.setStyleSheet(f"font-size: {round(size * unit)}px; font-weight: {weight};")
            text.setFixedHeight(round(1.4 * size * unit))
        self.choose.setFixedHeight(round(56 * unit))
