"""The trail over the screens: the job's steps with what each is or lacks, and one button for the obvious next one."""

from functools import partial

from pyqtgraph.Qt import QtCore, QtGui, QtWidgets

from ui.text import job as words
from ui.window.forms import button
from ui.window.job import Step
from ui.window.panels import label
from ui.window.theme import DARK, Theme, shape, text_font

Align = QtCore.Qt.AlignmentFlag


class StepMark(QtWidgets.QAbstractButton):
    """One step: tick, disc, square or dots, its name, and a line to the next; a press goes there."""

    def __init__(self, key: str) -> None:
        super().__init__()
        self.step = Step(key, "missing", "")
        self.theme: Theme = DARK
        self.here = False
        self.setText(words.STEPS[key][0])
        self.setFocusPolicy(QtCore.Qt.FocusPolicy.TabFocus)
        self.setCursor(QtCore.Qt.CursorShape.PointingHandCursor)

    def show_step(self, step: Step) -> None:
        """Take over a step."""
        self.step = step
        what = words.STEPS[step.key][1]
        told = f"{step.name}: {words.STATES[step.state]}{f', {step.why}' if step.why else ''}. {what}"
        self.setToolTip(told)
        self.setAccessibleName(told)
        self.update()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:  # noqa: N802 - Qt's name
        """Draw the step; Qt calls this."""
        del event
        painter = QtGui.QPainter(self)
        theme, high = self.theme, float(self.height())
        state = self.step.state
        ink = {"done": theme.hold, "next": theme.text, "open": theme.text, "missing": theme.muted}[state]
        side = high * 0.36
        box = QtCore.QRectF(high * 0.1, (high - side) / 2, side, side)
        kind = {"done": "ok", "next": "recording", "open": "idle", "missing": "wait"}[state]
        shape(painter, kind, box, ink)
        painter.setFont(text_font(high * 0.36, bold=state == "next"))
        painter.setPen(QtGui.QColor(theme.muted if state == "missing" else theme.text))
        room = QtCore.QRectF(box.right() + high * 0.12, 0, self.width() - box.right() - high * 0.12, high)
        painter.drawText(room, Align.AlignVCenter | Align.AlignLeft, self.text())
        if self.hasFocus() or self.underMouse():
            painter.setPen(QtGui.QPen(QtGui.QColor(theme.text), 2))
            wide = QtGui.QFontMetricsF(painter.font()).horizontalAdvance(self.text())
            painter.drawLine(QtCore.QPointF(room.left(), high * 0.8), QtCore.QPointF(room.left() + wide, high * 0.8))
        painter.end()

    def sizeHint(self) -> QtCore.QSize:  # noqa: N802 - Qt's name
        """As wide as its words; Qt calls this."""
        font = text_font(self.height() * 0.36, bold=True)
        wide = QtGui.QFontMetricsF(font).horizontalAdvance(self.text())
        return QtCore.QSize(round(wide + self.height() * 0.75), self.height())


class Trail(QtWidgets.QFrame):
    """`wanted` carries the key of the step that was pressed."""

    wanted = QtCore.Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self.setProperty("part", "panel")
        self.marks = {key: StepMark(key) for key in words.STEPS}
        self.why = label("caption")
        self.why.setWordWrap(True)
        self.why.setAlignment(Align.AlignRight | Align.AlignVCenter)
        self.why.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Preferred)
        self.next = button(words.ALL_DONE, self._go, primary=True)
        self.row = QtWidgets.QHBoxLayout(self)
        for key, mark in self.marks.items():
            mark.clicked.connect(partial(self._press, key))
            self.row.addWidget(mark)
        self.row.addWidget(self.why, 1)
        self.row.addWidget(self.next)
        self._next = ""

    def show_steps(self, steps: tuple[Step, ...]) -> None:
        """Take over the steps."""
        for step in steps:
            self.marks[step.key].show_step(step)
        following = next((step for step in steps if step.state == "next"), None)
        self._next = "" if following is None else following.key
        self.next.setText(words.NEXT[self._next] if self._next else words.ALL_DONE)
        self.next.setEnabled(bool(self._next))
        self.why.setText("" if following is None else following.why)

    def wait(self, reading: bool) -> None:
        """While the folder is read, what is next is not known."""
        self.next.setEnabled(bool(self._next) and not reading)

    def lead(self, leads: bool) -> None:
        """Whether the next step is the one primary action, or the screen below has one of its own."""
        part = "primary" if leads else ""
        if self.next.property("part") != part:
            self.next.setProperty("part", part)
            self.next.style().unpolish(self.next)
            self.next.style().polish(self.next)

    def _go(self) -> None:
        if self._next:
            self.wanted.emit(self._next)

    def _press(self, key: str, _: bool = False) -> None:
        step = self.marks[key].step
        if step.state == "missing":
            self.why.setText(f"{step.name}: {words.STATES['missing']}, {step.why}")
        else:
            self.wanted.emit(key)

    def apply_theme(self, theme: Theme, unit: float) -> None:
        """Take over colours and size."""
        for mark in self.marks.values():
            mark.theme = theme
            mark.setFixedHeight(round(44 * unit))  # a finger's width
            mark.setFixedWidth(mark.sizeHint().width())
        self.row.setSpacing(round(4 * unit))
        self.row.setContentsMargins(*(round(n * unit) for n in (12, 0, 8, 0)))
        self.next.setFixedHeight(round(44 * unit))
        self.setFixedHeight(round(56 * unit))
