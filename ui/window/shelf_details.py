"""What the shelf says of the chosen sessions, and the buttons that act on them."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import msgspec
from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from stream.record.summary import Summary
from ui.text import shelf as words
from ui.text.figures import one_line
from ui.window.panels import label

NOTE_LENGTH = 300
NOTE_MS = 1500  # chosen: a pause in typing after which a note is written


def shared_tune(chosen: Sequence[Summary]) -> str:
    """The tune that most of several sessions hold, where at least two do; '' for none."""
    counts = Counter(tune for session in chosen for tune in session.tunes)
    tune, count = counts.most_common(1)[0] if counts else ("", 0)
    return tune if count >= 2 else ""


class Details(QtWidgets.QFrame):
    """One session: its name, what is in it, its note. Several: how many, and what they hold together.

    `noted` carries path and text of a note: after a pause in typing, or when another session is chosen.
    """

    noted = QtCore.Signal(str, str)

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setProperty("part", "panel")
        self.title, self.lines = label("verdict"), label("detail")
        self.lines.setWordWrap(True)
        for text in (self.title, self.lines):
            text.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Preferred)
        self.note = QtWidgets.QLineEdit()
        self.note.setMaxLength(NOTE_LENGTH)
        self.note.setPlaceholderText("Note, for example: dry, 18 °C, new plugs")
        self._noting: Summary | None = None
        self._pause = QtCore.QTimer(self)
        self._pause.setSingleShot(True)
        self._pause.setInterval(NOTE_MS)
        self._pause.timeout.connect(self.keep_note)
        self.note.textEdited.connect(lambda _: self._pause.start())
        self.note.editingFinished.connect(self.keep_note)
        self.compare = QtWidgets.QPushButton("Compare")
        self.trend = QtWidgets.QPushButton("Trend")
        self.marks = QtWidgets.QPushButton("Marks…")
        self.marks.setToolTip("Holds and pulls on the trace: leave out, keep, knock heard")
        self.export = QtWidgets.QToolButton()
        self.export.setText("Export")
        self.export.setPopupMode(QtWidgets.QToolButton.ToolButtonPopupMode.InstantPopup)
        menu = QtWidgets.QMenu(self.export)
        self.export_live = QtGui.QAction("Speed and load, with holds and pulls…", menu)
        self.export_raw = QtGui.QAction("Every sample as recorded…", menu)
        self.export_holds = QtGui.QAction("Holds…", menu)
        self.export_pulls = QtGui.QAction("Pulls…", menu)
        menu.addActions([self.export_live, self.export_holds, self.export_pulls, self.export_raw])
        self.export.setMenu(menu)
        self.row = QtWidgets.QHBoxLayout()
        for part, stretch in (
            (self.note, 1),
            (self.export, 0),
            (self.marks, 0),
            (self.trend, 0),
            (self.compare, 0),
        ):
            self.row.addWidget(part, stretch)
        self.box = QtWidgets.QVBoxLayout(self)
        self.box.addWidget(self.title)
        self.box.addWidget(self.lines)
        self.box.addLayout(self.row)
        self.show_sessions([], Path())

    def resize_to(self, unit: float) -> None:
        """Set the sizes that a style sheet cannot."""
        self.box.setContentsMargins(*(round(n * unit) for n in (14, 10, 14, 12)))
        self.box.setSpacing(round(6 * unit))
        self.row.setSpacing(round(8 * unit))

    def show_sessions(self, chosen: Sequence[Summary], folder: Path) -> None:
        """Take over what is chosen; a note that is being written for the same session stays."""
        one = chosen[0] if len(chosen) == 1 else None
        same = one is not None and self._noting is not None and one.path == self._noting.path
        if not same:
            self.keep_note()
        typing = same and self._pause.isActive()
        self._noting = one
        usable = [session for session in chosen if session.readable]
        self.note.setEnabled(one is not None and one.readable)
        self.export.setEnabled(one is not None and one.readable)
        self.marks.setEnabled(one is not None and one.readable)
        self.compare.setEnabled(any(session.pulls_clean + session.pulls_flawed for session in usable))
        self.compare.setText(f"Compare {len(usable)} sessions" if len(usable) > 1 else "Compare")
        tune = shared_tune(usable)
        self.trend.setEnabled(bool(tune))
        self.trend.setText(f"Trend of {one_line(tune)}" if tune else "Trend")
        if not typing:
            self.note.setText("" if one is None else one_line(one.note))
        if one is not None:
            self._show_one(one, folder)
        elif chosen:
            self._show_several(usable, len(chosen))
        else:
            self.title.setText("Nothing chosen")
            self.lines.setText("Choose a session to see what is in it; with Ctrl or Shift several, to compare them.")

    def keep_note(self) -> None:
        """Hand on what was typed, where it is not what the session says already."""
        self._pause.stop()
        one = self._noting
        if one is None or not one.readable or self.note.text() == one_line(one.note):
            return
        self._noting = msgspec.structs.replace(one, note=self.note.text())
        self.noted.emit(one.path, self.note.text())

    def show_trend(self, lines: tuple[str, str]) -> None:
        """Put the words of a trend in place of what is chosen."""
        self.title.setText(lines[0])
        self.lines.setText(lines[1])

    def _show_one(self, session: Summary, folder: Path) -> None:
        self.title.setText(words.name(session, folder))
        if not session.readable:
            self.lines.setText(words.health(session))
            return
        parts = [one_line(session.car), f"{session.rate_hz:g} samples/s"]
        parts.append("speed calibrated" if session.calibrated else "speed by the car file's provisional line")
        parts.append({0: "no zero", 1: "1 zero"}.get(session.zeros, f"{session.zeros} zeros"))
        if session.faults:
            parts.append(f"flawed pulls: {words.why_flawed(session)}")
        parts += words.troubles(session)
        self.lines.setText(" · ".join(part for part in parts if part))

    def _show_several(self, usable: Sequence[Summary], chosen: int) -> None:
        self.title.setText(f"{chosen} sessions chosen")
        tunes = list(dict.fromkeys(tune for session in usable for tune in session.tunes))
        clean = sum(session.pulls_clean for session in usable)
        parts = [f"tunes: {', '.join(map(one_line, tunes)) or 'none named'}", f"{clean} clean pulls"]
        cars = {session.car for session in usable}
        if len(cars) > 1:
            parts.append("different cars: they cannot be compared")
        if len(usable) < chosen:
            parts.append(f"{chosen - len(usable)} cannot be read")
        self.lines.setText(" · ".join(parts))

    def keyPressEvent(self, event: QtGui.QKeyEvent) -> None:  # noqa: N802 - Qt's name
        """Enter in the note saves it; Qt calls this."""
        if event.key() in (QtCore.Qt.Key.Key_Return, QtCore.Qt.Key.Key_Enter) and self.note.hasFocus():
            self.keep_note()
            return
        super().keyPressEvent(event)
