"""The Controller log page: a controller's log laid over a session as two traces, to be accepted or rejected."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyqtgraph as pg
from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.text.figures import one_line, sentence
from ui.window import align_work as work
from ui.window import ask
from ui.window.compare_figure import Key
from ui.window.panels import Empty, label
from ui.window.plot import PlotTools, Series, bare_view, style_view
from ui.window.study_page import EMPTY_DETAIL, EMPTY_TITLE, StudyPage
from ui.window.theme import Theme

ASK = "Choose the controller's CSV log, and the car file that names its columns: time, rpm, and what else to take."
LOOK = "Do both traces rise and fall together everywhere? Turn the wheel over the picture to look closer."


def trace_mark(painter: QtGui.QPainter, at: QtCore.QPointF, size: float, thin: bool, theme: Theme) -> None:
    """The mark of a trace: the session's is broad, the log's thin."""
    painter.setPen(QtGui.QPen(QtGui.QColor(theme.text if thin else theme.speed), size * (0.15 if thin else 0.5)))
    painter.drawLine(QtCore.QPointF(at.x() - size * 0.6, at.y()), QtCore.QPointF(at.x() + size * 0.6, at.y()))


class AlignPage(StudyPage):
    """Nothing is written until the person has seen the two traces and believes them."""

    no_answer = "Not laid over each other"
    decides = LOOK
    caution = (
        "A log in the wrong place joins mixture and spark to the wrong engine speed, and what follows from it can do "
        "harm: in doubt, reject. Knock, mixture and exhaust heat are to be watched whatever a log says."
    )

    def __init__(self) -> None:
        super().__init__("align")
        self.laid: work.Laid | None = None
        self.log_path: Path | None = None
        self.car_path: Path | None = None
        self.sessions = QtWidgets.QComboBox()
        self.choose_log, self.choose_car = (QtWidgets.QPushButton(t) for t in ("Log…", "Log's car file…"))
        self.believe, self.reject = (QtWidgets.QPushButton(t) for t in ("Accept and write…", "Reject"))
        for part in (label("caption", "Session"), self.sessions, self.choose_log, self.choose_car):
            self.top.addWidget(part)
        self.top.addStretch(1)
        for part in (self.status, self.believe, self.reject):
            self.top.addWidget(part)
        self.keys = Key(), Key()
        self.views, self.plots = zip(*(bare_view("s") for _ in range(2)), strict=True)
        self.session_curve, self.log_curve, self.left_curve = (pg.PlotDataItem() for _ in range(3))
        for plot, curves in zip(self.plots, ((self.session_curve, self.log_curve), (self.left_curve,)), strict=True):
            for curve in curves:
                curve.setDownsampling(auto=True, method="peak")
                curve.setClipToView(True)
                plot.addItem(curve)
        self.plots[1].setXLink(self.plots[0])
        self.tools = [
            PlotTools(view, [plot], name, x_name="time, s", sheet=sheet)
            for view, plot, name, sheet in zip(self.views, self.plots, ("log", "difference"), self.views, strict=True)
        ]
        self.panel = QtWidgets.QFrame()
        self.panel.setProperty("part", "panel")
        self.column = QtWidgets.QVBoxLayout(self.panel)
        for key, view, share in zip(self.keys, self.views, (70, 30), strict=True):
            self.column.addWidget(key)
            self.column.addWidget(view, share)
        self.nothing = Empty("curves", "Log…", self.choose_log_file)
        self.body.addWidget(self.panel)
        self.body.addWidget(self.nothing)
        self.sessions.activated.connect(self.work_out)
        self.choose_log.clicked.connect(self.choose_log_file)
        self.choose_car.clicked.connect(self.choose_car_file)
        self.believe.clicked.connect(self.believe_it)
        self.reject.clicked.connect(self.reject_it)
        self.empty()

    def empty(self) -> None:
        """No traces; say what is wanted."""
        self._show(None)
        if not self.paths:
            self.say("idle", EMPTY_TITLE, EMPTY_DETAIL)
        else:
            self.say("idle", "Choose a log and its car file", ASK)

    def begin(self) -> None:
        """Offer the sessions."""
        before = self.sessions.currentData()
        self.sessions.clear()
        for path in self.paths:
            self.sessions.addItem(one_line(Path(path).name), path)
        self.sessions.setCurrentIndex(max(0, self.sessions.findData(before)))
        self.work_out()

    def choose_log_file(self) -> None:
        """Ask for the log."""
        chosen = self._chosen("The controller's log", self.log_path, "csv", "Log as CSV")
        if chosen is not None:
            self.log_path = chosen
            self.choose_log.setText(one_line(chosen.name))
            self.work_out()

    def choose_car_file(self) -> None:
        """Ask for the car file of the log."""
        chosen = self._chosen("Car file of the log", self.car_path, "toml", "Car file")
        if chosen is not None:
            self.car_path = chosen
            self.choose_car.setText(one_line(chosen.name))
            self.work_out()

    def _chosen(self, title: str, before: Path | None, kind: str, words: str) -> Path | None:
        start = before or self.log_path or (Path(self.paths[0]).parent if self.paths else None)
        return ask.open_file(self, title, start, kind, words)

    def work_out(self) -> None:
        """Lay the log over the session for what is chosen now."""
        session, log, car = self.sessions.currentData(), self.log_path, self.car_path
        self.empty()
        if session is not None and log is not None and car is not None:
            self.run("laying the log over the session", lambda _: work.lay(session, log, car), self.take)

    def take(self, laid: work.Laid) -> None:
        """Show both traces; now the person decides."""
        self._show(laid)
        self.say(*work.title(laid), laid.notes)

    def failed(self, trouble: str) -> None:
        """Say what went wrong; traces that could not be written stay, to be written elsewhere."""
        laid = self.laid
        super().failed(trouble)
        if laid is not None:
            self._show(laid)
            self.say("caution", "Not written", sentence(trouble))

    def believe_it(self) -> None:
        """Ask for a name and write the session that holds both."""
        laid = self.laid
        if laid is None:
            return
        start = laid.session.path.with_name(f"{laid.session.path.stem}-with-log.h5")
        out = ask.save_as(self, "Write the session with the log", start, "h5")
        if out is None:
            return
        if out.exists():
            self.say("caution", "Not written", f"{one_line(out.name)} is already there; choose another name.")
            return
        self._allow(False)
        self.run("writing", lambda task: work.write(laid, out, task.tell), self._written)

    def _written(self, words: str) -> None:
        self.say("ok", "Accepted and written", words)

    def reject_it(self) -> None:
        """Forget the log; nothing is written."""
        self.log_path = None
        self.choose_log.setText("Log…")
        self._show(None)
        self.say("idle", "Rejected: nothing was written", "Choose another log, or another session.")

    def _show(self, laid: work.Laid | None) -> None:
        self.laid = laid
        self._allow(laid is not None)
        nothing = np.empty(0)
        traces = [(nothing, nothing)] * 3
        if laid is not None:
            traces = [
                (laid.session_s, laid.session_rpm),
                (laid.log_s, laid.log_rpm),
                (laid.log_s, laid.left_rpm),
            ]
        for curve, trace in zip((self.session_curve, self.log_curve, self.left_curve), traces, strict=True):
            curve.setData(*trace, connect="finite")  # where samples were lost the line breaks
        entries: list[tuple[Callable[..., Any], bool, str]] = [
            (trace_mark, False, "session"),
            (trace_mark, True, "controller's log"),
        ]
        self.keys[0].show_key("Engine speed, rpm, over seconds of the session", entries)
        self.keys[1].show_key("Log less session, rpm, after a straight line between the two speeds", [])
        self.panel.setVisible(laid is not None)
        self.nothing.setVisible(laid is None)
        if laid is None:
            for tools in self.tools:
                tools.show_series(0, [])
            return
        left, right = min(0.0, float(laid.log_s[0])), max(laid.session.duration_s, float(laid.log_s[-1]))
        highest = float(max(np.nanmax(laid.session_rpm), np.nanmax(laid.log_rpm)))
        reach = float(np.nanpercentile(np.abs(laid.left_rpm), 99.5)) * 1.3 or 1.0
        self.tools[0].home(0, left, right, 0.0, 1.05 * highest)
        self.tools[1].home(0, left, right, -reach, reach)
        names = ("session", "log", "log less session")
        told = [Series(name, "rpm", *map(np.asarray, trace)) for name, trace in zip(names, traces, strict=True)]
        self.tools[0].show_series(0, told[:2])
        self.tools[1].show_series(0, told[2:])

    def _allow(self, on: bool) -> None:
        self.believe.setEnabled(on)
        self.reject.setEnabled(on)

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        super().apply_theme(theme, unit)
        self.nothing.apply_theme(theme, unit)
        for key, view, plot in zip(self.keys, self.views, self.plots, strict=True):
            key.theme, key.unit = theme, unit
            key.setFixedHeight(round(26 * unit))
            key.update()
            style_view(view, plot, theme, unit, 66)
        for tools in self.tools:
            tools.apply_theme(theme, unit)
        self.session_curve.setPen(pg.mkPen(theme.speed, width=5 * unit))
        self.log_curve.setPen(pg.mkPen(theme.text, width=1.2 * unit))
        self.left_curve.setPen(pg.mkPen(theme.text, width=1.2 * unit))
        self.column.setContentsMargins(0, round(6 * unit), 0, round(4 * unit))
        self.column.setSpacing(round(2 * unit))
