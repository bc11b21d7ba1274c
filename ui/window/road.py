"""The Road screen: for the helper in the passenger seat, to be read at arm's length in a moving car."""

import time
from collections.abc import Callable, Sequence

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.drive.status import DriveStatus
from stream.errors import SteadypullError
from stream.events import Event
from ui.sound import CUES
from ui.text import road as words
from ui.text.figures import NO_FIGURE, StillLoad, live_rpm, one_line, seconds
from ui.text.live import hint_words
from ui.text.next_step import next_step
from ui.window.ear import Ear
from ui.window.feed import DriveFeed, LiveCursor, RawCursor, Screen
from ui.window.mark_row import WINDOW_S, Spans
from ui.window.panels import NEXT_HIGH, FigurePanel, HealthLine, LimitBand, NextBar, StateBar, Verdict
from ui.window.road_controls import Controls
from ui.window.road_map import RoadMap
from ui.window.speed_panel import CAPTION, FIGURE, SCALE, WORDS, SpeedPanel
from ui.window.strip import Strip
from ui.window.theme import DARK, Theme
from ui.window.watch import LIFT, NO_DATA, NO_DRIVE, State, Watch, little_disk

FIGURES_EVERY_S = 0.1  # figures that change faster cannot be read
BAND_HIGH = 112  # of the limit's band: what lies above the speed figure
RAW_ROWS, RAW_READS = 8192, 8  # per frame; what is more than that is told by Block.lost


class Road(Screen):
    """Big figures, the bracket, the strip, verdicts, one line of health, and few controls."""

    cautions_wanted = QtCore.Signal()
    theme_wanted = QtCore.Signal(str)

    def __init__(
        self,
        parent: QtWidgets.QWidget | None = None,
        *,
        ear: Ear | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(parent)
        self.feed: DriveFeed | None = None
        self.ear = ear or Ear()
        self.watch = Watch(clock)
        self.theme: Theme = DARK
        self._clock = clock
        self._raw: RawCursor | None = None
        self._live: LiveCursor | None = None
        self._seen_event = 0
        self._figures_at = float("-inf")
        self._now_s = 0.0
        self._spans = Spans()
        self._still = StillLoad()
        self.limit_band = LimitBand(self)
        self.state_bar, self.speed, self.load = StateBar(), SpeedPanel(), FigurePanel("-0.88")
        self.target, self.strip, self.health, self.beside = FigurePanel("8888"), Strip(), HealthLine(), HealthLine()
        self.beside.hide()
        self.next_bar = NextBar()
        self.hold, self.pull = Verdict("Hold"), Verdict("Pull")
        self.controls = Controls(list(CUES.values()))
        self.map = RoadMap()
        self._lay_out()
        self._connect()
        self.attach(None)

    def _lay_out(self) -> None:
        side = QtWidgets.QWidget()
        # a stretch is kept to the letter only where no part has a size of its own to ask for
        for part in (self.speed, self.load, self.target, self.strip, side):
            part.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Ignored)
        self.side = QtWidgets.QVBoxLayout(side)
        self.side.setContentsMargins(0, 0, 0, 0)
        self.side.addWidget(self.load, 10)
        self.side.addWidget(self.target, 11)
        self.side.addLayout(self.controls.target_row)
        self.top = QtWidgets.QHBoxLayout()
        self.top.addWidget(self.speed, 62)
        self.top.addWidget(side, 38)
        self.cards = QtWidgets.QHBoxLayout()
        self.cards.addWidget(self.hold, 1)
        self.cards.addWidget(self.pull, 1)
        self.box = QtWidgets.QVBoxLayout(self)
        first = QtWidgets.QWidget()
        self.first = QtWidgets.QVBoxLayout(first)
        self.first.setContentsMargins(0, 0, 0, 0)
        self.first.addLayout(self.top, 60)
        self.first.addWidget(self.strip, 40)
        self.turning = QtWidgets.QStackedWidget()
        self.turning.addWidget(first)
        self.turning.addWidget(self.map)
        self.box.addWidget(self.state_bar)
        self.box.addWidget(self.turning, 1)
        self.box.addWidget(self.next_bar)
        self.box.addLayout(self.cards)
        self.box.addWidget(self.beside)
        self.box.addWidget(self.health)
        self.box.addLayout(self.controls.row)

    def _connect(self) -> None:
        controls = self.controls
        controls.record.short.connect(self.start_recording)
        controls.record.held.connect(self.stop_recording)
        controls.mark.clicked.connect(self.mark)
        controls.knock.clicked.connect(self.knock_heard)
        controls.zero.clicked.connect(lambda: self.zero())
        controls.map.clicked.connect(self.turn)
        controls.tune.editingFinished.connect(self.take_tune)
        controls.skip.clicked.connect(lambda: self._command(lambda feed: feed.skip_target()))
        controls.redo.clicked.connect(lambda: self._command(lambda feed: feed.redo_target()))
        controls.cautions.triggered.connect(self.cautions_wanted)
        controls.dark.toggled.connect(lambda dark: self.theme_wanted.emit("dark" if dark else "light"))
        controls.raw.toggled.connect(self.strip.show_raw)
        for name, action in controls.sounds.items():
            action.toggled.connect(lambda on, name=name: self.ear.chooser.on.__setitem__(name, on))
        self.shortcuts = []
        for key, what in (
            (QtCore.Qt.Key.Key_Space, self.mark),
            (QtCore.Qt.Key.Key_K, self.knock_heard),
            (QtCore.Qt.Key.Key_Z, self.zero),
            (QtCore.Qt.Key.Key_M, self.turn),
            (QtCore.Qt.Modifier.SHIFT | QtCore.Qt.Key.Key_Z, lambda: self.zero(rolling=True)),
            (QtCore.Qt.Key.Key_Right, controls.skip.click),
            (QtCore.Qt.Key.Key_Left, controls.redo.click),
        ):
            shortcut = QtGui.QShortcut(QtGui.QKeySequence(key), self)
            shortcut.setAutoRepeat(False)
            shortcut.activated.connect(what)
            self.shortcuts.append(shortcut)

    def attach(self, feed: DriveFeed | None) -> None:
        """Begin to show this drive."""
        self.feed, self._raw, self._live = feed, None, None
        self.map.attach()
        self._seen_event = 0
        self._spans = Spans()
        self.strip.live.clear()
        self.controls.enable(feed is not None)
        if feed is None:
            self.state_bar.show_state(NO_DRIVE)
            self.limit_band.show_state(NO_DRIVE)
            self._show_figures(DriveStatus("finished"))

    def detach(self) -> None:
        """Give the sound device back."""
        self.ear.close()

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        self.theme = theme
        for part in (
            self.state_bar,
            self.limit_band,
            self.next_bar,
            self.speed,
            self.load,
            self.target,
            self.hold.mark,
            self.pull.mark,
            self.health,
            self.beside,
        ):
            part.theme = theme
            part.update()
        for panel in (self.speed, self.load, self.target):
            panel.unit = unit
        self.strip.apply_theme(theme, unit)
        self.map.apply_theme(theme, unit)
        self.state_bar.setFixedHeight(round(48 * unit))
        self.health.setFixedHeight(round(34 * unit))
        self.beside.setFixedHeight(round(34 * unit))
        self.next_bar.setFixedHeight(round(NEXT_HIGH * unit))
        self._make_room()
        self._place_band()
        gap = round(8 * unit)
        self.box.setContentsMargins(gap, gap, gap, gap)
        for layout in (self.box, self.first, self.top, self.side, self.cards):
            layout.setSpacing(gap)
        for card in (self.hold, self.pull):
            card.resize_to(unit)
        self.controls.resize_to(unit)
        self.controls.show_theme(theme.name)

    def _make_room(self) -> None:
        """The figure keeps its size and the strip takes what is left; while nothing runs, neither asks for room."""
        unit, live = self.speed.unit, self.feed is not None and not self.speed.dead
        scale = SCALE if self.speed.target is not None else 0
        self.speed.setMinimumHeight(round((CAPTION + FIGURE * 1.04 + WORDS + scale) * unit) if live else 0)
        self.strip.setMinimumHeight(round(100 * unit))

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Keep the band of a limit as wide as the screen; Qt calls this."""
        super().resizeEvent(event)
        self._place_band()

    def _place_band(self) -> None:
        """Over the state bar and the captions below it, so that no figure moves and none is hidden."""
        self.limit_band.setGeometry(0, 0, self.width(), round(BAND_HIGH * self.speed.unit))

    def poll(self) -> None:
        """Ask the drive for what is new and show it."""
        feed = self.feed
        if feed is None:
            return
        status = feed.status()
        events, dropped = feed.events.since(self._seen_event)
        self._seen_event = events[-1].number if events else self._seen_event + dropped
        self.ear.hear(events)
        self._take_samples(feed, events)
        spans = self._spans.take(status, events, self._now_s)
        state = self.watch.look(status, events, feed.info)
        self.state_bar.show_state(state)
        self.limit_band.show_state(state)
        self._show_speed(status, state)
        if self.turning.currentIndex() == 0:
            self.strip.draw(self._now_s, spans)
        else:
            self.map.draw(self._clock())
        if self._clock() - self._figures_at >= FIGURES_EVERY_S:
            self._figures_at = self._clock()
            self._show_figures(status)

    def _take_samples(self, feed: DriveFeed, events: Sequence[Event]) -> None:
        """Read both cursors; raw reads are bounded: a replay at full pace must not hold up the window."""
        if feed.info is None:
            return
        if self._raw is None or self._live is None:
            self._raw, self._live = feed.raw_cursor(), feed.live_cursor()
            self.map.begin(feed)
            self.strip.set_info(feed.info)
            self.strip.show_raw(self.controls.raw.isChecked())
        rows = self._live.read()
        self.strip.add_live(rows)
        newest = [float(rows.time_s[-1])] if len(rows) else []
        blocks = []
        for _ in range(RAW_READS):
            block = self._raw.read(RAW_ROWS)
            if block is None:
                break
            self.strip.add_raw(block)
            blocks.append(block)
            newest.append(block.end / block.rate_hz)
        self.map.take(blocks, rows, events)
        if newest:
            back = max(newest) < self._now_s - WINDOW_S
            self._now_s = max(newest) if back else max(self._now_s, *newest)

    def _show_speed(self, status: DriveStatus, state: State) -> None:
        dead = status.state != "running" or state.title == NO_DATA
        old = self._clock() - self._figures_at < FIGURES_EVERY_S
        figure = self.speed.figure if old and not dead and not self.speed.dead else live_rpm(status.speed_rpm)
        targeted = self.speed.target is not None, self.speed.dead
        self.speed.show_speed(
            figure,
            status.speed_rpm if status.target_speed_rpm is None else status.target_speed_rpm,
            status.steady,
            status.next_target_rpm,
            dead=dead,
            lift=state.title == LIFT,
            pull=status.pull_now,
            redline=status.redline_rpm,
            now=self._clock(),
        )
        if targeted != (self.speed.target is not None, self.speed.dead):
            self._make_room()

    def _show_figures(self, status: DriveStatus) -> None:
        dead = self.speed.dead
        unit = one_line(status.load_unit, 12)
        figure = NO_FIGURE if dead else self._still.text(status.load, unit)
        self.load.show_figure(f"Load, {unit}" if unit else "Load", figure)
        self.load.sample = "-88888" if unit in ("N", "microstrain") else "-0.88"
        self.strip.set_load_unit(unit)
        self._show_target(status)
        hold_text, hold_detail = words.hold_lines(status.last_hold, status.holds, unit)
        self.hold.show_verdict("idle" if status.last_hold is None else "ok", hold_text, hold_detail)
        pull_text, pull_detail = words.pull_lines(status.last_pull, status.pulls)
        clean = status.last_pull is not None and status.last_pull.verdict == "clean"
        self.pull.show_verdict(
            "idle" if status.last_pull is None else "ok" if clean else "caution", pull_text, pull_detail
        )
        for card, other in ((self.hold, status.pulls), (self.pull, status.holds)):  # 'none yet' gives way to what is
            wanted = not other or (status.holds > 0 if card is self.hold else status.pulls > 0)
            card.setVisible(wanted and self.turning.currentIndex() == 0)  # the map needs the room
        self.next_bar.setVisible(status.next_step is not None)
        self.next_bar.show_step(*next_step(status.next_step), pulling=status.pull_now is not None)
        info = self.feed.info if self.feed is not None else None
        file = words.recording_file(status.path, status.recording) if self.feed is not None else ""
        self.beside.setVisible(bool(status.beside))
        self.beside.show_health(words.beside_cells(status), "")
        cells = words.health_cells(status, info, little_disk(status, info))
        self.health.show_health(cells, file)
        self.health.setVisible(status.next_step is None or any(bad for _, _, bad in cells))
        self.controls.show_status(status.recording, status.tune)

    def _show_target(self, status: DriveStatus) -> None:
        """The next target and the seconds it still wants; the panel is there only where targets are."""
        self.target.setVisible(bool(status.targets))
        self.controls.show_targets(bool(status.targets))
        low = round(64 * self.speed.unit) if status.targets else 16777215  # Qt's own 'no limit'
        if self.load.maximumHeight() != low:
            self.load.setMaximumHeight(low)
        if not status.targets:
            return
        if status.next_target_rpm is None:
            held = len(status.targets) if status.target_speed_rpm is None else status.targets_taken
            all_held = f"Targets, all {held} held" if held == len(status.targets) else f"Targets, {held} held"
            self.target.show_figure(all_held, "done", "", words.uncertainty_lines(status))
            return
        place = next((n for n, rpm in enumerate(status.targets, 1) if rpm == status.next_target_rpm), None)
        which = f" {place} of {len(status.targets)}" if place is not None else ""
        steady = status.steady
        if status.target_speed_rpm is not None:  # guided: the speed panel counts too, so the figure gets the room
            details = (hint_words(status.target_hint), words.target_line(status))
            self.target.show_figure(f"Next target{which}, rpm", live_rpm(status.next_target_rpm), "", details)
            return
        note = f"hold it {steady.needed_s:.0f} s" if steady is not None else ""
        if steady is not None and steady.steady_s > 0:
            note = f"{min(steady.steady_s, steady.needed_s):.1f} of {seconds(steady.needed_s)}"
        self.target.show_figure(f"Next target{which}, rpm", live_rpm(status.next_target_rpm), note)

    def start_recording(self) -> None:
        """Start a session file; where one is open, say how it is stopped."""
        if self.feed is not None and self.feed.status().recording:
            self.watch.say("command", State("idle", "", words.HOLD_TO_STOP), for_s=2.0)
            return
        self._command(lambda feed: feed.start_recording())

    def stop_recording(self) -> None:
        """Finish the session file that is open."""
        self._command(lambda feed: feed.stop_recording())

    def mark(self) -> None:
        """Put a mark at this moment."""
        self._command(lambda feed: feed.mark())

    def knock_heard(self) -> None:
        """Keep that knock was heard just now, with its speeds."""
        self._command(lambda feed: feed.knock_heard())

    def turn(self) -> None:
        """To the map of reached cells, and back."""
        there = self.turning.currentIndex() == 0
        self.turning.setCurrentIndex(int(there))
        self.controls.map.setText("Figures" if there else "Map")
        self._figures_at = float("-inf")
        self.map.draw(self._clock())

    def zero(self, *, rolling: bool = False) -> None:
        """Declare the last quiet seconds as zero load: standing, or in a free roll."""
        self._command(lambda feed: feed.zero(rolling))

    def take_tune(self) -> None:
        """Hand the typed label on, and give the keyboard back to the screen."""
        text = self.controls.tune.text().strip()
        if self.feed is not None and text != self.feed.status().tune:
            self._command(lambda feed: feed.set_tune(text))
        self.controls.tune.clearFocus()

    def _command(self, act: Callable[[DriveFeed], None]) -> None:
        """Do something to the drive; where it cannot be done, say why."""
        if self.feed is None:
            return
        try:
            act(self.feed)
        except SteadypullError as error:
            self.watch.say("command", State("fault", "Not done", one_line(str(error), 160)))
